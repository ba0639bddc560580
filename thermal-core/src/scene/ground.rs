//! What lies on the ground: straight-edged objects and shadows, as flat patches.

use nalgebra::{Rotation3, Vector3};

use super::random::Random;
use super::site::{Table, slope};
use super::spec::{Object, Spec};
use super::view::Patch;

/// A flat thing on or over the ground.
#[derive(Debug, Clone)]
pub(super) struct Thing {
    pub(super) patch: Patch,
    pub(super) paint: Paint,
}

/// How a thing looks.
#[derive(Debug, Clone, Copy)]
pub(super) enum Paint {
    /// Warmer than the open ground by so much, with a share (0 to 1) of the ground's texture.
    Flat { delta_k: f32, texture: f32 },
    /// Paving: slabs of a size along and up, m, with joints of a width.
    Slabs { delta_k: f32, slab_m: [f32; 2], joint_m: f32 },
    /// Takes the sun away.
    Shadow,
}

/// Unit vector to the sun.
fn to_sun(spec: &Spec) -> Vector3<f64> {
    let (az, el) = (spec.weather.sun_azimuth_deg.to_radians(), spec.weather.sun_elevation_deg.to_radians());
    Vector3::new(el.cos() * az.sin(), el.cos() * az.cos(), el.sin())
}

/// Objects in the aisles and around the plant, then all shadows, then the tops of what stands up.
pub(super) fn scatter(spec: &Spec, tables: &[Table], random: &mut Random) -> Vec<Thing> {
    let plant = &spec.plant;
    let sun = to_sun(spec);
    let [along, back] = slope(0.0, plant.azimuth_deg);
    let length = plant.tables as f64 * (plant.table_m()[0] + plant.table_gap_m) - plant.table_gap_m;
    let depth = plant.rows as f64 * plant.row_pitch_m;
    let patch = |u: f64, v: f64, turn_deg: f64, size: [f64; 2]| {
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), turn_deg.to_radians());
        Patch { origin: along * u + back * v, along: turn * along, up: turn * back, size }
    };
    let mut flat = Vec::new();
    let mut tops = Vec::new();
    let mut lay = |patch: Patch, delta_k: f64, texture: f32| {
        flat.push(Thing { patch, paint: Paint::Flat { delta_k: delta_k as f32, texture } });
    };
    if spec.ground.roof {
        for k in 0..((depth + 30.0) / SEAM_M) as usize {
            let v = -15.0 + k as f64 * SEAM_M;
            lay(patch(-15.0, v, 0.0, [length + 30.0, 0.03]), random.range(-1.8, -0.8), 1.0);
        }
    }
    let mut slabs = Vec::new();
    for object in &spec.ground.objects {
        let row = random.below(plant.rows) as f64;
        // The aisle in front of a row: what the table's depth leaves of the pitch.
        let aisle = plant.row_pitch_m - plant.table_m()[1] * plant.tilt_deg.to_radians().cos();
        let front = row * plant.row_pitch_m - 0.5 * aisle;
        let u = random.range(0.1, 0.9) * length;
        let turn = random.range(-4.0, 4.0);
        match object {
            Object::Cable => {
                let warm = random.range(2.0, 6.0);
                lay(patch(-8.0, front - 0.3, turn * 0.2, [length + 16.0, 0.06]), warm, 0.0);
                lay(patch(u, front - 8.0, 85.0 + turn, [22.0, 0.05]), warm, 0.0);
            }
            Object::Trench => {
                let cold = random.range(-7.0, -3.0);
                lay(patch(-8.0, front - 0.5, turn * 0.2, [length + 16.0, 1.0]), cold, 0.6);
            }
            Object::Road => {
                let warm = random.range(3.0, 9.0);
                lay(patch(-12.0, -6.0, turn * 0.5, [length + 24.0, 3.5]), warm, 0.3);
                lay(patch(length + 4.5, -12.0, 90.0, [depth + 24.0, 3.0]), warm * 0.8, 0.3);
            }
            Object::Container => {
                let beside = random.chance(0.5);
                let (u, v) = if beside { (length + 2.0, random.range(-2.0, depth)) } else { (u, front - 1.2) };
                let mut top = patch(u, v, turn, [6.06, 2.44]);
                top.origin += Vector3::z() * 2.6;
                let delta_k = random.range(-14.0, 20.0) as f32;
                tops.push(Thing { patch: top, paint: Paint::Flat { delta_k, texture: 0.0 } });
            }
            Object::Fence => {
                for k in 0..((length + 10.0) / 2.5) as usize {
                    lay(patch(-5.0 + k as f64 * 2.5, front, 0.0, [0.06, 0.06]), -6.0, 0.0);
                }
                lay(patch(-5.0, front, 0.0, [length + 10.0, 0.02]), -5.0, 0.0);
            }
            Object::Slabs => {
                let [w, l] = plant.size_along_up_m();
                let slab_m = [w as f32, l as f32];
                let warm = random.range(6.0, 14.0) as f32;
                let aisle_run = patch(u.min(length - 6.0), front - 0.5 * l, turn, [w * 7.0, l]);
                let beside = patch(-2.0 - 6.0 * w, row * plant.row_pitch_m, turn, [w * 6.0, l * 2.0]);
                slabs.extend(
                    [aisle_run, beside]
                        .map(|patch| Thing { patch, paint: Paint::Slabs { delta_k: warm, slab_m, joint_m: 0.025 } }),
                );
            }
            Object::Plate => {
                let size = [random.range(0.5, 1.8), random.range(0.5, 1.4)];
                lay(patch(u, front - 0.4, turn, size), random.range(-10.0, 18.0), 0.0);
            }
        }
    }
    let casters = tables.iter().flat_map(casters).chain(tops.iter().map(|t| t.patch.clone()));
    let shadows: Vec<Thing> =
        casters.map(|caster| Thing { patch: shadow(&caster, sun), paint: Paint::Shadow }).collect();
    flat.into_iter().chain(slabs).chain(shadows).chain(tops).collect()
}

/// Distance between the seams of a metal roof, m.
const SEAM_M: f64 = 0.5;

/// What of a table casts a shadow: all of it, or its modules one by one where some are missing.
fn casters(table: &Table) -> Vec<Patch> {
    if table.modules.iter().all(Option::is_some) {
        return vec![table.patch.clone()];
    }
    let present = table.modules.iter().enumerate().filter(|(_, module)| module.is_some());
    present.map(|(index, _)| table.place(&table.patch, index)).collect()
}

/// The shadow of a patch on the ground.
fn shadow(caster: &Patch, sun: Vector3<f64>) -> Patch {
    let [c0, c1, _, c3] = caster.corners().map(|p| p - sun * (p.z / sun.z.max(0.05)));
    let (a, b) = (c1 - c0, c3 - c0);
    Patch { origin: c0, along: a.normalize(), up: b.normalize(), size: [a.norm(), b.norm()] }
}
