//! From the temperatures inside a module to a word: hotspot, cell, substring, module, string; with the reasons.

mod erf;
mod fit;
mod section;
mod spot;

use ndarray::ArrayView2;

use crate::finding::Pattern;
use crate::measure::{CellPlan, Field};
use spot::Found;

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
        Self { min_spot_k: 3.2, min_section_k: 1.5, max_section_k: 15.0, min_module_k: 1.75, min_string_modules: 3 }
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
    let spot = match spot::find(frame, corners, field, plan, module_m, (&hottest, &base), settings) {
        Some(Found::Spot(spot)) => Some(spot),
        Some(Found::Reflection(reason)) => {
            reading.reasons.push(reason);
            None
        }
        None => None,
    };
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

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::measure;

    /// A module of 6 by 10 cells at 2.5 cm a pixel with a field of `warmer` kelvin (at metres from its corner) over 45 deg C.
    fn looked_at(warmer: impl Fn(f64, f64) -> f64) -> Reading {
        looked_at_cells([6, 10], [0.0; 2], warmer)
    }

    /// The same with other cells, and an outline that lies aside by so many pixels.
    fn looked_at_cells(cells: [u32; 2], aside_px: [f64; 2], warmer: impl Fn(f64, f64) -> f64) -> Reading {
        let module = crate::settings::Module { cells, ..Default::default() };
        let plan = CellPlan::of(&module);
        let module_m = [1.04, 1.76];
        let (x0, y0, px) = (20.0, 20.0, 0.025);
        let frame = Array2::from_shape_fn((110, 80), |(y, x)| {
            let at = [x as f64 + 0.5 - x0, y as f64 + 0.5 - y0].map(|v| v * px);
            let weave = 0.05 * ((x * 7 + y * 13) % 5) as f32;
            45.0 + weave + warmer(at[0], at[1]) as f32
        });
        let (x1, y1) = (x0 + module_m[0] / px, y0 + module_m[1] / px);
        let corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|[x, y]| [x + aside_px[0], y + aside_px[1]]);
        let field = measure::field(&frame.view(), &corners, &plan);
        read(&frame.view(), &corners, &field, &plan, module_m, &PatternSettings::default())
    }

    #[test]
    fn a_smooth_spot_over_the_borders_of_cells_is_a_reflection() {
        for (x, y) in [(0.52, 0.7), (0.1, 0.9), (0.61, 1.62)] {
            let reading = looked_at(|u, v| 8.0 * (-((u - x).powi(2) + (v - y).powi(2)) / (2.0 * 0.22 * 0.22)).exp());
            assert_eq!(reading.pattern, Pattern::None, "{x} {y}: {:?}", reading.reasons);
            assert!(reading.reasons.iter().any(|r| r.contains("a reflection")), "{:?}", reading.reasons);
        }
    }

    #[test]
    fn hot_cells_are_no_reflection() {
        let (w, l) = (1.04 / 6.0, 1.76 / 10.0);
        // Edges as soft as a lens leaves them, 2 cm.
        let edge = |x: f64, a: f64, b: f64| {
            let step = |x: f64| 1.0 / (1.0 + (-x / 0.012).exp());
            step(x - a) - step(x - b)
        };
        for [across, down] in [[1.0, 1.0], [2.0, 1.0], [1.0, 2.0], [2.0, 2.0]] {
            let reading =
                looked_at(|u, v| 8.0 * edge(u, 2.0 * w, (2.0 + across) * w) * edge(v, 4.0 * l, (4.0 + down) * l));
            assert_eq!(reading.pattern, Pattern::Cell, "{across} {down}: {:?}", reading.reasons);
        }
        let spot = looked_at(|u, v| 12.0 * (-((u - 0.45).powi(2) + (v - 0.8).powi(2)) / (2.0 * 0.04 * 0.04)).exp());
        assert_eq!(spot.pattern, Pattern::Hotspot, "{:?}", spot.reasons);
    }

    #[test]
    fn a_round_spot_in_the_middle_of_a_cell_is_no_cell_and_a_cell_beside_its_place_is_one() {
        // Under a blur of 0.8 px a round spot is a wider Gaussian, a cell has soft edges.
        let blur_m: f64 = 0.8 * 0.025;
        let edge = |x: f64, a: f64, b: f64| {
            let step = |x: f64| 0.5 * (1.0 + statrs::function::erf::erf(x / (blur_m * std::f64::consts::SQRT_2)));
            step(x - a) - step(x - b)
        };
        for cells in [[6, 10], [6, 20]] {
            let [w, l] = [1.04 / f64::from(cells[0]), 1.76 / f64::from(cells[1])];
            let (column, line) = (2.0, 7.0);
            for aside_px in [[0.0, 0.0], [0.4, -0.3], [-0.3, 0.4]] {
                let sigma2 = 0.045f64.powi(2) + blur_m.powi(2);
                let spot = looked_at_cells(cells, aside_px, |u, v| {
                    let (du, dv) = (u - (column + 0.5) * w, v - (line + 0.5) * l);
                    20.0 * (-(du * du + dv * dv) / (2.0 * sigma2)).exp()
                });
                assert_eq!(spot.pattern, Pattern::Hotspot, "{cells:?} {aside_px:?}: {:?}", spot.reasons);
                let cell = looked_at_cells(cells, aside_px, |u, v| {
                    20.0 * edge(u, column * w, (column + 1.0) * w) * edge(v, line * l, (line + 1.0) * l)
                });
                assert_eq!(cell.pattern, Pattern::Cell, "{cells:?} {aside_px:?}: {:?}", cell.reasons);
            }
        }
    }
}
