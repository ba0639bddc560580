//! Looks at the frames one by one: reads, decodes, measures.

use std::path::Path;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Cache, Card};
use crate::capture::Capture;
use crate::quality::{Code, LINE_M, PixelMeasures, Reason, is_eight_bit, measure};
use crate::radiometry::{Converter, Model};
use crate::raster::{self, Limits};
use crate::threads::in_order;
use crate::{Error, Result};

/// What one frame is by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Looked {
    /// File name under `frames/`.
    pub file: String,
    /// Size, bytes; with the next the mark by which a cache knows the file.
    pub bytes: u64,
    /// Last change of the file, ns since 1970.
    pub modified_ns: i64,
    /// What its own metadata say.
    pub(crate) meta: Meta,
    /// What was measured, or what is wrong with the file.
    pub(crate) found: Found,
}

/// Measures, or the fault of a file: place of its code in the registry, and words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) enum Found {
    Measures(Box<PixelMeasures>),
    Fault(String, String),
}

/// The part of a [`Capture`] that the check uses, as a cache keeps it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Meta {
    captured_at: Option<Timestamp>,
    /// Latitude, longitude, altitude, height over take-off, yaw, pitch, roll, focal length, kelvin per count.
    numbers: [Option<f64>; 9],
    model: Option<String>,
}

impl Meta {
    fn of(c: &Capture) -> Self {
        Self {
            captured_at: c.captured_at,
            numbers: [
                c.lat,
                c.lon,
                c.altitude_m,
                c.height_above_takeoff_m,
                c.yaw_deg,
                c.pitch_deg,
                c.roll_deg,
                c.focal_length_mm,
                c.kelvin_per_count,
            ],
            model: c.camera_model.clone(),
        }
    }

    pub(crate) fn capture(&self, file: &str) -> Capture {
        let [lat, lon, altitude_m, height_above_takeoff_m, yaw_deg, pitch_deg, roll_deg, focal, kelvin] = self.numbers;
        Capture {
            file: file.to_owned(),
            captured_at: self.captured_at,
            lat,
            lon,
            altitude_m,
            height_above_takeoff_m,
            yaw_deg,
            pitch_deg,
            roll_deg,
            focal_length_mm: focal,
            kelvin_per_count: kelvin,
            camera_model: self.model.clone(),
            ..Capture::default()
        }
    }
}

impl Looked {
    pub(crate) fn measures(&self) -> Option<&PixelMeasures> {
        match &self.found {
            Found::Measures(measures) => Some(measures),
            Found::Fault(..) => None,
        }
    }

    /// What is wrong with the file.
    pub(crate) fn fault(&self) -> Option<Reason> {
        match &self.found {
            Found::Measures(_) => None,
            Found::Fault(name, text) => {
                let code = crate::quality::CODES.iter().find(|info| info.name == name);
                Some(Reason::plain(code.map_or(Code::Unreadable, |info| info.code), text.clone()))
            }
        }
    }
}

/// Looks at all frames of a card on `threads` threads. What `cache` knows and has not changed is not read again; what is
/// new is put into it. `progress` is told after each frame.
pub fn look(card: &Card, cache: &mut Cache, threads: usize, progress: &(dyn Fn() + Sync)) -> Vec<Looked> {
    let known = &*cache;
    let looked = in_order(card.files.len(), threads, |k, converter| {
        let name = &card.files[k];
        let looked = known.get(card, name).cloned().unwrap_or_else(|| one(card, name, converter));
        progress();
        Some(looked)
    });
    cache.keep(card, &looked);
    looked
}

/// Size and time of the last change; zeros where the system does not tell.
pub(super) fn mark(path: &Path) -> (u64, i64) {
    let Ok(meta) = std::fs::metadata(path) else { return (0, 0) };
    let changed = meta.modified().ok().and_then(|time| time.duration_since(std::time::UNIX_EPOCH).ok());
    (meta.len(), changed.map_or(0, |since| i64::try_from(since.as_nanos()).unwrap_or(0)))
}

fn one(card: &Card, name: &str, converter: &mut Option<Converter>) -> Looked {
    let path = card.frames_folder.join(name);
    let (bytes, modified_ns) = mark(&path);
    let mut looked = Looked {
        file: name.to_owned(),
        bytes,
        modified_ns,
        meta: Meta::default(),
        found: Found::Fault(String::new(), String::new()),
    };
    looked.found = match raster::read_bytes(&path, &Limits::default()) {
        Err(error) => fault(Code::Unreadable, &error),
        Ok(content) => {
            let capture = Capture::from_bytes(&content, name, card.settings.site.offset());
            looked.meta = Meta::of(&capture);
            let full = card.capture(&looked);
            match raster::decode(&content, &path, &Limits::default()) {
                Err(error) => fault(code_of(&error, &content), &error),
                Ok(raster) if is_eight_bit(&raster) => {
                    let text = "its 16 bits hold a picture of 8 bits: set the camera to radiometric frames";
                    Found::Fault(Code::Picture.info().name.to_owned(), text.to_owned())
                }
                Ok(raster) => match measured(card, &full, &raster, converter) {
                    Ok(measures) => Found::Measures(Box::new(measures)),
                    Err(error) => fault(Code::NoTemperature, &error),
                },
            }
        }
    };
    looked
}

fn measured(
    card: &Card,
    capture: &Capture,
    raster: &raster::Raster,
    converter: &mut Option<Converter>,
) -> Result<PixelMeasures> {
    let model = Model::of_frame(card.settings.radiometry.as_ref(), capture, &raster.pixels)?;
    let ready = match converter.take().filter(|ready| *ready.model() == model) {
        Some(ready) => ready,
        None => Converter::new(model)?,
    };
    let thermogram = ready.thermogram(&raster.pixels, &capture.file);
    *converter = Some(ready);
    let line_px = || {
        let focal_mm = card.settings.camera.focal_length_mm.or(capture.focal_length_mm)?;
        let pitch = capture.pitch_deg.unwrap_or(-90.0).to_radians().sin().abs().max(0.3);
        let distance_m = card.height_m(capture).filter(|height| *height > 1.0)? / pitch;
        Some(LINE_M * focal_mm * 1000.0 / (card.settings.camera.pixel_pitch_um * distance_m))
    };
    Ok(measure(raster, thermogram?.celsius.view(), line_px()))
}

fn fault(code: Code, error: &Error) -> Found {
    let text = match error {
        Error::Io { action, source, .. } => format!("cannot {action}: {source}; look at the card"),
        Error::Input { place, reason, remedy, .. } => format!("{place}: {reason}; {remedy}"),
        Error::Argument { name, reason, remedy } => format!("{name}: {reason}; {remedy}"),
    };
    Found::Fault(code.info().name.to_owned(), text)
}

/// A file without the mark of an image is unreadable; with it the remedy tells damage from a picture.
fn code_of(error: &Error, content: &[u8]) -> Code {
    let marked = [&b"II"[..], b"MM", b"\x89PNG", b"\xFF\xD8\xFF"].iter().any(|mark| content.starts_with(mark));
    match error {
        Error::Input { remedy, .. } if *remedy == raster::COPY_AGAIN => Code::CutShort,
        Error::Input { remedy, .. } if marked && *remedy == raster::EXPORT_VALUES => Code::Picture,
        _ => Code::Unreadable,
    }
}
