//! A camera at its place over the modules: what falls into the frame, what of the ground it covers, from which angle.

use nalgebra::{Matrix3, Vector3};

use super::{Code, Limits, Reason};
use crate::optics::{Lens, PlaneView, Sample, array_to_enu, camera_to_enu};
use crate::plan::Field;
use crate::settings::{Module, Settings};
use crate::sun::Plane;

/// A camera at a place: metres east, north and up of a point at the height of the modules.
#[derive(Debug, Clone)]
pub struct CameraAt {
    lens: Lens,
    field: Field,
    /// Camera axes to east, north, up.
    axes: Matrix3<f64>,
    /// East, north, up, m.
    pub place_m: Vector3<f64>,
}

impl CameraAt {
    /// A camera from its lens, place and attitude (yaw, pitch, roll).
    pub fn new(lens: Lens, place_m: [f64; 3], attitude_deg: [f64; 3]) -> Self {
        let [yaw, pitch, roll] = attitude_deg;
        Self { lens, field: Field::new(lens), axes: camera_to_enu(yaw, pitch, roll), place_m: place_m.into() }
    }

    /// The same camera at another place: shifted east, north and up, m.
    pub(crate) fn moved(&self, shift_m: [f64; 3]) -> Self {
        Self { place_m: self.place_m + Vector3::from(shift_m), ..self.clone() }
    }

    /// The pixel that shows a point; `None` outside the frame.
    pub fn pixel(&self, point_m: [f64; 3]) -> Option<[f64; 2]> {
        self.field.pixel(&(self.axes.transpose() * (Vector3::from(point_m) - self.place_m)))
    }

    /// The outline of what the frame shows of the level plane through the modules, east and north, m; `None` where a part of
    /// the frame looks over the horizon.
    pub(crate) fn footprint(&self) -> Option<Vec<[f64; 2]>> {
        let (w, h) = (self.lens.width as f64, self.lens.height as f64);
        let rim = [[0.0, 0.0], [0.5, 0.0], [1.0, 0.0], [1.0, 0.5], [1.0, 1.0], [0.5, 1.0], [0.0, 1.0], [0.0, 0.5]];
        rim.iter().map(|[x, y]| self.ground_m([x * w, y * h])).collect()
    }

    /// Where the line of sight of a pixel meets the level plane through the modules; `None` over the horizon.
    pub fn ground_m(&self, px: [f64; 2]) -> Option<[f64; 2]> {
        let [x, y] = self.lens.direction(px);
        let ray = self.axes * Vector3::new(x, y, 1.0);
        // Flatter than 5 degrees the place means nothing.
        let fall = -self.place_m.z / ray.z;
        (ray.z < -0.087 * ray.norm() && fall > 0.0)
            .then(|| [self.place_m.x + fall * ray.x, self.place_m.y + fall * ray.y])
    }

    /// Where the optical axis meets that plane.
    pub(crate) fn aim_m(&self) -> Option<[f64; 2]> {
        self.ground_m([0.5 * self.lens.width as f64, 0.5 * self.lens.height as f64])
    }

    /// Angle between a direction (east, north, up, unit) and the nearest line of sight, deg.
    pub(crate) fn angle_to_deg(&self, direction: &Vector3<f64>) -> f64 {
        self.field.angle_deg(&(self.axes.transpose() * direction))
    }

    /// What the frame's centre sees of modules of a plane; `None` where it does not see their front.
    pub fn centre(&self, tilt_deg: f64, azimuth_deg: f64) -> Option<Sample> {
        let ray = self.axes.column(2);
        let distance = -self.place_m.z / ray.z;
        if !(ray.z < 0.0 && distance > 0.0) {
            return None;
        }
        let view = PlaneView::new(self.lens, &self.axes, &array_to_enu(tilt_deg, azimuth_deg), distance)?;
        view.sample([0.5 * self.lens.width as f64, 0.5 * self.lens.height as f64])
    }

    /// What makes the view unfit.
    /// `surface_m`: the modules over the take-off point.
    pub fn reasons(&self, settings: &Settings, surface_m: f64, limits: &Limits) -> Vec<Reason> {
        let mut out = Vec::new();
        let height = self.place_m.z;
        let [least, most] = limits.height_m;
        if height < least {
            let text = format!(
                "{height:.1} m over the modules: check surface_above_takeoff_m, or the height was set from another place"
            );
            out.push(Reason::new(Code::Height, height, least, text));
            return out;
        }
        let over_takeoff = height + surface_m;
        if over_takeoff > most {
            let text =
                format!("{over_takeoff:.0} m over take-off, {most:.0} m are the most that the open category allows");
            out.push(Reason::new(Code::Height, over_takeoff, most, text));
        }
        let array = &settings.array;
        // Of the two sides of a dual-tilt roof the one that is seen worse.
        let front = Plane { tilt_deg: array.tilt_deg, azimuth_deg: array.azimuth_deg };
        let sides = front.sides(array.mounting);
        let seen =
            sides.iter().map(|side| self.centre(side.tilt_deg, side.azimuth_deg)).collect::<Option<Vec<Sample>>>();
        let Some(seen) = seen else {
            out.push(Reason::plain(Code::Oblique, "the camera does not look at the front of the modules"));
            return out;
        };
        let angle = seen.iter().map(|s| s.view_angle_deg).fold(0.0, f64::max);
        if angle > limits.view_angle_deg {
            let text = format!(
                "{angle:.0} deg off the modules' perpendicular, at most {:.0}: turn the camera",
                limits.view_angle_deg
            );
            out.push(Reason::new(Code::Oblique, angle, limits.view_angle_deg, text));
        }
        let gsd = seen.iter().map(|s| s.gsd_m).fold(0.0, f64::max);
        let px = seen.iter().filter_map(|s| px_per_cell(&settings.module, s)).reduce(f64::min);
        if gsd > limits.gsd_m {
            let text = format!(
                "a pixel is {:.1} cm on the modules, at most {:.1}: fly lower, {height:.0} m over the modules",
                100.0 * gsd,
                100.0 * limits.gsd_m
            );
            out.push(Reason::new(Code::Resolution, gsd, limits.gsd_m, text));
        } else if let Some(px) = px.filter(|px| *px < limits.px_per_cell) {
            let text = format!("{px:.1} px across a cell, at least {:.0}: fly lower", limits.px_per_cell);
            out.push(Reason::new(Code::Resolution, px, limits.px_per_cell, text));
        }
        out
    }
}

/// Pixels across the shorter side of a whole cell; `None` for modules without cells.
fn px_per_cell(module: &Module, sample: &Sample) -> Option<f64> {
    let [across, along] = module.cells.map(f64::from);
    if across * along <= 1.0 {
        return None;
    }
    let halves = if module.half_cut() { 2.0 } else { 1.0 };
    let (w, l) = (module.width_m / across, halves * module.length_m / along);
    let (a, u) = match module.orientation {
        crate::settings::Orientation::Portrait => (w, l),
        crate::settings::Orientation::Landscape => (l, w),
    };
    Some((a * sample.px_per_m_along).min(u * sample.px_per_m_down))
}

/// Share of the smaller of two convex outlines that lies in the other.
pub(crate) fn overlap_share(a: &[[f64; 2]], b: &[[f64; 2]]) -> f64 {
    let (area_a, area_b) = (area(a).abs(), area(b).abs());
    let least = area_a.min(area_b);
    if least > 0.0 { area(&clip(a, b)).abs() / least } else { 0.0 }
}

/// Signed area of a polygon, positive where its corners run from x to y.
pub(crate) fn area(ring: &[[f64; 2]]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    0.5 * ring.iter().zip(next).map(|(p, q)| p[0] * q[1] - p[1] * q[0]).sum::<f64>()
}

/// The part of `ring` within the convex `frame` (Sutherland and Hodgman 1974).
fn clip(ring: &[[f64; 2]], frame: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let turn = area(frame).signum();
    let mut out = ring.to_vec();
    for (p, q) in frame.iter().zip(frame.iter().cycle().skip(1)) {
        let inside = |s: &[f64; 2]| turn * ((q[0] - p[0]) * (s[1] - p[1]) - (q[1] - p[1]) * (s[0] - p[0]));
        let mut kept = Vec::with_capacity(out.len() + 1);
        for (a, b) in out.iter().zip(out.iter().cycle().skip(1)) {
            let (da, db) = (inside(a), inside(b));
            if da >= 0.0 {
                kept.push(*a);
            }
            if (da >= 0.0) != (db >= 0.0) {
                let t = da / (da - db);
                kept.push([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]);
            }
        }
        out = kept;
    }
    out
}
