//! Reads `frames.csv`, the pose sidecar. A value or row that cannot be used is named; the rest goes on.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use jiff::tz::Offset;

use super::{Capture, is_position};
use crate::table::Table;
use crate::{Error, Result};

const COLUMNS: [&str; 9] =
    ["file", "captured_at", "lat", "lon", "altitude_m", "height_above_takeoff_m", "yaw_deg", "pitch_deg", "roll_deg"];

/// Reads `frames.csv` into captures in the order of their file names (relative to `frames/`), and the problems met, one
/// for each value or row that is not used. Only the column `file` must be there. `utc_offset` serves times that carry
/// none.
///
/// # Errors
/// [`Error::Io`]; [`Error::Input`] where the file as a whole is no such table.
pub fn read_sidecar(path: impl AsRef<Path>, utc_offset: Option<Offset>) -> Result<(Vec<Capture>, Vec<Error>)> {
    let mut sidecar = Sidecar::read(path.as_ref(), utc_offset, |_| true)?;
    sidecar.rows.sort_unstable_by(|a, b| a.file.cmp(&b.file));
    Ok((sidecar.rows, sidecar.problems))
}

/// The rows of `frames.csv` on frames that are there.
pub(crate) struct Sidecar {
    /// One for each file, in the order of the table. A list: a map that grows in order stands half empty.
    rows: Vec<Capture>,
    /// The first [`MAX_ABSENT`] files that are named and not there, in the order of the table.
    pub(crate) absent: Vec<String>,
    /// How many are not there in all.
    pub(crate) absent_count: usize,
    pub(crate) problems: Vec<Error>,
}

/// So many files that are not there are told by name: who reads them sees what is wrong with the table.
const MAX_ABSENT: usize = 8;

impl Sidecar {
    /// As [`read_sidecar`]; rows on files that are not `there` are counted and not kept, whatever their number.
    pub(crate) fn read(path: &Path, utc_offset: Option<Offset>, there: impl Fn(&str) -> bool) -> Result<Self> {
        let mut table = Table::open(path, &COLUMNS, 1)?;
        let (mut rows, mut lines) = (Vec::<Capture>::new(), Vec::new());
        // Where a name stands: made when the first one does not come after the one before, as those of a camera do.
        let mut places: Option<HashMap<String, usize>> = None;
        let (mut absent, mut absent_count) = (Vec::new(), 0);
        while table.advance()? {
            let (line, file) = (table.line(), frame_name(table.text("file")));
            if places.is_none() && rows.last().is_some_and(|last| file <= last.file) {
                places = Some(rows.iter().enumerate().map(|(k, row)| (row.file.clone(), k)).collect());
            }
            if file.is_empty() {
                let reason = "no frame is named; the row is left out";
                table.problem(line, Some("file"), reason, "give the frame's file name");
            } else if let Some(first) = places.as_ref().and_then(|places| places.get(&file)) {
                let reason = format!("{file} stands on line {} already; this row is left out", lines[*first]);
                table.problem(line, Some("file"), reason, "keep one of the two rows");
            } else if there(&file) {
                if let Some(places) = &mut places {
                    places.insert(file.clone(), rows.len());
                }
                rows.push(capture(&mut table, file, utc_offset));
                lines.push(line);
            } else {
                absent_count += 1;
                if absent.len() < MAX_ABSENT {
                    absent.push(file);
                }
            }
        }
        Ok(Self { rows, absent, absent_count, problems: table.into_problems() })
    }

    /// The rows by file name.
    pub(crate) fn by_file(self) -> BTreeMap<String, Capture> {
        self.rows.into_iter().map(|row| (row.file.clone(), row)).collect()
    }

    /// A sentence on the absent files that are not told by name.
    pub(crate) fn more_absent(&self) -> Option<String> {
        let more = self.absent_count - self.absent.len();
        (more > 0).then(|| format!("{more} more rows name files that are not there"))
    }
}

/// What the current row says of a frame.
fn capture(table: &mut Table, file: String, utc_offset: Option<Offset>) -> Capture {
    let line = table.line();
    let mut capture = Capture {
        captured_at: table.time("captured_at", utc_offset),
        lat: table.number("lat", -90.0, 90.0),
        lon: table.number("lon", -180.0, 180.0),
        altitude_m: table.number("altitude_m", -500.0, 9000.0),
        height_above_takeoff_m: table.number("height_above_takeoff_m", -1000.0, 9000.0),
        yaw_deg: table.number("yaw_deg", -360.0, 720.0),
        pitch_deg: table.number("pitch_deg", -180.0, 180.0),
        roll_deg: table.number("roll_deg", -180.0, 180.0),
        file,
        ..Capture::default()
    };
    match (capture.lat, capture.lon) {
        (Some(lat), Some(lon)) if is_position(lat, lon) => {}
        (None, None) => {}
        (Some(_), Some(_)) => {
            (capture.lat, capture.lon) = (None, None);
            capture.notes.push("the position 0, 0 in frames.csv is no fix and is not used".into());
        }
        (lat, _) => {
            let missing = if lat.is_none() { "lat" } else { "lon" };
            (capture.lat, capture.lon) = (None, None);
            let reason = "half of the position is missing; the position is not used";
            table.problem(line, Some(missing), reason, "give both lat and lon, or neither");
        }
    }
    capture
}

/// The name under `frames/`, with forward slashes.
fn frame_name(text: &str) -> String {
    let name = text.replace('\\', "/");
    let name = name.strip_prefix("./").unwrap_or(&name);
    name.strip_prefix("frames/").unwrap_or(name).to_owned()
}
