//! Module outlines in one frame: quadrilaterals at sub-pixel corners, found table by table.
//!
//! A module table is a lattice whose cell is known from the settings. [`find`] estimates how the camera stands to the
//! array, looks at the frame perpendicular to it, starts lattices at rectangles of a module's size, grows them, proves
//! them, and refines their lines at full resolution.

mod cell;
mod energy;
mod evidence;
mod lattice;
mod locate;
mod orient;
mod prior;
mod profile;
mod projective;
mod prove;
mod rectify;
mod refine;
mod seed;
mod split;

pub(crate) use evidence::Look;
pub(crate) use locate::locate;
pub use prior::{LoggedPose, find_from_pose};
pub(crate) use rectify::PlaneMap;

use nalgebra::Matrix3;
use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};

use crate::buffer::Buffer;
use crate::grey::Grey;
use crate::median::median;
use crate::optics::Lens;

/// What the search may assume and how strict it is.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct OutlineSettings {
    /// Module size with frame (along the row, up the slope), m.
    pub module_m: [f64; 2],
    /// Gap between neighbouring modules, m.
    pub gap_m: f64,
    /// Courses in a row: no table is taller.
    pub courses: usize,
    /// Weakest boundary that may start a lattice, K.
    pub floor_k: f32,
    /// Short side of a module in the working image, px.
    pub work_px: f64,
    /// How far the rotation may be off about the row, the slope and the normal, deg.
    pub rotation_sigma_deg: [f64; 3],
    /// How far the distance may be off, as a fraction.
    pub distance_tolerance: f64,
    /// Lean of the tables against the plane in which they are sought, deg: the faces of a dual-tilt array.
    pub lean_deg: f64,
}

impl Default for OutlineSettings {
    fn default() -> Self {
        Self {
            module_m: [1.04, 2.0],
            gap_m: 0.018,
            courses: 2,
            floor_k: 0.25,
            work_px: 22.0,
            rotation_sigma_deg: [2.0, 2.0, 4.0],
            distance_tolerance: 0.15,
            lean_deg: 0.0,
        }
    }
}

/// Where the camera is thought to stand before looking at the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Rotation from camera axes to array axes (see [`crate::optics::array_to_enu`]).
    pub to_array: Matrix3<f64>,
    /// Height of the camera over the modules, m.
    pub height_m: f64,
    /// Tilt of the modules, deg; it tells how the distance changes from row to row over level ground.
    pub tilt_deg: f64,
}

/// One outlined module.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Lattice column, from 0 at the left of the table.
    pub column: usize,
    /// Lattice line (course), from 0 at the upper edge of the table.
    pub line: usize,
    /// Upper left, upper right, lower right, lower left, px of the stored image.
    pub corners: [[f64; 2]; 4],
    /// All corners lie in the frame.
    pub whole: bool,
    /// 0 to 1.
    pub confidence: f64,
}

/// The modules of one table in one frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// Its modules, course by course.
    pub cells: Vec<Cell>,
    /// Perpendicular distance, m, by the size of the modules.
    pub distance_m: f64,
    /// Median strength of the boundaries, K.
    pub strength_k: f64,
    /// Boundary strength over the texture inside the cells.
    pub distinctness: f64,
    /// Median temperature inside the cells, deg C.
    pub level_c: f64,
}

/// Where a module stands among the lattices of its frame, and how sure its outline is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LatticePlace {
    /// Number of the table in the frame.
    pub table: u32,
    /// Line (course) in it.
    pub line: u32,
    /// Column in it.
    pub column: u32,
    /// Confidence of the outline alone, 0 to 1.
    pub confidence: f64,
}

/// What was found in a frame.
#[derive(Debug, Clone, Default)]
pub struct Outlines {
    /// Tables, from the upper left.
    pub tables: Vec<Table>,
    /// The lens, and the rotation from camera to array axes as refined.
    pub view: Option<(Lens, Matrix3<f64>)>,
}

/// A frame and its reduced image, made once for all that look at it.
struct View<'a> {
    frame: Grey<'a>,
    half: Buffer,
    half_size: (usize, usize),
    elements: Vec<orient::EdgeElement>,
}

impl<'a> View<'a> {
    fn new(frame: Grey<'a>, lens: &Lens) -> Self {
        let (half, w, h) = frame.halved();
        let elements = orient::edge_elements(&Grey { data: &half, width: w, height: h }, 2.0, lens);
        Self { frame, half, half_size: (w, h), elements }
    }

    fn half(&self) -> Grey<'_> {
        Grey { data: &self.half, width: self.half_size.0, height: self.half_size.1 }
    }
}

/// Finds the module outlines of a frame in deg C.
pub fn find(frame: ArrayView2<'_, f32>, lens: &Lens, prior: &Prior, settings: &OutlineSettings) -> Outlines {
    with_view(frame, lens, |view| find_in(view, lens, prior, settings))
}

/// Calls `work` with the frame and its reduced image; nothing where the frame is not of the lens's size.
fn with_view(frame: ArrayView2<'_, f32>, lens: &Lens, work: impl FnOnce(&View<'_>) -> Outlines) -> Outlines {
    let (height, width) = frame.dim();
    if (width, height) != (lens.width, lens.height) || width < 32 || height < 32 {
        return Outlines::default();
    }
    with_grey(&frame, |grey| work(&View::new(*grey, lens))).unwrap_or_default()
}

/// Calls `work` with a frame as a plain image without gaps.
fn with_grey<T>(frame: &ArrayView2<'_, f32>, work: impl FnOnce(&Grey<'_>) -> T) -> Option<T> {
    let (height, width) = frame.dim();
    let standard = frame.as_standard_layout();
    let data = standard.as_slice()?;
    let filled = filled(data);
    Some(work(&Grey { data: filled.as_deref().unwrap_or(data), width, height }))
}

/// The values with those that are none (dead pixels, counts without a temperature) replaced by the last one before, so that
/// running sums are not lost to them; `None` where all are sound.
fn filled(data: &[f32]) -> Option<Vec<f32>> {
    if data.iter().map(|v| u32::from(!v.is_finite())).sum::<u32>() == 0 {
        return None;
    }
    let mut last = data.iter().copied().find(|v| v.is_finite())?;
    let fill = |v: &f32| {
        last = if v.is_finite() { *v } else { last };
        last
    };
    Some(data.iter().map(fill).collect())
}

fn find_in(view: &View<'_>, lens: &Lens, prior: &Prior, settings: &OutlineSettings) -> Outlines {
    let (to_array, _explained) = orient::refine(&view.elements, &prior.to_array, settings.rotation_sigma_deg);
    let map = rectify::PlaneMap::new(*lens, to_array);
    let short = settings.module_m[0].min(settings.module_m[1]);
    // Rows stand on level ground but their planes are tilted: the perpendicular distance falls towards the upper edge.
    let (sin, cos) = prior.tilt_deg.to_radians().sin_cos();
    let slant = |v: f64| (cos + v * sin).max(0.2);
    let middle = map.plane([0.5 * lens.width as f64, 0.5 * lens.height as f64]);
    let distance = prior.height_m / slant(middle[1]);
    // Work pixels per unit of the plane so that a module's short side takes `work_px`, but never finer than the frame.
    let scale = (settings.work_px * distance / short).min(lens.focal_px);
    // Thin lines keep their share of a work pixel: a frame much finer than the working image is reduced first.
    let (source, reduced) = if lens.focal_px / scale > 1.5 { (view.half(), 2.0) } else { (view.frame, 1.0) };
    let Some(image) = rectify::rectify(&source, reduced, &map, scale) else { return Outlines::default() };
    let pitch = settings.module_m.map(|m| (m + settings.gap_m) / distance * scale);
    let energy =
        energy::energies(&image, ((pitch[1] / 6.0) as usize).clamp(2, 9), ((pitch[0] / 6.0) as usize).clamp(2, 9));
    let size_at = |y: f64| pitch.map(|p| p * slant(image.uv([0.0, y])[1]) / slant(middle[1]));
    let seeds = seed::seeds(&energy, size_at, settings.distance_tolerance, settings.floor_k);
    let lattices = lattice::grow(&image, &energy, &seeds, |y| size_at(y)[0], settings);
    let lattices: Vec<_> = lattices.into_iter().flat_map(split::at_gaps).collect();
    let tables = refine::refine(&view.frame, &map, &image, &lattices, settings);
    let height_of = |t: &Table| t.distance_m * slant(map.plane(t.centre())[1]);
    let part = |t: &Table| {
        let half_m = 0.5 * settings.courses.saturating_sub(t.lines()) as f64 * settings.module_m[1] * sin;
        match t.courses_out_of_view(lens) {
            [true, false] => prove::Part { below_m: half_m, unknown_m: 0.0 },
            [false, true] => prove::Part { below_m: -half_m, unknown_m: 0.0 },
            _ => prove::Part { below_m: 0.0, unknown_m: half_m.abs() },
        }
    };
    let tables = prove::prove(tables, height_of, part);
    Outlines { tables, view: Some((*lens, to_array)) }
}

/// Where a table lies in the plane parallel to the array at unit distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// Left end.
    pub left: f64,
    /// Upper edge, down the slope positive.
    pub top: f64,
    /// Pitch of the courses.
    pub pitch: f64,
    /// Pitch of the columns.
    pub step: f64,
    /// Courses found.
    pub lines: usize,
    /// The uppermost course touches the frame's edge, so courses above it may be out of view.
    pub cut_above: bool,
}

impl Outlines {
    /// For each module, table by table, its place among the lattices.
    pub fn lattice(&self) -> Vec<LatticePlace> {
        let place = |table: usize, c: &Cell| LatticePlace {
            table: table as u32,
            line: c.line as u32,
            column: c.column as u32,
            confidence: c.confidence,
        };
        self.tables.iter().enumerate().flat_map(|(k, t)| t.cells.iter().map(move |c| place(k, c))).collect()
    }

    /// Where each table lies.
    pub fn placed(&self) -> Vec<Placed> {
        let Some((lens, to_array)) = self.view else { return Vec::new() };
        let map = rectify::PlaneMap::new(lens, to_array);
        self.tables
            .iter()
            .map(|table| {
                let lines = table.lines();
                let corners = |k: usize| table.cells.iter().map(move |c| (c.line, c.corners[k]));
                let left = corners(0).map(|(_, p)| map.plane(p)[0]).fold(f64::MAX, f64::min);
                // Mean over the cells of the upper edge less its lines: steady even where the first course is broken.
                let mut pitches: Vec<f64> =
                    table.cells.iter().map(|c| map.plane(c.corners[3])[1] - map.plane(c.corners[0])[1]).collect();
                let pitch = if pitches.is_empty() { 1.0 } else { median(&mut pitches).max(1e-6) };
                // The widest span tells the step with the gaps between modules.
                let ends = |cell: &Cell| [0, 1].map(|k| map.plane(cell.corners[k])[0]);
                let widest = table.cells.iter().max_by_key(|c| (c.column, std::cmp::Reverse(c.line)));
                let step = widest.map_or(1.0, |c| (ends(c)[1] - left) / (c.column + 1) as f64).max(1e-6);
                let n = table.cells.len().max(1) as f64;
                let top = corners(0).map(|(line, p)| map.plane(p)[1] - line as f64 * pitch).sum::<f64>() / n;
                let cut_above = table.cells.iter().any(|c| {
                    c.line == 0
                        && [0, 1].iter().any(|k| {
                            c.corners[*k]
                                .iter()
                                .zip([lens.width, lens.height])
                                .any(|(v, n)| *v < 2.0 || *v > n as f64 - 2.0)
                        })
                });
                Placed { left, top, pitch, step, lines, cut_above }
            })
            .collect()
    }
}

impl Table {
    /// Courses found.
    fn lines(&self) -> usize {
        self.cells.iter().map(|c| c.line + 1).max().unwrap_or(0)
    }

    /// Whether a course above the uppermost and one below the lowest would lie outside the frame.
    fn courses_out_of_view(&self, lens: &Lens) -> [bool; 2] {
        let last = self.lines().saturating_sub(1);
        let size = [lens.width as f64, lens.height as f64];
        [(0, 0), (last, 2)].map(|(line, edge)| {
            let of_line = self.cells.iter().filter(|c| c.line == line);
            let outside = of_line.map(|c| {
                let [on, from] = [edge, (edge + 2) % 4].map(|k| {
                    let (a, b) = (c.corners[k], c.corners[(k + 1) % 4]);
                    [0, 1].map(|i| f64::midpoint(a[i], b[i]))
                });
                // The middle of the module beyond the edge.
                if (0..2).all(|i| (0.0..size[i]).contains(&(on[i] + 0.5 * (on[i] - from[i])))) { -1 } else { 1 }
            });
            outside.sum::<i32>() > 0
        })
    }

    /// Mean of the modules' corners, px.
    pub fn centre(&self) -> [f64; 2] {
        let n = (4 * self.cells.len()).max(1) as f64;
        [0, 1].map(|k| self.cells.iter().flat_map(|c| c.corners).map(|p| p[k]).sum::<f64>() / n)
    }
}
