//! A run spread over machines: each analyses a part of the frames, and the parts are gathered to the same result as one
//! run gives. All that needs the whole flight, the registration first, happens at gathering.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::frames::same_size;
use super::journal::{read_reports, settings_key, write_reports};
use super::{FrameReport, Inputs};
use crate::output::{StagedFolder, write_atomic};
use crate::run_record::{InputFile, RunRecord};
use crate::{Error, Result};

/// The k-th of n parts, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Part {
    /// Number, from 1.
    pub number: usize,
    /// Parts in all.
    pub of: usize,
}

impl FromStr for Part {
    type Err = String;

    fn from_str(text: &str) -> std::result::Result<Self, String> {
        let parsed = text.split_once('/').and_then(|(k, n)| Some((k.parse().ok()?, n.parse().ok()?)));
        match parsed {
            Some((number, of)) if number >= 1 && number <= of => Ok(Self { number, of }),
            _ => Err("give K/N with K from 1 to N, such as 2/3".to_owned()),
        }
    }
}

impl Part {
    /// The part's frames: a run of neighbours, so that a worker reads one stretch of the card.
    pub fn frames(self, frames: &[String]) -> &[String] {
        let edge = |k: usize| (frames.len() as u128 * k as u128 / self.of.max(1) as u128) as usize;
        frames.get(edge(self.number.saturating_sub(1))..edge(self.number)).unwrap_or_default()
    }
}

/// What a part was made from: `part.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Record {
    part: Part,
    /// The program's version.
    version: String,
    /// The inspection folder as the worker saw it.
    folder: PathBuf,
    /// Digest of version and settings.
    settings: String,
    /// Digest of the list of all frames and of `frames.csv`.
    frames: String,
}

const RECORD: &str = "part.json";
const REPORTS: &str = "frames.reports";

impl Record {
    fn of(part: Part, inputs: &Inputs) -> Self {
        let list = format!("{:?}\n{:?}", inputs.frames, inputs.sidecar);
        Self {
            part,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            folder: std::fs::canonicalize(&inputs.folder).unwrap_or_else(|_| inputs.folder.clone()),
            settings: settings_key(inputs),
            frames: InputFile::of_bytes("", list.as_bytes()).sha256,
        }
    }

    fn read(folder: &Path) -> Result<Self> {
        let path = folder.join(RECORD);
        let remedy = "give folders that `thermal inspect --part` of this version wrote";
        let json = crate::file::read_plain(&path)?;
        serde_json::from_slice(&json).map_err(|e| Error::input(&path, "JSON", e.to_string(), remedy))
    }
}

/// Writes the folder of a part. `reports` are those of [`Part::frames`].
///
/// # Errors
/// As [`super::write()`].
pub fn write_part(
    inputs: &Inputs,
    part: Part,
    reports: &[FrameReport],
    record: RunRecord,
    out: &Path,
    force: bool,
) -> Result<()> {
    let staged = StagedFolder::new(out, force)?;
    let folder = staged.path();
    let path = folder.join(RECORD);
    let json = serde_json::to_string_pretty(&Record::of(part, inputs))
        .map_err(|e| Error::input(&path, "JSON", e.to_string(), "report this as a fault of the program"))?;
    write_reports(&folder.join(REPORTS), reports)?;
    write_atomic(&path, format!("{json}\n").as_bytes())?;
    record.finish(folder)?;
    staged.commit()
}

/// The inspection folder that the parts name.
///
/// # Errors
/// No part is given, or the first is none.
pub fn folder_of_parts(parts: &[PathBuf]) -> Result<PathBuf> {
    let first =
        parts.first().ok_or_else(|| Error::argument("PART", "no part is given", "name the folders of all parts"))?;
    Ok(Record::read(first)?.folder)
}

/// Joins the parts' reports to those of the whole flight.
///
/// # Errors
/// A part is missing, given twice, damaged, or of another version, other settings or another list of frames than the
/// inspection folder's.
pub fn gather(inputs: &Inputs, parts: &[PathBuf]) -> Result<Vec<FrameReport>> {
    let mut found: Vec<(Part, &PathBuf)> = Vec::with_capacity(parts.len());
    for path in parts {
        let record = Record::read(path)?;
        let here = Record::of(record.part, inputs);
        let refuse = |what: &str, is: &str, should: &str| {
            let again =
                format!("do this part again with `thermal inspect --part {}/{}`", record.part.number, record.part.of);
            Err(Error::input(path.join(RECORD), what, format!("the part has {is}, {should}"), again))
        };
        if record.version != here.version {
            let is = format!("version {}", record.version);
            return refuse("version", &is, &format!("this program is {}", here.version));
        }
        if record.settings != here.settings {
            return refuse("settings", "other settings", "not those of inspection.toml");
        }
        if record.frames != here.frames {
            return refuse("frames", "another list of frames", "not that of frames/ and frames.csv");
        }
        if let Some((_, other)) = found.iter().find(|(p, _)| p.number == record.part.number) {
            let reason =
                format!("part {} is given twice: {} and {}", record.part.number, other.display(), path.display());
            return Err(Error::argument("PART", reason, "give each part once"));
        }
        if let Some((other, _)) = found.iter().find(|(p, _)| p.of != record.part.of) {
            let reason = format!("{} is part of {}, others are of {}", path.display(), record.part.of, other.of);
            return Err(Error::argument("PART", reason, "give the parts of one division"));
        }
        found.push((record.part, path));
    }
    found.sort();
    let of = found.first().map_or(0, |(p, _)| p.of);
    let missing: Vec<String> =
        (1..=of).filter(|k| found.iter().all(|(p, _)| p.number != *k)).map(|k| format!("{k}/{of}")).collect();
    if of == 0 || !missing.is_empty() {
        let reason = format!("missing: part {}", missing.join(", "));
        return Err(Error::argument("PART", reason, "name all parts; do a missing one with `thermal inspect --part`"));
    }
    let mut reports = Vec::with_capacity(inputs.frames.len());
    for (part, path) in found {
        let file = path.join(REPORTS);
        let of_part = read_reports(&file)?;
        if !of_part.iter().map(|r| &r.file).eq(part.frames(&inputs.frames)) {
            return Err(Error::input(file, "content", "frames of the part are missing", "copy the part again"));
        }
        reports.extend(of_part);
    }
    same_size(&mut reports);
    Ok(reports)
}
