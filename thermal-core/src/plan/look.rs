//! How the camera is held, and which plane it must resolve.

use super::glare::{Field, Look};
use super::hours::{Judged, Moment};
use super::{Hour, PlanInput, next_day};
use crate::settings::Mounting;
use crate::sun::Plane;
use crate::{Error, Result};

/// Step in which the camera is turned off the perpendicular to get the sun's mirror image out of the frame, deg.
const STEP_DEG: f64 = 5.0;

/// The sun must rise on one of the days.
pub(super) fn check_daylight(input: &PlanInput, moments: &[Moment]) -> Result<()> {
    if moments.iter().any(Moment::sun_is_up) {
        return Ok(());
    }
    let [first, last] = input.dates;
    let days = if first == last { first.to_string() } else { format!("{first} to {last}") };
    let reason = format!(
        "at latitude {} and longitude {} the sun does not rise on {days}",
        input.place.lat_deg, input.place.lon_deg
    );
    let limit = input.limits.irradiance_w_m2;
    // A year ahead may leave the years with data; then the remedy has no date in it.
    let next = next_day(input, last, |moment| moment.sun_is_up() && moment.poa_w_m2() >= limit).ok().flatten();
    let remedy = match next {
        Some(date) => format!("the next day with {limit:.0} W/m2 in the plane of the modules is {date}"),
        None => format!("no day of the year after it reaches {limit:.0} W/m2; give another place or tilt"),
    };
    Err(Error::argument("date", reason, remedy))
}

/// Pitch and heading: what the caller gave, else the least turn off the perpendicular that leaves the most time fit.
///
/// Fixed modules are seen up the slope. Dual-tilt roofs are seen straight down: one pitch serves both sides. Trackers stand
/// differently each hour, so every pitch is tried along the axis and across it, beginning with straight down.
pub(super) fn choose(input: &PlanInput, field: &Field, moments: &[Moment]) -> Look {
    let (array, camera) = (&input.array, &input.camera);
    let headings: Vec<f64> = match (camera.heading_deg, array.mounting) {
        (Some(heading), _) => vec![heading],
        // Lines run at right angles to the heading, so the first two lead along the rows.
        (None, Mounting::Tracker) => {
            [90.0, 270.0, 0.0, 180.0].map(|turn| (input.tracker.axis_azimuth_deg + turn).rem_euclid(360.0)).to_vec()
        }
        (None, Mounting::Fixed | Mounting::DualTilt) => vec![(array.azimuth_deg + 180.0).rem_euclid(360.0)],
    };
    let pitches: Vec<f64> = match (camera.pitch_deg, array.mounting) {
        (Some(pitch), _) => vec![pitch],
        (None, Mounting::DualTilt) => vec![-90.0],
        (None, Mounting::Tracker) => pitches(input, -90.0, 90.0),
        (None, Mounting::Fixed) => pitches(input, array.tilt_deg - 90.0, input.limits.view_angle_deg),
    };
    let sunny: Vec<&Moment> = moments
        .iter()
        .filter(|moment| moment.sun_is_up() && moment.poa_w_m2() >= input.limits.irradiance_w_m2)
        .collect();
    let mut best = (Look { pitch_deg: pitches[0], heading_deg: headings[0] }, 0);
    for pitch_deg in &pitches {
        for heading_deg in &headings {
            let look = Look { pitch_deg: *pitch_deg, heading_deg: *heading_deg };
            let fit = sunny.iter().filter(|moment| Judged::new(input, field, look, moment).fit()).count();
            if fit > best.1 {
                best = (look, fit);
            }
        }
    }
    best.0
}

/// Pitches about the perpendicular one, the nearest first, steeper before flatter; at least one.
fn pitches(input: &PlanInput, perpendicular: f64, widest: f64) -> Vec<f64> {
    // The frame's upper edge must stay under the horizon.
    let camera = &input.camera;
    let half_frame_deg = (0.5 * f64::from(camera.height_px) / camera.lens().focal_px).atan().to_degrees();
    let flattest = (-half_frame_deg - STEP_DEG).max(-90.0);
    let steps = (widest / STEP_DEG).floor() as i32;
    let mut pitches: Vec<f64> = (0..=steps)
        .flat_map(|k| [-f64::from(k) * STEP_DEG, f64::from(k) * STEP_DEG])
        .map(|turn| perpendicular + turn)
        .filter(|pitch| (-90.0..=flattest).contains(pitch))
        .collect();
    if pitches.is_empty() {
        pitches.push(perpendicular.clamp(-90.0, flattest));
    }
    pitches
}

/// The plane whose modules must be resolved: the steepest of the fit hours, else that of the hour with the most sun.
pub(super) fn plane_to_resolve(hours: &[Hour]) -> Plane {
    let fit = hours.iter().filter(|hour| hour.fit).max_by(|a, b| a.tilt_deg.total_cmp(&b.tilt_deg));
    let sunniest = || hours.iter().max_by(|a, b| a.poa_w_m2.total_cmp(&b.poa_w_m2));
    fit.or_else(sunniest).map_or(Plane { tilt_deg: 0.0, azimuth_deg: 180.0 }, |hour| Plane {
        tilt_deg: hour.tilt_deg,
        azimuth_deg: hour.azimuth_deg,
    })
}
