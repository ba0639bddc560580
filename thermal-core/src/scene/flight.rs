//! The flight: where the camera stands at each frame, and what its receiver says.

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};

use super::random::Random;
use super::site::slope;
use super::spec::Spec;

/// The true pose of a frame.
#[derive(Debug, Clone)]
pub(super) struct Pose {
    /// Place, m east, north and up of the origin on the ground.
    pub(super) place: Vector3<f64>,
    /// Columns: camera axes (right, down, forward) in the world.
    pub(super) axes: Matrix3<f64>,
    /// Time since the first frame, s.
    pub(super) after_s: f64,
    /// Irradiance, W/m2.
    pub(super) g: f64,
}

/// Passes along the rows, back and forth, over the plant or over as much as the wanted frames cover.
pub(super) fn fly(spec: &Spec) -> Vec<Pose> {
    let mut random = Random::new(spec.seed, 7);
    let (flight, plant, camera) = (&spec.flight, &spec.plant, &spec.camera);
    let [along, back] = slope(0.0, plant.azimuth_deg);
    let table = plant.table_m();
    let tilt = plant.tilt_deg.to_radians();
    let length = plant.tables as f64 * (table[0] + plant.table_gap_m) - plant.table_gap_m;
    let ridge = if plant.mounting == crate::settings::Mounting::DualTilt { 2.0 } else { 1.0 };
    let depth = (plant.rows.max(1) - 1) as f64 * plant.row_pitch_m + ridge * table[1] * tilt.cos();
    let middle_height = plant.low_edge_m + 0.5 * table[1] * tilt.sin();

    let gsd = flight.distance_m / camera.focal_px();
    let turn = flight.row_angle_deg.to_radians();
    let (w, h) = (gsd * camera.width as f64, gsd * camera.height as f64);
    // The frame's reach along and across the rows, whatever its turn.
    let reach = |a: f64, b: f64| 1.0 / (turn.cos().abs() / a).max(turn.sin().abs() / b);
    let (step_u, step_v) = (reach(w, h) * (1.0 - flight.overlap), reach(h, w) * (1.0 - flight.overlap));
    let (columns, lines) = ((length / step_u).ceil().max(1.0) as usize, (depth / step_v).ceil().max(1.0) as usize);
    let mut targets = Vec::new();
    for line in 0..lines {
        let forth = line % 2 == 0;
        for k in 0..columns {
            let k = if forth { k } else { columns - 1 - k };
            let (u, v) = ((k as f64 + 0.5) * length / columns as f64, (line as f64 + 0.5) * depth / lines as f64);
            targets.push(along * u + back * v + Vector3::z() * middle_height);
        }
    }
    if flight.frames > 0 && flight.frames < targets.len() {
        let first = random.below(targets.len() - flight.frames + 1);
        targets = targets[first..first + flight.frames].to_vec();
    }

    let view_axes = aim(spec);
    let last = (targets.len().max(2) - 1) as f64;
    targets
        .iter()
        .enumerate()
        .map(|(k, target)| {
            let [a, b, c] = [0; 3].map(|_| (flight.sway_deg * random.normal()).to_radians());
            let shake = Rotation3::from_euler_angles(0.4 * a, 0.4 * b, c);
            let axes = view_axes * shake.matrix();
            let hold = Vector3::new(random.normal(), random.normal(), random.normal()) * flight.sway_m;
            let place = target - view_axes.column(2) * flight.distance_m + hold;
            let g = spec.weather.g[0] + (spec.weather.g[1] - spec.weather.g[0]) * k as f64 / last;
            Pose { place, axes, after_s: k as f64 * flight.interval_s, g }
        })
        .collect()
}

/// The camera's axes as planned: perpendicular to the modules or straight down, then off by the wanted angle, then turned.
fn aim(spec: &Spec) -> Matrix3<f64> {
    let (flight, plant) = (&spec.flight, &spec.plant);
    let tilt = if flight.nadir { 0.0 } else { plant.tilt_deg };
    let [along, up] = slope(tilt, plant.azimuth_deg);
    let normal = along.cross(&up);
    let towards = flight.off_towards_deg.to_radians();
    // The camera leaves the normal towards this direction in the plane.
    let lean = up * towards.cos() + along * towards.sin();
    let axis = Unit::new_normalize(normal.cross(&lean));
    let off = Rotation3::from_axis_angle(&axis, flight.off_deg.to_radians());
    let turn = Rotation3::from_axis_angle(&Unit::new_normalize(-normal), flight.row_angle_deg.to_radians());
    let full = off * turn;
    Matrix3::from_columns(&[full * along, -(full * up), -(full * normal)])
}
