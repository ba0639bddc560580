//! The geometry of drawing: a posed camera and flat patches in space, independent of the geometry of the analysis.
//! World: east, north, up, m. Camera: x right, y down, z forward.

use nalgebra::{Matrix3, Vector3};

use super::spec::Camera;

/// A posed camera.
#[derive(Debug, Clone)]
pub(super) struct View {
    /// Place, m.
    pub(super) place: Vector3<f64>,
    /// Columns: the camera's axes in the world.
    pub(super) axes: Matrix3<f64>,
    /// Focal length, px.
    pub(super) focal_px: f64,
    /// Centre of the image, px.
    pub(super) centre: [f64; 2],
    /// Size of the image, px.
    pub(super) size: [usize; 2],
    k1: f64,
}

impl View {
    pub(super) fn new(camera: &Camera, place: Vector3<f64>, axes: Matrix3<f64>) -> Self {
        Self {
            place,
            axes,
            focal_px: camera.focal_px(),
            centre: [camera.width as f64 / 2.0, camera.height as f64 / 2.0],
            size: [camera.width, camera.height],
            k1: camera.k1,
        }
    }

    /// Ray of a stored pixel, x and y at depth 1 in camera axes.
    #[inline]
    pub(super) fn ray(&self, x: f64, y: f64) -> [f64; 2] {
        let (x, y) = ((x - self.centre[0]) / self.focal_px, (y - self.centre[1]) / self.focal_px);
        let stretch = 1.0 + self.k1 * (x * x + y * y);
        [x * stretch, y * stretch]
    }

    /// Stored pixel of a point of the world; `None` behind the camera or beyond the fold of the distortion.
    pub(super) fn project(&self, point: Vector3<f64>) -> Option<[f64; 2]> {
        let p = self.axes.transpose() * (point - self.place);
        if p.z < 0.2 {
            return None;
        }
        let (x, y) = (p.x / p.z, p.y / p.z);
        let target = x.hypot(y);
        // r (1 + k1 r^2) = target by bisection between the axis and the fold: slow, but never led astray.
        let fold = if self.k1 < 0.0 { (-1.0 / (3.0 * self.k1)).sqrt() } else { target.max(1e-12) };
        let reach = |r: f64| r * (1.0 + self.k1 * r * r);
        if reach(fold) < target {
            return None;
        }
        let (mut lo, mut hi) = (0.0, fold);
        for _ in 0..60 {
            let middle = 0.5 * (lo + hi);
            if reach(middle) < target { lo = middle } else { hi = middle }
        }
        let shrink = if target > 1e-12 { lo / target } else { 1.0 };
        Some([self.centre[0] + self.focal_px * x * shrink, self.centre[1] + self.focal_px * y * shrink])
    }

    /// Yaw, pitch and roll, deg, as `frames.csv` defines them: yaw 0 looks north, clockwise; pitch -90 down; roll clockwise.
    pub(super) fn angles_deg(&self) -> [f64; 3] {
        let (right, up, forward) = (self.axes.column(0), -self.axes.column(1), self.axes.column(2));
        let pitch = forward.z.clamp(-1.0, 1.0).asin();
        // Within a tenth of a degree of straight down the heading is the upward axis' own.
        if pitch.cos() < 2e-3 {
            return [up.x.atan2(up.y).to_degrees(), pitch.to_degrees(), 0.0];
        }
        let yaw = forward.x.atan2(forward.y);
        let level_right = Vector3::new(yaw.cos(), -yaw.sin(), 0.0);
        let level_up = level_right.cross(&forward);
        // right = level_right cos(roll) - level_up sin(roll)
        let roll = (-right.dot(&level_up)).atan2(right.dot(&level_right));
        [yaw.to_degrees(), pitch.to_degrees(), roll.to_degrees()]
    }
}

/// A parallelogram in space: from `origin` along two axes of unit length, `size` metres each.
#[derive(Debug, Clone)]
pub(super) struct Patch {
    pub(super) origin: Vector3<f64>,
    pub(super) along: Vector3<f64>,
    pub(super) up: Vector3<f64>,
    pub(super) size: [f64; 2],
}

impl Patch {
    /// The point at `u` along and `v` up, m.
    pub(super) fn point(&self, u: f64, v: f64) -> Vector3<f64> {
        self.origin + self.along * u + self.up * v
    }

    /// Whether it stands between the eye and a point.
    pub(super) fn blocks(&self, eye: Vector3<f64>, point: Vector3<f64>) -> bool {
        let normal = self.normal();
        let way = (self.origin - eye).dot(&normal) / (point - eye).dot(&normal);
        let at = eye + (point - eye) * way - self.origin;
        // Just short of the point: a patch does not hide itself.
        (0.0..0.999).contains(&way)
            && (0.0..=self.size[0]).contains(&at.dot(&self.along))
            && (0.0..=self.size[1]).contains(&at.dot(&self.up))
    }

    /// Unit normal.
    pub(super) fn normal(&self) -> Vector3<f64> {
        self.along.cross(&self.up).normalize()
    }

    /// Corners from the origin along, then up.
    pub(super) fn corners(&self) -> [Vector3<f64>; 4] {
        let [a, b] = self.size;
        [self.point(0.0, 0.0), self.point(a, 0.0), self.point(a, b), self.point(0.0, b)]
    }
}

/// One sample of a patch.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    /// Metres along the patch.
    pub(super) u: f32,
    /// Metres up the patch.
    pub(super) v: f32,
    /// Half the side of the sample's own footprint, m.
    pub(super) half: f32,
    /// Ray, at depth 1 in camera axes.
    pub(super) ray: [f32; 2],
}

/// Calls `draw(index, sample)` for each sample of the image (of `samples` a pixel side) that meets the patch or a margin of it.
pub(super) fn each_sample(view: &View, samples: usize, patch: &Patch, mut draw: impl FnMut(usize, Sample)) {
    let Some([x0, y0, x1, y1]) = reach(view, samples, patch) else { return };
    let width = view.size[0] * samples;
    let normal = patch.along.cross(&patch.up);
    let square = normal.norm_squared();
    // Coordinates in the patch's own, maybe oblique, axes.
    let basis = [patch.up.cross(&normal) / square, normal.cross(&patch.along) / square, normal / square.sqrt()];
    let eye = view.place - patch.origin;
    let [cu, cv, cn] = basis.map(|b| b.dot(&eye));
    let [du, dv, dn] = basis.map(|b| view.axes.transpose() * b);
    let footprint = 0.5 / (view.focal_px * samples as f64);
    let step = 1.0 / samples as f64;
    for y in y0..y1 {
        for x in x0..x1 {
            let ray = view.ray((x as f64 + 0.5) * step, (y as f64 + 0.5) * step);
            let fall = dn.x * ray[0] + dn.y * ray[1] + dn.z;
            let depth = -cn / fall;
            if depth <= 0.0 || !depth.is_finite() {
                continue;
            }
            let half = depth * footprint;
            let u = cu + depth * (du.x * ray[0] + du.y * ray[1] + du.z);
            let v = cv + depth * (dv.x * ray[0] + dv.y * ray[1] + dv.z);
            if u > -half && v > -half && u < patch.size[0] + half && v < patch.size[1] + half {
                let sample =
                    Sample { u: u as f32, v: v as f32, half: half as f32, ray: [ray[0] as f32, ray[1] as f32] };
                draw(y * width + x, sample);
            }
        }
    }
}

/// Box of samples that may meet the patch: columns and rows from, columns and rows to.
fn reach(view: &View, samples: usize, patch: &Patch) -> Option<[usize; 4]> {
    let (width, height) = (view.size[0] * samples, view.size[1] * samples);
    let corners = patch.corners();
    if corners.iter().all(|c| (view.axes.transpose() * (c - view.place)).z < 0.2) {
        return None;
    }
    let mut bounds = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
    for k in 0..4 {
        for j in 0..8 {
            let t = j as f64 / 8.0;
            let Some([x, y]) = view.project(corners[k] * (1.0 - t) + corners[(k + 1) % 4] * t) else {
                return Some([0, 0, width, height]);
            };
            bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x), bounds[3].max(y)];
        }
    }
    let scale = samples as f64;
    let clip = |v: f64, limit: usize| (v * scale).clamp(0.0, limit as f64) as usize;
    let boxed = [
        clip(bounds[0] - 2.0, width),
        clip(bounds[1] - 2.0, height),
        clip(bounds[2] + 2.0, width),
        clip(bounds[3] + 2.0, height),
    ];
    (boxed[0] < boxed[2] && boxed[1] < boxed[3]).then_some(boxed)
}

/// The part of a sample's footprint, from `x - half` to `x + half`, that lies in `[lo, hi]`.
#[inline]
pub(super) fn cover(x: f32, half: f32, lo: f32, hi: f32) -> f32 {
    (((x + half).min(hi) - (x - half).max(lo)) / (2.0 * half)).clamp(0.0, 1.0)
}
