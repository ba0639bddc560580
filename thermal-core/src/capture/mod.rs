//! What is known of a frame besides its pixels: time, position, camera pose, focal length, kelvin per count.
//! From EXIF (CIPA DC-008) and XMP (ISO 16684-1) inside the frame, overlaid by the rows of `frames.csv`.

mod exif;
mod ifd;
mod jpeg;
mod png;
mod sidecar;
mod xmp;

use jiff::tz::Offset;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

pub(crate) use sidecar::Sidecar;
pub use sidecar::read_sidecar;

/// What is known of one frame. Every part may be missing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Capture {
    /// File name, relative to `frames/`.
    pub file: String,
    /// Time of exposure.
    pub captured_at: Option<Timestamp>,
    /// Latitude of the camera, deg, WGS 84.
    pub lat: Option<f64>,
    /// Longitude of the camera, deg, WGS 84.
    pub lon: Option<f64>,
    /// Height of the camera above sea level (or the ellipsoid, as the receiver gives it), m.
    pub altitude_m: Option<f64>,
    /// Height of the camera over the take-off point, m.
    pub height_above_takeoff_m: Option<f64>,
    /// Direction of the image's upward axis projected to the ground, from true north, clockwise, deg.
    pub yaw_deg: Option<f64>,
    /// -90 straight down, 0 level, deg.
    pub pitch_deg: Option<f64>,
    /// About the optical axis, clockwise seen from behind the camera, deg.
    pub roll_deg: Option<f64>,
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// Distance between pixel centres on the sensor, micrometres; only where the focal-plane tags are credible.
    pub pixel_pitch_um: Option<f64>,
    /// Kelvin per count.
    pub kelvin_per_count: Option<f64>,
    /// Maker and model of the camera.
    pub camera_model: Option<String>,
    /// What could not be read or was not believed, and why; for the report.
    pub notes: Vec<String>,
}

impl Capture {
    /// Reads EXIF and XMP from a TIFF or PNG file, and EXIF from a JPEG file, in memory. Broken metadata leave fields empty and a note; they are never
    /// an error, since the pixels may be sound.
    ///
    /// `file` is kept as the name; `utc_offset` serves times that carry none.
    pub fn from_bytes(bytes: &[u8], file: &str, utc_offset: Option<Offset>) -> Self {
        let mut capture = Self { file: file.to_owned(), ..Self::default() };
        if png::is_png(bytes) {
            let chunks = png::Metadata::find(bytes);
            if let Some(exif) = chunks.exif {
                exif::read(exif, utc_offset, &mut capture);
            }
            match chunks.xmp {
                Some(Ok(xmp)) => xmp::read(&xmp, &mut capture),
                Some(Err(note)) => capture.notes.push(note),
                None => {}
            }
        } else if jpeg::is_jpeg(bytes) {
            if let Some(exif) = jpeg::exif(bytes) {
                exif::read(exif, utc_offset, &mut capture);
            }
        } else if let Some(xmp) = exif::read(bytes, utc_offset, &mut capture) {
            xmp::read(xmp, &mut capture);
        }
        capture
    }

    /// Puts what `sidecar` knows in the place of what the frame's own metadata say.
    pub(crate) fn overlay(&mut self, sidecar: &Self) {
        fn put<T: Copy>(into: &mut Option<T>, from: Option<T>) {
            *into = from.or(*into);
        }
        put(&mut self.captured_at, sidecar.captured_at);
        put(&mut self.lat, sidecar.lat);
        put(&mut self.lon, sidecar.lon);
        put(&mut self.altitude_m, sidecar.altitude_m);
        put(&mut self.height_above_takeoff_m, sidecar.height_above_takeoff_m);
        put(&mut self.yaw_deg, sidecar.yaw_deg);
        put(&mut self.pitch_deg, sidecar.pitch_deg);
        put(&mut self.roll_deg, sidecar.roll_deg);
        self.notes.extend(sidecar.notes.iter().cloned());
    }

    /// Adds `seconds` (`clock_offset_s` of the settings) to the capture time.
    pub(crate) fn shift_clock(&mut self, seconds: f64) {
        let Some(time) = self.captured_at else { return };
        let shifted = SignedDuration::try_from_secs_f64(seconds).ok().and_then(|d| time.checked_add(d).ok());
        if shifted.is_none() {
            self.notes.push(format!("the capture time cannot be shifted by {seconds} s"));
        }
        self.captured_at = shifted;
    }

    /// Yaw, pitch and roll, deg, where yaw and pitch are known; a roll that is not logged is none.
    pub fn attitude_deg(&self) -> Option<[f64; 3]> {
        Some([self.yaw_deg?, self.pitch_deg?, self.roll_deg.unwrap_or(0.0)])
    }

    /// Latitude and longitude, where both are known.
    pub fn position(&self) -> Option<(f64, f64)> {
        Some((self.lat?, self.lon?))
    }
}

/// Receivers without a fix write 0, 0; no plant lies there, in the Gulf of Guinea.
fn is_position(lat: f64, lon: f64) -> bool {
    (lat != 0.0 || lon != 0.0) && lat.abs() <= 90.0 && lon.abs() <= 180.0
}

#[cfg(test)]
mod tests;
