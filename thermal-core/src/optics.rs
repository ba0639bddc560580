//! The pinhole camera with radial distortion, its pose, and the plane of the array.
//! Distortion after Brown (1971), first radial term only, in the undistorting form.

use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use crate::{Error, Result};

/// A camera without its pose.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
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

/// Distance in pixels that a point of the plane moves in the image within `time_s` at `speed_m_s` over the plane.
pub fn motion_blur_px(speed_m_s: f64, time_s: f64, gsd_m: f64) -> f64 {
    speed_m_s * time_s / gsd_m
}

fn positive(name: &str, value: f64, remedy: &str) -> Result<()> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(Error::argument(name, format!("{value} is not a number above zero"), remedy))
    }
}

/// A camera looking at a plane, both given by their axes in east, north, up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaneView {
    lens: Lens,
    /// Camera axes to the plane's axes.
    to_plane: Matrix3<f64>,
    /// Distance from camera to plane along the plane's normal, m.
    depth_m: f64,
    /// Where the optical axis meets the plane, m.
    aim_m: [f64; 2],
}

/// What one pixel sees of the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Longest extent of the pixel on the plane, m: the ground sample distance to judge by.
    pub gsd_m: f64,
    /// Shortest extent of the pixel on the plane, m: the one that motion blurs first.
    pub finest_m: f64,
    /// Pixels a metre along the plane's first axis (along the row).
    pub px_per_m_along: f64,
    /// Pixels a metre along the plane's second axis (down the slope).
    pub px_per_m_down: f64,
    /// Angle between the line of sight and the plane's normal, deg.
    pub view_angle_deg: f64,
}

impl PlaneView {
    /// A camera with axes `camera` ([`camera_to_enu`]) whose optical axis meets a plane with axes `plane`
    /// ([`array_to_enu`]) after `distance_m`; `None` where it does not meet the plane's front.
    pub fn new(lens: Lens, camera: &Matrix3<f64>, plane: &Matrix3<f64>, distance_m: f64) -> Option<Self> {
        let to_plane = plane.transpose() * camera;
        let axis = to_plane.column(2) * distance_m;
        (axis.z > 0.0).then(|| Self { lens, to_plane, depth_m: axis.z, aim_m: [axis.x, axis.y] })
    }

    /// The point of the plane that a pixel sees: along the row and down the slope from where the optical axis meets the
    /// plane, m; `None` where the line of sight does not meet it.
    pub(crate) fn point_m(&self, px: [f64; 2]) -> Option<[f64; 2]> {
        let ray = self.ray(px);
        let scale = self.depth_m / ray.z;
        (ray.z > 1e-9).then(|| [ray.x * scale - self.aim_m[0], ray.y * scale - self.aim_m[1]])
    }

    /// What the pixel about `px` sees of the plane; `None` where its line of sight does not meet it.
    pub fn sample(&self, px: [f64; 2]) -> Option<Sample> {
        let difference = |step: [f64; 2]| -> Option<[f64; 2]> {
            let a = self.point_m([px[0] - step[0], px[1] - step[1]])?;
            let b = self.point_m([px[0] + step[0], px[1] + step[1]])?;
            Some([b[0] - a[0], b[1] - a[1]])
        };
        let ([a, c], [b, d]) = (difference([0.5, 0.0])?, difference([0.0, 0.5])?);
        // Singular values of the Jacobian [a b; c d] from pixels to metres.
        let (sum, determinant) = (a * a + b * b + c * c + d * d, (a * d - b * c).abs());
        let spread = (0.25 * sum * sum - determinant * determinant).max(0.0).sqrt();
        let gsd_m = (0.5 * sum + spread).sqrt();
        (determinant > 0.0).then(|| Sample {
            gsd_m,
            finest_m: determinant / gsd_m,
            px_per_m_along: d.hypot(c) / determinant,
            px_per_m_down: b.hypot(a) / determinant,
            view_angle_deg: self.view_angle_deg(px),
        })
    }

    /// Angle between a pixel's line of sight and the plane's normal, deg.
    pub fn view_angle_deg(&self, px: [f64; 2]) -> f64 {
        self.ray(px).angle(&Vector3::z()).to_degrees()
    }

    fn ray(&self, px: [f64; 2]) -> Vector3<f64> {
        let [x, y] = self.lens.direction(px);
        self.to_plane * Vector3::new(x, y, 1.0)
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

    /// Against `cv2.projectPoints` of OpenCV (`testdata/make_projection.py`): the plane's points come back from their
    /// pixels, and pixels a metre agree with points a millimetre apart.
    #[test]
    fn plane_view_agrees_with_opencv() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/projection.csv");
        let mut cases = 0;
        for record in csv::Reader::from_path(path).expect("testdata/projection.csv").records() {
            let v: Vec<f64> = record.expect("a row").iter().map(|t| t.parse().expect("a number")).collect();
            let lens = Lens::new(v[0] as usize, v[1] as usize, v[2], v[3], 0.0);
            let view = PlaneView::new(lens, &camera_to_enu(v[4], v[5], v[6]), &array_to_enu(v[7], v[8]), v[9]);
            let view = view.expect("the axis meets the plane");
            let px = [v[12], v[13]];
            let point = view.point_m(px).expect("on the plane");
            assert!((point[0] - v[10]).abs() < 1e-4 && (point[1] - v[11]).abs() < 1e-4, "{v:?} {point:?}");
            let sample = view.sample(px).expect("on the plane");
            assert!((sample.px_per_m_along / v[14] - 1.0).abs() < 1e-3, "{v:?} {sample:?}");
            assert!((sample.px_per_m_down / v[15] - 1.0).abs() < 1e-3, "{v:?} {sample:?}");
            assert!((sample.view_angle_deg - v[16]).abs() < 1e-3, "{v:?} {sample:?}");
            cases += 1;
        }
        assert_eq!(cases, 200);
    }

    /// By hand: 13 mm and 12 um, 25 m away, perpendicular: 25 * 0.012 / 13 = 0.0230769 m a pixel, 43.3333 px a metre. From
    /// straight above a plane of 25 degrees the slope is foreshortened: cos 25 = 0.906308, so 39.2733 px a metre down it,
    /// and a pixel's longer side is 0.0230769 / 0.906308 = 0.0254626 m.
    #[test]
    fn sample_distance_worked_by_hand() {
        let lens = Lens::new(640, 512, 13.0, 12.0, 0.0);
        let plane = array_to_enu(25.0, 180.0);
        let centre = [320.0, 256.0];
        let square = PlaneView::new(lens, &camera_to_enu(0.0, -65.0, 0.0), &plane, 25.0).expect("in view");
        let sample = square.sample(centre).expect("in view");
        assert!((sample.gsd_m - 0.0230769).abs() < 1e-7 && (sample.finest_m - 0.0230769).abs() < 1e-7, "{sample:?}");
        assert!(sample.view_angle_deg < 1e-6, "{sample:?}");
        let above = PlaneView::new(lens, &camera_to_enu(0.0, -90.0, 0.0), &plane, 25.0).expect("in view");
        let sample = above.sample(centre).expect("in view");
        assert!((sample.gsd_m - 0.0254626).abs() < 1e-6, "{sample:?}");
        assert!((sample.px_per_m_along - 43.3333).abs() < 1e-3, "{sample:?}");
        assert!((sample.px_per_m_down - 39.2733).abs() < 1e-3, "{sample:?}");
        assert!((sample.view_angle_deg - 25.0).abs() < 1e-9, "{sample:?}");
    }

    /// By hand: half a pixel of 0.02 m within 10 ms is 0.5 * 0.02 / 0.01 = 1 m/s.
    #[test]
    fn blur_worked_by_hand() {
        assert!((max_speed_m_s(0.02, 0.5, 0.01).expect("in range") - 1.0).abs() < 1e-12);
        assert!((motion_blur_px(1.0, 0.01, 0.02) - 0.5).abs() < 1e-12);
        assert!(max_speed_m_s(0.02, 0.5, 0.0).is_err());
    }
}
