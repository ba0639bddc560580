//! Looks at the frames of a flight and works out the settings: each with where it came from and how sure it is.
//!
//! [`survey`] gathers them; [`Survey::write`] lays them down as a commented `inspection.toml`, with a template of
//! `irradiance.csv` that holds the times at which readings are due. A value that nothing tells stands there as `"?"`, which
//! reading the settings refuses until it is filled in.

mod array;
mod card;
mod ground;
mod lattice;
mod write;

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::Offset;
use serde::Serialize;

use crate::capture::Capture;
use crate::settings::keys::{KEYS, Key};
use crate::settings::{Encoding, Settings};
use crate::site::Layout;
use crate::{Error, Result};
use card::Card;

/// What stands for a value that is not known.
pub const OPEN: &str = "?";

/// How sure a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sure {
    /// An input says so.
    Known,
    /// Measured on the frames or the layout.
    Measured,
    /// Follows from what is usual.
    Likely,
    /// A default: nothing speaks for it or against it.
    Assumed,
    /// Not known; must be filled in.
    Open,
    /// Given by the person who was asked.
    Answered,
}

impl Sure {
    /// The word in the file.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Known => "known",
            Self::Measured => "measured",
            Self::Likely => "likely",
            Self::Assumed => "assumed",
            Self::Open => "FILL IN",
            Self::Answered => "answered",
        }
    }
}

/// One setting that was worked out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// Dotted key, `module.width_m`.
    pub key: &'static str,
    /// The value as TOML writes it.
    pub value: String,
    /// How sure it is.
    pub sure: Sure,
    /// Where it came from.
    pub from: String,
}

impl Entry {
    fn new(key: &'static str, value: impl Into<String>, sure: Sure, from: impl Into<String>) -> Self {
        Self { key, value: value.into(), sure, from: from.into() }
    }

    /// A number with so many decimals at most, always with a point.
    fn number(key: &'static str, value: f64, decimals: usize, sure: Sure, from: impl Into<String>) -> Self {
        let factor = 10f64.powi(decimals as i32);
        // The least digits that give the same number: 1.04, not 1.0400000000000001.
        Self::new(key, format!("{:?}", (value * factor).round() / factor), sure, from)
    }

    fn word(key: &'static str, value: &str, sure: Sure, from: impl Into<String>) -> Self {
        Self::new(key, toml::Value::from(value).to_string(), sure, from)
    }

    fn open(key: &'static str, from: impl Into<String>) -> Self {
        Self::word(key, OPEN, Sure::Open, from)
    }

    /// What the registry of settings says of its key.
    pub fn about(&self) -> &'static str {
        KEYS.iter().find(|key| key.dotted() == self.key).map_or("", |key| key.about)
    }
}

/// What a folder of frames tells.
#[derive(Debug, Clone)]
pub struct Survey {
    /// The inspection folder.
    pub folder: PathBuf,
    /// Frames in it.
    pub frames: usize,
    /// The settings, in the order of the file.
    pub entries: Vec<Entry>,
    /// First and last capture of the frames looked at.
    pub times: Option<(Timestamp, Timestamp)>,
    /// Offset in which times are written.
    pub offset: Option<Offset>,
    /// What could not be read or used, a sentence each.
    pub notes: Vec<String>,
}

/// Looks at the frames, the pose sidecar and the layout of an inspection folder.
///
/// # Errors
/// No such folder, no frames or none that can be read, frames of two cameras, a layout or a sidecar that cannot be read as
/// a whole, an `inspection.toml` that is there already.
pub fn survey(folder: &Path) -> Result<Survey> {
    if !folder.is_dir() {
        let remedy = "give the folder that holds frames/";
        return Err(Error::input(folder, "folder", "there is no such folder", remedy));
    }
    let settings = folder.join("inspection.toml");
    if crate::file::is_there(&settings) {
        let remedy = "it is never overwritten: go on with `thermal inspect`, or move it away to have a new one";
        return Err(Error::input(&settings, "file", "it is there already", remedy));
    }
    let card = Card::read(folder)?;
    let layout_path = folder.join("layout.geojson");
    let layout = if crate::file::is_there(&layout_path) { Some(Layout::read(&layout_path)?) } else { None };
    let encoding = card.encoding();

    let name = folder.canonicalize().ok().and_then(|f| Some(f.file_name()?.to_string_lossy().into_owned()));
    let mut entries = vec![Entry::word(
        "site.name",
        &name.unwrap_or_default(),
        Sure::Assumed,
        "the folder's name; it heads the report",
    )];
    entries.extend(card.zone());
    entries.extend(card.camera());
    entries.extend(radiometry(encoding.as_ref()));
    entries.extend(array::entries(folder, &card, layout.as_ref(), encoding.as_ref()));
    entries.sort_by_key(|entry| KEYS.iter().position(|key| key.dotted() == entry.key));
    let mut notes = card.notes.clone();
    // The same remark of every frame is one remark.
    for note in card.glances.iter().flat_map(|g| &g.capture.notes) {
        let note = format!("frames: {note}");
        if !notes.contains(&note) && notes.len() < 8 {
            notes.push(note);
        }
    }
    if card.glances.iter().all(|g| g.capture.position().is_none()) {
        let note = "no frame has a position: findings will be listed frame by frame and not on a map; \
                    a frames.csv with lat and lon mends that";
        notes.push(note.to_owned());
    }
    let times = card.times();
    let lon = card.middle(|c: &Capture| c.lon);
    Ok(Survey {
        folder: folder.to_owned(),
        frames: card.names.len(),
        entries,
        times,
        offset: write::offset(folder, lon),
        notes,
    })
}

fn radiometry(found: Option<&(crate::settings::Radiometry, Sure, String)>) -> Vec<Entry> {
    let Some((radiometry, sure, from)) = found else {
        let from = "nothing tells how counts become temperatures: see the camera's manual or export as float32 deg C";
        return vec![Entry::open("radiometry.encoding", from)];
    };
    let mut entries = vec![Entry::word("radiometry.encoding", radiometry.encoding.as_str(), *sure, from)];
    if radiometry.encoding == Encoding::Linear {
        entries.push(Entry::number("radiometry.scale", radiometry.scale, 6, *sure, "with the encoding"));
        entries.push(Entry::number("radiometry.offset_c", radiometry.offset_c, 2, *sure, "with the encoding"));
    }
    let from = "1: taken as object temperature already; else write that of the glass, and reflected_c";
    entries.push(Entry::number("radiometry.emissivity", 1.0, 2, Sure::Assumed, from));
    entries
}

impl Survey {
    /// The settings that must be filled in.
    pub fn open(&self) -> impl Iterator<Item = &Entry> {
        self.entries.iter().filter(|entry| entry.sure == Sure::Open)
    }

    /// Puts an answer in the place of what was worked out; words may come without quotation marks.
    ///
    /// # Errors
    /// [`Error::Argument`] for a key that there is not; what reading `inspection.toml` would say of the value.
    pub fn answer(&mut self, key: &str, text: &str) -> Result<()> {
        let unknown = || Error::argument(key, "there is no such setting", "give a key of inspection.toml");
        let known = KEYS.iter().find(|k| k.dotted() == key).ok_or_else(unknown)?;
        let value = as_toml(known, text);
        let (section, name) = (known.section, known.name);
        // Alone first: the other values may still be open.
        let path = self.folder.join("inspection.toml");
        Settings::parse(&path, &format!("[{section}]\n{name} = {value}\n"))?;
        let entry = self.entries.iter_mut().find(|entry| entry.key == key).ok_or_else(unknown)?;
        (entry.value, entry.sure) = (value, Sure::Answered);
        "answered on the terminal".clone_into(&mut entry.from);
        Ok(())
    }
}

/// Text as TOML writes it: a word in quotation marks, a number with a point.
fn as_toml(key: &Key, text: &str) -> String {
    let text = text.trim();
    if key.range.is_none() {
        return toml::Value::from(text.trim_matches('"')).to_string();
    }
    if text.starts_with('[') || text.contains('.') || ["substrings", "modules_up", "cells"].contains(&key.name) {
        return text.to_owned();
    }
    text.parse::<i64>().map_or_else(|_| text.to_owned(), |whole| format!("{whole}.0"))
}

#[cfg(test)]
mod tests;
