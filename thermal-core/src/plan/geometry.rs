//! Distance, heights, speed and spacing from the wanted resolution, over the whole frame and not only at its centre.

use nalgebra::Matrix3;

use super::glare::Look;
use super::{PlanInput, round, round_down};
use crate::optics::{Lens, PlaneView, array_to_enu, max_speed_m_s};
use crate::sun::Plane;
use crate::{Error, Result};

/// The geometry of a flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Geometry {
    /// From the camera along its axis to the modules, m.
    pub(super) distance_m: f64,
    pub(super) height_above_modules_m: f64,
    pub(super) height_above_takeoff_m: f64,
    /// Worst in the frame.
    pub(super) gsd_m: f64,
    pub(super) gsd_centre_m: f64,
    /// Least in the frame; `None` for modules without cells.
    pub(super) px_per_cell: Option<f64>,
    pub(super) px_per_cell_centre: Option<f64>,
    pub(super) view_angle_centre_deg: f64,
    /// Worst in the frame.
    pub(super) view_angle_deg: f64,
    pub(super) speed_by_blur_m_s: f64,
    pub(super) speed_by_frames_m_s: f64,
    pub(super) line_spacing_m: f64,
    pub(super) trigger_m: f64,
    /// Ground that a frame covers for certain, across the line, m.
    pub(super) swath_m: f64,
    /// Middle of the swath ahead of the drone, m.
    pub(super) ahead_m: f64,
    /// The height was held down by the greatest legal one.
    pub(super) capped: bool,
}

/// A view flatter than this, off the perpendicular, is what a resolution fails by.
const FLAT_DEG: f64 = 45.0;

/// What a frame sees from a distance of 1 m.
struct Across {
    gsd: f64,
    finest: f64,
    px_per_cell: Option<f64>,
    view_angle_deg: f64,
}

pub(super) fn geometry(input: &PlanInput, look: Look, plane: Plane) -> Result<Geometry> {
    let lens = input.camera.lens();
    let camera = look.to_enu();
    let array = array_to_enu(plane.tilt_deg, plane.azimuth_deg);
    // The frame's view of a plane grows with the distance, so one metre tells all.
    let view = PlaneView::new(lens, &camera, &array, 1.0).ok_or_else(|| turned_away(look, plane))?;
    let cell = cell_along_up_m(input);
    let frame = across(&view, lens, cell).ok_or_else(|| turned_away(look, plane))?;
    let centre = [0.5 * f64::from(input.camera.width_px), 0.5 * f64::from(input.camera.height_px)];
    let middle = view.sample(centre).ok_or_else(|| turned_away(look, plane))?;

    let by_gsd = input.wanted.gsd_m / frame.gsd;
    let wanted_m = frame.px_per_cell.map_or(by_gsd, |px| by_gsd.min(px / input.wanted.px_per_cell));
    let sin_pitch = (-look.pitch_deg).to_radians().sin();
    let surface = input.array.surface_above_takeoff_m;
    let legal = input.flight.max_height_m - surface;
    let least = input.flight.min_height_m;
    if legal < least {
        let reason = format!(
            "{} m over take-off leave {legal:.1} m over modules that lie {surface} m over it; {least} m are the least",
            input.flight.max_height_m
        );
        return Err(Error::argument("greatest height", reason, "take off from the modules' level, or raise the limit"));
    }
    let height = wanted_m * sin_pitch;
    if height < least && middle.view_angle_deg > FLAT_DEG {
        return Err(too_flat(look, plane, middle.view_angle_deg));
    }
    if height < least {
        return Err(out_of_reach(input, height, least));
    }
    let capped = height > legal;
    let height = height.min(legal);
    let distance = height / sin_pitch;

    let speed_by_blur_m_s = max_speed_m_s(frame.finest * distance, input.flight.blur_px, input.camera.time_constant_s)?;
    let (width, near, far) = ground_footprint(lens, &camera, look, height)?;
    let trigger_m = round_down(width * (1.0 - input.wanted.overlap_along));
    Ok(Geometry {
        distance_m: distance,
        height_above_modules_m: height,
        height_above_takeoff_m: height + surface,
        gsd_m: frame.gsd * distance,
        gsd_centre_m: middle.gsd_m * distance,
        px_per_cell: frame.px_per_cell.map(|px| px / distance),
        px_per_cell_centre: cell.map(|[a, u]| (a * middle.px_per_m_along).min(u * middle.px_per_m_down) / distance),
        view_angle_centre_deg: middle.view_angle_deg,
        view_angle_deg: frame.view_angle_deg,
        speed_by_blur_m_s,
        speed_by_frames_m_s: trigger_m / input.camera.frame_interval_s,
        line_spacing_m: round_down((far - near) * (1.0 - input.wanted.overlap_across)),
        trigger_m,
        swath_m: far - near,
        ahead_m: 0.5 * (near + far),
        capped,
    })
}

/// Worst and finest over a grid of pixels that includes the corners.
fn across(view: &PlaneView, lens: Lens, cell: Option<[f64; 2]>) -> Option<Across> {
    const GRID: usize = 8;
    let mut all = Across { gsd: 0.0, finest: f64::MAX, px_per_cell: cell.map(|_| f64::MAX), view_angle_deg: 0.0 };
    for i in 0..=GRID {
        for j in 0..=GRID {
            let x = 0.5 + (lens.width as f64 - 1.0) * i as f64 / GRID as f64;
            let y = 0.5 + (lens.height as f64 - 1.0) * j as f64 / GRID as f64;
            let sample = view.sample([x, y])?;
            all.gsd = all.gsd.max(sample.gsd_m);
            all.finest = all.finest.min(sample.finest_m);
            all.view_angle_deg = all.view_angle_deg.max(sample.view_angle_deg);
            if let (Some(least), Some([along, up])) = (&mut all.px_per_cell, cell) {
                *least = least.min(along * sample.px_per_m_along).min(up * sample.px_per_m_down);
            }
        }
    }
    Some(all)
}

/// Size of a cell along the row and up the slope, m; `None` for modules without cells.
fn cell_along_up_m(input: &PlanInput) -> Option<[f64; 2]> {
    let module = &input.module;
    let [across, along] = module.cells.map(f64::from);
    if across * along <= 1.0 {
        return None;
    }
    let (cell_w, cell_l) = (module.width_m / across, module.length_m / along);
    Some(match module.orientation {
        crate::settings::Orientation::Portrait => [cell_w, cell_l],
        crate::settings::Orientation::Landscape => [cell_l, cell_w],
    })
}

/// What a frame covers for certain of a level plane at the modules' height: width across the view, near and far edge ahead
/// of the drone, m.
fn ground_footprint(lens: Lens, camera: &Matrix3<f64>, look: Look, height_m: f64) -> Result<(f64, f64, f64)> {
    let level = Plane { tilt_deg: 0.0, azimuth_deg: (look.heading_deg + 180.0).rem_euclid(360.0) };
    let axes = array_to_enu(level.tilt_deg, level.azimuth_deg);
    let pitch = (-look.pitch_deg).to_radians();
    let view = PlaneView::new(lens, camera, &axes, height_m / pitch.sin()).ok_or_else(|| turned_away(look, level))?;
    let (w, h) = (lens.width as f64, lens.height as f64);
    // Right of the drone and ahead of the point aimed at.
    let at = |x: f64, y: f64| view.point_m([x, y]).map(|[right, back]| (right, -back)).ok_or_else(|| horizon(look));
    let (mut width, mut near, mut far) = (f64::MAX, f64::MIN, f64::MAX);
    for k in 0..=4 {
        let t = f64::from(k) / 4.0;
        width = width.min(at(w, h * t)?.0 - at(0.0, h * t)?.0);
        near = near.max(at(w * t, h)?.1);
        far = far.min(at(w * t, 0.0)?.1);
    }
    let aim = height_m / pitch.tan();
    Ok((width, near + aim, far + aim))
}

fn turned_away(look: Look, plane: Plane) -> Error {
    let reason = format!(
        "at pitch {} and heading {} a part of the frame does not see the front of modules tilted {:.0} deg to {:.0}",
        look.pitch_deg, look.heading_deg, plane.tilt_deg, plane.azimuth_deg
    );
    Error::argument("camera pitch", reason, "leave pitch and heading out and they are chosen, or give ones near -90")
}

fn too_flat(look: Look, plane: Plane, view_angle_deg: f64) -> Error {
    let reason = format!(
        "at pitch {} and heading {} the modules are seen {view_angle_deg:.0} deg off their perpendicular, too flat to resolve them",
        look.pitch_deg, look.heading_deg
    );
    let remedy = format!("leave it out and it is chosen, or give one near {:.0}", plane.tilt_deg - 90.0);
    Error::argument("camera pitch", reason, remedy)
}

fn horizon(look: Look) -> Error {
    let reason = format!("at pitch {} the upper edge of the frame looks over the horizon", look.pitch_deg);
    Error::argument("camera pitch", reason, "give a pitch nearer to -90, straight down")
}

fn out_of_reach(input: &PlanInput, height_m: f64, least_m: f64) -> Error {
    let (camera, wanted) = (&input.camera, &input.wanted);
    let reason = format!(
        "{} mm with pixels of {} um reach {} m a pixel and {} pixels a cell only {height_m:.1} m over the modules; {least_m} m \
         are the least",
        camera.focal_length_mm, camera.pixel_pitch_um, wanted.gsd_m, wanted.px_per_cell
    );
    let needed = (camera.focal_length_mm * least_m / height_m).ceil();
    let remedy = format!("take a lens of {} mm or more, or ask for less resolution", round(needed, 0));
    Error::argument("focal length", reason, remedy)
}
