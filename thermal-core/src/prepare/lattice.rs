//! The lattice of a plant whose module size is not known: usual sizes are tried, the one that proves best is kept, and the
//! modules are measured on it.

use nalgebra::Vector3;
use ndarray::Array2;

use super::array::MODULES_OVER_GROUND_M;
use super::ground::take_turns;
use crate::measure::temperature;
use crate::median::median;
use crate::optics::{Lens, camera_to_enu};
use crate::outline::{Cell, LoggedPose, OutlineSettings, Outlines, PlaneMap, Table, find_from_pose};
use crate::quality::area;
use crate::settings::{Array, Orientation};

/// Short and long side, m, of the formats that modules are usually sold in: thin film; 60 cells; 72 cells; half-cut of 108,
/// 144 and 132 cells (from memory). The search for outlines serves 15 % either way of each.
const USUAL_M: [[f64; 2]; 6] = [[0.60, 1.20], [0.99, 1.65], [1.04, 2.04], [1.13, 1.72], [1.13, 2.28], [1.30, 2.38]];
/// Middle of modules back to back over the roof they lie on, m (common practice, no source): they are kept low for the wind.
const MODULES_OVER_ROOF_M: f64 = 0.3;
/// More courses than a row is built of.
const MOST_COURSES: usize = 8;
/// Fewest modules that tell a lattice.
const FEWEST: usize = 12;
/// How many of the sizes tried are measured again, and how often.
const REFINED: usize = 4;
const ROUNDS: usize = 3;

/// A frame to look at.
#[derive(Debug)]
pub(super) struct Look {
    /// deg C.
    pub(super) celsius: Array2<f32>,
    /// Its lens.
    pub(super) lens: Lens,
    /// Its pose, the height over the modules.
    pub(super) pose: LoggedPose,
}

/// What the lattice tells.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lattice {
    /// Outlined modules behind it.
    pub(super) modules: usize,
    /// Long side up the slope, or along the row.
    pub(super) orientation: Orientation,
    /// Extent up the slope over extent along the row.
    pub(super) up_over_along: f64,
    /// Extent along the row, m, by the logged height; `None` without one.
    pub(super) along_m: Option<f64>,
    /// Courses of most rows that are wholly in a frame.
    pub(super) courses: u32,
    /// Tilt, deg, and the way the modules face, deg from north, by the directions of the edges and the logged attitude.
    pub(super) plane_deg: Option<[f64; 2]>,
    /// Rows stand in pairs, ridge and valley in turn, too close for rows of one tilt; then one of the two ways across
    /// them, from north, clockwise, deg.
    pub(super) paired_deg: Option<f64>,
    /// Size, m, that the outlines were sought with.
    pub(super) sought_m: [f64; 2],
}

/// Tries `sizes` (along the row, up the slope, m) on all frames; `None` where no lattice is proven. The second value is
/// how well the best one is proven, to compare searches of the same frames.
pub(super) fn search(looks: &[Look], array: &Array, sizes: &[[f64; 2]]) -> Option<(Lattice, f64)> {
    let mut tried: Vec<Trial> = sizes.iter().filter_map(|size| Trial::of(looks, array, *size)).collect();
    tried.sort_by(|a, b| b.covered.total_cmp(&a.covered));
    tried.truncate(REFINED);
    let mut best: Option<Trial> = None;
    for mut trial in tried {
        for _ in 0..ROUNDS {
            // The size is measured on the lattice that an assumed size gave: again, until it stands still.
            let along = trial.lattice.sought_m[0];
            match Trial::of(looks, array, [along, along * trial.lattice.up_over_along]) {
                Some(again) if again.score > trial.score => trial = again,
                _ => break,
            }
        }
        if best.as_ref().is_none_or(|b| trial.score > b.score) {
            best = Some(trial);
        }
    }
    best.map(|trial| (trial.lattice, trial.score))
}

/// The usual sizes, each way round.
pub(super) fn usual_sizes() -> Vec<[f64; 2]> {
    USUAL_M.iter().flat_map(|&[short, long]| [[short, long], [long, short]]).collect()
}

/// A size tried.
struct Trial {
    /// Area under modules, px, weighted by how distinct their boundaries are.
    covered: f64,
    /// The same with what tells a module drawn too long or too short: how sharp the tables' upper and lower edges are.
    score: f64,
    lattice: Lattice,
}

impl Trial {
    fn of(looks: &[Look], array: &Array, module_m: [f64; 2]) -> Option<Self> {
        let settings = OutlineSettings {
            module_m,
            courses: MOST_COURSES,
            rotation_sigma_deg: [6.0, 4.0, 6.0],
            ..OutlineSettings::default()
        };
        let found: Vec<Outlines> = looks
            .iter()
            .map(|look| find_from_pose(look.celsius.view(), &look.lens, &look.pose, array, &settings))
            .collect();
        let area = |t: &Table| t.cells.iter().map(|c| area(&c.corners).abs()).sum::<f64>();
        let covered: f64 = found.iter().flat_map(|f| &f.tables).map(|t| t.distinctness.min(12.0) * area(t)).sum();
        let lattice = measure(looks, array, &found, module_m)?;
        let ratio = lattice.up_over_along;
        let edges_k = table_edges_k(looks, &found)?;
        // The area grows with the length that is assumed: half of that is taken back.
        let score = covered * ratio.min(1.0 / ratio).sqrt() * edges_k;
        is_primitive(looks, &found).then_some(Self { covered, score, lattice })
    }
}

/// Whether the lattice's lines are all there, and no stronger one runs through the middle of its cells: two modules taken
/// for one, or one module cut in two, form a lattice as well.
fn is_primitive(looks: &[Look], found: &[Outlines]) -> bool {
    let (mut upright, mut level, mut middle_upright, mut middle_level) = ([vec![], vec![]], vec![], vec![], vec![]);
    for (look, outlines) in looks.iter().zip(found) {
        let depth = |a: [f64; 2], b: [f64; 2], into: &mut Vec<f64>| into.extend(line_depth(&look.celsius, a, b));
        for table in &outlines.tables {
            let has = |line: usize, column: usize| table.cells.iter().any(|c| (c.line, c.column) == (line, column));
            for Cell { corners: [a, b, c, d], line, column, .. } in &table.cells {
                let half = |p: &[f64; 2], q: &[f64; 2]| [0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])];
                if has(*line, column + 1) {
                    depth(*b, *c, &mut upright[column % 2]);
                }
                if has(line + 1, *column) {
                    depth(*d, *c, &mut level);
                }
                depth(half(a, b), half(d, c), &mut middle_upright);
                depth(half(a, d), half(b, c), &mut middle_level);
            }
        }
    }
    let strength = |values: &mut Vec<f64>| if values.is_empty() { None } else { Some(median(values).abs()) };
    let [even, odd] = &mut upright;
    let (Some(even), Some(odd)) = (strength(even), strength(odd)) else { return false };
    let sides = 0.5 * (even + odd);
    let courses = strength(&mut level).unwrap_or(sides);
    let within = |values: &mut Vec<f64>| strength(values).unwrap_or(0.0);
    // The gap between the halves of a half-cut module shows as well, so that a level line in the middle may be there.
    even.min(odd) > 0.4 * even.max(odd)
        && courses > 0.3 * sides
        && within(&mut middle_upright) < 0.5 * sides
        && within(&mut middle_level) < 0.9 * sides
}

/// Median step across the upper and lower edges of the tables, K: away from a true edge there is none.
fn table_edges_k(looks: &[Look], found: &[Outlines]) -> Option<f64> {
    let mut steps = Vec::new();
    for (look, outlines) in looks.iter().zip(found) {
        for table in &outlines.tables {
            let lines = table.cells.iter().map(|c| c.line);
            let (first, last) = (lines.clone().min()?, lines.max()?);
            for Cell { corners: [a, b, c, d], line, .. } in &table.cells {
                if *line == first {
                    steps.extend(step_k(&look.celsius, *a, *b));
                }
                if *line == last {
                    steps.extend(step_k(&look.celsius, *d, *c));
                }
            }
        }
    }
    (steps.len() >= FEWEST / 2).then(|| median(&mut steps))
}

/// Places along the middle of a line from `a` to `b`, and the unit vector across it, px.
fn along(a: [f64; 2], b: [f64; 2]) -> ([[f64; 2]; 9], [f64; 2]) {
    let length = (b[0] - a[0]).hypot(b[1] - a[1]);
    let places = std::array::from_fn(|k| {
        let t = 0.2 + 0.075 * k as f64;
        [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]
    });
    (places, [(b[1] - a[1]) / length, (a[0] - b[0]) / length])
}

/// The greatest step across a line from `a` to `b`, within a pixel of it, K; `None` at the frame's edge.
fn step_k(celsius: &Array2<f32>, a: [f64; 2], b: [f64; 2]) -> Option<f64> {
    let (places, across) = along(a, b);
    let step = |shift: f64| -> Option<f64> {
        let mut sum = 0.0;
        for p in places {
            sum += value(celsius, p, across, shift + 1.5)? - value(celsius, p, across, shift - 1.5)?;
        }
        Some((sum / places.len() as f64).abs())
    };
    let steps = [step(-1.0)?, step(-0.5)?, step(0.0)?, step(0.5)?, step(1.0)?];
    Some(steps.into_iter().fold(0.0, f64::max))
}

/// How far a thin line from `a` to `b` lies under or over what is beside it, K; `None` at the frame's edge.
fn line_depth(celsius: &Array2<f32>, a: [f64; 2], b: [f64; 2]) -> Option<f64> {
    let (places, across) = along(a, b);
    let mut sum = 0.0;
    for p in places {
        let at = |off: f64| value(celsius, p, across, off);
        let line = (at(-1.0)? + at(0.0)? + at(1.0)?) / 3.0;
        sum += line - 0.25 * (at(-5.0)? + at(-4.0)? + at(4.0)? + at(5.0)?);
    }
    Some(sum / places.len() as f64)
}

/// The temperature `off` pixels across from `p`; `None` outside the frame and where there is none.
fn value(celsius: &Array2<f32>, p: [f64; 2], across: [f64; 2], off: f64) -> Option<f64> {
    let t = temperature(&celsius.view(), [p[0] + off * across[0], p[1] + off * across[1]]);
    t.is_finite().then_some(f64::from(t))
}

/// Measures the modules of the outlines found.
fn measure(looks: &[Look], array: &Array, found: &[Outlines], sought_m: [f64; 2]) -> Option<Lattice> {
    let (mut along, mut up, mut tilts, mut turns) = (vec![], vec![], vec![], vec![]);
    let mut courses: Vec<usize> = Vec::new();
    let (mut pairs, mut ways) = (Vec::new(), Vec::new());
    for (look, outlines) in looks.iter().zip(found) {
        let Some((lens, to_array)) = outlines.view.as_ref().filter(|_| !outlines.tables.is_empty()) else { continue };
        let map = PlaneMap::new(*lens, *to_array);
        // The array's third axis points from the camera into the modules.
        let normal = look
            .pose
            .attitude_deg
            .map(|[yaw, pitch, roll]| -(camera_to_enu(yaw, pitch, roll) * to_array.transpose() * Vector3::z()));
        let tilt_deg = normal.map_or(array.tilt_deg, |n| n.z.clamp(-1.0, 1.0).acos().to_degrees());
        if let Some(n) = normal {
            tilts.push(tilt_deg);
            turns.push(n.x.atan2(n.y));
        }
        pairs.extend(stands_in_pairs(outlines, &map, sought_m[1]));
        ways.extend(look.pose.attitude_deg.map(|[yaw, pitch, roll]| {
            let up = camera_to_enu(yaw, pitch, roll) * to_array.transpose() * Vector3::y();
            up.x.atan2(up.y)
        }));
        let (sin, cos) = tilt_deg.to_radians().sin_cos();
        for cell in outlines.tables.iter().flat_map(|t| &t.cells).filter(|c| c.whole) {
            let p = cell.corners.map(|c| map.plane(c));
            let side = |a: usize, b: usize, axis: usize| p[b][axis] - p[a][axis];
            let (width, height) = (0.5 * (side(0, 1, 0) + side(3, 2, 0)), 0.5 * (side(0, 3, 1) + side(1, 2, 1)));
            if !(width > 0.0 && height > 0.0) {
                continue;
            }
            up.push(height / width);
            if let Some(above_m) = look.pose.height_m {
                let v = 0.25 * p.iter().map(|q| q[1]).sum::<f64>();
                along.push(width * above_m / (cos + v * sin).max(0.2));
            }
        }
        for (table, placed) in outlines.tables.iter().zip(outlines.placed()) {
            let inside = |p: &[f64; 2]| p[1] > 6.0 && p[1] < lens.height as f64 - 6.0;
            if table.cells.iter().flat_map(|c| &c.corners).all(inside) {
                courses.extend(std::iter::repeat_n(placed.lines, table.cells.len()));
            }
        }
    }
    if up.len() < FEWEST {
        return None;
    }
    let up_over_along = median(&mut up);
    let paired = pairs.iter().filter(|pair| **pair).count() * 2 > pairs.len();
    let lower = |along: f64| {
        let mut heights: Vec<f64> = looks.iter().filter_map(|look| look.pose.height_m).collect();
        let above_m = median(&mut heights);
        if paired { along * (above_m + MODULES_OVER_GROUND_M - MODULES_OVER_ROOF_M) / above_m } else { along }
    };
    // A way across and its opposite are the same: the mean is that of twice the angle.
    let twice = ways.iter().fold((0.0, 0.0), |sum, a: &f64| (sum.0 + (2.0 * a).sin(), sum.1 + (2.0 * a).cos()));
    let (sin, cos): (f64, f64) = turns.iter().fold((0.0, 0.0), |sum, t: &f64| (sum.0 + t.sin(), sum.1 + t.cos()));
    Some(Lattice {
        modules: up.len(),
        orientation: if up_over_along > 1.0 { Orientation::Portrait } else { Orientation::Landscape },
        up_over_along,
        along_m: (!along.is_empty()).then(|| lower(median(&mut along))),
        courses: mode(&courses).unwrap_or(1) as u32,
        plane_deg: (!tilts.is_empty()).then(|| [median(&mut tilts), sin.atan2(cos).to_degrees().rem_euclid(360.0)]),
        paired_deg: paired.then(|| (0.5 * twice.0.atan2(twice.1)).to_degrees().rem_euclid(180.0)),
        sought_m,
    })
}

/// Whether the rows of a frame take turns between narrow and wide spaces; `None` where fewer than three are in view.
fn stands_in_pairs(outlines: &Outlines, map: &PlaneMap, up_m: f64) -> Option<bool> {
    let (mut spans, mut heights): (Vec<[f64; 2]>, Vec<f64>) = (Vec::new(), Vec::new());
    for table in outlines.tables.iter().filter(|table| table.cells.len() >= 3) {
        let corners = table.cells.iter().map(|cell| cell.corners.map(|c| map.plane(c)[1]));
        heights.extend(corners.clone().map(|[a, b, c, d]| 0.5 * (c + d - a - b).abs()));
        let (low, high) = corners.flatten().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        spans.push([low, high]);
    }
    spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
    // Tables side by side are one row.
    let mut rows: Vec<[f64; 2]> = Vec::new();
    for span in spans {
        match rows.last_mut() {
            Some(row) if span[0] < 0.5 * (row[0] + row[1]) => row[1] = row[1].max(span[1]),
            _ => rows.push(span),
        }
    }
    if rows.len() < 3 {
        return None;
    }
    let to_m = up_m / median(&mut heights);
    let spaces: Vec<f64> = rows.windows(2).map(|pair| to_m * (pair[1][0] - pair[0][1])).collect();
    Some(take_turns(&spaces))
}

/// The value that stands most often.
pub(super) fn mode(values: &[usize]) -> Option<usize> {
    let mut counts = std::collections::BTreeMap::new();
    for value in values {
        *counts.entry(*value).or_insert(0usize) += 1;
    }
    counts.into_iter().max_by_key(|(_, n)| *n).map(|(value, _)| value)
}
