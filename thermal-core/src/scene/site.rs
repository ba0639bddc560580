//! The plant as it stands: tables in space and modules with their temperatures and faults.

use nalgebra::{Rotation3, Unit, Vector3};

use super::fault::{self, Fault};
use super::ground::{self, Thing};
use super::random::{Random, Tile};
use super::spec::Spec;
use super::view::Patch;
use crate::settings::Mounting;

/// The plant, built from a spec.
#[derive(Debug)]
pub(super) struct Site {
    pub(super) tables: Vec<Table>,
    /// What lies on the ground, lowest first.
    pub(super) things: Vec<Thing>,
    /// Texture of the ground.
    pub(super) soil: Tile,
    /// Texture of slow fields on the glass.
    pub(super) slow: Tile,
}

/// A table of modules.
#[derive(Debug)]
pub(super) struct Table {
    pub(super) patch: Patch,
    /// The same without twist and unevenness: what a drawing of the plant shows.
    pub(super) drawn: Patch,
    /// By course from the lower edge, then by position along; `None`: vacant.
    pub(super) modules: Vec<Option<Module>>,
    /// Modules along it.
    pub(super) across: usize,
    /// Size of a module along and up, m.
    pub(super) module_m: [f64; 2],
    /// From one module to the next along and up, m.
    pub(super) step_m: [f64; 2],
    /// Row, as in the layout.
    pub(super) row: String,
    /// Table, as in the layout.
    pub(super) name: String,
    pub(super) weeds: Vec<Weed>,
    pub(super) pole_shadows: Vec<PoleShadow>,
}

/// A module.
#[derive(Debug)]
pub(super) struct Module {
    pub(super) id: String,
    /// Offset of the whole module, K, without faults.
    pub(super) offset_k: f32,
    /// Offset of each cell, K, without faults; cells across the width first.
    pub(super) cells_k: Vec<f32>,
    /// Rise of each cell by the faults at 1000 W/m2, K.
    pub(super) faults_k: Vec<f32>,
    pub(super) faults: Vec<Fault>,
}

/// Leaves over the lower edge of a table.
#[derive(Debug, Clone, Copy)]
pub(super) struct Weed {
    pub(super) u: f32,
    pub(super) v: f32,
    pub(super) radius: f32,
    pub(super) leaves: f32,
    pub(super) turn: f32,
}

/// The shadow of a pole over a table.
#[derive(Debug, Clone, Copy)]
pub(super) struct PoleShadow {
    pub(super) u: f32,
    pub(super) slope: f32,
    pub(super) half_width: f32,
    pub(super) top: f32,
}

impl Site {
    pub(super) fn new(spec: &Spec) -> Self {
        let mut tables = stand(spec, &mut Random::new(spec.seed, 1));
        fault::draw(spec, &mut tables, &mut Random::new(spec.seed, 2));
        litter(spec, &mut tables, &mut Random::new(spec.seed, 3));
        let things = ground::scatter(spec, &tables, &mut Random::new(spec.seed, 4));
        let soil = Tile::fractal(9, 8, 0.68, Random::new(spec.seed, 5));
        let slow = Tile::fractal(6, 8, 0.45, Random::new(spec.seed, 6));
        Self { tables, things, soil, slow }
    }
}

impl Table {
    /// The patch of a module on the table as it stands or as it is drawn.
    pub(super) fn place(&self, of: &Patch, index: usize) -> Patch {
        let (i, j) = (index % self.across, index / self.across);
        let origin = of.point(i as f64 * self.step_m[0], j as f64 * self.step_m[1]);
        Patch { origin, along: of.along, up: of.up, size: self.module_m }
    }
}

/// Axes of a plane tilted towards an azimuth: along (to the right as seen from its front) and up the slope.
pub(super) fn slope(tilt_deg: f64, azimuth_deg: f64) -> [Vector3<f64>; 2] {
    let (t, a) = (tilt_deg.to_radians(), azimuth_deg.to_radians());
    let along = Vector3::new(-a.cos(), a.sin(), 0.0);
    let up = Vector3::new(-t.cos() * a.sin(), -t.cos() * a.cos(), t.sin());
    [along, up]
}

fn stand(spec: &Spec, random: &mut Random) -> Vec<Table> {
    let plant = &spec.plant;
    let size = plant.table_m();
    let [along, back] = slope(0.0, plant.azimuth_deg);
    let sides: &[(f64, &str)] =
        if plant.mounting == Mounting::DualTilt { &[(0.0, "A"), (180.0, "B")] } else { &[(0.0, "")] };
    let mut tables = Vec::new();
    for row in 0..plant.rows {
        // Gaps are drawn once a row so that both sides of a dual-tilt row keep in step.
        let mut starts = vec![0.0];
        for k in 1..plant.tables {
            let gap = plant.table_gap_m * (1.0 + plant.table_gap_spread * random.range(-1.0, 1.0));
            starts.push(starts[k - 1] + size[0] + gap);
        }
        let length = starts[plant.tables.max(1) - 1] + size[0];
        let base = back * (row as f64 * plant.row_pitch_m) + Vector3::z() * plant.low_edge_m;
        let depth = size[1] * plant.tilt_deg.to_radians().cos();
        for (second, &(turn, side)) in sides.iter().enumerate() {
            let [a, s] = slope(plant.tilt_deg, plant.azimuth_deg + turn);
            // The far side of a dual-tilt row starts at its own lower left: the other end, beyond the ridge.
            let corner = if second == 0 { base } else { base + along * length + back * (2.0 * depth + RIDGE_M) };
            for k in 0..plant.tables {
                let at = if second == 0 { starts[k] } else { length - starts[plant.tables - 1 - k] - size[0] };
                let drawn = Patch { origin: corner + a * at, along: a, up: s, size };
                let patch = unsettle(&drawn, plant.twist_deg, plant.height_spread_m, random);
                let row = format!("{:02}{side}", row + 1);
                let name = format!("{row}-{}", k + 1);
                let modules = (0..plant.courses * plant.across)
                    .map(|i| {
                        let id = format!("{name}-{}-{:02}", i / plant.across + 1, i % plant.across + 1);
                        let vacant = random.chance(plant.vacant);
                        let module = make(spec, id, random);
                        (!vacant).then_some(module)
                    })
                    .collect();
                let module_m = plant.size_along_up_m();
                tables.push(Table {
                    patch,
                    drawn,
                    modules,
                    across: plant.across,
                    module_m,
                    step_m: module_m.map(|m| m + plant.gap_m),
                    row,
                    name,
                    weeds: Vec::new(),
                    pole_shadows: Vec::new(),
                });
            }
        }
    }
    tables
}

/// Space at the ridge of a dual-tilt row, m.
const RIDGE_M: f64 = 0.25;

/// Turns a table in its plane and, less, about the row, and lifts it.
fn unsettle(drawn: &Patch, twist_deg: f64, height_m: f64, random: &mut Random) -> Patch {
    let normal = Unit::new_normalize(drawn.normal());
    let axis = Unit::new_normalize(drawn.along);
    let turn = Rotation3::from_axis_angle(&normal, (twist_deg * random.normal()).to_radians())
        * Rotation3::from_axis_angle(&axis, (twist_deg * random.normal() / 3.0).to_radians());
    let middle = drawn.point(drawn.size[0] / 2.0, drawn.size[1] / 2.0);
    let origin = middle + turn * (drawn.origin - middle) + Vector3::z() * (height_m * random.normal());
    Patch { origin, along: turn * drawn.along, up: turn * drawn.up, size: drawn.size }
}

/// The grid in which a module's temperatures are kept: its cells; thin film has a grid of its own for its substrings.
pub(super) fn grid(cells: [usize; 2]) -> [usize; 2] {
    if cells[0] > 1 && cells[1] > 1 { cells } else { [6, 10] }
}

fn make(spec: &Spec, id: String, random: &mut Random) -> Module {
    let [nx, ny] = grid(spec.plant.cells);
    let spread = if spec.plant.cells[0] > 1 { spec.weather.cell_spread_k } else { 0.0 };
    let offset_k = (spec.weather.module_spread_k * random.normal()) as f32;
    let cells_k = (0..nx * ny).map(|_| (spread * random.normal()) as f32).collect();
    Module { id, offset_k, cells_k, faults_k: vec![0.0; nx * ny], faults: Vec::new() }
}

/// Weeds at lower edges and shadows of poles.
fn litter(spec: &Spec, tables: &mut [Table], random: &mut Random) {
    for _ in 0..spec.weather.weeds {
        let k = random.below(tables.len());
        let Some(table) = tables.get_mut(k) else { return };
        let radius = random.range(0.12, 0.40) as f32;
        table.weeds.push(Weed {
            u: random.range(0.0, table.patch.size[0]) as f32,
            v: random.range(-0.5, 0.4) as f32 * radius,
            radius,
            leaves: random.range(5.0, 11.0).floor() as f32,
            turn: random.range(0.0, 6.0) as f32,
        });
    }
    for _ in 0..spec.weather.pole_shadows {
        let k = random.below(tables.len());
        let Some(table) = tables.get_mut(k) else { return };
        table.pole_shadows.push(PoleShadow {
            u: (random.range(0.1, 0.9) * table.patch.size[0]) as f32,
            slope: random.range(-0.6, 0.6) as f32,
            half_width: random.range(0.06, 0.2) as f32,
            top: (random.range(0.5, 1.2) * table.patch.size[1]) as f32,
        });
    }
}
