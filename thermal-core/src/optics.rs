//! The pinhole camera with radial distortion, its pose, and the plane of the array.
//! Distortion after Brown (1971), first radial term only, in the undistorting form.

use nalgebra::{Matrix3, Vector3};

use crate::{Error, Result};

/// A camera without its pose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Columns of the image, px.
    pub width: usize,
    /// Rows of the image, px.
    pub height: usize,
    /// Focal length, px.
    pub focal_px: f64,
    /// Radial distortion: undistorted = distorted * (1 + k1 r^2), r in focal lengths.
    pub k1: f64,
}

impl Lens {
    /// A lens from its data sheet.
    pub fn new(width: usize, height: usize, focal_length_mm: f64, pixel_pitch_um: f64, k1: f64) -> Self {
        Self { width, height, focal_px: focal_length_mm * 1000.0 / pixel_pitch_um, k1 }
    }

    /// Stored (distorted) pixel to the undistorted direction `(x, y)` at depth 1: x right, y down.
    #[inline]
    pub fn direction(&self, px: [f64; 2]) -> [f64; 2] {
        let x = (px[0] - 0.5 * self.width as f64) / self.focal_px;
        let y = (px[1] - 0.5 * self.height as f64) / self.focal_px;
        let s = 1.0 + self.k1 * (x * x + y * y);
        [x * s, y * s]
    }

    /// Undistorted direction at depth 1 to the stored (distorted) pixel.
    #[inline]
    pub fn pixel(&self, dir: [f64; 2]) -> [f64; 2] {
        let r_u = (dir[0] * dir[0] + dir[1] * dir[1]).sqrt();
        // Newton on r (1 + k1 r^2) = r_u; three steps reach 1e-9 within |k1| <= 0.3 and 60 degrees of view.
        let mut s = 1.0;
        if self.k1 != 0.0 && r_u > 1e-9 {
            let mut r = r_u;
            for _ in 0..4 {
                let slope = 1.0 + 3.0 * self.k1 * r * r;
                if slope < 0.1 {
                    break;
                }
                r -= (r * (1.0 + self.k1 * r * r) - r_u) / slope;
            }
            s = r / r_u;
        }
        [0.5 * self.width as f64 + self.focal_px * dir[0] * s, 0.5 * self.height as f64 + self.focal_px * dir[1] * s]
    }
}

impl Lens {
    /// Distance along the optical axis at which a pixel at the centre of the frame covers `gsd_m` of a plane seen
    /// perpendicularly, m.
    ///
    /// # Errors
    /// A focal length or a sample distance that is not above zero.
    pub fn distance_for_gsd_m(&self, gsd_m: f64) -> Result<f64> {
        positive("focal length", self.focal_px, "give the lens's focal length in mm, for instance 13")?;
        positive("ground sample distance", gsd_m, "give metres a pixel, for instance 0.03")?;
        Ok(gsd_m * self.focal_px)
    }
}

/// Greatest speed over the plane at which a point moves at most `blur_px` pixels within `time_s`, m/s.
///
/// # Errors
/// A value that is not above zero.
pub fn max_speed_m_s(gsd_m: f64, blur_px: f64, time_s: f64) -> Result<f64> {
    positive("ground sample distance", gsd_m, "give metres a pixel, for instance 0.03")?;
    positive("motion blur", blur_px, "give pixels, for instance 0.5")?;
    positive(
        "thermal time constant",
        time_s,
        "give the detector's time constant or exposure in seconds, for instance 0.01",
    )?;
    Ok(gsd_m * blur_px / time_s)
}

fn positive(name: &str, value: f64, remedy: &str) -> Result<()> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(Error::argument(name, format!("{value} is not a number above zero"), remedy))
    }
}

/// Rotation from camera axes (x right, y down, z forward) to east, north, up.
///
/// `yaw_deg`: from true north, clockwise, of the image's upward axis projected to the ground; `pitch_deg`: -90 straight
/// down, 0 level; `roll_deg`: about the optical axis, clockwise seen from behind the camera.
pub fn camera_to_enu(yaw_deg: f64, pitch_deg: f64, roll_deg: f64) -> Matrix3<f64> {
    let (sy, cy) = yaw_deg.to_radians().sin_cos();
    let (sp, cp) = pitch_deg.to_radians().sin_cos();
    let (sr, cr) = roll_deg.to_radians().sin_cos();
    let forward = Vector3::new(cp * sy, cp * cy, sp);
    let up0 = Vector3::new(-sp * sy, -sp * cy, cp);
    let right0 = forward.cross(&up0);
    let right = right0 * cr - up0 * sr;
    let up = up0 * cr + right0 * sr;
    Matrix3::from_columns(&[right, -up, forward])
}

/// Axes of a tilted array in east, north, up: along the row (to the right as seen from its front with the upper edge up),
/// *down* the slope, and *into* the plane (away from the viewer), so that it is right-handed like a camera's axes.
pub fn array_to_enu(tilt_deg: f64, azimuth_deg: f64) -> Matrix3<f64> {
    let (st, ct) = tilt_deg.to_radians().sin_cos();
    let (sa, ca) = azimuth_deg.to_radians().sin_cos();
    let normal = Vector3::new(st * sa, st * ca, ct);
    let up_slope = Vector3::new(-ct * sa, -ct * ca, st);
    let along = (-normal).cross(&up_slope);
    Matrix3::from_columns(&[along, -up_slope, -normal])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn straight_down_with_yaw_north_sees_east_to_the_right() {
        let m = camera_to_enu(0.0, -90.0, 0.0);
        assert!((m * Vector3::x() - Vector3::x()).norm() < 1e-12);
        assert!((m * Vector3::y() + Vector3::y()).norm() < 1e-12);
        assert!((m * Vector3::z() + Vector3::z()).norm() < 1e-12);
    }

    #[test]
    fn a_camera_perpendicular_to_the_array_has_the_array_axes() {
        // A south-facing array of 25 degrees is seen perpendicularly by a camera north-up, pitched 65 degrees down.
        let m = array_to_enu(25.0, 180.0).transpose() * camera_to_enu(0.0, -65.0, 0.0);
        assert!((m - Matrix3::identity()).norm() < 1e-12);
    }

    #[test]
    fn distortion_round_trip() {
        for k1 in [-0.1, 0.0, 0.05] {
            let lens = Lens::new(640, 512, 13.0, 12.0, k1);
            for px in [[0.0, 0.0], [320.0, 256.0], [639.5, 3.25], [17.0, 500.0]] {
                let back = lens.pixel(lens.direction(px));
                assert!((back[0] - px[0]).abs() < 1e-6 && (back[1] - px[1]).abs() < 1e-6, "{k1} {px:?} {back:?}");
            }
        }
    }
}
