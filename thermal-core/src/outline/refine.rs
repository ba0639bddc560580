//! Corners at full resolution: the boundaries of a lattice are measured on profiles across them, one projective lattice of
//! known module size is fitted to all of them, and each line keeps the rest of its own offset that its measurements bear.

use std::collections::BTreeMap;

use super::cell::GrownCell;
use super::lattice::Lattice;
use super::profile::{line_centre, profile, step_place};
use super::projective::{FREE_AT_FIRST, Lie, Mark, Projective, apply, fit};
use super::rectify::{PlaneMap, WorkImage};
use super::{Cell, OutlineSettings, Table};
use crate::grey::Grey;

/// Lines of samples across half a side in the two rounds of measuring: the first one only brings the lattice near.
const LINES: [u32; 2] = [3, 6];

/// How far a grown side may be off, px of the frame.
const GROWN_PX: f64 = 3.0;
/// How far the tilt along and across the rows may be from none: up the slope few lines tell it.
const LEVEL: [f64; 2] = [FREE_AT_FIRST, 0.02];
/// How far it is told wrong by all lines of a lattice together: level ones lie against soil and shadow.
const ALIKE: [f64; 2] = [0.002, 0.02];

/// Refines each lattice to a [`Table`].
pub(super) fn refine(
    frame: &Grey<'_>,
    map: &PlaneMap,
    image: &WorkImage,
    lattices: &[Lattice],
    settings: &OutlineSettings,
) -> Vec<Table> {
    let px = 1.0 / map.lens.focal_px;
    let mut grown: Vec<(&Lattice, Fitted)> = lattices
        .iter()
        .filter_map(|lattice| {
            let marks = grown_marks(image, lattice, settings);
            Some((lattice, Fitted { h: untilted(image, lattice, settings)?, marks, px, settings }))
        })
        .collect();
    // What all have in common is told roughly by the grown sides, then by the first round of measuring.
    let lie = Lie::about(common_tilt(&grown, GROWN_PX));
    grown.retain_mut(|(_, fitted)| fitted.fit(GROWN_PX, lie).is_some());
    grown.retain_mut(|(lattice, fitted)| fitted.measure(frame, map, &lattice.cells, LINES[0], lie).is_some());
    let lie = Lie::about(common_tilt(&grown, 1.0));
    grown.retain_mut(|(lattice, fitted)| fitted.measure(frame, map, &lattice.cells, LINES[1], lie).is_some());
    grown.iter().filter_map(|(lattice, fitted)| fitted.table(frame, map, lattice)).collect()
}

/// The grown sides of a lattice's cells.
fn grown_marks(image: &WorkImage, lattice: &Lattice, settings: &OutlineSettings) -> Vec<Mark> {
    let pitch = settings.module_m.map(|m| m + settings.gap_m);
    let mut marks = Vec::new();
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
    marks
}

/// A lattice in its place by one of its cells, neither turned nor tilted.
fn untilted(image: &WorkImage, lattice: &Lattice, settings: &OutlineSettings) -> Option<Projective> {
    let pitch = settings.module_m.map(|m| m + settings.gap_m);
    let (&(l0, c0), any) = lattice.cells.iter().next()?;
    let s = (any.x[1] - any.x[0]) / image.scale / pitch[0];
    let uv = image.uv([any.x[0], any.y[0]]);
    let mut start = Projective::zeros();
    start[0] = s;
    start[4] = s;
    start[2] = uv[0] - f64::from(c0) * pitch[0] * s;
    start[5] = uv[1] - f64::from(l0) * pitch[1] * s;
    Some(start)
}

/// What the depth of all tables changes by along and across the rows, for a step as long as the distance: what the rotation
/// and the slope of the ground leave. Long lattices tell it, short ones hardly. `off_px`: how far a mark may be off, px.
fn common_tilt(lattices: &[(&Lattice, Fitted<'_>)], off_px: f64) -> [f64; 2] {
    let (mut sum, mut weight) = ([0.0; 2], LEVEL.map(|free| 1.0 / (free * free)));
    for (_, Fitted { h, marks, px, settings }) in lattices {
        let fitted = fit(marks, h, off_px * px, Lie::unknown(), settings.lean_deg);
        let Some((h, known)) = fitted.and_then(|fit| Some((fit.h, fit.tilt_known()?))) else { continue };
        let scale = 0.5 * (h[0] + h[4]);
        for k in 0..2 {
            // However many marks: what all lines of one lattice are off by together stays.
            let known = 1.0 / (1.0 / (known[k] * scale * scale).max(1e-9) + ALIKE[k] * ALIKE[k]);
            sum[k] += known * h[6 + k] / scale;
            weight[k] += known;
        }
    }
    [0, 1].map(|k| sum[k] / weight[k])
}

/// A lattice fitted to its boundaries at full resolution.
struct Fitted<'s> {
    h: Projective,
    marks: Vec<Mark>,
    /// A pixel of the frame at unit distance.
    px: f64,
    settings: &'s OutlineSettings,
}

impl Fitted<'_> {
    fn pitch(&self) -> [f64; 2] {
        self.settings.module_m.map(|m| m + self.settings.gap_m)
    }

    fn half_gap(&self) -> f64 {
        0.5 * self.settings.gap_m
    }

    /// Fits it to its marks, which may be `off_px` off; `None` where they make no lattice.
    fn fit(&mut self, off_px: f64, lie: Lie) -> Option<()> {
        self.h = fit(&self.marks, &self.h, off_px * self.px, lie, self.settings.lean_deg)?.h;
        Some(())
    }

    /// Measures its boundaries from where it is thought to lie, and fits it to them. `lines`: lines of samples across half a
    /// boundary.
    fn measure<T>(
        &mut self,
        frame: &Grey<'_>,
        map: &PlaneMap,
        cells: &BTreeMap<(i32, i32), T>,
        lines: u32,
        lie: Lie,
    ) -> Option<()> {
        let (pitch, half_gap, px, h) = (self.pitch(), self.half_gap(), self.px, &self.h);
        let has = |line: i32, column: i32| cells.contains_key(&(line, column));
        let mut measured = Vec::new();
        for &(line, column) in cells.keys() {
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
                    let weight = if inner { 0.5 * (depth / 0.5).abs().min(1.0) } else { 0.3 * (depth / 1.5).min(1.0) };
                    if weight < 0.025 {
                        continue;
                    }
                    let t = 0.08 + 0.84 * f64::midpoint(from, to);
                    let at = [0, 1].map(|k| a[k] + t * (b[k] - a[k]));
                    measured.push(Mark { at, axis, value: apply(h, at)[axis] + offset * px, weight, line: index });
                }
            }
        }
        self.marks = measured;
        self.fit(1.0, lie)
    }

    /// The table that the lattice is, where it is one.
    fn table(&self, frame: &Grey<'_>, map: &PlaneMap, lattice: &Lattice) -> Option<Table> {
        // Tables are twisted against the working plane by a degree or two.
        if !self.is_square([0.0; 2]) {
            return None;
        }
        let first_line = lattice.cells.keys().map(|k| k.0).min()?;
        let first_column = lattice.cells.keys().map(|k| k.1).min()?;
        let (w, hgt) = (frame.width as f64, frame.height as f64);
        let cell = |(&(line, column), grown): (&(i32, i32), &GrownCell)| {
            let corners = self.corners(map, (line, column));
            let whole = corners.iter().all(|c| c[0] >= 0.0 && c[1] >= 0.0 && c[0] <= w && c[1] <= hgt);
            let sides = grown.sides.iter().filter(|s| **s >= 0.0).map(|s| f64::from(*s)).fold(f64::MAX, f64::min);
            Cell {
                column: (column - first_column) as usize,
                line: (line - first_line) as usize,
                corners,
                whole,
                confidence: sides.clamp(0.0, 1.0),
            }
        };
        Some(Table {
            cells: lattice.cells.iter().map(cell).collect(),
            distance_m: 2.0 / (self.h[0] + self.h[4]),
            strength_k: lattice.strength(),
            distinctness: lattice.distinctness(),
            level_c: lattice.level(),
        })
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
                let inward = if k == 0 { self.half_gap() } else { -self.half_gap() };
                (f64::from(index + k) * self.pitch()[axis] + inward, self.rest(axis, index + k))
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
    // The plane is that of the camera as it was placed by the modules of the frame.
    let lie = Lie::about([0.0; 2]);
    let mut fitted = Fitted { h: start, marks, px, settings };
    fitted.fit(GROWN_PX, lie)?;
    let turned = [fitted.h[1], fitted.h[3]];
    for lines in LINES {
        fitted.measure(frame, map, cells, lines, lie)?;
    }
    fitted.is_square(turned).then(|| cells.keys().map(|cell| fitted.corners(map, *cell)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_tables_tell_how_the_plane_is_tilted() {
        let settings = OutlineSettings::default();
        let (px, scale) = (1.0 / 1500.0, 0.025);
        let lattice = Lattice::default();
        for tilt in [[0.0, 0.0], [0.05, 0.0], [-0.03, 0.02]] {
            // Three tables of a course, each in its place; lines off by up to half a pixel.
            let tables: Vec<(&Lattice, Fitted)> = [(0, 9), (1, 14), (2, 20)]
                .into_iter()
                .map(|(k, columns)| {
                    let mut h = Projective::zeros();
                    (h[0], h[4], h[5]) = (scale, scale, 0.1 * f64::from(k));
                    let start = h;
                    (h[6], h[7]) = (tilt[0] * scale, tilt[1] * scale);
                    let mark = |at: [f64; 2], axis: usize, n: i32| {
                        let off = 0.5 * (f64::from(n * 5 % 9) / 4.0 - 1.0) * px;
                        Mark { at, axis, value: apply(&h, at)[axis] + off, weight: 0.5, line: 0 }
                    };
                    let line = |n: i32| f64::from(n - columns / 2) * 1.058;
                    let upright = (0..=columns).flat_map(|n| [0.5, 1.5].map(|y| mark([line(n), y], 0, n)));
                    let level = (0..columns).flat_map(|n| [0.0, 2.018].map(|y| mark([line(n) + 0.5, y], 1, n)));
                    let marks = upright.chain(level).collect();
                    (&lattice, Fitted { h: start, marks, px, settings: &settings })
                })
                .collect();
            let found = common_tilt(&tables, 1.0);
            // Along the rows to a third of a degree; up the slope one course tells little, and it stays near none.
            assert!((found[0] - tilt[0]).abs() < 0.006, "{tilt:?}: {found:?}");
            assert!((found[1] - tilt[1]).abs() < 0.021, "{tilt:?}: {found:?}");
        }
    }
}
