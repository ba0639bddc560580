//! The hours fit to fly: irradiance in the plane, glare over the whole field of view, and the windows between.

use jiff::{SignedDuration, Timestamp, civil::Date};
use nalgebra::{Matrix3, Vector3};
use serde::Serialize;

use super::glare::{Field, Look};
use super::{PlanInput, compass, round};
use crate::settings::Mounting;
use crate::sun::{Plane, Sun, clear_sky};
use crate::{Error, Result};

/// Step of the day's course, minutes.
const STEP_MIN: i64 = 10;
/// Half the span over which the change of irradiance is taken, minutes.
const CHANGE_MIN: i64 = 5;
/// Step of the headings that are tried, deg.
const HEADING_STEP_DEG: u32 = 15;

/// One time of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hour {
    /// RFC 3339, with the site's offset.
    pub time: String,
    /// The same.
    #[serde(skip)]
    pub at: Timestamp,
    /// Elevation of the sun without refraction, deg.
    pub sun_elevation_deg: f64,
    /// Elevation as seen through the air, deg; every other value is computed from it.
    pub sun_apparent_elevation_deg: f64,
    /// Azimuth of the sun, deg from north, clockwise.
    pub sun_azimuth_deg: f64,
    /// Tilt of the modules, deg.
    pub tilt_deg: f64,
    /// The way the modules face, deg from north, clockwise.
    pub azimuth_deg: f64,
    /// Turn of the tracker, deg; `None` without a tracker, or at night.
    pub tracker_deg: Option<f64>,
    /// Angle between the modules' normal and the sun, deg; over 90 the sun is behind them.
    pub incidence_deg: f64,
    /// Clear-sky irradiance in the plane, W/m2.
    pub poa_w_m2: f64,
    /// The same on the other side of a dual-tilt roof, W/m2.
    pub opposite_poa_w_m2: Option<f64>,
    /// Change of the irradiance, W/m2 a minute.
    pub change_w_m2_per_min: f64,
    /// Angle between the sun's mirror image in the modules and the nearest line of sight of the frame, deg; 0 inside the
    /// frame; `None` where the modules mirror no sun.
    pub glare_deg: Option<f64>,
    /// Angle between the camera's axis and the modules' perpendicular, deg.
    pub view_angle_deg: f64,
    /// Headings at the plan's pitch that keep view angle and glare within the limits, deg.
    pub safe_headings_deg: Vec<u32>,
    /// Fit to fly.
    pub fit: bool,
    /// Why not.
    pub reasons: Vec<String>,
}

/// A span of time fit to fly.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Window {
    /// First minute, RFC 3339.
    pub from: String,
    /// Last minute, RFC 3339.
    pub to: String,
    /// First minute.
    #[serde(skip)]
    pub start: Timestamp,
    /// Last minute.
    #[serde(skip)]
    pub end: Timestamp,
}

impl Window {
    /// Length, minutes.
    pub fn minutes(&self) -> f64 {
        self.end.duration_since(self.start).as_secs_f64() / 60.0
    }
}

/// A day of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Day {
    /// The day.
    pub date: String,
    /// Greatest clear-sky irradiance in the plane, W/m2.
    pub peak_poa_w_m2: f64,
    /// Minutes fit to fly.
    pub fit_min: f64,
    /// When.
    pub windows: Vec<Window>,
    /// Why no minute of the day is fit; empty otherwise.
    pub reason: String,
}

/// One side of the array at a time.
#[derive(Debug, Clone, Copy)]
struct Face {
    plane: Plane,
    incidence_deg: f64,
    poa_w_m2: f64,
    /// Direction in which the sun is mirrored, east, north, up.
    mirrored: Option<Vector3<f64>>,
}

/// Sun and array at a time, whatever the camera does.
#[derive(Debug, Clone)]
pub(super) struct Moment {
    at: Timestamp,
    sun: Sun,
    tracker_deg: Option<f64>,
    face: Face,
    back: Option<Face>,
}

impl Moment {
    pub(super) fn new(input: &PlanInput, at: Timestamp) -> Result<Self> {
        let sun = Sun::at(at, &input.place)?;
        let sky = clear_sky(at, &sun, &input.place, input.sky.turbidity);
        let up = sun.apparent_elevation_deg > 0.0;
        let face = |plane: Plane| Face {
            plane,
            incidence_deg: plane.incidence_deg(&sun),
            poa_w_m2: plane.irradiance_w_m2(&sun, &sky, input.sky.albedo),
            mirrored: if up { plane.mirrored(&sun) } else { None },
        };
        let array = &input.array;
        let tracker_deg = if input.tracks() { input.tracker.angle_deg(&sun) } else { None };
        let plane = if input.tracks() {
            // At night trackers are stowed level.
            input.tracker.plane(tracker_deg.unwrap_or(0.0))
        } else {
            Plane { tilt_deg: array.tilt_deg, azimuth_deg: array.azimuth_deg }
        };
        let back = (array.mounting == Mounting::DualTilt).then(|| face(plane.back()));
        Ok(Self { at, sun, tracker_deg, face: face(plane), back })
    }

    pub(super) fn sun_is_up(&self) -> bool {
        self.sun.apparent_elevation_deg > 0.0
    }

    /// Irradiance of the side that gets less, W/m2.
    pub(super) fn poa_w_m2(&self) -> f64 {
        self.faces().map(|face| face.poa_w_m2).fold(f64::MAX, f64::min)
    }

    fn faces(&self) -> impl Iterator<Item = &Face> {
        std::iter::once(&self.face).chain(self.back.as_ref())
    }

    /// Least angle between the frame and the mirrored sun, deg.
    fn glare_deg(&self, field: &Field, camera: &Matrix3<f64>) -> Option<f64> {
        self.faces()
            .filter_map(|face| face.mirrored)
            .map(|seen| field.angle_deg(&(camera.transpose() * seen)))
            .reduce(f64::min)
    }

    /// Greatest angle between the camera's axis and the perpendicular of a side, deg.
    fn view_angle_deg(&self, camera: &Matrix3<f64>) -> f64 {
        let axis = -camera.column(2);
        self.faces().map(|face| axis.angle(&face.plane.normal()).to_degrees()).fold(0.0, f64::max)
    }
}

/// A moment seen by a camera.
pub(super) struct Judged {
    glare_deg: Option<f64>,
    view_angle_deg: f64,
    reasons: Vec<String>,
}

impl Judged {
    pub(super) fn new(input: &PlanInput, field: &Field, look: Look, moment: &Moment) -> Self {
        let camera = look.to_enu();
        let limits = &input.limits;
        let (glare_deg, view_angle_deg) = (moment.glare_deg(field, &camera), moment.view_angle_deg(&camera));
        let mut reasons = Vec::new();
        let poa = moment.poa_w_m2();
        if !moment.sun_is_up() {
            reasons.push("sun under the horizon".into());
        } else if poa < limits.irradiance_w_m2 {
            reasons.push(format!("irradiance {poa:.0} W/m2, limit {:.0}", limits.irradiance_w_m2));
        }
        if view_angle_deg > limits.view_angle_deg + 1e-9 {
            reasons.push(format!(
                "view {view_angle_deg:.0} deg off the perpendicular, limit {:.0}",
                limits.view_angle_deg
            ));
        }
        match glare_deg {
            Some(0.0) => reasons.push("sun mirrored in the frame".into()),
            Some(glare) if glare < limits.glare_deg => {
                reasons.push(format!("sun mirrored {glare:.1} deg beside the frame, limit {:.0}", limits.glare_deg));
            }
            _ => (),
        }
        Self { glare_deg, view_angle_deg, reasons }
    }

    pub(super) fn fit(&self) -> bool {
        self.reasons.is_empty()
    }
}

/// The plan's clock: which times belong to a day of the site.
pub(super) fn times(input: &PlanInput, date: Date, step_min: i64) -> Result<Vec<Timestamp>> {
    let midnight = input
        .utc_offset
        .to_timestamp(date.at(0, 0, 0, 0))
        .map_err(|e| Error::argument("date", format!("{date}: {e}"), "give a date within the years 1950 to 2100"))?;
    (0..24 * 60 / step_min).map(|k| shift(midnight, k * step_min)).collect()
}

fn shift(at: Timestamp, minutes: i64) -> Result<Timestamp> {
    at.checked_add(SignedDuration::from_mins(minutes))
        .map_err(|e| Error::argument("date", e.to_string(), "give a date within the years 1950 to 2100"))
}

/// Days of the plan, first to last.
pub(super) fn dates(input: &PlanInput) -> impl Iterator<Item = Date> {
    let [first, last] = input.dates;
    first.series(jiff::Span::new().days(1)).take_while(move |date| *date <= last)
}

/// A time as the site's clock shows it, RFC 3339.
pub(super) fn clock(input: &PlanInput, at: Timestamp) -> String {
    at.display_with_offset(input.utc_offset).to_string()
}

/// The row of a time.
pub(super) fn hour(input: &PlanInput, field: &Field, look: Look, moment: &Moment) -> Result<Hour> {
    let judged = Judged::new(input, field, look, moment);
    let poa_at = |minutes: i64| -> Result<f64> { Ok(Moment::new(input, shift(moment.at, minutes)?)?.face.poa_w_m2) };
    let change = (poa_at(CHANGE_MIN)? - poa_at(-CHANGE_MIN)?) / (2.0 * CHANGE_MIN as f64);
    Ok(Hour {
        time: clock(input, moment.at),
        at: moment.at,
        sun_elevation_deg: round(moment.sun.elevation_deg, 4),
        sun_apparent_elevation_deg: round(moment.sun.apparent_elevation_deg, 4),
        sun_azimuth_deg: compass(moment.sun.azimuth_deg, 4),
        tilt_deg: round(moment.face.plane.tilt_deg, 3),
        azimuth_deg: compass(moment.face.plane.azimuth_deg, 3),
        tracker_deg: moment.tracker_deg.map(|angle| round(angle, 3)),
        incidence_deg: round(moment.face.incidence_deg, 4),
        poa_w_m2: round(moment.face.poa_w_m2, 2),
        opposite_poa_w_m2: moment.back.map(|back| round(back.poa_w_m2, 2)),
        change_w_m2_per_min: round(change, 1),
        glare_deg: judged.glare_deg.map(|angle| round(angle, 2)),
        view_angle_deg: round(judged.view_angle_deg, 2),
        safe_headings_deg: safe_headings(input, field, look, moment),
        fit: judged.fit(),
        reasons: judged.reasons,
    })
}

/// Headings at the look's pitch within the limits of view angle and glare; none while the irradiance does not suffice.
fn safe_headings(input: &PlanInput, field: &Field, look: Look, moment: &Moment) -> Vec<u32> {
    if !moment.sun_is_up() || moment.poa_w_m2() < input.limits.irradiance_w_m2 {
        return Vec::new();
    }
    (0..360 / HEADING_STEP_DEG)
        .map(|k| k * HEADING_STEP_DEG)
        .filter(|heading| {
            let turned = Look { heading_deg: f64::from(*heading), ..look };
            Judged::new(input, field, turned, moment).fit()
        })
        .collect()
}

/// The course of a day in steps of ten minutes, with its windows to the minute.
pub(super) fn day(input: &PlanInput, field: &Field, look: Look, date: Date) -> Result<Day> {
    let is_fit = |moment: &Moment| {
        // Cheap tests first: most of a year is night.
        moment.sun_is_up()
            && moment.poa_w_m2() >= input.limits.irradiance_w_m2
            && Judged::new(input, field, look, moment).fit()
    };
    let mut peak: Option<Moment> = None;
    let mut windows = Vec::new();
    let mut open: Option<Timestamp> = None;
    let mut last_fit = None;
    let mut last = None;
    // The edge between an unfit time and a fit one, to the minute, on the fit side.
    let edge = |unfit: Timestamp, fit: Timestamp| -> Result<Timestamp> {
        let (mut unfit, mut fit) = (unfit, fit);
        while unfit.duration_since(fit).abs() > SignedDuration::from_mins(1) {
            let middle = shift(unfit, fit.duration_since(unfit).as_mins() / 2)?;
            if is_fit(&Moment::new(input, middle)?) { fit = middle } else { unfit = middle }
        }
        Ok(fit)
    };
    for at in times(input, date, STEP_MIN)? {
        let moment = Moment::new(input, at)?;
        let fit = is_fit(&moment);
        match (open, fit) {
            (None, true) => {
                open = Some(match last {
                    Some(before) => edge(before, at)?,
                    None => at,
                });
            }
            (Some(start), false) => {
                windows.push((start, edge(at, last_fit.unwrap_or(start))?));
                open = None;
            }
            _ => (),
        }
        if fit {
            last_fit = Some(at);
        }
        last = Some(at);
        if peak.as_ref().is_none_or(|peak| moment.poa_w_m2() > peak.poa_w_m2()) {
            peak = Some(moment);
        }
    }
    if let Some(start) = open {
        windows.push((start, last_fit.unwrap_or(start)));
    }
    let windows: Vec<Window> = windows
        .into_iter()
        .map(|(start, end)| Window { from: clock(input, start), to: clock(input, end), start, end })
        .collect();
    let reason = match (&peak, windows.is_empty()) {
        (Some(peak), true) if peak.sun_is_up() => {
            let time = clock(input, peak.at);
            let reasons = Judged::new(input, field, look, peak).reasons;
            format!("at the best time, {}: {}", time.get(11..16).unwrap_or(&time), reasons.join("; "))
        }
        (_, true) => "the sun does not rise".into(),
        (_, false) => String::new(),
    };
    Ok(Day {
        date: date.to_string(),
        peak_poa_w_m2: round(peak.map_or(0.0, |peak| peak.poa_w_m2()), 1),
        fit_min: windows.iter().map(Window::minutes).sum(),
        windows,
        reason,
    })
}

/// The course of a day for the chart, in steps of ten minutes.
pub(super) fn course(input: &PlanInput, field: &Field, look: Look, date: Date) -> Result<Vec<Hour>> {
    times(input, date, STEP_MIN)?.into_iter().map(|at| hour(input, field, look, &Moment::new(input, at)?)).collect()
}
