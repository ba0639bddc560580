//! The models that are fitted to the pixels around a hot place: a round spot, and whole cells of one height.

use ndarray::ArrayView2;

use super::erf::Erf;
use crate::measure::place;

/// Blur of the sharpest camera with its pixels, standard deviation, px: no spot is narrower (0.29 px the pixel alone).
const LEAST_BLUR_PX: f64 = 0.55;

/// Pixels around a hot place: position in metres within the module, temperature.
pub(super) struct Patch {
    points: Vec<([f64; 2], f64)>,
}

impl Patch {
    /// The pixels up to one cell pitch either way around `at`. Pixels, not values between them: interpolation blurs, and a
    /// small spot would read several per cent low.
    pub(super) fn around(
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

/// A round spot as fitted.
pub(super) struct Gauss {
    pub(super) amplitude_k: f64,
    pub(super) base_c: f64,
    pub(super) at_m: [f64; 2],
    pub(super) sigma_m: f64,
    /// Mean square of what is left, K squared.
    pub(super) sse: f64,
}

/// A round Gaussian spot on a flat base: Gauss-Newton on (amplitude, base, x, y, log sigma), damped.
pub(super) fn fit_gauss(patch: &Patch, at: [f64; 2], over: f64, sound: f64, metres_px: [f64; 2]) -> Option<Gauss> {
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
pub(super) struct Boxes {
    pub(super) amplitude_k: f64,
    pub(super) base_c: f64,
    /// Standard deviations of the blur along the row and up the slope, times the square root of two, m.
    pub(super) blur_m: [f64; 2],
    /// Mean square of what is left, K squared.
    pub(super) sse: f64,
}

/// Sum of blurred boxes of height one at a place.
pub(super) fn blurred(boxes: &[[f64; 4]], at: [f64; 2], blur_m: [f64; 2]) -> f64 {
    let erf = Erf::get();
    let edge = |x: f64, a: f64, b: f64, s: f64| erf.at((x - a) / s) - erf.at((x - b) / s);
    boxes.iter().map(|r| 0.25 * edge(at[0], r[0], r[1], blur_m[0]) * edge(at[1], r[2], r[3], blur_m[1])).sum()
}

/// Blurs tried, standard deviation, px.
const BLURS_PX: [f64; 5] = [0.6, 0.8, 1.0, 1.25, 1.55];

/// Whole cells of one height on a flat base, blurred by a Gaussian of the best of some widths.
pub(super) fn fit_boxes(patch: &Patch, boxes: &[[f64; 4]], metres_px: [f64; 2]) -> Boxes {
    let [first, others @ ..] =
        BLURS_PX.map(|blur| fit_blurred(patch, boxes, metres_px.map(|m| blur * m * std::f64::consts::SQRT_2)));
    others.into_iter().fold(first, |best, next| if next.sse < best.sse { next } else { best })
}

/// Boxes of one height on a flat base under a given blur.
fn fit_blurred(patch: &Patch, boxes: &[[f64; 4]], blur_m: [f64; 2]) -> Boxes {
    let n = patch.points.len().max(1) as f64;
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
    Boxes { amplitude_k, base_c: (sv - amplitude_k * sb) / n, blur_m, sse }
}

/// How far the outline of a module may put its cells aside, px.
const MOST_ASIDE_PX: f64 = 0.7;

/// Mean square that is left, K squared, where the boxes may lie a little aside together, as an outline that is off by a
/// part of a pixel puts them: the lowest point of a parabola along either axis.
pub(super) fn sse_aside(patch: &Patch, boxes: &[[f64; 4]], metres_px: [f64; 2], there: &Boxes) -> f64 {
    let moved = |by: [f64; 2]| -> Vec<[f64; 4]> {
        boxes.iter().map(|r| [r[0] + by[0], r[1] + by[0], r[2] + by[1], r[3] + by[1]]).collect()
    };
    let left = |by: [f64; 2]| fit_blurred(patch, &moved(by), there.blur_m).sse;
    let best = [0, 1].map(|axis| {
        let step = 0.35 * metres_px[axis];
        let at = |by: f64| left(if axis == 0 { [by, 0.0] } else { [0.0, by] });
        let (before, behind) = (at(-step), at(step));
        let bend = before - 2.0 * there.sse + behind;
        let most = MOST_ASIDE_PX * metres_px[axis];
        if bend > 0.0 { (0.5 * step * (before - behind) / bend).clamp(-most, most) } else { 0.0 }
    });
    fit_boxes(patch, &moved(best), metres_px).sse.min(there.sse)
}
