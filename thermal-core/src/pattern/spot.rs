//! Hot cells and spots smaller than a cell: two models of the blurred temperature field around the hottest place,
//! a set of whole cells and a round spot, and the one that fits better.

use ndarray::ArrayView2;
use statrs::function::erf::erf;

use super::PatternSettings;
use crate::measure::{CellPlan, Field, place, side_px};

/// Blur of a focused camera with its pixels, standard deviation, px (common practice, no source).
const USUAL_BLUR_PX: f64 = 0.8;

/// Between which blurs a camera in use lies, px (common practice, no source).
const BLUR_RANGE_PX: [f64; 2] = [0.65, 0.95];
/// Blur of the sharpest camera with its pixels, standard deviation, px: no spot is narrower (0.29 px the pixel alone).
const LEAST_BLUR_PX: f64 = 0.55;

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
) -> Option<Spot> {
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
        .map(|c| {
            let (x, y) = ((c % nx) as f64, (c / nx) as f64);
            [x * pitch[0], (x + 1.0) * pitch[0], y * pitch[1], (y + 1.0) * pitch[1]]
        })
        .collect();
    let cells = fit_boxes(&patch, &boxes, metres_px);
    let cell_px = [pitch[0] / metres_px[0], pitch[1] / metres_px[1]];
    // A cell that the optics just resolve looks round as well: then it is as wide as a blurred cell and sits in its middle.
    let cell_sigma_px = (cell_px[0] * cell_px[1] / 12.0 + USUAL_BLUR_PX * USUAL_BLUR_PX).sqrt();
    let sigma_px = gauss.sigma_m / (0.5 * (metres_px[0] + metres_px[1]));
    let width = sigma_px / cell_sigma_px;
    let off = [0, 1].map(|a| ((gauss.at_m[a] / pitch[a]).rem_euclid(1.0) - 0.5).abs());
    let centred = |limit: f64| off[0] < limit && off[1] < limit;
    let far_cells = hot.len() > cluster.len() && (width > 0.95 || centred(0.25));
    let is_cell = if plan.has_cells {
        !cluster.is_empty() && (cells.sse < gauss.sse || far_cells || (width > 1.03 && centred(0.22)))
    } else {
        gauss.sigma_m > 0.075
    };
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
            "{} cell(s) {:.1} K over the module's sound part; whole cells fit the field better than a spot ({:.2} against {:.2} K rms)",
            list.len(),
            delta_k,
            cells.sse.sqrt(),
            gauss.sse.sqrt()
        );
    } else {
        delta_k = gauss.amplitude_k + gauss.base_c - f64::from(sound);
        part = name(peak_cell);
        share = (4.36 * gauss.sigma_m.powi(2) / (module_m[0] * module_m[1])).min(1.0);
        reason = format!(
            "a spot {:.1} K over the module's sound part, {:.0} mm wide at half height; a round spot fits better than whole cells ({:.2} against {:.2} K rms)",
            delta_k,
            2355.0 * gauss.sigma_m,
            gauss.sse.sqrt(),
            cells.sse.sqrt()
        );
    }
    if delta_k < f64::from(settings.min_spot_k) {
        return None;
    }
    let at = if is_cell { at } else { [gauss.at_m[0] / module_m[0], gauss.at_m[1] / module_m[1]] };
    Some(Spot {
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
    })
}

/// Pixels around a hot place: position in metres within the module, temperature.
struct Patch {
    points: Vec<([f64; 2], f64)>,
}

impl Patch {
    /// The pixels up to one cell pitch either way around `at`. Pixels, not values between them: interpolation blurs, and a
    /// small spot would read several per cent low.
    fn around(
        frame: &ArrayView2<'_, f32>,
        corners: &[[f64; 2]; 4],
        at: [f64; 2],
        cell: [f64; 2],
        module_m: [f64; 2],
    ) -> Self {
        // Never smaller than a full cell's reach: half-cut cells are narrow.
        let reach = [0, 1].map(|a| (1.05 * cell[a]).max(0.16 / module_m[a]));
        // The module's map is linear to a fraction of a pixel over a cell.
        let middle = place(corners, at[0], at[1]);
        let along = slope(place(corners, at[0] + reach[0], at[1]), place(corners, at[0] - reach[0], at[1]), reach[0]);
        let down = slope(place(corners, at[0], at[1] + reach[1]), place(corners, at[0], at[1] - reach[1]), reach[1]);
        let area = along[0] * down[1] - along[1] * down[0];
        let mut points = Vec::new();
        if !(area.abs() > 1e-6) {
            return Self { points };
        }
        let range = |k: usize, n: usize| {
            let extent = along[k].abs() * reach[0] + down[k].abs() * reach[1];
            ((middle[k] - extent).max(0.0) as usize)..((middle[k] + extent + 1.0).clamp(0.0, n as f64) as usize)
        };
        for y in range(1, frame.nrows()) {
            for x in range(0, frame.ncols()) {
                let (dx, dy) = (x as f64 + 0.5 - middle[0], y as f64 + 0.5 - middle[1]);
                let (ds, dt) = ((dx * down[1] - dy * down[0]) / area, (along[0] * dy - along[1] * dx) / area);
                let (s, t) = (at[0] + ds, at[1] + dt);
                let inside = s > 0.015 && t > 0.015 && s < 0.985 && t < 0.985;
                if ds.abs() > reach[0] || dt.abs() > reach[1] || !inside {
                    continue;
                }
                let v = f64::from(frame[[y, x]]);
                if v.is_finite() {
                    points.push(([s * module_m[0], t * module_m[1]], v));
                }
            }
        }
        Self { points }
    }
}

/// Change of pixel place per unit of the module between two points `reach` to either side.
fn slope(high: [f64; 2], low: [f64; 2], reach: f64) -> [f64; 2] {
    [0, 1].map(|k| 0.5 * (high[k] - low[k]) / reach)
}

struct Gauss {
    amplitude_k: f64,
    base_c: f64,
    at_m: [f64; 2],
    sigma_m: f64,
    sse: f64,
}

/// A round Gaussian spot on a flat base: Gauss-Newton on (amplitude, base, x, y, log sigma), damped.
fn fit_gauss(patch: &Patch, at: [f64; 2], over: f64, sound: f64, metres_px: [f64; 2]) -> Option<Gauss> {
    use nalgebra::{SMatrix, SVector};
    if patch.points.len() < 20 {
        return None;
    }
    let px = 0.5 * (metres_px[0] + metres_px[1]);
    let mut p = SVector::<f64, 5>::new(over * 1.02, sound, at[0], at[1], (1.6 * px).max(0.04).ln());
    let cost = |p: &SVector<f64, 5>| -> f64 {
        let sigma = p[4].exp();
        patch
            .points
            .iter()
            .map(|(q, v)| {
                let r2 = (q[0] - p[2]).powi(2) + (q[1] - p[3]).powi(2);
                (p[1] + p[0] * (-0.5 * r2 / (sigma * sigma)).exp() - v).powi(2)
            })
            .sum::<f64>()
    };
    let mut now = cost(&p);
    let mut damping = 1e-2;
    for _ in 0..12 {
        let sigma = p[4].exp();
        let mut n = SMatrix::<f64, 5, 5>::zeros();
        let mut r = SVector::<f64, 5>::zeros();
        for (q, v) in &patch.points {
            let (dx, dy) = (q[0] - p[2], q[1] - p[3]);
            let r2 = (dx * dx + dy * dy) / (sigma * sigma);
            let e = (-0.5 * r2).exp();
            let j = SVector::<f64, 5>::new(
                e,
                1.0,
                p[0] * e * dx / (sigma * sigma),
                p[0] * e * dy / (sigma * sigma),
                p[0] * e * r2,
            );
            let d = v - (p[1] + p[0] * e);
            n += j * j.transpose();
            r += j * d;
        }
        for k in 0..5 {
            n[(k, k)] *= 1.0 + damping;
        }
        let step = n.lu().solve(&r)?;
        let mut next = p + step;
        next[4] = next[4].clamp((LEAST_BLUR_PX * px).ln(), 0.5f64.ln());
        let c = cost(&next);
        if c.is_finite() && c < now {
            let small = now - c < 1e-6 * now;
            p = next;
            now = c;
            damping = (damping * 0.3).max(1e-6);
            if small {
                break;
            }
        } else {
            damping *= 10.0;
            if damping > 1e4 {
                break;
            }
        }
    }
    // A fit that ran away from what was seen (a peak between few pixels, a slope instead of a spot) says nothing.
    if !((0.5 * over..1.8 * over).contains(&(p[0] + p[1] - sound)) && p.iter().all(|v| v.is_finite())) {
        p = SVector::<f64, 5>::new(over, sound, at[0], at[1], p[4]);
        now = cost(&p);
    }
    Some(Gauss {
        amplitude_k: p[0],
        base_c: p[1],
        at_m: [p[2], p[3]],
        sigma_m: p[4].exp(),
        sse: now / patch.points.len() as f64,
    })
}

/// Whole cells of one height on a flat base.
struct Boxes {
    amplitude_k: f64,
    base_c: f64,
    /// Standard deviations of the blur along the row and up the slope, times the square root of two, m.
    blur_m: [f64; 2],
    sse: f64,
}

/// Sum of blurred boxes of height one at a place.
fn blurred(boxes: &[[f64; 4]], at: [f64; 2], blur_m: [f64; 2]) -> f64 {
    let edge = |x: f64, a: f64, b: f64, s: f64| erf((x - a) / s) - erf((x - b) / s);
    boxes.iter().map(|r| 0.25 * edge(at[0], r[0], r[1], blur_m[0]) * edge(at[1], r[2], r[3], blur_m[1])).sum()
}

/// Whole cells of one height on a flat base, blurred by a Gaussian of the best of some widths.
fn fit_boxes(patch: &Patch, boxes: &[[f64; 4]], metres_px: [f64; 2]) -> Boxes {
    let mut best = Boxes { amplitude_k: 0.0, base_c: 0.0, blur_m: metres_px, sse: f64::MAX };
    let n = patch.points.len().max(1) as f64;
    for blur in [0.6, 0.8, 1.0, 1.25, 1.55] {
        let blur_m = metres_px.map(|m| blur * m * std::f64::consts::SQRT_2);
        let (mut sb, mut sbb, mut sv, mut sbv, mut svv) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (q, v) in &patch.points {
            let b = blurred(boxes, *q, blur_m);
            sb += b;
            sbb += b * b;
            sv += v;
            sbv += b * v;
            svv += v * v;
        }
        let var = sbb - sb * sb / n;
        let amplitude_k = if var > 1e-9 { (sbv - sb * sv / n) / var } else { 0.0 };
        let sse = ((svv - sv * sv / n - amplitude_k * (sbv - sb * sv / n)) / n).max(0.0);
        if sse < best.sse {
            best = Boxes { amplitude_k, base_c: (sv - amplitude_k * sb) / n, blur_m, sse };
        }
    }
    best
}
