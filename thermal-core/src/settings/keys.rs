//! The registry of the keys of `inspection.toml`: unit, range and meaning of each, in one place.
//! Reading, checking, the list of what was assumed and a commented template are made from it.

/// What the registry says of a key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Key {
    /// The table it stands in, `module`.
    pub section: &'static str,
    /// Its name, `width_m`.
    pub name: &'static str,
    /// Lowest and highest value that is accepted, both included; `None`: not a number.
    pub range: Option<(f64, f64)>,
    /// What it holds, for a comment beside it.
    pub about: &'static str,
}

impl Key {
    /// `section.name`, as messages and `run.json` give it.
    pub fn dotted(&self) -> String {
        format!("{}.{}", self.section, self.name)
    }

    /// The key's value in a table of settings, where there is one.
    pub(super) fn value<'a>(&self, table: &'a toml::Table) -> Option<&'a toml::Value> {
        table.get(self.section)?.get(self.name)
    }
}

const fn number(section: &'static str, name: &'static str, low: f64, high: f64, about: &'static str) -> Key {
    Key { section, name, range: Some((low, high)), about }
}

const fn word(section: &'static str, name: &'static str, about: &'static str) -> Key {
    Key { section, name, range: None, about }
}

/// Every key, in the order of the file. The ranges are wide: they catch a wrong unit, not an unusual plant.
pub const KEYS: &[Key] = &[
    word("site", "name", "name for the report"),
    word("site", "utc_offset", "offset from UTC for EXIF times that carry none, \"+02:00\""),
    number("camera", "pixel_pitch_um", 3.0, 60.0, "distance between pixel centres on the sensor, micrometres"),
    number("camera", "focal_length_mm", 1.0, 300.0, "focal length, mm; not given: EXIF FocalLength"),
    number("camera", "k1", -1.0, 1.0, "radial distortion: undistorted = distorted * (1 + k1 r^2), r in focal lengths"),
    number("camera", "clock_offset_s", -4e9, 4e9, "added to capture times, s"),
    word("radiometry", "encoding", "what the counts are: \"linear\", \"celsius\", \"kelvin\" or \"planck\""),
    number("radiometry", "scale", 1e-5, 10.0, "linear: kelvin per count"),
    number("radiometry", "offset_c", -1000.0, 1000.0, "linear: deg C at zero counts"),
    number("radiometry", "r", 1e-3, 1e12, "planck: counts = r / (exp(b / T_kelvin) - f) + o"),
    number("radiometry", "b", 300.0, 6000.0, "planck: b, K"),
    number("radiometry", "f", -100.0, 100.0, "planck: f"),
    number("radiometry", "o", -1e6, 1e6, "planck: o, counts"),
    number("radiometry", "emissivity", 0.1, 1.0, "emissivity; 1: the frames hold object temperature already"),
    number("radiometry", "reflected_c", -150.0, 150.0, "reflected apparent temperature, deg C"),
    number("radiometry", "distance_m", 0.0, 2000.0, "path length, m; with air_temp_c and relative_humidity"),
    number("radiometry", "air_temp_c", -50.0, 70.0, "air temperature on the path, deg C"),
    number("radiometry", "relative_humidity", 0.0, 1.0, "relative humidity on the path, 0 to 1"),
    number("module", "width_m", 0.2, 4.0, "short side with frame, m"),
    number("module", "length_m", 0.3, 5.0, "long side with frame, m"),
    number("module", "cells", 0.0, 400.0, "cells across the width and along the length; [1, 1]: no cells (thin film)"),
    number("module", "p_stc_w", 5.0, 3000.0, "rated power, W"),
    number("module", "substrings", 1.0, 24.0, "substrings, each with a bypass diode"),
    word("module", "orientation", "\"portrait\": long side up the slope; or \"landscape\""),
    word("array", "mounting", "\"fixed\", \"tracker\" or \"dual-tilt\""),
    number("array", "tilt_deg", 0.0, 90.0, "tilt from horizontal, deg"),
    number("array", "azimuth_deg", -180.0, 360.0, "the way the modules face, from north, clockwise, deg"),
    number("array", "modules_up", 1.0, 40.0, "courses in a row"),
    number("array", "surface_above_takeoff_m", -1000.0, 1000.0, "height of the modules over the take-off point, m"),
    number("irradiance", "low_w_m2", 0.0, 1500.0, "irradiance under which a finding is flagged, W/m2"),
    number("irradiance", "stale_s", 0.0, 86_400.0, "age of the nearest reading from which a finding is flagged, s"),
    number("irradiance", "unusable_s", 0.0, 86_400.0, "age of the nearest reading from which it is not used, s"),
    number(
        "irradiance",
        "unsteady_fraction",
        0.0,
        1.0,
        "change within a minute from which a finding is flagged, 0 to 1",
    ),
    number("irradiance", "settle_s", 0.0, 3600.0, "how long before the capture it must have been steady, s"),
    number("severity", "min_irradiance_w_m2", 50.0, 1000.0, "irradiance under which nothing is scaled, W/m2"),
    number("severity", "exponent_spot", 0.0, 3.0, "x of (1000 / irradiance)^x for hotspot and cell"),
    number("severity", "exponent_area", 0.0, 3.0, "x of (1000 / irradiance)^x for substring, module and string"),
    number(
        "severity",
        "marked_spot_k",
        0.0,
        200.0,
        "hotspot, cell: difference from which it is marked, K at 1000 W/m2",
    ),
    number("severity", "grave_spot_k", 0.0, 200.0, "hotspot, cell: difference from which it is grave, K at 1000 W/m2"),
    number(
        "severity",
        "safety_spot_k",
        0.0,
        200.0,
        "hotspot, cell: difference from which it is of class 3, K at 1000 W/m2",
    ),
    number("severity", "marked_area_k", 0.0, 200.0, "substring, module, string: marked from here, K at 1000 W/m2"),
    number("severity", "grave_area_k", 0.0, 200.0, "substring, module, string: grave from here, K at 1000 W/m2"),
    number("severity", "safety_area_k", 0.0, 200.0, "substring, module, string: of class 3 from here, K at 1000 W/m2"),
];
