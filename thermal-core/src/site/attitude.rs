//! The camera's attitude and height over the modules from the outlines of one frame: Gauss-Newton on the corners'
//! places in the array's planes, where every module must be a rectangle of the known size and the modules of a lattice
//! must line up (the line places are eliminated, after Golub and Pereyra's variable projection, 1973).
//! Without a measured attitude the start comes from the homography of the largest lattice.

use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, SMatrix, Vector3};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

use super::{FrameOutlines, Seen};
use crate::median::median;
use crate::optics::{Lens, array_to_enu, camera_to_enu};
use crate::settings::{Mounting, Settings};

/// Standard deviation of a measured attitude about the vertical and about the horizontal axes.
const SIGMA_YAW_DEG: f64 = 3.0;
const SIGMA_LEVEL_DEG: f64 = 1.5;
/// Corner noise, px; beyond three times this a corner counts less (Huber).
const SIGMA_CORNER_PX: f64 = 0.7;
/// So many corners tell as much as one alone: those of a table are off together.
const ALIKE: f64 = 9.0;
/// Tables are turned against their rows by this, deg: nobody sets them out with a theodolite.
const SIGMA_TWIST_DEG: f64 = 0.5;
/// Tables in one frame stand at like heights, to this, m.
const SIGMA_HEIGHT_M: f64 = 0.7;

/// One frame's outlines on the ground, metres east and north of the camera's foot point.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Sighting {
    /// Camera axes to east, north, up.
    pub(super) rotation: Matrix3<f64>,
    /// Corners of each outline: upper left, upper right, lower right, lower left as seen from the front.
    pub(super) corners: Vec<[[f32; 2]; 4]>,
    /// Angle of view off each module's normal, deg.
    pub(super) view_deg: Vec<f32>,
    /// +1 where the outline faces the array's azimuth, -1 where its opposite.
    pub(super) faces: Vec<i8>,
    /// Camera over the modules' centres, m.
    pub(super) height_m: f64,
    /// Root mean square of the corners' misfit, px.
    pub(super) rms_px: f64,
    /// The attitude was not measured but taken from the lattice.
    pub(super) from_lattice: bool,
    /// Heading of the fit less the measured one, deg; 0 where none was measured.
    pub(super) yaw_correction_deg: f64,
}

impl Sighting {
    /// Centre of an outline, m.
    pub(super) fn centre(&self, module: usize) -> [f64; 2] {
        let c = &self.corners[module];
        [0, 1].map(|k| c.iter().map(|p| f64::from(p[k])).sum::<f64>() / 4.0)
    }
}

/// A lattice of the frame while it is fitted.
#[derive(Clone)]
struct Table {
    modules: Vec<usize>,
    /// +1 facing the array's azimuth, -1 its opposite (dual tilt).
    face: f64,
    /// Distance of the camera from the table's plane, m.
    distance_m: f64,
    /// How far it is turned in its plane against the rows, rad.
    twist: f64,
}

/// Fits one frame, of which `modules` are the outlines. `azimuth_deg`: the way the modules near this frame face. `None`
/// where no outline is usable or nothing tells the attitude.
pub(super) fn sight(
    frame: &FrameOutlines,
    modules: &[Seen],
    settings: &Settings,
    azimuth_deg: f64,
) -> Option<Sighting> {
    let directions: Vec<[Vector3<f64>; 4]> = modules
        .iter()
        .map(|m| {
            m.corners.map(|c| {
                let [x, y] = frame.lens.direction(c.map(f64::from));
                Vector3::new(x, y, 1.0)
            })
        })
        .collect();
    let mut by_table: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for (i, m) in modules.iter().enumerate() {
        if plausible(m, &frame.lens) {
            by_table.entry(m.table).or_default().push(i);
        }
    }
    if by_table.is_empty() || !(frame.lens.focal_px.is_finite() && frame.lens.focal_px > 0.0) {
        return None;
    }
    let fit = Fit { frame, modules, settings, azimuth_deg, directions };
    let pose = &frame.pose;
    let measured = match (pose.yaw_deg, pose.pitch_deg, pose.roll_deg) {
        (Some(yaw), Some(pitch), roll) => Some(camera_to_enu(yaw, pitch, roll.unwrap_or(0.0))),
        _ => None,
    };
    let measured = measured.filter(|m| m.iter().all(|v| v.is_finite()));
    let largest = by_table.values().max_by_key(|v| v.len())?;
    let mut best = measured.map(|start| fit.run(start, true, &by_table));
    // A fit that stays bad from the measured attitude may be better from the lattice alone.
    if best.as_ref().is_none_or(|b| b.rms_px > 4.0)
        && let Some(start) = fit.lattice_start(largest, pose.yaw_deg)
    {
        let mut other = fit.run(start, false, &by_table);
        other.from_lattice = true;
        if best.as_ref().is_none_or(|b| other.rms_px < 0.5 * b.rms_px) {
            best = Some(other);
        }
    }
    let mut best = best?;
    if let Some(yaw) = pose.yaw_deg.filter(|y| y.is_finite()) {
        best.yaw_correction_deg = turn_deg(heading_deg(&best.rotation) - yaw);
    }
    best.height_m.is_finite().then_some(best)
}

/// A cut module reaches out of the frame, but not by a frame's width: beyond that a corner is nonsense.
fn plausible(module: &Seen, lens: &Lens) -> bool {
    let (w, h) = (lens.width as f32, lens.height as f32);
    module.corners.iter().all(|c| c[0] > -w && c[0] < 2.0 * w && c[1] > -h && c[1] < 2.0 * h)
}

/// Heading of the image's upward axis, deg from north.
pub(super) fn heading_deg(rotation: &Matrix3<f64>) -> f64 {
    // Near the nadir the image's upward axis tells, near the level the forward axis: their sum serves both.
    let ahead = rotation * Vector3::new(0.0, -1.0, 1.0);
    ahead.x.atan2(ahead.y).to_degrees()
}

/// An angle in degrees brought to -180 to 180.
pub(super) fn turn_deg(angle: f64) -> f64 {
    (angle + 180.0).rem_euclid(360.0) - 180.0
}

/// What a fit leaves: the corners' root mean square, px, and the sum of squares with the measured attitude's.
#[derive(Clone, Copy)]
struct Misfit {
    rms_px: f64,
    cost: f64,
}

impl Misfit {
    /// No fit at all.
    const NONE: Self = Self { rms_px: f64::INFINITY, cost: f64::INFINITY };
}

struct Fit<'a> {
    frame: &'a FrameOutlines,
    modules: &'a [Seen],
    settings: &'a Settings,
    azimuth_deg: f64,
    directions: Vec<[Vector3<f64>; 4]>,
}

impl Fit<'_> {
    fn face(&self, face: f64) -> Matrix3<f64> {
        array_to_enu(face * self.settings.array.tilt_deg, self.azimuth_deg)
    }

    /// The attitude by which the lattice of the table appears as it does.
    fn lattice_start(&self, table: &[usize], yaw_deg: Option<f64>) -> Option<Matrix3<f64>> {
        let (w, l) = self.settings.module.size_along_up_m();
        let distinct: BTreeSet<_> = table.iter().map(|&i| (self.modules[i].course, self.modules[i].position)).collect();
        let used = if distinct.len() == table.len() { table } else { &table[..1] };
        let place = |i: usize| {
            let (m, o) = (&self.modules[i], &self.modules[used[0]]);
            [
                (f64::from(m.position) - f64::from(o.position)) * (w + 0.02),
                (f64::from(m.course) - f64::from(o.course)) * (l + 0.02),
            ]
        };
        let mut normal = SMatrix::<f64, 9, 9>::zeros();
        let scale = 5.0;
        for &i in used {
            let [u0, v0] = place(i);
            for (k, d) in self.directions[i].iter().enumerate() {
                let (su, sv) = SIGNS[k];
                let p = [(u0 + 0.5 * su * w) / scale, (v0 + 0.5 * sv * l) / scale, 1.0];
                let mut rows = [[0.0; 9]; 2];
                for j in 0..3 {
                    rows[0][j] = p[j];
                    rows[0][6 + j] = -d.x * p[j];
                    rows[1][3 + j] = p[j];
                    rows[1][6 + j] = -d.y * p[j];
                }
                for row in rows {
                    let r = SMatrix::<f64, 9, 1>::from_column_slice(&row);
                    normal += r * r.transpose();
                }
            }
        }
        let eigen = normal.symmetric_eigen();
        let h = eigen.eigenvectors.column(eigen.eigenvalues.imin());
        let h = Matrix3::from_row_slice(h.as_slice());
        let h = if h[(2, 2)] < 0.0 { -h } else { h };
        let (a, b) = (h.column(0).into_owned(), h.column(1).into_owned());
        if !(a.norm() > 1e-12 && b.norm() > 1e-12) {
            return None;
        }
        let (a, b) = (a.normalize(), b.normalize());
        let svd = Matrix3::from_columns(&[a, b, a.cross(&b)]).svd(true, true);
        let array_to_camera = svd.u? * svd.v_t?;
        let turn = Matrix3::from_diagonal(&Vector3::new(-1.0, -1.0, 1.0));
        let plain = self.face(1.0) * array_to_camera.transpose();
        let flipped = self.face(1.0) * turn * array_to_camera.transpose();
        let off = |m: &Matrix3<f64>| turn_deg(heading_deg(m) - yaw_deg.unwrap_or(0.0)).abs();
        // Without a heading the corner order is believed: its first edge is the row's upper edge.
        Some(if yaw_deg.is_some_and(f64::is_finite) && off(&flipped) < off(&plain) { flipped } else { plain })
    }

    fn run(&self, start: Matrix3<f64>, measured: bool, by_table: &BTreeMap<u32, Vec<usize>>) -> Sighting {
        let tables: Vec<Table> = by_table.values().filter_map(|modules| self.table(&start, modules)).collect();
        let settle = |mut tables: Vec<Table>| {
            let mut rotation = start;
            let misfit = self.descend(&mut rotation, &mut tables, &start, measured, 8);
            (misfit, rotation, tables)
        };
        let (misfit, rotation, tables) = if self.settings.array.mounting == Mounting::DualTilt {
            let mut chosen = tables;
            self.choose_faces(&start, &mut chosen);
            let (_, rotation, mut chosen) = settle(chosen);
            self.choose_faces(&rotation, &mut chosen);
            // All faces the other way round, with the camera tilted to suit, is the other minimum: the outlines and the
            // measured attitude decide together.
            let mut turned = chosen.clone();
            for t in &mut turned {
                t.face = -t.face;
            }
            let (one, other) = (settle(chosen), settle(turned));
            let mut best = if other.0.cost < one.0.cost { other } else { one };
            // A small table alone may have been mistaken: each is tried the other way round among the others.
            for k in 0..best.2.len() {
                let mut turned = best.2.clone();
                turned[k].face = -turned[k].face;
                let trial = settle(turned);
                if trial.0.cost < best.0.cost {
                    best = trial;
                }
            }
            best
        } else {
            settle(tables)
        };
        self.ground(rotation, &tables, misfit.rms_px)
    }

    /// A lattice with its first distance; outlines far from a module's shape are left out.
    fn table(&self, start: &Matrix3<f64>, modules: &[usize]) -> Option<Table> {
        let (w, l) = self.settings.module.size_along_up_m();
        let q = self.face(1.0).transpose() * start;
        // The area of an outline on the plane at unit distance gives the distance.
        let shape = |i: usize| {
            let p = self.directions[i].map(|d| on_plane(&(q * d), 1.0));
            let side = |a: usize| (p[(a + 1) % 4][0] - p[a][0]).hypot(p[(a + 1) % 4][1] - p[a][1]);
            let (s, t) = (side(0) + side(2), side(1) + side(3));
            ((w * l / area(&p).abs().max(1e-9)).sqrt(), s.min(t) / s.max(t).max(1e-9))
        };
        let shapes: Vec<(f64, f64)> = modules.iter().map(|&i| shape(i)).collect();
        let distance_m = median(&mut shapes.iter().map(|s| s.0).collect::<Vec<_>>());
        let aspect = w.min(l) / w.max(l);
        let fits =
            |s: &(f64, f64)| (0.75..1.33).contains(&(s.0 / distance_m)) && (0.65..1.55).contains(&(s.1 / aspect));
        let modules: Vec<usize> = modules.iter().zip(&shapes).filter(|(_, s)| fits(s)).map(|(i, _)| *i).collect();
        (!modules.is_empty()).then_some(Table { modules, face: 1.0, distance_m, twist: 0.0 })
    }

    /// Each table takes the face on which its outlines are the better rectangles.
    fn choose_faces(&self, rotation: &Matrix3<f64>, tables: &mut [Table]) {
        for t in tables.iter_mut() {
            let mut best = (f64::INFINITY, 1.0, t.distance_m);
            for face in [1.0, -1.0] {
                let mut trial = [Table { face, ..t.clone() }];
                let mut r = *rotation;
                // Only the distance moves in a few steps: the attitude is held by a tight start.
                let misfit = self.descend_with(&mut r, &mut trial, rotation, 0.05, 0.05, 4);
                if misfit.rms_px < best.0 {
                    best = (misfit.rms_px, face, trial[0].distance_m);
                }
            }
            (t.face, t.distance_m) = (best.1, best.2);
        }
    }

    fn descend(
        &self,
        rotation: &mut Matrix3<f64>,
        tables: &mut [Table],
        start: &Matrix3<f64>,
        measured: bool,
        steps: usize,
    ) -> Misfit {
        let (yaw, level) = if measured { (SIGMA_YAW_DEG, SIGMA_LEVEL_DEG) } else { (30.0, 10.0) };
        self.descend_with(rotation, tables, start, yaw, level, steps)
    }

    /// Gauss-Newton over the attitude (three small turns) and each table's distance and twist; gives what is left.
    fn descend_with(
        &self,
        rotation: &mut Matrix3<f64>,
        tables: &mut [Table],
        start: &Matrix3<f64>,
        sigma_yaw_deg: f64,
        sigma_level_deg: f64,
        steps: usize,
    ) -> Misfit {
        let n = 3 + 2 * tables.len();
        let mut misfit = Misfit::NONE;
        for _ in 0..steps {
            let mut normal = DMatrix::<f64>::zeros(n, n);
            let mut right = DVector::<f64>::zeros(n);
            let (mut sum, mut weight) = (0.0, 0.0);
            for (k, table) in tables.iter().enumerate() {
                self.add_table(rotation, table, 3 + 2 * k, &mut normal, &mut right, (&mut sum, &mut weight));
            }
            // The measured attitude holds the fit where the outlines say little.
            let off = Rotation3::from_matrix_unchecked(*rotation * start.transpose()).scaled_axis();
            let mut against = 0.0;
            for (k, sigma) in [sigma_level_deg, sigma_level_deg, sigma_yaw_deg].iter().enumerate() {
                let p = sigma.to_radians().powi(-2);
                normal[(k, k)] += p;
                right[k] -= p * off[k];
                against += p * off[k] * off[k];
            }
            // Tables of one frame stand at like heights.
            let drops: Vec<f64> = tables.iter().map(|t| self.drop_per_m(rotation, t)).collect();
            let mut levels: Vec<f64> = tables.iter().zip(&drops).map(|(t, g)| t.distance_m * g).collect();
            let common = median(&mut levels);
            for (k, (t, g)) in tables.iter().zip(&drops).enumerate() {
                let p = SIGMA_HEIGHT_M.powi(-2);
                let at = 3 + 2 * k;
                normal[(at, at)] += p * g * g;
                right[at] -= p * g * (t.distance_m * g - common);
                let p = SIGMA_TWIST_DEG.to_radians().powi(-2);
                normal[(at + 1, at + 1)] += p;
                right[at + 1] -= p * t.twist;
                against += p * t.twist * t.twist;
            }
            let Some(step) = normal.cholesky().map(|c| c.solve(&right)) else { return Misfit::NONE };
            if !step.iter().all(|v| v.is_finite()) {
                return Misfit::NONE;
            }
            *rotation = Rotation3::from_scaled_axis(Vector3::new(step[0], step[1], step[2])).matrix() * *rotation;
            for (k, t) in tables.iter_mut().enumerate() {
                t.distance_m = (t.distance_m + step[3 + 2 * k]).clamp(0.5 * t.distance_m, 2.0 * t.distance_m);
                t.twist += step[4 + 2 * k];
            }
            misfit = Misfit {
                rms_px: (sum / weight.max(1.0)).sqrt(),
                cost: sum / (SIGMA_CORNER_PX * SIGMA_CORNER_PX * ALIKE) + against,
            };
            if step.rows(0, 3).norm() < 1e-7 && step.rows(3, n - 3).amax() < 1e-4 {
                break;
            }
        }
        misfit
    }

    /// Fall of the ray to the table's middle for each metre of distance from its plane.
    fn drop_per_m(&self, rotation: &Matrix3<f64>, table: &Table) -> f64 {
        let b = self.face(table.face);
        let middle =
            table.modules.iter().map(|&i| self.directions[i].iter().sum::<Vector3<f64>>()).sum::<Vector3<f64>>();
        let e = rotation * middle;
        let z = (b.transpose() * e).z;
        if z.abs() > 1e-9 { -e.z / z } else { 1.0 }
    }

    fn add_table(
        &self,
        rotation: &Matrix3<f64>,
        table: &Table,
        column: usize,
        normal: &mut DMatrix<f64>,
        right: &mut DVector<f64>,
        (sum, weight): (&mut f64, &mut f64),
    ) {
        let (w, l) = self.settings.module.size_along_up_m();
        let twist = *Rotation3::from_axis_angle(&Vector3::z_axis(), table.twist).matrix();
        let bt = (self.face(table.face) * twist).transpose();
        let px_per_m = self.frame.lens.focal_px / table.distance_m.max(0.1);
        let distinct: BTreeSet<_> =
            table.modules.iter().map(|&i| (self.modules[i].course, self.modules[i].position)).collect();
        let lattice = distinct.len() == table.modules.len();
        // Residuals by the line they belong to: key (0, column of the lattice) for u, (1, course) for v.
        let mut lines: BTreeMap<(u8, i32), Vec<Residual>> = BTreeMap::new();
        for (n, &i) in table.modules.iter().enumerate() {
            let m = &self.modules[i];
            let keys = if lattice { [(0, m.position), (1, m.course)] } else { [(0, n as i32), (1, n as i32)] };
            // A cut module's corners outside the frame are guesses.
            let trust = if m.whole { 1.0 } else { 0.25 };
            let corners = self.in_order(rotation, table.face, i);
            for (k, d) in corners.iter().enumerate() {
                let e = rotation * d;
                let q = bt * e;
                if q.z < 0.05 {
                    continue;
                }
                let (su, sv) = SIGNS[k];
                let (x, y) = (q.x / q.z, q.y / q.z);
                let mut ju = [0.0, 0.0, 0.0, x, table.distance_m * y];
                let mut jv = [0.0, 0.0, 0.0, y, -table.distance_m * x];
                for axis in 0..3 {
                    let dq = bt * Vector3::ith(axis, 1.0).cross(&e);
                    ju[axis] = table.distance_m * (dq.x - x * dq.z) / q.z;
                    jv[axis] = table.distance_m * (dq.y - y * dq.z) / q.z;
                }
                lines.entry(keys[0]).or_default().push((table.distance_m * x - 0.5 * su * w, ju, trust));
                lines.entry(keys[1]).or_default().push((table.distance_m * y - 0.5 * sv * l, jv, trust));
            }
        }
        for line in lines.values() {
            let mut values: Vec<f64> = line.iter().map(|r| r.0).collect();
            let middle = median(&mut values);
            let weighted: Vec<f64> = line
                .iter()
                .map(|r| {
                    let z = ((r.0 - middle) * px_per_m / SIGMA_CORNER_PX).abs() / 3.0;
                    r.2 / z.max(1.0)
                })
                .collect();
            let total: f64 = weighted.iter().sum();
            if total <= 0.0 || line.len() < 2 {
                continue;
            }
            let mut mean = 0.0;
            let mut mean_j = [0.0; 5];
            for (r, wt) in line.iter().zip(&weighted) {
                mean += wt * r.0 / total;
                for (m, j) in mean_j.iter_mut().zip(r.1) {
                    *m += wt * j / total;
                }
            }
            let p = (px_per_m / SIGMA_CORNER_PX).powi(2) / ALIKE;
            for (r, wt) in line.iter().zip(&weighted) {
                let e = r.0 - mean;
                let j: [f64; 5] = std::array::from_fn(|a| r.1[a] - mean_j[a]);
                let at = [0, 1, 2, column, column + 1];
                for a in 0..5 {
                    right[at[a]] -= p * wt * j[a] * e;
                    for b in 0..5 {
                        normal[(at[a], at[b])] += p * wt * j[a] * j[b];
                    }
                }
                *sum += wt * (e * px_per_m).powi(2);
                *weight += wt;
            }
        }
    }

    /// The outline's corner directions, upper left first as seen in the array's plane, whatever order they came in.
    fn in_order(&self, rotation: &Matrix3<f64>, face: f64, module: usize) -> [Vector3<f64>; 4] {
        let d = self.directions[module];
        let q = self.face(face).transpose() * rotation;
        let p = d.map(|d| on_plane(&(q * d), 1.0));
        let c = [0, 1].map(|k| p.iter().map(|p| p[k]).sum::<f64>() / 4.0);
        let first = (0..4)
            .min_by(|&a, &b| (p[a][0] - c[0] + p[a][1] - c[1]).total_cmp(&(p[b][0] - c[0] + p[b][1] - c[1])))
            .unwrap_or(0);
        let clockwise = area(&p) >= 0.0;
        std::array::from_fn(|k| d[(first + if clockwise { k } else { 4 - k }) % 4])
    }

    fn ground(&self, rotation: Matrix3<f64>, tables: &[Table], rms_px: f64) -> Sighting {
        let n = self.modules.len();
        let mut corners = vec![[[f32::NAN; 2]; 4]; n];
        let mut view_deg = vec![90.0f32; n];
        let mut faces = vec![1i8; n];
        let mut heights = Vec::with_capacity(n);
        for t in tables {
            let b = self.face(t.face);
            for &i in &t.modules {
                let ordered = self.in_order(&rotation, t.face, i);
                let mut middle = Vector3::zeros();
                for (k, d) in ordered.iter().enumerate() {
                    let e = rotation * d;
                    let q = b.transpose() * e;
                    let p = e * (t.distance_m / q.z.max(0.05));
                    corners[i][k] = [p.x as f32, p.y as f32];
                    middle += p / 4.0;
                }
                heights.push(-middle.z);
                let cosine = (b.transpose() * middle).z / middle.norm().max(1e-9);
                faces[i] = if t.face < 0.0 { -1 } else { 1 };
                view_deg[i] = cosine.clamp(-1.0, 1.0).acos().to_degrees() as f32;
            }
        }
        Sighting {
            rotation,
            corners,
            view_deg,
            faces,
            height_m: median(&mut heights),
            rms_px,
            from_lattice: false,
            yaw_correction_deg: 0.0,
        }
    }
}

/// One coordinate of a corner: its place on the line, its derivatives (three turns, the distance, the twist), its trust.
type Residual = (f64, [f64; 5], f64);

/// Signs of the corners along the row and down the slope: upper left, upper right, lower right, lower left.
const SIGNS: [(f64, f64); 4] = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];

fn on_plane(q: &Vector3<f64>, distance: f64) -> [f64; 2] {
    let z = q.z.max(0.05);
    [distance * q.x / z, distance * q.y / z]
}

/// Signed area, positive where the corners run from x to y.
pub(super) fn area(p: &[[f64; 2]; 4]) -> f64 {
    0.5 * (0..4).map(|i| p[i][0] * p[(i + 1) % 4][1] - p[(i + 1) % 4][0] * p[i][1]).sum::<f64>()
}
