//! The settings of an inspection, as `inspection.toml` holds them; every key has a default or is derived.

mod check;
pub mod keys;
mod read;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub(crate) use read::suggest;
pub use read::{Assumed, Source};

/// All settings of one inspection.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// The site.
    pub site: Site,
    /// The camera.
    pub camera: Camera,
    /// Counts to temperature; `None`: from the frame's own metadata, or the frame is skipped.
    pub radiometry: Option<Radiometry>,
    /// The PV module.
    pub module: Module,
    /// How the modules are mounted.
    pub array: Array,
    /// Limits of the severity bands.
    pub severity: Severity,
    /// Where a value came from, by dotted key (`module.width_m`); a key that is not here has its default.
    #[serde(skip)]
    pub sources: BTreeMap<String, Source>,
}

/// The site.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Site {
    /// Name for the report.
    pub name: String,
    /// Offset from UTC for EXIF times that carry none, `+02:00`.
    pub utc_offset: Option<String>,
}

impl Site {
    /// `utc_offset` as an offset; `None` where it is not given or cannot be read (which [`Settings::validate`] reports).
    pub fn offset(&self) -> Option<jiff::tz::Offset> {
        crate::table::utc_offset(self.utc_offset.as_deref()?)
    }
}

/// The camera, where the frame's metadata do not say.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Camera {
    /// Distance between pixel centres on the sensor, micrometres.
    pub pixel_pitch_um: f64,
    /// Focal length, mm; `None`: EXIF `FocalLength`.
    pub focal_length_mm: Option<f64>,
    /// Radial distortion: undistorted = distorted * (1 + k1 r^2), r in focal lengths.
    pub k1: f64,
    /// Added to capture times, s.
    pub clock_offset_s: f64,
}

impl Default for Camera {
    fn default() -> Self {
        Self { pixel_pitch_um: 12.0, focal_length_mm: None, k1: 0.0, clock_offset_s: 0.0 }
    }
}

/// How the counts of a frame encode temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Encoding {
    /// deg C = counts * scale + `offset_c`.
    Linear,
    /// The values are deg C.
    Celsius,
    /// The values are kelvin.
    Kelvin,
    /// counts = r / (exp(b / `T_kelvin`) - f) + o.
    Planck,
}

/// Counts to temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Radiometry {
    /// The encoding.
    pub encoding: Encoding,
    /// Linear: kelvin per count.
    pub scale: f64,
    /// Linear: deg C at zero counts.
    pub offset_c: f64,
    /// Planck curve's r.
    pub r: Option<f64>,
    /// Planck curve's b, K.
    pub b: Option<f64>,
    /// Planck curve's f.
    pub f: Option<f64>,
    /// Planck curve's o, counts.
    pub o: Option<f64>,
    /// Emissivity of the glass, 0 to 1; 1: the frames hold object temperature already.
    pub emissivity: f64,
    /// Reflected apparent temperature, deg C.
    pub reflected_c: f64,
    /// Path length, m.
    pub distance_m: Option<f64>,
    /// Air temperature on the path, deg C.
    pub air_temp_c: Option<f64>,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: Option<f64>,
}

impl Default for Radiometry {
    fn default() -> Self {
        Self {
            encoding: Encoding::Linear,
            scale: 0.01,
            offset_c: -273.15,
            r: None,
            b: None,
            f: None,
            o: None,
            emissivity: 1.0,
            reflected_c: 20.0,
            distance_m: None,
            air_temp_c: None,
            relative_humidity: None,
        }
    }
}

/// Which side of the module lies along the row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Orientation {
    /// Long side up the slope.
    Portrait,
    /// Long side along the row.
    Landscape,
}

/// The PV module.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Module {
    /// Short side with frame, m.
    pub width_m: f64,
    /// Long side with frame, m.
    pub length_m: f64,
    /// Cells across the width and along the length; `[6, 24]` is half-cut; `[0, 0]` or `[1, 1]`: no cells (thin film).
    pub cells: [u32; 2],
    /// Rated power, W.
    pub p_stc_w: Option<f64>,
    /// Substrings, each with a bypass diode.
    pub substrings: u32,
    /// Portrait or landscape.
    pub orientation: Orientation,
}

impl Default for Module {
    fn default() -> Self {
        Self {
            width_m: 1.04,
            length_m: 2.0,
            cells: [6, 10],
            p_stc_w: None,
            substrings: 3,
            orientation: Orientation::Portrait,
        }
    }
}

impl Module {
    /// Two halves in parallel: at least twice as many cells along the length as the aspect of a square cell allows.
    pub fn half_cut(&self) -> bool {
        let [across, along] = self.cells;
        across > 1 && along > 1 && {
            let cell_w = self.width_m / f64::from(across);
            let cell_l = self.length_m / f64::from(along);
            cell_l < 0.75 * cell_w
        }
    }

    /// Module size in the plane of the array as (along the row, up the slope), m.
    pub fn size_along_up_m(&self) -> (f64, f64) {
        match self.orientation {
            Orientation::Portrait => (self.width_m, self.length_m),
            Orientation::Landscape => (self.length_m, self.width_m),
        }
    }
}

/// How the modules are mounted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mounting {
    /// Fixed tilt.
    Fixed,
    /// Single-axis tracker; `tilt_deg` and `azimuth_deg` hold at the flight.
    Tracker,
    /// Rows back to back, facing `azimuth_deg` and its opposite.
    DualTilt,
}

/// The array.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Array {
    /// Mounting.
    pub mounting: Mounting,
    /// Tilt from horizontal, deg.
    pub tilt_deg: f64,
    /// The way the modules face, from north, clockwise, deg.
    pub azimuth_deg: f64,
    /// Courses in a row.
    pub modules_up: u32,
    /// Height of the modules over the take-off point (a roof), m.
    pub surface_above_takeoff_m: f64,
}

impl Default for Array {
    fn default() -> Self {
        Self {
            mounting: Mounting::Fixed,
            tilt_deg: 25.0,
            azimuth_deg: 180.0,
            modules_up: 2,
            surface_above_takeoff_m: 0.0,
        }
    }
}

/// Limits of the severity bands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Severity {
    /// Placeholder until the severity module names its limits.
    pub min_delta_k: f64,
}

impl Default for Severity {
    fn default() -> Self {
        Self { min_delta_k: 2.0 }
    }
}

#[cfg(test)]
mod tests;
