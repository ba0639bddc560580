//! The settings of an inspection, as `inspection.toml` holds them; every key has a default or is derived.

mod check;
pub mod keys;
mod read;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

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
    /// What is asked of the irradiance log.
    pub irradiance: Irradiance,
    /// Scaling, severity bands and classes.
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

impl Encoding {
    /// The word in `inspection.toml`.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Celsius => "celsius",
            Self::Kelvin => "kelvin",
            Self::Planck => "planck",
        }
    }
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

impl Mounting {
    /// The word in `inspection.toml`.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Fixed => "fixed",
            Self::Tracker => "tracker",
            Self::DualTilt => "dual-tilt",
        }
    }
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

/// What is asked of the irradiance log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Irradiance {
    /// Under this a finding is flagged, W/m2; 600 is the least that IEC TS 62446-3:2017 asks for (from memory).
    pub low_w_m2: f64,
    /// A nearest reading older than this is flagged, s. 15 minutes: readings by hand every 20 minutes pass, with room for
    /// one that comes late (common practice, no source).
    pub stale_s: f64,
    /// A nearest reading older than this is not used at all, s (common practice, no source).
    pub unusable_s: f64,
    /// Change within a minute above which a finding is flagged, as a fraction; 10 % after IEC TS 62446-3:2017 (from memory).
    pub unsteady_fraction: f64,
    /// How long before the capture the irradiance must have been steady, s; a good half of a module's thermal time constant.
    pub settle_s: f64,
}

impl Default for Irradiance {
    fn default() -> Self {
        Self { low_w_m2: 600.0, stale_s: 900.0, unusable_s: 3600.0, unsteady_fraction: 0.10, settle_s: 300.0 }
    }
}

/// Scaling to reference irradiance, bands and classes. Differences are at 1000 W/m2, in kelvin. *Spots* are the patterns
/// hotspot and cell; *areas* are substring, module and string.
///
/// IEC TS 62446-3:2017 and IEA-PVPS T13-10:2018 were not at hand; what is said of them here is from memory.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Severity {
    /// Under this irradiance nothing is scaled, W/m2: the factor would be over 3 (common practice, no source).
    pub min_irradiance_w_m2: f64,
    /// Exponent x of `(1000 / irradiance)^x` for spots. 1: the current that heats the spot follows the irradiance, and the
    /// bypass diode holds the voltage over it. A spot that is a resistance goes up to 2.
    pub exponent_spot: f64,
    /// Exponent for areas. 1: the light's energy that is not led away as power becomes heat.
    pub exponent_area: f64,
    /// Spots from here are `marked`; 10 K is the limit that both documents name for a cell that is not normal (from memory).
    pub marked_spot_k: f64,
    /// Spots from here are `grave` (common practice, no source).
    pub grave_spot_k: f64,
    /// Spots from here are of class 3. 40 K over a module of 60 deg C or so reach what backsheets and encapsulants are rated
    /// for, 90 to 105 deg C (IEC 61730 relative thermal index, from memory).
    pub safety_spot_k: f64,
    /// Areas from here are `marked`; 2 to 7 K is what IEA-PVPS T13-10:2018 gives for a module without load and for a
    /// bypassed substring (from memory).
    pub marked_area_k: f64,
    /// Areas from here are `grave`: more than the whole power of the module turned to heat explains in a light wind, 7 to
    /// 9 K (module of 21 %, heat transfer after `pvlib.temperature.pvsyst_cell`).
    pub grave_area_k: f64,
    /// Areas from here are of class 3: a current from elsewhere must be heating them (no source).
    pub safety_area_k: f64,
}

impl Default for Severity {
    fn default() -> Self {
        Self {
            min_irradiance_w_m2: 300.0,
            exponent_spot: 1.0,
            exponent_area: 1.0,
            marked_spot_k: 10.0,
            grave_spot_k: 20.0,
            safety_spot_k: 40.0,
            marked_area_k: 3.0,
            grave_area_k: 10.0,
            safety_area_k: 20.0,
        }
    }
}

#[cfg(test)]
mod tests;
