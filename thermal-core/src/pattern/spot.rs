//! Hot cells and spots smaller than a cell: two models of the blurred temperature field around the hottest place,
//! a set of whole cells and a round spot, and the one that fits better.

use ndarray::ArrayView2;

use super::PatternSettings;
use super::fit::{Patch, blurred, fit_boxes, fit_gauss, sse_aside};
use crate::measure::{CellPlan, Field, side_px};

/// Blur of a focused camera with its pixels, standard deviation, px (common practice, no source).
const USUAL_BLUR_PX: f64 = 0.8;

/// Between which blurs a camera in use lies, px (common practice, no source).
const BLUR_RANGE_PX: [f64; 2] = [0.65, 0.95];

/// How many times more whole cells may leave of the field than a round spot, which has a width of its own: cells are uneven.
const LOOSER: f64 = 1.2;
/// Narrowest cell, in widths of one that is blurred by usual optics.
const LEAST_WIDTH: f64 = 0.9;

/// A hot place within a module.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Spot {
    pub is_cell: bool,
    /// Difference to the module's sound part, K.
    pub delta_k: f64,
    pub peak_c: f32,
    /// Module coordinates, 0 to 1.
    pub at: [f64; 2],
    pub part: String,
    pub share: f64,
    pub sigma_px: f64,
    /// The optics spread the spot so far that its own difference was greater: between these, K.
    pub own_delta_k: Option<[f64; 2]>,
    /// What optics of the usual blur take of the difference, K.
    pub taken_k: f64,
    pub reason: String,
}

/// What a hot place within a module is.
pub(super) enum Found {
    /// A spot or cells.
    Spot(Spot),
    /// A reflection, and why.
    Reflection(String),
}

/// Between which differences a round spot itself lies, K, that the image shows `sigma_px` wide and `delta_k` high: a
/// Gaussian of variance s under a blur of variance b keeps s / (s + b) of its height. `None` where the blur takes less than a third.
fn own_delta_k(delta_k: f64, sigma_px: f64) -> Option<[f64; 2]> {
    let own = |blur_px: f64| before_blur_k(delta_k, sigma_px, blur_px);
    (own(USUAL_BLUR_PX) > 1.5 * delta_k).then(|| BLUR_RANGE_PX.map(own))
}

/// The height of a round spot before a blur of `blur_px`.
fn before_blur_k(delta_k: f64, sigma_px: f64, blur_px: f64) -> f64 {
    let seen = sigma_px * sigma_px;
    delta_k * seen / (seen - blur_px * blur_px).max(0.05 * seen)
}

/// The hottest sample of a module.
pub(super) struct Hottest {
    /// Over its cell's sound temperature, K.
    pub over_k: f32,
    /// Sample along the row and down the slope.
    at: [usize; 2],
}

/// The cell of a sample.
fn cell_of(field: &Field, plan: &CellPlan, [i, j]: [usize; 2]) -> usize {
    (j / field.per_cell[1]) * plan.cells[0] + i / field.per_cell[0]
}

/// Looks for the hottest sample; `base`: sound temperature of a cell, deg C.
pub(super) fn hottest(corners: &[[f64; 2]; 4], field: &Field, plan: &CellPlan, base: &dyn Fn(usize) -> f32) -> Hottest {
    let px = side_px(corners);
    // The rim of the module is blurred with what lies behind it.
    let rim = [0, 1].map(|a| ((1.5 / px[a] + 0.012) * field.size[a] as f64).ceil() as usize);
    let mut found = Hottest { over_k: 0.0, at: [0, 0] };
    for j in rim[1]..field.size[1].saturating_sub(rim[1]) {
        for i in rim[0]..field.size[0].saturating_sub(rim[0]) {
            let over_k = field.samples[j * field.size[0] + i] - base(cell_of(field, plan, [i, j]));
            if over_k > found.over_k {
                found = Hottest { over_k, at: [i, j] };
            }
        }
    }
    found
}

/// Finds the gravest hot place over the limit; `base`: sound temperature of a cell, deg C.
pub(super) fn find(
    frame: &ArrayView2<'_, f32>,
    corners: &[[f64; 2]; 4],
    field: &Field,
    plan: &CellPlan,
    module_m: [f64; 2],
    (hottest, base): (&Hottest, &dyn Fn(usize) -> f32),
    settings: &PatternSettings,
) -> Option<Found> {
    let [nx, ny] = plan.cells;
    let px = side_px(corners);
    let Hottest { over_k: over, at: [i, j] } = *hottest;
    // The samples may lie a pixel beside a small spot's peak; the fit decides.
    if over < settings.min_spot_k * 0.7 {
        return None;
    }
    let at = [(i as f64 + 0.5) / field.size[0] as f64, (j as f64 + 0.5) / field.size[1] as f64];
    let peak_cell = cell_of(field, plan, [i, j]);
    let sound = base(peak_cell);
    // Cells that are hot at their middle.
    let excess = |c: usize| field.centres[c] - base(c);
    let hot: Vec<usize> =
        (0..nx * ny).filter(|c| excess(*c) > 0.5 * over && excess(*c) > 0.8 * settings.min_spot_k).collect();
    let near = |c: usize| (c % nx).abs_diff(peak_cell % nx) <= 1 && (c / nx).abs_diff(peak_cell / nx) <= 1;
    let cluster: Vec<usize> = hot.iter().copied().filter(|c| near(*c)).collect();
    let pitch = [module_m[0] / nx as f64, module_m[1] / ny as f64];
    let metres_px = [module_m[0] / px[0], module_m[1] / px[1]];
    let patch = Patch::around(frame, corners, at, [pitch[0] / module_m[0], pitch[1] / module_m[1]], module_m);
    let gauss =
        fit_gauss(&patch, [at[0] * module_m[0], at[1] * module_m[1]], f64::from(over), f64::from(sound), metres_px)?;
    let boxes: Vec<[f64; 4]> = if cluster.is_empty() { vec![peak_cell] } else { cluster.clone() }
        .iter()
        .map(|c| cell_box(*c, nx, pitch))
        .collect();
    let cells = fit_boxes(&patch, &boxes, metres_px);
    let cell_px = [pitch[0] / metres_px[0], pitch[1] / metres_px[1]];
    // A cell that the optics just resolve looks round as well: then it is no narrower than a blurred cell.
    let cell_sigma_px = (cell_px[0] * cell_px[1] / 12.0 + USUAL_BLUR_PX * USUAL_BLUR_PX).sqrt();
    let sigma_px = gauss.sigma_m / (0.5 * (metres_px[0] + metres_px[1]));
    let width = sigma_px / cell_sigma_px;
    let off = [0, 1].map(|a| ((gauss.at_m[a] / pitch[a]).rem_euclid(1.0) - 0.5).abs());
    let centred = |limit: f64| off[0] < limit && off[1] < limit;
    let has_far_cells = hot.len() > cluster.len();
    let aside = sse_aside(&patch, &boxes, metres_px, &cells).sqrt();
    let is_cell = if plan.has_cells {
        !cluster.is_empty()
            && if has_far_cells {
                width > 0.95 || centred(0.25)
            } else {
                width > LEAST_WIDTH && aside < LOOSER * gauss.sse.sqrt()
            }
    } else {
        gauss.sigma_m > 0.075
    };
    if plan.has_cells && !hot.is_empty() {
        let list: Vec<[f64; 4]> = hot.iter().map(|c| cell_box(*c, nx, pitch)).collect();
        if let Some(reason) =
            reflection(frame, corners, (at, f64::from(over), f64::from(sound)), &list, pitch, module_m)
        {
            return Some(Found::Reflection(reason));
        }
    }
    let name = |c: usize| format!("{}/{}", c % nx + 1, c / nx + 1);
    let (delta_k, part, share, reason);
    if is_cell {
        let list = if hot.is_empty() { vec![peak_cell] } else { hot };
        let values: Vec<f32> = list.iter().map(|c| excess(*c)).collect();
        let top = values.iter().copied().fold(f32::MIN, f32::max);
        // Cells of one fault are equally hot but for scatter: their mean, where they are alike, is steadier than the top.
        let alike: Vec<f32> = values.iter().copied().filter(|v| *v > 0.75 * top).collect();
        let mean = alike.iter().sum::<f32>() / alike.len().max(1) as f32;
        // Of a cell of few pixels the optics leave less at its middle than the fit says there is.
        let [x, y] = [0, 1].map(|a| ((at[a] * plan.cells[a] as f64).floor() + 0.5) * pitch[a]);
        let fitted = cells.base_c + cells.amplitude_k * blurred(&boxes, [x, y], cells.blur_m) - f64::from(sound);
        let middle = f64::from(excess(peak_cell));
        let gain = if middle > 0.0 { (fitted / middle).clamp(0.95, 1.4) } else { 1.0 };
        delta_k = f64::from(mean) * gain;
        part = list.iter().map(|c| name(*c)).collect::<Vec<_>>().join(" ");
        share = list.len() as f64 / (nx * ny) as f64;
        reason = format!(
            "{} cell(s) {:.1} K over the module's sound part; whole cells leave {:.2} K rms of the field, a round spot {:.2} K",
            list.len(),
            delta_k,
            aside,
            gauss.sse.sqrt()
        );
    } else {
        delta_k = gauss.amplitude_k + gauss.base_c - f64::from(sound);
        part = name(peak_cell);
        share = (4.36 * gauss.sigma_m.powi(2) / (module_m[0] * module_m[1])).min(1.0);
        reason = format!(
            "a spot {:.1} K over the module's sound part, {:.0} mm wide at half height; a round spot leaves {:.2} K rms of the field, whole cells {:.2} K",
            delta_k,
            2355.0 * gauss.sigma_m,
            gauss.sse.sqrt(),
            aside
        );
    }
    if delta_k < f64::from(settings.min_spot_k) {
        return None;
    }
    let at = if is_cell { at } else { [gauss.at_m[0] / module_m[0], gauss.at_m[1] / module_m[1]] };
    Some(Found::Spot(Spot {
        is_cell,
        delta_k,
        peak_c: sound + delta_k as f32,
        at,
        part,
        share,
        sigma_px: if is_cell { 0.0 } else { sigma_px },
        taken_k: if is_cell { 0.0 } else { before_blur_k(delta_k, sigma_px, USUAL_BLUR_PX) - delta_k },
        own_delta_k: if is_cell { None } else { own_delta_k(delta_k, sigma_px) },
        reason,
    }))
}

/// Left, right, upper and lower side of a cell, m.
fn cell_box(cell: usize, across: usize, pitch: [f64; 2]) -> [f64; 4] {
    let (x, y) = ((cell % across) as f64, (cell / across) as f64);
    [x * pitch[0], (x + 1.0) * pitch[0], y * pitch[1], (y + 1.0) * pitch[1]]
}

/// Cells to either side over which a reflection is looked at.
const WIDE_CELLS: f64 = 2.6;
/// Width of a reflection, standard deviation in cells: four hot cells in a block have 0.58, one has 0.29.
const SMOOTH_CELLS: f64 = 0.75;
/// Share of its height that a reflection's fit may leave, root mean square.
const SMOOTH_LEFT: f64 = 0.35;

/// Whether what is hot is a smooth spot that runs over the cells' borders, as the sun's reflection is: cells are hot up to
/// their borders. Says why.
fn reflection(
    frame: &ArrayView2<'_, f32>,
    corners: &[[f64; 2]; 4],
    (at, over, sound): ([f64; 2], f64, f64),
    hot: &[[f64; 4]],
    pitch: [f64; 2],
    module_m: [f64; 2],
) -> Option<String> {
    let px = side_px(corners);
    let metres_px = [module_m[0] / px[0], module_m[1] / px[1]];
    let cell_m = (pitch[0] * pitch[1]).sqrt();
    let reach = [0, 1].map(|k| WIDE_CELLS * cell_m / module_m[k]);
    let patch = Patch::around(frame, corners, at, reach, module_m);
    let gauss = fit_gauss(&patch, [at[0] * module_m[0], at[1] * module_m[1]], over, sound, metres_px)?;
    let own_m = (gauss.sigma_m.powi(2) - (USUAL_BLUR_PX * 0.5 * (metres_px[0] + metres_px[1])).powi(2)).max(0.0).sqrt();
    let cells = fit_boxes(&patch, hot, metres_px);
    let smooth = own_m > SMOOTH_CELLS * cell_m && gauss.sse < cells.sse && gauss.sse.sqrt() < SMOOTH_LEFT * over;
    smooth.then(|| {
        format!(
            "a smooth spot of {over:.1} K, {:.0} mm wide at half height, runs over the borders of cells: a reflection, no \
             cell ({:.2} against {:.2} K rms)",
            2355.0 * gauss.sigma_m,
            gauss.sse.sqrt(),
            cells.sse.sqrt()
        )
    })
}
