//! Where a frame catches a mirror image: the angle between a direction and the nearest line of sight of the field of view.

use nalgebra::{Matrix3, Vector3};

use crate::optics::{Lens, camera_to_enu};

/// How the camera is held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Pitch, deg, -90 straight down.
    pub pitch_deg: f64,
    /// The way the camera looks, or the upper edge of the frame where it looks straight down, deg from north, clockwise.
    pub heading_deg: f64,
}

impl Look {
    /// Camera axes to east, north, up.
    pub(crate) fn to_enu(self) -> Matrix3<f64> {
        camera_to_enu(self.heading_deg, self.pitch_deg, 0.0)
    }
}

/// The field of view of a lens.
#[derive(Debug, Clone)]
pub(crate) struct Field {
    lens: Lens,
    /// Unit vectors along the frame's edge, in order, in camera axes.
    edge: Vec<Vector3<f64>>,
    /// Longest distance of the edge from the axis at depth 1; beyond it the distortion has no meaning.
    reach: f64,
}

impl Field {
    pub(crate) fn new(lens: Lens) -> Self {
        let (w, h) = (lens.width as f64, lens.height as f64);
        // An undistorted edge is a great circle; a distorted one is followed in short steps.
        let steps = if lens.k1 == 0.0 { 1 } else { 16 };
        let corners = [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]];
        let mut edge = Vec::with_capacity(4 * steps);
        let mut reach: f64 = 0.0;
        for (i, a) in corners.iter().enumerate() {
            let b = corners[(i + 1) % 4];
            for step in 0..steps {
                let t = step as f64 / steps as f64;
                let [x, y] = lens.direction([a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]);
                reach = reach.max(x.hypot(y));
                edge.push(Vector3::new(x, y, 1.0).normalize());
            }
        }
        Self { lens, edge, reach }
    }

    /// The pixel where a direction (camera axes) falls into the frame.
    pub(crate) fn pixel(&self, direction: &Vector3<f64>) -> Option<[f64; 2]> {
        if direction.z <= 0.0 {
            return None;
        }
        let at = [direction.x / direction.z, direction.y / direction.z];
        if at[0].hypot(at[1]) > self.reach {
            return None;
        }
        let [x, y] = self.lens.pixel(at);
        let inside = (0.0..=self.lens.width as f64).contains(&x) && (0.0..=self.lens.height as f64).contains(&y);
        inside.then_some([x, y])
    }

    /// Angle between a direction (camera axes, unit) and the nearest line of sight, deg; 0 inside the frame.
    pub(crate) fn angle_deg(&self, direction: &Vector3<f64>) -> f64 {
        if self.pixel(direction).is_some() {
            return 0.0;
        }
        let mut nearest = std::f64::consts::PI;
        for (i, a) in self.edge.iter().enumerate() {
            let b = &self.edge[(i + 1) % self.edge.len()];
            nearest = nearest.min(angle_to_arc(direction, a, b));
        }
        nearest.to_degrees()
    }
}

/// Angle between a unit vector and the shorter great-circle arc from `a` to `b`, rad.
fn angle_to_arc(p: &Vector3<f64>, a: &Vector3<f64>, b: &Vector3<f64>) -> f64 {
    let normal = a.cross(b);
    let length = normal.norm();
    if length > 0.0 {
        let normal = normal / length;
        let height = p.dot(&normal).clamp(-1.0, 1.0);
        let foot = p - normal * height;
        if a.cross(&foot).dot(&normal) >= 0.0 && foot.cross(b).dot(&normal) >= 0.0 {
            return height.asin().abs();
        }
    }
    p.angle(a).min(p.angle(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: half a frame of 640 px at 1083.33 px of focal length is atan(320 / 1083.33) = 16.456 deg to the side, so a
    /// direction 30 deg to the right is 13.544 deg off; 90 deg off the axis and level 73.544 deg.
    #[test]
    fn angle_beside_the_frame_worked_by_hand() {
        let field = Field::new(Lens::new(640, 512, 13.0, 12.0, 0.0));
        let right = |deg: f64| Vector3::new(deg.to_radians().sin(), 0.0, deg.to_radians().cos());
        assert_eq!(field.angle_deg(&right(16.0)), 0.0);
        assert!((field.angle_deg(&right(30.0)) - 13.544).abs() < 0.001);
        assert!((field.angle_deg(&right(90.0)) - 73.544).abs() < 0.001);
        // Towards a corner the corner itself is nearest: atan(hypot(320, 256) / 1083.33) = 20.7205 deg.
        let corner = Vector3::new(320.0, 256.0, 0.0).normalize();
        let off = |deg: f64| corner * deg.to_radians().sin() + Vector3::z() * deg.to_radians().cos();
        assert!((field.angle_deg(&off(30.0)) - (30.0 - 20.7205)).abs() < 0.001);
        // Behind the camera.
        assert!(field.angle_deg(&-Vector3::z()) > 150.0);
    }

    /// The nearest line of sight by brute force over the pixels of the edge.
    #[test]
    fn angle_agrees_with_brute_force() {
        for k1 in [0.0, -0.08, 0.06] {
            let lens = Lens::new(64, 48, 1.0, 12.0, k1);
            let field = Field::new(lens);
            for step in 0..200 {
                let turn = f64::from(step) * 2.399963;
                let z = 1.0 - 2.0 * (f64::from(step) + 0.5) / 200.0;
                let r = (1.0f64 - z * z).sqrt();
                let direction = Vector3::new(r * turn.cos(), r * turn.sin(), z);
                let mut least = f64::MAX;
                for x in 0..=640 {
                    for y in 0..=480 {
                        if x % 640 == 0 || y % 480 == 0 || (x % 8 == 0 && y % 8 == 0) {
                            let [u, v] = lens.direction([f64::from(x) / 10.0, f64::from(y) / 10.0]);
                            least = least.min(direction.angle(&Vector3::new(u, v, 1.0)).to_degrees());
                        }
                    }
                }
                let own = field.angle_deg(&direction);
                assert!((own - least).abs() < 0.4 || (own == 0.0 && least < 0.5), "{k1} {direction:?} {own} {least}");
            }
        }
    }
}
