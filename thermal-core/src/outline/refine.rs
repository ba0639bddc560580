//! Corners at full resolution: the boundaries of a lattice are measured on profiles across them, one projective lattice of
//! known module size is fitted to all of them, and each line keeps the rest of its own offset that its measurements bear.

use std::collections::{BTreeMap, HashSet};

use nalgebra::{SMatrix, SVector};

use super::lattice::Lattice;
use super::rectify::{PlaneMap, WorkImage};
use super::{Cell, OutlineSettings, Table};
use crate::grey::Grey;

/// A measured boundary: lattice coordinates (m), the plane coordinate across it, weight.
#[derive(Debug, Clone, Copy)]
struct Mark {
    at: [f64; 2],
    /// 0: `u` of an upright boundary; 1: `v` of a level one.
    axis: usize,
    value: f64,
    weight: f64,
    line: i32,
}

const HALF: usize = 12;
const STEP_PX: f64 = 0.5;
/// Lines of samples across half a side in the two rounds of measuring: the first one only brings the lattice near.
const LINES: [u32; 2] = [3, 6];

/// Mean profile across the part `from` to `to` of a boundary from `a` to `b` (plane coordinates), along plane axis `axis`; px
/// steps of `STEP_PX`. `lines`: lines of samples across half a boundary.
fn profile(
    frame: &Grey<'_>,
    map: &PlaneMap,
    a: [f64; 2],
    b: [f64; 2],
    axis: usize,
    (from, to): (f64, f64),
    lines: u32,
) -> Option<[f32; 2 * HALF + 1]> {
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
fn line_centre(p: &[f32; 2 * HALF + 1]) -> Option<(f64, f64)> {
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
fn step_place(p: &[f32; 2 * HALF + 1]) -> (f64, f64) {
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

type Projective = SVector<f64, 8>;

fn apply(h: &Projective, p: [f64; 2]) -> [f64; 2] {
    let z = 1.0 + h[6] * p[0] + h[7] * p[1];
    [(h[0] * p[0] + h[1] * p[1] + h[2]) / z, (h[3] * p[0] + h[4] * p[1] + h[5]) / z]
}

/// Least squares of a projective lattice, redescending on the residual; the projective part is held near zero, since the
/// working plane is parallel to the lattice up to a degree or two, and the lean of the tables.
fn fit(marks: &[Mark], start: &Projective, px: f64, lean_deg: f64) -> Option<Projective> {
    let mut h = *start;
    let scale = h[0].abs().max(1e-9);
    for gate_px in [3.0, 2.0, 1.2, 0.8, 0.8] {
        let gate = gate_px * px;
        let mut n = SMatrix::<f64, 8, 8>::zeros();
        let mut r = Projective::zeros();
        for m in marks {
            let z = 1.0 + h[6] * m.at[0] + h[7] * m.at[1];
            let now = apply(&h, m.at)[m.axis];
            let e = (m.value - now) / gate;
            let weight = m.weight / (1.0 + e * e).powi(2) / (z * z * px * px);
            let k = 3 * m.axis;
            let (place, row) =
                ([k, k + 1, k + 2, 6, 7], [m.at[0], m.at[1], 1.0, -m.value * m.at[0], -m.value * m.at[1]]);
            for (i, a) in place.into_iter().zip(row) {
                for (j, b) in place.into_iter().zip(row) {
                    n[(i, j)] += weight * a * b;
                }
                r[i] += weight * m.value * a;
            }
        }
        // Angles of half a degree between table and working plane: change of depth by 0.0087 a metre at one metre.
        let hold = 1.0 / ((0.02 + lean_deg.to_radians().sin()) * scale).powi(2);
        n[(6, 6)] += hold;
        n[(7, 7)] += hold;
        // Square lattice: equal scale both ways and no shear, within 1 %.
        let square = 1.0 / (0.01 * scale).powi(2);
        for (i, j, sign) in [(0usize, 4usize, -1.0), (1, 3, 1.0)] {
            n[(i, i)] += square;
            n[(j, j)] += square;
            n[(i, j)] += sign * square;
            n[(j, i)] += sign * square;
        }
        // A module cut by the frame, with one upright side in view, would turn and shrink freely: tables are turned against
        // each other by a degree or two, and the size is known from growing.
        let turn = 1.0 / (0.06 * scale).powi(2);
        let size = 1.0 / (0.2 * scale).powi(2);
        for (k, weight) in [(1, turn), (3, turn), (0, size), (4, size)] {
            n[(k, k)] += weight;
        }
        r[0] += size * start[0];
        r[4] += size * start[4];
        h = n.lu().solve(&r)?;
        if h.iter().any(|v| !v.is_finite()) {
            return None;
        }
    }
    Some(h)
}

/// Refines each lattice to a [`Table`].
pub(super) fn refine(
    frame: &Grey<'_>,
    map: &PlaneMap,
    image: &WorkImage,
    lattices: &[Lattice],
    settings: &OutlineSettings,
) -> Vec<Table> {
    lattices.iter().filter_map(|lattice| refine_one(frame, map, image, lattice, settings)).collect()
}

fn refine_one(
    frame: &Grey<'_>,
    map: &PlaneMap,
    image: &WorkImage,
    lattice: &Lattice,
    settings: &OutlineSettings,
) -> Option<Table> {
    let pitch = settings.module_m.map(|m| m + settings.gap_m);
    // Start: least squares over the grown sides.
    let mut marks = Vec::new();
    let px = 1.0 / map.lens.focal_px;
    for (&(line, column), cell) in &lattice.cells {
        for k in 0..2 {
            if cell.sides[k] >= 0.0 {
                let x = f64::from(column + k as i32) * pitch[0];
                let value = image.uv([cell.x[k], 0.0])[0];
                marks.push(Mark { at: [x, (f64::from(line) + 0.5) * pitch[1]], axis: 0, value, weight: 1.0, line: 0 });
            }
            if cell.sides[2 + k] >= 0.0 {
                let y = f64::from(line + k as i32) * pitch[1];
                let value = image.uv([0.0, cell.y[k]])[1];
                marks.push(Mark {
                    at: [(f64::from(column) + 0.5) * pitch[0], y],
                    axis: 1,
                    value,
                    weight: 1.0,
                    line: 0,
                });
            }
        }
    }
    let (&(l0, c0), any) = lattice.cells.iter().next()?;
    let s = (any.x[1] - any.x[0]) / image.scale / pitch[0];
    let uv = image.uv([any.x[0], any.y[0]]);
    let mut start = Projective::zeros();
    start[0] = s;
    start[4] = s;
    start[2] = uv[0] - f64::from(c0) * pitch[0] * s;
    start[5] = uv[1] - f64::from(l0) * pitch[1] * s;
    let start = fit(&marks, &start, 3.0 * px, settings.lean_deg)?;
    let fitted = Fitted::measure(frame, map, lattice.cells.keys(), start, settings)?;
    let h = &fitted.h;
    let scale = 0.5 * (h[0] + h[4]);
    // Tables are twisted against the working plane by a degree or two.
    if !fitted.is_square([0.0; 2]) {
        return None;
    }
    let mut table = Table {
        cells: Vec::new(),
        distance_m: 1.0 / scale,
        strength_k: lattice.strength(),
        distinctness: lattice.distinctness(),
        level_c: lattice.level(),
    };
    let first_line = lattice.cells.keys().map(|k| k.0).min()?;
    let first_column = lattice.cells.keys().map(|k| k.1).min()?;
    let (w, hgt) = (frame.width as f64, frame.height as f64);
    for (&(line, column), grown) in &lattice.cells {
        let corners = fitted.corners(map, (line, column));
        let whole = corners.iter().all(|c| c[0] >= 0.0 && c[1] >= 0.0 && c[0] <= w && c[1] <= hgt);
        let sides = grown.sides.iter().filter(|s| **s >= 0.0).map(|s| f64::from(*s)).fold(f64::MAX, f64::min);
        table.cells.push(Cell {
            column: (column - first_column) as usize,
            line: (line - first_line) as usize,
            corners,
            whole,
            confidence: (sides / 1.0).clamp(0.0, 1.0),
        });
    }
    Some(table)
}

/// A lattice fitted to its boundaries at full resolution.
struct Fitted {
    h: Projective,
    marks: Vec<Mark>,
    px: f64,
    pitch: [f64; 2],
    half_gap: f64,
}

impl Fitted {
    /// Two rounds of measuring from where the lattice is thought to lie.
    fn measure<'c>(
        frame: &Grey<'_>,
        map: &PlaneMap,
        cells: impl Iterator<Item = &'c (i32, i32)> + Clone,
        start: Projective,
        settings: &OutlineSettings,
    ) -> Option<Self> {
        let pitch = settings.module_m.map(|m| m + settings.gap_m);
        let half_gap = 0.5 * settings.gap_m;
        let px = 1.0 / map.lens.focal_px;
        let all: HashSet<(i32, i32)> = cells.clone().copied().collect();
        let has = |line: i32, column: i32| all.contains(&(line, column));
        let mut fitted = Self { h: start, marks: Vec::new(), px, pitch, half_gap };
        for lines in LINES {
            let (h, mut measured) = (&fitted.h, Vec::new());
            for &(line, column) in cells.clone() {
                let (x0, y0) = (f64::from(column) * pitch[0], f64::from(line) * pitch[1]);
                let (x1, y1) = (x0 + pitch[0], y0 + pitch[1]);
                // Each boundary once: left and upper always, right and lower where no neighbour has it as its own.
                let sides = [
                    ([x0, y0], [x0, y1], 0usize, has(line, column - 1), column, 1.0),
                    ([x1, y0], [x1, y1], 0, has(line, column + 1), column + 1, -1.0),
                    ([x0, y0], [x1, y0], 1, has(line - 1, column), line, 1.0),
                    ([x0, y1], [x1, y1], 1, has(line + 1, column), line + 1, -1.0),
                ];
                for (a, b, axis, inner, index, inward) in sides {
                    if inner && inward < 0.0 {
                        continue;
                    }
                    let (mut a, mut b) = (a, b);
                    if !inner {
                        a[axis] += inward * half_gap;
                        b[axis] += inward * half_gap;
                    }
                    let (ua, ub) = (apply(h, a), apply(h, b));
                    // A line between modules tells by its halves how the lattice is turned, which in a single course little else does.
                    let parts: &[(f64, f64)] = if inner { &[(0.0, 0.5), (0.5, 1.0)] } else { &[(0.0, 1.0)] };
                    for &(from, to) in parts {
                        let Some(p) = profile(frame, map, ua, ub, axis, (from, to), lines) else { continue };
                        let found = if inner { line_centre(&p) } else { Some(step_place(&p)) };
                        let Some((offset, depth)) = found else { continue };
                        let weight =
                            if inner { 0.5 * (depth / 0.5).abs().min(1.0) } else { 0.3 * (depth / 1.5).min(1.0) };
                        if weight < 0.025 {
                            continue;
                        }
                        let t = 0.08 + 0.84 * f64::midpoint(from, to);
                        let at = [0, 1].map(|k| a[k] + t * (b[k] - a[k]));
                        measured.push(Mark { at, axis, value: apply(h, at)[axis] + offset * px, weight, line: index });
                    }
                }
            }
            fitted.h = fit(&measured, h, px, settings.lean_deg)?;
            fitted.marks = measured;
        }
        Some(fitted)
    }

    /// How far a line lies off the projective lattice by its own marks, at unit distance.
    fn rest(&self, axis: usize, index: i32) -> f64 {
        let mut sum = 0.0;
        let mut weight = 0.0;
        for m in self.marks.iter().filter(|m| m.axis == axis && m.line == index) {
            let e = m.value - apply(&self.h, m.at)[axis];
            if e.abs() < 2.0 * self.px {
                sum += m.weight * e;
                weight += m.weight;
            }
        }
        sum / (weight + 1.0)
    }

    /// Corners of a module, px of the stored frame.
    fn corners(&self, map: &PlaneMap, (line, column): (i32, i32)) -> [[f64; 2]; 4] {
        let [x, y] = [(0, column), (1, line)].map(|(axis, index)| {
            [0, 1].map(|k| {
                let inward = if k == 0 { self.half_gap } else { -self.half_gap };
                (f64::from(index + k) * self.pitch[axis] + inward, self.rest(axis, index + k))
            })
        });
        let corner = |i: usize, j: usize| {
            let uv = apply(&self.h, [x[i].0, y[j].0]);
            map.pixel([uv[0] + x[i].1, uv[1] + y[j].1])
        };
        [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)]
    }

    /// Whether it is turned and sheared as expected (the terms of [`Projective`] for that), up to what tables are twisted by, and
    /// its modules have their shape: what is not is no table.
    fn is_square(&self, expected: [f64; 2]) -> bool {
        let h = &self.h;
        let scale = 0.5 * (h[0] + h[4]);
        [h[1] - expected[0], h[3] - expected[1]].iter().all(|v| v.abs() <= 0.06 * scale)
            && (h[0] / h[4] - 1.0).abs() <= 0.08
    }
}

/// Corners (px of the stored frame) of modules that are thought to lie at these corners (at unit distance, upper left first)
/// in these places (line, column) of one lattice; `None` where its boundaries make no lattice.
pub(super) fn refit(
    frame: &Grey<'_>,
    map: &PlaneMap,
    cells: &BTreeMap<(i32, i32), [[f64; 2]; 4]>,
    settings: &OutlineSettings,
) -> Option<Vec<[[f64; 2]; 4]>> {
    let pitch = settings.module_m.map(|m| m + settings.gap_m);
    let px = 1.0 / map.lens.focal_px;
    let mut marks = Vec::new();
    for (&(line, column), corners) in cells {
        let corner = [(0, 0), (1, 0), (1, 1), (0, 1)];
        for ((i, j), uv) in corner.into_iter().zip(corners) {
            let at = [(0, column, i), (1, line, j)].map(|(axis, index, k)| {
                let inward = if k == 0 { 0.5 } else { -0.5 };
                f64::from(index + k) * pitch[axis] + inward * settings.gap_m
            });
            for (axis, value) in uv.iter().copied().enumerate() {
                marks.push(Mark { at, axis, value, weight: 0.5, line: 0 });
            }
        }
    }
    let (&(line, column), first) = cells.iter().next()?;
    let scale = ((first[1][0] - first[0][0]) / settings.module_m[0]).abs();
    let mut start = Projective::zeros();
    (start[0], start[4]) = (scale, scale);
    start[2] = first[0][0] - f64::from(column) * pitch[0] * scale;
    start[5] = first[0][1] - f64::from(line) * pitch[1] * scale;
    let start = fit(&marks, &start, 3.0 * px, settings.lean_deg)?;
    let fitted = Fitted::measure(frame, map, cells.keys(), start, settings)?;
    fitted.is_square([start[1], start[3]]).then(|| cells.keys().map(|cell| fitted.corners(map, *cell)).collect())
}
