//! A finding for a module that the machine let pass: a person names outline and pattern, the frame gives the figures.

use ndarray::ArrayView2;

use super::outcome::loss_w;
use crate::finding::{Finding, Flag, ModuleRecord, Pattern};
use crate::inspection::Inputs;
use crate::measure::{self, CellPlan};
use crate::settings::Settings;
use crate::{Error, Result, severity};

/// What a person points at.
#[derive(Debug, Clone)]
pub struct Missed {
    /// The outline.
    pub module: ModuleRecord,
    /// What it shows.
    pub pattern: Pattern,
    /// Where in the module.
    pub part: String,
    /// When the frame was taken.
    pub captured_at: Option<jiff::Timestamp>,
}

/// The finding, not yet named. `celsius` is the outline's frame, deg C.
///
/// The difference is taken as the table defines it: for hotspot and cell the hottest of the module's samples less their
/// median; for a substring its warmest third less the median of the others; for module and string the module's median
/// less its row's.
///
/// # Errors
/// The pattern is `none`, or the outline lies outside the frame.
pub fn finding_of(missed: Missed, celsius: &ArrayView2<'_, f32>, inputs: &Inputs) -> Result<Finding> {
    let settings: &Settings = &inputs.settings;
    let Missed { mut module, pattern, part, captured_at } = missed;
    let samples = samples(celsius, &module.corners);
    let all: Vec<f32> = samples.iter().flatten().copied().filter(|t| t.is_finite()).collect();
    let median = |values: &[f32]| f64::from(measure::median(&mut values.to_vec()));
    if all.len() < 9 {
        return Err(Error::argument("module", "the outline lies outside the frame", "pick another outline"));
    }
    module.t_max_c = all.iter().copied().map(f64::from).fold(f64::MIN, f64::max);
    (module.delta_t_k, module.area_fraction) = match pattern {
        Pattern::None => {
            return Err(Error::argument("pattern", "`none` is no finding", "say what the module shows"));
        }
        Pattern::Hotspot | Pattern::Cell => {
            let [across, along] = settings.module.cells;
            (module.t_max_c - median(&all), 1.0 / f64::from((across * along).max(1)))
        }
        Pattern::Substring => {
            let turned: Vec<Vec<f32>>;
            let columns = if CellPlan::of(&settings.module).split_axis == 0 {
                &samples
            } else {
                turned = (0..STEPS).map(|j| samples.iter().filter_map(|c| c.get(j).copied()).collect()).collect();
                &turned
            };
            let thirds: Vec<f64> = columns.chunks(STEPS / 3).take(3).map(|third| median(&third.concat())).collect();
            let warm = thirds.iter().copied().fold(f64::MIN, f64::max);
            let others: Vec<f32> = thirds.iter().filter(|t| **t < warm).map(|t| *t as f32).collect();
            (if others.is_empty() { 0.0 } else { warm - median(&others) }, 1.0 / 3.0)
        }
        Pattern::Module | Pattern::String => (module.delta_row_k, 1.0),
    };
    module.pattern = pattern;
    module.part = part;
    module.confidence = 1.0;
    let reading = inputs.irradiance.as_ref().zip(captured_at).and_then(|(log, t)| log.at(t, &settings.irradiance));
    let irradiance = reading.as_ref().map(|r| r.effective_w_m2.unwrap_or(r.poa_w_m2));
    let judged = severity::judge(pattern, module.delta_t_k, irradiance, &settings.severity);
    module.flags.extend(judged.flags);
    module.flags.extend(reading.iter().flat_map(|r| r.flags.iter().copied()));
    module.flags.push(Flag::OneFrame);
    let centre = module.ground.map(|c| [0, 1].map(|k| c.iter().map(|p| p[k]).sum::<f64>() / 4.0));
    let mut finding = Finding {
        module,
        severity: judged.band.to_owned(),
        abnormality_class: judged.abnormality_class,
        delta_t_ref_k: judged.delta_t_ref_k,
        irradiance_w_m2: irradiance,
        irradiance_age_s: reading.map(|r| r.age_s),
        captured_at: captured_at.map(|t| t.to_string()),
        frames_seen: 1,
        frames_confirmed: 1,
        lat: centre.map(|c| c[1]),
        lon: centre.map(|c| c[0]),
        ..Finding::default()
    };
    finding.loss_w = loss_w(&finding, settings);
    crate::uncertainty::state(&mut finding, crate::uncertainty::Scatter { frames_k: 0.0, row_k: f64::NAN });
    Ok(finding)
}

/// Samples along each side of a module: a multiple of three.
const STEPS: usize = 30;

/// Nearest pixels on a grid over the module, by columns from the left, a twentieth left out at each edge.
fn samples(celsius: &ArrayView2<'_, f32>, corners: &[[f64; 2]; 4]) -> Vec<Vec<f32>> {
    let at = |u: f64, v: f64, k: usize| {
        let top = corners[0][k] + u * (corners[1][k] - corners[0][k]);
        let bottom = corners[3][k] + u * (corners[2][k] - corners[3][k]);
        top + v * (bottom - top)
    };
    let share = |i: usize| -> f64 { 0.05 + 0.9 * (i as f64 + 0.5) / STEPS as f64 };
    let column = |i: usize| {
        (0..STEPS).filter_map(move |j| {
            let (x, y) = (at(share(i), share(j), 0), at(share(i), share(j), 1));
            (x >= 0.0 && y >= 0.0).then(|| celsius.get([y as usize, x as usize]).copied()).flatten()
        })
    };
    (0..STEPS).map(|i| column(i).collect()).collect()
}
