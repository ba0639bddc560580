//! Checks the values of the settings: ranges from the registry, then what only several keys together can tell.

use super::keys::{KEYS, Key};
use super::{Encoding, Settings};
use crate::{Error, Result};

/// A value that cannot stand.
pub(super) struct Fault {
    pub(super) key: String,
    pub(super) reason: String,
    pub(super) remedy: String,
}

fn fault(key: impl Into<String>, reason: impl Into<String>, remedy: impl Into<String>) -> Fault {
    Fault { key: key.into(), reason: reason.into(), remedy: remedy.into() }
}

impl Settings {
    /// Checks ranges, units and contradictions.
    ///
    /// # Errors
    /// [`Error::Argument`] that names the first key that cannot stand, e.g. `module.width_m`.
    pub fn validate(&self) -> Result<()> {
        self.first_fault().map_or(Ok(()), |f| Err(Error::argument(f.key, f.reason, f.remedy)))
    }

    pub(super) fn first_fault(&self) -> Option<Fault> {
        let table = self.to_table();
        let out_of_range = KEYS.iter().find_map(|key| match key.value(&table)? {
            toml::Value::Array(items) => items.iter().filter_map(as_f64).find_map(|value| range_fault(key, value)),
            value => as_f64(value).and_then(|value| range_fault(key, value)),
        });
        out_of_range.or_else(|| self.contradiction())
    }

    fn contradiction(&self) -> Option<Fault> {
        if self.site.utc_offset.is_some() && self.site.offset().is_none() {
            return Some(fault("site.utc_offset", "this is no offset from UTC", "write hours and minutes, \"+02:00\""));
        }
        let module = &self.module;
        if module.width_m > module.length_m {
            let reason =
                format!("the short side, {} m, is longer than length_m, {} m", module.width_m, module.length_m);
            return Some(fault("module.width_m", reason, "swap the two; `orientation` says how the module lies"));
        }
        let [across, along] = module.cells;
        if (across == 0) != (along == 0) {
            return Some(fault(
                "module.cells",
                "one of the two counts is 0",
                "write [1, 1] for a module without cells",
            ));
        }
        // Cells are square or cut along the module's length; far longer than wide means that the counts are swapped.
        if across > 1 && along > 1 {
            let elongation = (module.length_m / f64::from(along)) / (module.width_m / f64::from(across));
            if elongation > 1.9 {
                let reason = format!("cells would be {elongation:.1} times as long as wide");
                return Some(fault(
                    "module.cells",
                    reason,
                    "give the count across the width first, then along the length",
                ));
            }
        }
        let s = &self.severity;
        for (name, lower, higher) in
            [("marked_spot_k", s.marked_spot_k, s.grave_spot_k), ("marked_area_k", s.marked_area_k, s.grave_area_k)]
        {
            if lower > higher {
                let reason = format!("marked begins at {lower} K, above grave at {higher} K");
                return Some(fault(format!("severity.{name}"), reason, "give the limits in rising order"));
            }
        }
        let radiometry = self.radiometry.as_ref()?;
        if radiometry.encoding == Encoding::Planck {
            let curve = [("r", radiometry.r), ("b", radiometry.b), ("f", radiometry.f), ("o", radiometry.o)];
            if let Some((name, _)) = curve.iter().find(|(_, value)| value.is_none()) {
                let reason = "encoding \"planck\" needs r, b, f and o";
                return Some(fault(
                    format!("radiometry.{name}"),
                    reason,
                    format!("add {name} from the camera's calibration"),
                ));
            }
        }
        let path = [
            ("distance_m", radiometry.distance_m),
            ("air_temp_c", radiometry.air_temp_c),
            ("relative_humidity", radiometry.relative_humidity),
        ];
        let missing = path.iter().find(|(_, value)| value.is_none());
        if let Some((name, _)) = missing
            && path.iter().any(|(_, value)| value.is_some())
        {
            let reason = "the path's transmission needs distance_m, air_temp_c and relative_humidity";
            return Some(fault(format!("radiometry.{name}"), reason, format!("add {name}, or remove the others")));
        }
        None
    }
}

fn as_f64(value: &toml::Value) -> Option<f64> {
    match value {
        toml::Value::Float(x) => Some(*x),
        toml::Value::Integer(i) => Some(*i as f64),
        _ => None,
    }
}

fn range_fault(key: &Key, value: f64) -> Option<Fault> {
    let (low, high) = key.range?;
    // Written so that NaN is a fault too.
    if value >= low && value <= high {
        return None;
    }
    if !value.is_finite() {
        return Some(fault(key.dotted(), format!("{value} is no number"), format!("give {}", key.about)));
    }
    let reason = format!("{value} is outside {low} to {high}");
    let remedy = other_unit(key.name, value, low, high).map_or_else(
        || format!("give {}", key.about),
        |(unit, converted)| format!("if {value} is in {unit}, write {converted}"),
    );
    Some(fault(key.dotted(), reason, remedy))
}

/// The unit that `value` may have been given in, and what it is in the unit of the key.
fn other_unit(name: &str, value: f64, low: f64, high: f64) -> Option<(&'static str, f64)> {
    let candidates: &[(&str, f64, f64)] = if name.ends_with("_mm") {
        &[("metres", 1e3, 0.0), ("micrometres", 1e-3, 0.0)]
    } else if name.ends_with("_um") {
        &[("millimetres", 1e3, 0.0), ("metres", 1e6, 0.0), ("nanometres", 1e-3, 0.0)]
    } else if name.ends_with("_m") {
        &[("millimetres", 1e-3, 0.0), ("centimetres", 1e-2, 0.0)]
    } else if name.ends_with("_w") {
        &[("kilowatts", 1e3, 0.0)]
    } else if name.ends_with("_c") {
        &[("kelvin", 1.0, -273.15)]
    } else if name == "emissivity" || name == "relative_humidity" {
        &[("percent", 1e-2, 0.0)]
    } else {
        &[]
    };
    candidates.iter().find_map(|(unit, factor, offset)| {
        // Twelve digits, so that 1040 mm reads 1.04 m and not 1.0400000000000001.
        let converted = ((value * factor + offset) * 1e9).round() / 1e9;
        (converted >= low && converted <= high).then_some((*unit, converted))
    })
}
