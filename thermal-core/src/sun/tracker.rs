//! The angle of a single-axis tracker with backtracking on level ground.
//! After Anderson and Mikofski, "Slope-aware backtracking for single-axis trackers", NREL/TP-5K00-76626 (2020).

use super::{Plane, Sun};

/// A single-axis tracker.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tracker {
    /// Tilt of the axis, deg.
    pub axis_tilt_deg: f64,
    /// Where the axis points, from north, clockwise, deg. An axis from north to south is 180 or 0.
    pub axis_azimuth_deg: f64,
    /// Greatest turn to either side, deg.
    pub max_angle_deg: f64,
    /// Width of the modules over the distance of the axes, 0 to 1.
    pub ground_cover: f64,
    /// The tracker turns back when rows would shade each other.
    pub backtracking: bool,
}

impl Default for Tracker {
    fn default() -> Self {
        Self { axis_tilt_deg: 0.0, axis_azimuth_deg: 180.0, max_angle_deg: 60.0, ground_cover: 0.4, backtracking: true }
    }
}

impl Tracker {
    /// Turn from horizontal, deg, clockwise seen against the axis: with an axis of 180 negative to the east and positive
    /// to the west. `None` with the sun under the horizon.
    pub fn angle_deg(&self, sun: &Sun) -> Option<f64> {
        if sun.apparent_elevation_deg < 0.0 {
            return None;
        }
        let (across, up) = self.axes();
        let direction = sun.direction();
        let ideal = direction.dot(&across).atan2(direction.dot(&up));
        // Above 1 no row shades its neighbour.
        let shade = (ideal.cos() / self.ground_cover).abs();
        let turn = if self.backtracking && shade < 1.0 { ideal - ideal.signum() * shade.acos() } else { ideal };
        Some(turn.to_degrees().clamp(-self.max_angle_deg, self.max_angle_deg))
    }

    /// The modules' plane at a turn.
    pub fn plane(&self, angle_deg: f64) -> Plane {
        let (across, up) = self.axes();
        let (s, c) = angle_deg.to_radians().sin_cos();
        let normal = across * s + up * c;
        Plane {
            tilt_deg: normal.xy().norm().atan2(normal.z).to_degrees(),
            azimuth_deg: normal.x.atan2(normal.y).to_degrees().rem_euclid(360.0),
        }
    }

    /// Across the axis, to the right of its direction and level, and perpendicular to both.
    fn axes(&self) -> (nalgebra::Vector3<f64>, nalgebra::Vector3<f64>) {
        let across = super::direction(0.0, self.axis_azimuth_deg + 90.0);
        let up = super::direction(90.0 - self.axis_tilt_deg, self.axis_azimuth_deg);
        (across, up)
    }
}
