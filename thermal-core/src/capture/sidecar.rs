//! Reads `frames.csv`, the pose sidecar. A value or row that cannot be used is named; the rest goes on.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::tz::Offset;

use super::{Capture, is_position};
use crate::table::Table;
use crate::{Error, Result};

const COLUMNS: [&str; 9] =
    ["file", "captured_at", "lat", "lon", "altitude_m", "height_above_takeoff_m", "yaw_deg", "pitch_deg", "roll_deg"];

/// Reads `frames.csv` into captures by file name (relative to `frames/`), and the problems met, one for each value or row
/// that is not used. Only the column `file` must be there. `utc_offset` serves times that carry none.
///
/// # Errors
/// [`Error::Io`]; [`Error::Input`] where the file as a whole is no such table.
pub fn read_sidecar(
    path: impl AsRef<Path>,
    utc_offset: Option<Offset>,
) -> Result<(BTreeMap<String, Capture>, Vec<Error>)> {
    let mut table = Table::read(path.as_ref(), &COLUMNS, 1)?;
    let mut captures = BTreeMap::new();
    let mut lines = BTreeMap::new();
    for row in 0..table.len() {
        let line = table.line(row);
        let file = frame_name(table.text(row, "file"));
        if file.is_empty() {
            table.problem(line, Some("file"), "no frame is named; the row is left out", "give the frame's file name");
            continue;
        }
        if let Some(first) = lines.get(&file) {
            let reason = format!("{file} stands on line {first} already; this row is left out");
            table.problem(line, Some("file"), reason, "keep one of the two rows");
            continue;
        }
        let mut capture = Capture {
            captured_at: table.time(row, "captured_at", utc_offset),
            lat: table.number(row, "lat", -90.0, 90.0),
            lon: table.number(row, "lon", -180.0, 180.0),
            altitude_m: table.number(row, "altitude_m", -500.0, 9000.0),
            height_above_takeoff_m: table.number(row, "height_above_takeoff_m", -1000.0, 9000.0),
            yaw_deg: table.number(row, "yaw_deg", -360.0, 720.0),
            pitch_deg: table.number(row, "pitch_deg", -180.0, 180.0),
            roll_deg: table.number(row, "roll_deg", -180.0, 180.0),
            file: file.clone(),
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
        lines.insert(file.clone(), line);
        captures.insert(file, capture);
    }
    Ok((captures, table.problems))
}

/// The name under `frames/`, with forward slashes.
fn frame_name(text: &str) -> String {
    let name = text.replace('\\', "/");
    let name = name.strip_prefix("./").unwrap_or(&name);
    name.strip_prefix("frames/").unwrap_or(name).to_owned()
}
