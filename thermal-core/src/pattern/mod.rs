//! From the temperatures inside a module to a word: hotspot, cell, substring, module, string; with the reasons.

mod section;
mod spot;

use ndarray::ArrayView2;

use crate::finding::Pattern;
use crate::measure::{CellPlan, Field};

/// Limits of the patterns.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct PatternSettings {
    /// Least difference of a hot cell or spot to the module's sound part, K.
    pub min_spot_k: f32,
    /// Least difference of a warm section to the rest, K.
    pub min_section_k: f32,
    /// Greatest difference of a warm section that is one, K; what is more is a shadow or ground over a part of the outline.
    pub max_section_k: f32,
    /// Least difference of a module to its reference, K.
    pub min_module_k: f32,
    /// Warm neighbours in a course that make a string.
    pub min_string_modules: usize,
}

impl Default for PatternSettings {
    fn default() -> Self {
        Self { min_spot_k: 3.2, min_section_k: 1.5, max_section_k: 15.0, min_module_k: 1.6, min_string_modules: 3 }
    }
}

/// What one module shows by itself.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reading {
    /// The pattern.
    pub pattern: Pattern,
    /// Where in the module: cell `column/line`, or the section.
    pub part: String,
    /// The pattern's own difference, K.
    pub delta_t_k: f64,
    /// Share of the module's area that is warm.
    pub area_fraction: f64,
    /// Hottest place, deg C.
    pub t_max_c: f64,
    /// Temperature of the module's sound part, deg C: what its neighbours are compared with.
    pub sound_c: f64,
    /// Middle of the hot spot in module coordinates (0 to 1 along the row and down the slope).
    pub spot: Option<[f64; 2]>,
    /// Width of the spot, standard deviation of its Gaussian, px; 0 where it is no spot.
    pub spot_sigma_px: f64,
    /// Where the optics cannot resolve the spot: between which differences the spot itself lies, K.
    pub own_delta_k: Option<[f64; 2]>,
    /// What optics of the usual blur take of the difference of a spot, K.
    pub taken_k: f64,
    /// Hottest sample inside the rim over the sound part, K, whether it is a finding or not.
    pub hottest_over_k: f64,
    /// 0 to 1: how far the evidence lies over the limits.
    pub certainty: f64,
    /// Why.
    pub reasons: Vec<String>,
}

/// Reads the pattern inside one module; module and string are told by the neighbours, see [`crate::reference`].
pub fn read(
    frame: &ArrayView2<'_, f32>,
    corners: &[[f64; 2]; 4],
    field: &Field,
    plan: &CellPlan,
    module_m: [f64; 2],
    settings: &PatternSettings,
) -> Reading {
    let mut reading =
        Reading { t_max_c: f64::from(field.median_c), sound_c: f64::from(field.median_c), ..Reading::default() };
    if !field.median_c.is_finite() {
        return reading;
    }
    let section = section::find(field, plan, settings);
    if let Some(s) = &section {
        reading.sound_c = f64::from(s.sound_c);
    }
    let base = |cell: usize| section.as_ref().map_or(field.median_c, |s| s.level(cell));
    let hottest = spot::hottest(corners, field, plan, &base);
    reading.hottest_over_k = f64::from(hottest.over_k);
    let spot = spot::find(frame, corners, field, plan, module_m, (&hottest, &base), settings);
    if let Some(s) = &spot {
        reading.t_max_c = reading.t_max_c.max(f64::from(s.peak_c));
    }
    match (section, spot) {
        // Bypassed cells scatter; a spot within a warm section is the finding only where it clearly outdoes the section.
        (Some(section), spot)
            if spot.as_ref().is_none_or(|s| s.delta_k < f64::from(settings.min_spot_k + 1.5 * section.delta_k)) =>
        {
            reading.pattern = Pattern::Substring;
            reading.part = section.name(plan);
            reading.delta_t_k = f64::from(section.delta_k);
            reading.area_fraction = section.share;
            reading.certainty = f64::from((section.delta_k / settings.min_section_k).min(3.0) / 3.0) * section.gain;
            reading.reasons.push(format!(
                "{} is {:.1} K warmer than the rest, with a step of {:.1} K at its border",
                reading.part, section.delta_k, section.step_k
            ));
            if let Some(s) = spot {
                reading.reasons.push(format!("also a spot of {:.1} K at cell {}", s.delta_k, s.part));
            }
        }
        (section, Some(spot)) => {
            reading.pattern = if spot.is_cell { Pattern::Cell } else { Pattern::Hotspot };
            reading.part = spot.part;
            reading.delta_t_k = spot.delta_k;
            reading.area_fraction = spot.share;
            reading.spot = Some(spot.at);
            reading.spot_sigma_px = spot.sigma_px;
            reading.own_delta_k = spot.own_delta_k;
            reading.taken_k = spot.taken_k;
            reading.certainty = (spot.delta_k / f64::from(settings.min_spot_k)).min(3.0) / 3.0;
            reading.reasons.push(spot.reason);
            if let Some([low, high]) = spot.own_delta_k {
                reading.reasons.push(format!(
                    "the optics do not resolve the spot: itself it is between {low:.0} and {high:.0} K over the sound part"
                ));
            }
            if let Some(s) = section {
                reading.reasons.push(format!("also {} {:.1} K warm", s.name(plan), s.delta_k));
            }
        }
        _ => {}
    }
    reading
}
