//! What the frames themselves say: one camera or several, encoding, focal length, pixel pitch, zone, times, pose.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use jiff::Timestamp;

use super::{Entry, Sure};
use crate::capture::{Capture, Sidecar};
use crate::file::is_there;
use crate::inspection::list_frames;
use crate::median::median;
use crate::radiometry::Model;
use crate::raster::{self, Limits, Pixels};
use crate::settings::{Encoding, Radiometry};
use crate::{Error, Result};

/// Frames looked at: all of a small flight, so many of a large one, evenly spread.
const MOST_FRAMES: usize = 120;
/// Median temperature of a frame over a plant by day, deg C.
const LIKELY_C: std::ops::RangeInclusive<f64> = -20.0..=95.0;
/// Counts that no 14-bit detector gives raw.
const ABOVE_RAW: f64 = 16_384.0;

/// A frame as far as it is looked at here.
#[derive(Debug)]
pub(super) struct Glance {
    pub(super) size: (usize, usize),
    pub(super) capture: Capture,
    /// Stored values are float32.
    pub(super) float: bool,
    /// Median of the stored values.
    pub(super) level: f64,
}

/// The frames of the folder.
#[derive(Debug)]
pub(super) struct Card {
    /// All names, in order.
    pub(super) names: Vec<String>,
    /// Those looked at that can be read.
    pub(super) glances: Vec<Glance>,
    /// What could not be read or used, a sentence each.
    pub(super) notes: Vec<String>,
}

impl Card {
    /// Looks at the frames of `folder`.
    ///
    /// # Errors
    /// No frames, none that can be read, or frames of two cameras.
    pub(super) fn read(folder: &Path) -> Result<Self> {
        let names = list_frames(folder)?;
        let step = names.len().div_ceil(MOST_FRAMES).max(1);
        let chosen: BTreeSet<usize> = (0..names.len()).step_by(step).chain(names.len().checked_sub(1)).collect();
        let mut notes = Vec::new();
        let sidecar_path = folder.join("frames.csv");
        let mut sidecar = BTreeMap::new();
        if is_there(&sidecar_path) {
            let there = |file: &str| names.binary_search_by(|name| name.as_str().cmp(file)).is_ok();
            let read = Sidecar::read(&sidecar_path, None, there)?;
            notes.extend(read.problems.iter().take(3).map(ToString::to_string));
            sidecar = read.by_file();
        }
        let mut glances = Vec::new();
        let mut first_error = None;
        for k in chosen {
            let name = &names[k];
            let path = folder.join("frames").join(name);
            match glance(&path, name) {
                Ok(mut glance) => {
                    if let Some(row) = sidecar.get(name) {
                        glance.capture.overlay(row);
                    }
                    glances.push(glance);
                }
                Err(error) => {
                    notes.push(error.to_string());
                    first_error.get_or_insert(error);
                }
            }
        }
        if let (true, Some(error)) = (glances.is_empty(), first_error) {
            return Err(error);
        }
        let card = Self { names, glances, notes };
        card.refuse_two_cameras(folder)?;
        Ok(card)
    }

    fn refuse_two_cameras(&self, folder: &Path) -> Result<()> {
        let mut cameras: BTreeMap<String, (usize, &str)> = BTreeMap::new();
        for Glance { size, capture, float, .. } in &self.glances {
            let focal = capture.focal_length_mm.map_or_else(String::new, |mm| format!(", {mm:.1} mm"));
            let model = capture.camera_model.as_ref().map_or_else(String::new, |model| format!(", {model}"));
            let kind = if *float { "float32" } else { "16 bit" };
            let words = format!("{} x {} px, {kind}{focal}{model}", size.0, size.1);
            cameras.entry(words).or_insert((0, &capture.file)).0 += 1;
        }
        if cameras.len() < 2 {
            return Ok(());
        }
        let list: Vec<String> = cameras.iter().map(|(words, (n, first))| format!("{n} of {words} ({first})")).collect();
        Err(Error::input(
            folder,
            "frames/",
            format!("frames of {} cameras or settings: {}", cameras.len(), list.join("; ")),
            "put those of each into a folder of its own and prepare each",
        ))
    }

    /// First and last capture, where known.
    pub(super) fn times(&self) -> Option<(Timestamp, Timestamp)> {
        let times = || self.glances.iter().filter_map(|g| g.capture.captured_at);
        Some((times().min()?, times().max()?))
    }

    /// Median of what the frames say.
    pub(super) fn middle(&self, of: impl Fn(&Capture) -> Option<f64>) -> Option<f64> {
        let mut values: Vec<f64> = self.glances.iter().filter_map(|g| of(&g.capture)).collect();
        (!values.is_empty()).then(|| median(&mut values))
    }

    /// Some frames spread over the flight, by name, that can be read and have a pose where any has.
    pub(super) fn spread(&self, most: usize) -> Vec<&Glance> {
        let posed: Vec<&Glance> = self.glances.iter().filter(|g| g.capture.pitch_deg.is_some()).collect();
        let from: Vec<&Glance> = if posed.is_empty() { self.glances.iter().collect() } else { posed };
        let count = most.min(from.len());
        (0..count).map(|k| from[from.len() * (2 * k + 1) / (2 * count)]).collect()
    }

    /// The encoding, what it came from, and how sure it is; `None` where nothing tells.
    pub(super) fn encoding(&self) -> Option<(Radiometry, Sure, String)> {
        let first = self.glances.first()?;
        let level = median(&mut self.glances.iter().map(|g| g.level).collect::<Vec<_>>());
        let linear = |scale: f64| Radiometry { scale, ..Radiometry::default() };
        if first.float {
            let celsius = LIKELY_C.contains(&level);
            let kelvin = LIKELY_C.contains(&(level - 273.15));
            let encoding = match (celsius, kelvin) {
                (true, _) => Encoding::Celsius,
                (_, true) => Encoding::Kelvin,
                _ => return None,
            };
            let from = format!("float32 values with a median of {level:.1}; hold one known temperature against it");
            return Some((Radiometry { encoding, ..Radiometry::default() }, Sure::Likely, from));
        }
        let kelvin_per_count = self.glances.iter().find_map(|g| g.capture.kelvin_per_count);
        if let Some(scale) = kelvin_per_count {
            return Some((linear(scale), Sure::Known, "XMP TlinearGain of the frames".to_owned()));
        }
        let celsius = level * 0.01 - 273.15;
        (level > ABOVE_RAW && LIKELY_C.contains(&celsius)).then(|| {
            let from =
                format!("0.01 K a count puts the median at {celsius:.0} deg C; hold one known temperature against it");
            (linear(0.01), Sure::Likely, from)
        })
    }

    /// What is said of the camera: focal length, pixel pitch.
    pub(super) fn camera(&self) -> [Entry; 2] {
        let focal = self.middle(|c| c.focal_length_mm).map_or_else(
            || {
                Entry::open(
                    "camera.focal_length_mm",
                    "the frames carry no EXIF FocalLength; see the lens or its data sheet",
                )
            },
            |mm| Entry::number("camera.focal_length_mm", mm, 2, Sure::Known, "EXIF FocalLength"),
        );
        let pitch = self.middle(|c| c.pixel_pitch_um).map_or_else(
            || {
                let from =
                    "the usual pitch; the frames carry no credible focal plane tags; see the camera's data sheet";
                Entry::number("camera.pixel_pitch_um", 12.0, 1, Sure::Assumed, from)
            },
            |um| Entry::number("camera.pixel_pitch_um", um, 2, Sure::Known, "EXIF focal plane tags"),
        );
        [focal, pitch]
    }

    /// The zone of times that carry none.
    pub(super) fn zone(&self) -> Option<Entry> {
        let without =
            |g: &Glance| g.capture.captured_at.is_none() && g.capture.notes.iter().any(|n| n.contains("no zone"));
        self.glances.iter().any(without).then(|| {
            Entry::open(
                "site.utc_offset",
                "the frames' times carry no zone; write that of the camera's clock, \"+02:00\"",
            )
        })
    }
}

fn glance(path: &Path, name: &str) -> Result<Glance> {
    let bytes = raster::read_bytes(path, &Limits::default())?;
    let raster = raster::decode(&bytes, path, &Limits::default())?;
    let some = |values: &mut dyn Iterator<Item = f64>| -> f64 {
        let mut values: Vec<f64> = values.filter(|v| v.is_finite()).collect();
        median(&mut values)
    };
    let (float, level) = match &raster.pixels {
        Pixels::U16(counts) => (false, some(&mut counts.iter().step_by(97).map(|v| f64::from(*v)))),
        Pixels::F32(values) => (true, some(&mut values.iter().step_by(97).map(|v| f64::from(*v)))),
    };
    let capture = Capture::from_bytes(&bytes, name, None);
    Ok(Glance { size: (raster.width(), raster.height()), capture, float, level })
}

/// The model of temperature for a look at the lattice; steps of counts do where nothing is known.
pub(super) fn model(encoding: Option<&(Radiometry, Sure, String)>) -> Model {
    let radiometry = encoding.map_or_else(Radiometry::default, |(radiometry, ..)| radiometry.clone());
    Model { radiometry, from_metadata: false }
}
