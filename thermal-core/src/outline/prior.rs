//! Where the camera may stand before the frame is looked at: from the logged pose, or, where parts of it are missing, a
//! few candidates that cover what a flight over a plant can be.

use nalgebra::{Matrix3, Rotation3, Vector3};
use ndarray::ArrayView2;

use super::{OutlineSettings, Outlines, Prior, View, find_in, orient, with_view};
use crate::optics::{Lens, array_to_enu, camera_to_enu};
use crate::settings::{Array, Mounting};

/// What is logged of a frame's pose.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct LoggedPose {
    /// Yaw, pitch, roll as in `frames.csv`, deg.
    pub attitude_deg: Option<[f64; 3]>,
    /// Height of the camera over the modules, m.
    pub height_m: Option<f64>,
}

/// Short side of a module, px, at which an unknown height is tried; each serves 20 % either way.
const TRIED_SIDES_PX: [f64; 5] = [20.0, 29.0, 41.0, 58.0, 80.0];

/// Tilt of the plane in which the tables are sought: both faces of a dual-tilt roof are sought from above.
fn sought_tilt_deg(array: &Array) -> f64 {
    if array.mounting == Mounting::DualTilt { 0.0 } else { array.tilt_deg }
}

/// Outlines of a frame from its logged pose; where attitude or height is missing, from the best of some candidates.
pub fn find_from_pose(
    frame: ArrayView2<'_, f32>,
    lens: &Lens,
    pose: &LoggedPose,
    array: &Array,
    settings: &OutlineSettings,
) -> Outlines {
    with_view(frame, lens, |view| best_of_candidates(view, lens, pose, array, settings))
}

fn best_of_candidates(
    view: &View<'_>,
    lens: &Lens,
    pose: &LoggedPose,
    array: &Array,
    settings: &OutlineSettings,
) -> Outlines {
    let tilt_deg = sought_tilt_deg(array);
    let rotations: Vec<Matrix3<f64>> = match pose.attitude_deg {
        Some([yaw, pitch, roll]) => {
            vec![array_to_enu(tilt_deg, array.azimuth_deg).transpose() * camera_to_enu(yaw, pitch, roll)]
        }
        // Perpendicular to the array, rows along the strongest direction of edges or across it, upper edge up.
        None => orient::main_direction(&view.elements)
            .map(|angle| {
                let turn = |a: f64| *Rotation3::from_axis_angle(&Vector3::z_axis(), -a).matrix();
                let other =
                    if angle > 0.0 { angle - std::f64::consts::FRAC_PI_2 } else { angle + std::f64::consts::FRAC_PI_2 };
                vec![turn(angle), turn(other)]
            })
            .unwrap_or_default(),
    };
    let short = settings.module_m[0].min(settings.module_m[1]);
    let heights: Vec<f64> = match pose.height_m {
        Some(h) if h > 1.0 => vec![h],
        _ => TRIED_SIDES_PX.iter().map(|px| short * lens.focal_px / px * tilt_deg.to_radians().cos()).collect(),
    };
    let mut loose = settings.clone();
    if pose.attitude_deg.is_none() {
        loose.rotation_sigma_deg = [15.0, 15.0, 4.0];
    }
    if heights.len() > 1 {
        loose.distance_tolerance = 0.2;
    }
    let mut best = Outlines::default();
    let mut best_evidence = 0.0;
    for to_array in &rotations {
        for &height_m in &heights {
            let found = find_in(view, lens, &Prior { to_array: *to_array, height_m, tilt_deg }, &loose);
            let evidence: f64 = found.tables.iter().map(|t| t.distinctness.min(12.0) * t.cells.len() as f64).sum();
            if evidence > best_evidence {
                (best, best_evidence) = (found, evidence);
            }
        }
    }
    best
}
