//! From a measured temperature difference to what it means: scaled to 1000 W/m2, a band in words, the class of
//! abnormality of IEC TS 62446-3. Limits and their sources stand in [`Severity`].

use crate::finding::{Flag, Pattern};
use crate::settings::Severity;

/// Reference irradiance, W/m2 (IEC 60904-3 and IEC TS 62446-3 refer to it).
pub const REFERENCE_W_M2: f64 = 1000.0;

/// The bands in rising order.
pub const BANDS: [&str; 4] = ["sound", "slight", "marked", "grave"];

/// What a temperature difference means.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The difference at 1000 W/m2, K; `None` where it could not be scaled.
    pub delta_t_ref_k: Option<f64>,
    /// One of [`BANDS`]: `sound` nothing to do; `slight` look again at the next inspection; `marked` to be repaired with
    /// the next work on site; `grave` to be seen to soon.
    pub band: &'static str,
    /// IEC TS 62446-3 (from memory): 1 no abnormality, 2 thermal abnormality, 3 thermal abnormality relevant to safety.
    pub abnormality_class: u8,
    /// `unscaled` or none; the flags of the irradiance itself come with its reading ([`crate::irradiance::Reading`]).
    pub flags: Vec<Flag>,
}

/// Judges a pattern by its own difference `delta_t_k` (K, at capture) and the irradiance in the plane of the array (W/m2).
///
/// The difference is scaled by `(1000 / irradiance)^x`, x from the settings. Without irradiance, or under
/// `min_irradiance_w_m2`, it is not scaled, and band and class follow the difference as measured, which is too low then.
/// A pattern that was found is at least `slight` and of class 2; a string is at least `marked`, since all its modules
/// give nothing.
pub fn judge(pattern: Pattern, delta_t_k: f64, irradiance_w_m2: Option<f64>, limits: &Severity) -> Judgement {
    let (exponent, marked_k, grave_k, safety_k) = match pattern {
        Pattern::None => {
            return Judgement { delta_t_ref_k: None, band: BANDS[0], abnormality_class: 1, flags: Vec::new() };
        }
        Pattern::Hotspot | Pattern::Cell => {
            (limits.exponent_spot, limits.marked_spot_k, limits.grave_spot_k, limits.safety_spot_k)
        }
        Pattern::Substring | Pattern::Module | Pattern::String => {
            (limits.exponent_area, limits.marked_area_k, limits.grave_area_k, limits.safety_area_k)
        }
    };
    let usable = irradiance_w_m2.filter(|irradiance| *irradiance >= limits.min_irradiance_w_m2);
    let delta_t_ref_k = usable.map(|irradiance| delta_t_k * (REFERENCE_W_M2 / irradiance).powf(exponent));
    let flags = if delta_t_ref_k.is_none() { vec![Flag::Unscaled] } else { Vec::new() };
    let delta_k = delta_t_ref_k.unwrap_or(delta_t_k);
    let band = if delta_k >= grave_k {
        BANDS[3]
    } else if delta_k >= marked_k || pattern == Pattern::String {
        BANDS[2]
    } else {
        BANDS[1]
    };
    Judgement { delta_t_ref_k, band, abnormality_class: if delta_k >= safety_k { 3 } else { 2 }, flags }
}

/// Power that a module lacks at standard test conditions, W, by its pattern.
///
/// `area_fraction`: warm share of the module's area, 0 to 1; `sections`: parts of the module that a bypass diode takes out,
/// twice as many in a half-cut module; `p_stc_w`: rated power. Assumed, since a thermogram shows heat and not power:
/// - hotspot, cell: the warm area turns its share into heat; a bypass diode that conducts would cost a whole section more;
/// - substring: the sections that are warm give nothing, at least one;
/// - module, string: the module gives nothing.
pub fn loss_w(pattern: Pattern, area_fraction: f64, sections: u32, p_stc_w: f64) -> f64 {
    let share = match pattern {
        Pattern::None => 0.0,
        Pattern::Hotspot | Pattern::Cell => area_fraction,
        Pattern::Substring => {
            let sections = f64::from(sections.max(1));
            (area_fraction * sections).round().max(1.0) / sections
        }
        Pattern::Module | Pattern::String => 1.0,
    };
    share.clamp(0.0, 1.0) * p_stc_w
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged(pattern: Pattern, delta_t_k: f64, irradiance: Option<f64>) -> Judgement {
        judge(pattern, delta_t_k, irradiance, &Severity::default())
    }

    /// Difference between a module without load and its neighbours (21 %), K, from
    /// `pvlib.temperature.pvsyst_cell(g, 25, 1, u_c=25, u_v=1.2, module_efficiency=0.0 and 0.21)`, pvlib 0.16.1.
    #[test]
    fn a_module_without_load_scales_as_pvlib_says() {
        for (irradiance, delta_k) in [(400.0, 2.885_496), (600.0, 4.328_244), (800.0, 5.770_992)] {
            let scaled = judged(Pattern::Module, delta_k, Some(irradiance)).delta_t_ref_k.unwrap();
            assert!((scaled - 7.213_740).abs() < 1e-4, "{irradiance}: {scaled}");
        }
    }

    /// Ranges as remembered of IEA-PVPS T13-10:2018: without load 2 to 7 K; and of IEC TS 62446-3:2017: classes 1 to 3.
    #[test]
    fn bands_and_classes() {
        for (pattern, delta_k, band, class) in [
            (Pattern::None, 0.0, "sound", 1),
            (Pattern::Hotspot, 9.9, "slight", 2),
            (Pattern::Hotspot, 10.0, "marked", 2),
            (Pattern::Cell, 20.0, "grave", 2),
            (Pattern::Cell, 40.0, "grave", 3),
            (Pattern::Substring, 2.0, "slight", 2),
            (Pattern::Substring, 5.0, "marked", 2),
            (Pattern::Module, 7.0, "marked", 2),
            (Pattern::Module, 21.0, "grave", 3),
            (Pattern::String, 2.0, "marked", 2),
        ] {
            let judgement = judged(pattern, delta_k, Some(1000.0));
            assert_eq!((judgement.band, judgement.abnormality_class), (band, class), "{pattern:?} {delta_k}");
            assert!(BANDS.contains(&judgement.band) && judgement.flags.is_empty());
        }
    }

    #[test]
    fn scaling_has_its_limits() {
        let full = judged(Pattern::Cell, 8.0, Some(800.0));
        assert!((full.delta_t_ref_k.unwrap() - 10.0).abs() < 1e-9);
        assert_eq!((full.band, full.flags.len()), ("marked", 0));
        let low = judged(Pattern::Cell, 8.0, Some(400.0));
        assert_eq!((low.delta_t_ref_k, low.flags.as_slice()), (Some(20.0), &[][..]));
        let dark = judged(Pattern::Cell, 8.0, Some(299.0));
        assert_eq!((dark.delta_t_ref_k, dark.flags.as_slice()), (None, &[Flag::Unscaled][..]));
        let unknown = judged(Pattern::Cell, 8.0, None);
        assert_eq!(
            (unknown.delta_t_ref_k, unknown.band, unknown.flags.as_slice()),
            (None, "slight", &[Flag::Unscaled][..])
        );
        let not_a_number = judged(Pattern::Cell, 8.0, Some(f64::NAN));
        assert_eq!((not_a_number.delta_t_ref_k, not_a_number.flags.as_slice()), (None, &[Flag::Unscaled][..]));
        let square = Severity { exponent_spot: 2.0, ..Severity::default() };
        assert!((judge(Pattern::Hotspot, 5.0, Some(500.0), &square).delta_t_ref_k.unwrap() - 20.0).abs() < 1e-9);
    }

    #[test]
    fn loss_follows_the_stated_assumptions() {
        for (pattern, area, sections, loss) in [
            (Pattern::None, 0.5, 3, 0.0),
            (Pattern::Cell, 1.0 / 60.0, 3, 9.0),
            // A third whose edge cells are not counted as warm; a sixth of a half-cut module; two thirds.
            (Pattern::Substring, 0.30, 3, 180.0),
            (Pattern::Substring, 0.17, 6, 90.0),
            (Pattern::Substring, 0.64, 3, 360.0),
            (Pattern::Substring, 0.01, 3, 180.0),
            (Pattern::Module, 0.9, 3, 540.0),
            (Pattern::String, 1.0, 0, 540.0),
        ] {
            let found = loss_w(pattern, area, sections, 540.0);
            assert!((found - loss).abs() < 1e-9, "{pattern:?} {area}: {found}");
        }
        assert_eq!(loss_w(Pattern::Substring, 2.0, 0, 540.0), 540.0);
    }
}
