//! Profiles across a boundary at full resolution, and where the line or the step in them lies.

use super::rectify::PlaneMap;
use crate::grey::Grey;

/// Samples to either side of the middle.
const HALF: usize = 12;
const STEP_PX: f64 = 0.5;

/// Temperatures across a boundary, in steps of `STEP_PX`.
type Profile = [f32; 2 * HALF + 1];

/// Mean profile across the part `from` to `to` of a boundary from `a` to `b` (plane coordinates), along plane axis `axis`.
/// `lines`: lines of samples across half a boundary.
pub(super) fn profile(
    frame: &Grey<'_>,
    map: &PlaneMap,
    a: [f64; 2],
    b: [f64; 2],
    axis: usize,
    (from, to): (f64, f64),
    lines: u32,
) -> Option<Profile> {
    let (w, h) = (frame.width as f64, frame.height as f64);
    let n = if to - from < 0.75 { lines } else { 2 * lines };
    let (mut sum, mut values) = ([0f32; 2 * HALF + 1], [0f32; 2 * HALF + 1]);
    let mut used = 0;
    let reach = HALF as f64 * STEP_PX / map.lens.focal_px;
    // The strip's four corners are mapped exactly; over one module's side the map is linear to a few hundredths of a pixel.
    let end = |c: [f64; 2], sign: f64| {
        let mut c = c;
        c[axis] += sign * reach;
        map.pixel(c)
    };
    let (la, ha, lb, hb) = (end(a, -1.0), end(a, 1.0), end(b, -1.0), end(b, 1.0));
    for k in 0..n {
        let t = 0.08 + 0.84 * (from + (to - from) * (f64::from(k) + 0.5) / f64::from(n));
        let mix = |p: [f64; 2], q: [f64; 2]| [p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])];
        let (p, q) = (mix(la, lb), mix(ha, hb));
        let inside = |p: [f64; 2]| p[0] > 0.5 && p[1] > 0.5 && p[0] < w - 0.5 && p[1] < h - 0.5;
        if !inside(p) || !inside(q) {
            continue;
        }
        used += 1;
        let step = [(q[0] - p[0]) as f32 / (2 * HALF) as f32, (q[1] - p[1]) as f32 / (2 * HALF) as f32];
        frame.along([p[0] as f32, p[1] as f32], step, &mut values);
        for (s, value) in sum.iter_mut().zip(&values) {
            *s += value;
        }
    }
    if used < n / 3 {
        return None;
    }
    Some(sum.map(|s| s / used as f32))
}

fn mean(values: &[f32]) -> f32 {
    values.iter().sum::<f32>() / values.len().max(1) as f32
}

/// Centre of a thin line within a profile: px from the middle and depth, K.
pub(super) fn line_centre(p: &Profile) -> Option<(f64, f64)> {
    let mut c = 0.0f64;
    let mut depth = 0.0f64;
    for _ in 0..4 {
        let at = |px: f64| ((px / STEP_PX).round() as isize + HALF as isize).clamp(0, 2 * HALF as isize) as usize;
        let left = mean(&p[at(c - 4.5)..=at(c - 2.0)]);
        let right = mean(&p[at(c + 2.0)..=at(c + 4.5)]);
        let (mut s0, mut s1) = (0f64, 0f64);
        let (from, to) = (at(c - 2.0), at(c + 2.0));
        for (k, value) in (from..=to).zip(&p[from..=to]) {
            let x = (k as f64 - HALF as f64) * STEP_PX;
            let share = 1.0 / (1.0 + (-1.7 * (x - c) / 0.9).exp());
            let base = f64::from(left) + share * f64::from(right - left);
            let d = f64::from(*value) - base;
            s0 += d;
            s1 += d * (x - c);
        }
        depth = s0 * STEP_PX;
        if s0.abs() < 1e-6 {
            return None;
        }
        let shift = (s1 / s0).clamp(-1.0, 1.0);
        c += shift;
        if c.abs() > 3.5 {
            return None;
        }
        if shift.abs() < 0.01 {
            break;
        }
    }
    Some((c, depth))
}

/// Place of the steepest step within a profile: px from the middle and height, K.
pub(super) fn step_place(p: &Profile) -> (f64, f64) {
    let mut g = [0f32; 2 * HALF + 1];
    for k in 2..2 * HALF - 1 {
        g[k] = p[k + 1] - p[k - 1] + 0.5 * (p[k + 2] - p[k - 2]);
    }
    let mut best = 0;
    for k in 4..2 * HALF - 3 {
        // Nearer to the prediction counts a little more.
        let x = (k as f32 - HALF as f32) * STEP_PX as f32;
        let weight = 1.0 - 0.02 * x * x;
        if best == 0 || g[k].abs() * weight > g[best].abs() * (1.0 - 0.02 * ((best as f32 - HALF as f32) * 0.5).powi(2))
        {
            best = k;
        }
    }
    let (a, b, c) = (f64::from(g[best - 1].abs()), f64::from(g[best].abs()), f64::from(g[best + 1].abs()));
    let bend = a - 2.0 * b + c;
    let shift = if bend < -1e-9 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let left = f64::from(mean(&p[best.saturating_sub(7)..best.saturating_sub(3).max(1)]));
    let right = f64::from(mean(&p[(best + 4).min(2 * HALF)..=(best + 7).min(2 * HALF)]));
    ((best as f64 + shift - HALF as f64) * STEP_PX, (right - left).abs().max(0.3 * b))
}
