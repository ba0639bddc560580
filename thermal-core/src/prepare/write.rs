//! Lays a survey down: `inspection.toml` with a comment to each value, and a template of `irradiance.csv`.

use std::fmt::Write as _;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use jiff::tz::Offset;
use jiff::{SignedDuration, Timestamp, ToSpan, Unit};

use super::{Entry, Sure, Survey};
use crate::settings::keys::KEYS;
use crate::settings::{Settings, Source};
use crate::table::Table;
use crate::{Error, Result};

/// Minutes between readings: under the age at which a finding is flagged (`irradiance.stale_s`), with room to be late.
const STEP_MIN: i64 = 10;
/// More lines than a day of readings by hand.
const MOST_READINGS: i64 = 200;

impl Survey {
    /// `inspection.toml`: each value with how sure it is and where it came from.
    pub fn toml(&self) -> String {
        let mut text = String::from(
            "# Settings of this inspection, as `thermal prepare` worked them out from the frames.\n\
             # After each value: how sure it is, and where it came from. known: an input says so; measured: on the frames\n\
             # or the layout; likely, assumed: look at it; FILL IN: replace \"?\", `thermal inspect` refuses it.\n\
             # Keys behind a # have the default that stands there.\n",
        );
        let defaults = Settings::default().assumed();
        let mut section = "";
        for key in KEYS {
            if key.section != section {
                section = key.section;
                let _ = writeln!(text, "\n[{section}]");
            }
            let dotted = key.dotted();
            if let Some(entry) = self.entries.iter().find(|entry| entry.key == dotted) {
                let line = format!("{} = {}", key.name, entry.value);
                let _ = writeln!(text, "{line:<26} # {}: {}", entry.sure.as_str(), entry.from);
                continue;
            }
            let default = defaults.iter().find(|a| a.key == dotted && a.source == Source::Default);
            let value = default.map(|a| a.value.as_str()).filter(|value| !value.is_empty()).unwrap_or("...");
            let line = format!("# {} = {value}", key.name);
            let _ = writeln!(text, "{line:<26} # {}", key.about);
        }
        text
    }

    /// The times at which readings of the irradiance are due: before the first frame, every ten minutes, after the last.
    pub(crate) fn readings_due(&self) -> Vec<Timestamp> {
        let Some((first, last)) = self.times else { return Vec::new() };
        let step = SignedDuration::from_mins(STEP_MIN);
        let Ok(mut time) = first.round(Unit::Minute).and_then(|t| t.checked_sub((STEP_MIN / 2).minutes())) else {
            return Vec::new();
        };
        let mut due = Vec::new();
        for _ in 0..MOST_READINGS {
            due.push(time);
            if time > last {
                break;
            }
            let Ok(next) = time.checked_add(step) else { break };
            time = next;
        }
        due
    }

    /// The template of `irradiance.csv`; `None` where no frame has a time.
    pub(crate) fn irradiance_csv(&self) -> Option<String> {
        let due = self.readings_due();
        let offset = self.offset.unwrap_or(Offset::UTC);
        (!due.is_empty()).then(|| {
            due.iter().fold(String::from("time,poa_w_m2,air_temp_c,wind_m_s,cloud_okta\n"), |text, time| {
                text + &time.display_with_offset(offset).to_string() + ",,,,\n"
            })
        })
    }

    /// Writes `inspection.toml`, and the template of `irradiance.csv` where there is none; returns what was written.
    ///
    /// # Errors
    /// [`Error::Io`]; a file that is there is never overwritten.
    pub fn write(&self) -> Result<Vec<PathBuf>> {
        let settings = self.folder.join("inspection.toml");
        create(&settings, &self.toml())?;
        let mut written = vec![settings];
        let readings = self.folder.join("irradiance.csv");
        if let Some(text) = self.irradiance_csv().filter(|_| !crate::file::is_there(&readings)) {
            create(&readings, &text)?;
            written.push(readings);
        }
        Ok(written)
    }

    /// Values that a person should look at: neither known nor measured.
    pub fn unsure(&self) -> impl Iterator<Item = &Entry> {
        self.entries.iter().filter(|entry| matches!(entry.sure, Sure::Likely | Sure::Assumed))
    }
}

/// Writes a new file; one that came to be in the meantime stays as it is.
fn create(path: &Path, text: &str) -> Result<()> {
    let made = OpenOptions::new().write(true).create_new(true).open(path);
    made.and_then(|mut file| file.write_all(text.as_bytes()).and_then(|()| file.sync_all()))
        .map_err(|source| Error::io(path, "write the file; copy the flight to a place that you may write to", source))
}

/// The offset in which times are written: that of `frames.csv`, else the zone that the longitude would have, in full hours.
pub(super) fn offset(folder: &Path, lon: Option<f64>) -> Option<Offset> {
    let first_time = || -> Option<Offset> {
        let mut table = Table::open(&folder.join("frames.csv"), &["captured_at"], 1).ok()?;
        table.advance().ok().filter(|row| *row)?;
        jiff::fmt::temporal::Pieces::parse(table.text("captured_at")).ok()?.to_numeric_offset()
    };
    first_time().or_else(|| Offset::from_seconds((lon? / 15.0).round() as i32 * 3600).ok())
}
