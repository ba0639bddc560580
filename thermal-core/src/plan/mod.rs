//! Plans a flight: how high, how fast and along which lines, and in which hours sun and glare allow it.

mod area;
mod briefing;
mod cautions;
mod chart;
mod export;
mod geometry;
mod glare;
mod hours;
mod input;
mod lines;
mod look;
mod obstacle;
mod text;
mod wind;

use jiff::civil::Date;
use serde::Serialize;

pub use area::Area;
pub use glare::Look;
pub use hours::{Day, Hour, Window};
pub use input::{Flight, Limits, PlanCamera, PlanInput, Sky, Wanted};
pub use lines::Line;
pub use obstacle::{Obstacle, read_obstacles};
pub(crate) use wind::HAND_HEIGHT_M;
pub use wind::Wind;

use crate::Result;
pub(crate) use glare::Field;
use hours::Moment;
use lines::Lines;

/// Time between two readings of the irradiance: common practice, no source.
const LOG_EVERY_MIN: i64 = 20;

/// A plan. The fields are those of `--json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Name of the site; may be empty.
    pub site: String,
    /// Latitude, deg.
    pub lat: f64,
    /// Longitude, deg.
    pub lon: f64,
    /// Height over the sea, m.
    pub elevation_m: f64,
    /// First and last day.
    pub dates: [String; 2],
    /// Greatest ground sample distance anywhere in the frame, m: a pixel's longest extent on the module plane.
    pub gsd_m: f64,
    /// The same at the frame's centre, m.
    pub gsd_centre_m: f64,
    /// Least pixels across a cell anywhere in the frame; `None` for modules without cells.
    pub px_per_cell: Option<f64>,
    /// The same at the frame's centre.
    pub px_per_cell_centre: Option<f64>,
    /// From the camera along its axis to the modules, m.
    pub distance_m: f64,
    /// Height over the modules looked at, m.
    pub height_above_modules_m: f64,
    /// Height to set over the take-off point, m.
    pub height_above_takeoff_m: f64,
    /// Camera pitch, deg, -90 straight down.
    pub camera_pitch_deg: f64,
    /// The way the camera looks (straight down: the frame's upper edge), deg from north, clockwise.
    pub heading_deg: f64,
    /// Angle between the camera's axis and the modules' perpendicular, deg.
    pub view_angle_deg: f64,
    /// The same at the worst corner of the frame, deg.
    pub view_angle_worst_deg: f64,
    /// Greatest speed, m/s: the lesser of the two that follow.
    pub max_speed_m_s: f64,
    /// Speed at which a point of the modules moves by the allowed blur while the detector settles, m/s.
    pub speed_by_blur_m_s: f64,
    /// Speed at which the camera just takes a frame each trigger distance, m/s.
    pub speed_by_frames_m_s: f64,
    /// Distance between lines, m.
    pub line_spacing_m: f64,
    /// Distance between frames, m.
    pub trigger_m: f64,
    /// Top of the tallest obstacle over the take-off point, m.
    pub obstacle_top_m: f64,
    /// Least height that clears every obstacle by the margin, m over the take-off point.
    pub clearance_height_m: f64,
    /// Height to return at, m over the take-off point.
    pub return_height_m: f64,
    /// Lines.
    pub lines: usize,
    /// Their length together, m.
    pub line_length_m: f64,
    /// Frames.
    pub frames: usize,
    /// Minutes in the air, climb and way of each battery included.
    pub flight_min: f64,
    /// Batteries.
    pub batteries: usize,
    /// Size of the frames, 10^9 bytes.
    pub gigabytes: f64,
    /// Where the drone sees itself mirrored.
    pub own_reflection: OwnReflection,
    /// The wind at flying height.
    pub wind: Wind,
    /// The day that chart, briefing and readings are made for: the one with the most minutes fit to fly.
    pub best_date: String,
    /// When to read the irradiance on that day, `HH:MM`.
    pub log_times: Vec<String>,
    /// Trackers that move during that day's windows, and when.
    pub tracker_moves: Vec<TrackerMove>,
    /// The days.
    pub days: Vec<Day>,
    /// Every full hour of every day.
    pub hours: Vec<Hour>,
    /// What the pilot must know.
    pub cautions: Vec<String>,
    /// What was assumed where nothing was given.
    pub assumed: Vec<String>,
    /// Obstacles.
    #[serde(skip)]
    pub obstacles: Vec<Obstacle>,
    /// The lines to fly; of a square of one hectare about the site where no area is given.
    #[serde(skip)]
    pub flight_lines: Vec<Line>,
    /// The best day in steps of ten minutes, for the chart.
    #[serde(skip)]
    pub course: Vec<Hour>,
    /// The limits that were used.
    #[serde(skip)]
    pub limits: Limits,
}

/// The drone's own mirror image in a module that is seen perpendicularly.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OwnReflection {
    /// Angle between it and the nearest line of sight, deg; 0: it is in the frame.
    pub angle_deg: f64,
    /// Where it is in the frame, px.
    pub at_px: Option<[f64; 2]>,
    /// How wide it appears, px.
    pub width_px: f64,
}

/// A tracker's turn within an hour.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrackerMove {
    /// `HH:MM`.
    pub from: String,
    /// `HH:MM`.
    pub to: String,
    /// Turn at the start, deg.
    pub from_deg: f64,
    /// Turn at the end, deg.
    pub to_deg: f64,
}

/// Plans a flight.
///
/// # Errors
/// [`crate::Error::Argument`] where a value is out of its range, the resolution cannot be reached at a legal height, or the
/// sun does not rise on any of the days; the message says what to change.
pub fn plan(input: &PlanInput) -> Result<Plan> {
    input.check()?;
    let field = Field::new(input.camera.lens());
    let moments = moments(input, 60)?;
    look::check_daylight(input, &moments)?;
    // A few days can be weighed more finely than by the hour.
    let look = match (input.dates[1] - input.dates[0]).get_days() {
        0..7 => look::choose(input, &field, &self::moments(input, 10)?),
        _ => look::choose(input, &field, &moments),
    };
    let hours: Vec<Hour> =
        moments.iter().map(|moment| hours::hour(input, &field, look, moment)).collect::<Result<_>>()?;
    let days: Vec<Day> =
        hours::dates(input).map(|date| hours::day(input, &field, look, date)).collect::<Result<_>>()?;
    let plane = look::plane_to_resolve(&hours);
    let geometry = geometry::geometry(input, look, plane)?;
    let lines = Lines::new(input, look, &geometry)?;
    let best = best_day(&days);
    let course = match hours::dates(input).nth(best) {
        Some(date) => hours::course(input, &field, look, date)?,
        None => Vec::new(),
    };

    let flight = &input.flight;
    let speed = geometry.speed_by_blur_m_s.min(geometry.speed_by_frames_m_s);
    let length: f64 = lines.all.iter().map(|line| line.length_m).sum();
    let turns = lines.all.len().saturating_sub(1) as f64;
    let work_min = (length / speed + lines.between_m / flight.transit_m_s + turns * flight.turn_s) / 60.0;
    let batteries = (work_min / (flight.battery_min - flight.ferry_min)).ceil().max(1.0);
    let frames: usize = lines.all.iter().map(|line| line.frames).sum();
    let pixels = f64::from(input.camera.width_px) * f64::from(input.camera.height_px);
    let top = input
        .obstacles
        .iter()
        .map(|obstacle| obstacle.height_m)
        .fold(flight.tallest_obstacle_m.max(input.array.surface_above_takeoff_m), f64::max);
    let clearance = top + flight.obstacle_margin_m;

    let mut plan = Plan {
        site: input.site.clone(),
        lat: input.place.lat_deg,
        lon: input.place.lon_deg,
        elevation_m: input.place.elevation_m,
        dates: input.dates.map(|date| date.to_string()),
        gsd_m: round(geometry.gsd_m, 5),
        gsd_centre_m: round(geometry.gsd_centre_m, 5),
        px_per_cell: geometry.px_per_cell.map(|px| round(px, 2)),
        px_per_cell_centre: geometry.px_per_cell_centre.map(|px| round(px, 2)),
        distance_m: round(geometry.distance_m, 2),
        height_above_modules_m: round(geometry.height_above_modules_m, 2),
        height_above_takeoff_m: round(geometry.height_above_takeoff_m, 2),
        camera_pitch_deg: round(look.pitch_deg, 1),
        heading_deg: compass(look.heading_deg, 1),
        view_angle_deg: round(geometry.view_angle_centre_deg, 2),
        view_angle_worst_deg: round(geometry.view_angle_deg, 2),
        max_speed_m_s: round_down(speed),
        speed_by_blur_m_s: round_down(geometry.speed_by_blur_m_s),
        speed_by_frames_m_s: round_down(geometry.speed_by_frames_m_s),
        line_spacing_m: geometry.line_spacing_m,
        trigger_m: geometry.trigger_m,
        obstacle_top_m: round(top, 2),
        clearance_height_m: round(clearance, 2),
        return_height_m: round(clearance.max(geometry.height_above_takeoff_m), 2),
        lines: lines.all.len(),
        line_length_m: round(length, 1),
        frames,
        flight_min: round(work_min + batteries * flight.ferry_min, 1),
        batteries: batteries as usize,
        gigabytes: round(frames as f64 * input.camera.frame_bytes.unwrap_or(2.0 * pixels) / 1e9, 3),
        own_reflection: own_reflection(input, &field, look, plane, geometry.distance_m),
        wind: Wind::at(geometry.height_above_takeoff_m),
        best_date: days.get(best).map(|day| day.date.clone()).unwrap_or_default(),
        log_times: days.get(best).map(|day| log_times(input, &day.windows)).unwrap_or_default(),
        tracker_moves: tracker_moves(&course),
        days,
        hours,
        cautions: Vec::new(),
        assumed: input.assumed.clone(),
        obstacles: input.obstacles.clone(),
        flight_lines: lines.all,
        course,
        limits: input.limits.clone(),
    };
    if input.area.is_none() {
        plan.assumed.push(
            "no layout or polygon: lines, frames, minutes and batteries are those of one hectare, 100 m by 100 m"
                .into(),
        );
    }
    plan.cautions = cautions::cautions(input, &plan, geometry.capped, &lines.near);
    Ok(plan)
}

fn moments(input: &PlanInput, step_min: i64) -> Result<Vec<Moment>> {
    let mut moments = Vec::new();
    for date in hours::dates(input) {
        for at in hours::times(input, date, step_min)? {
            moments.push(Moment::new(input, at)?);
        }
    }
    Ok(moments)
}

/// The day with the most minutes fit to fly; without any, the one with the most sun.
fn best_day(days: &[Day]) -> usize {
    let key = |day: &Day| (day.fit_min, day.peak_poa_w_m2);
    let mut best = 0;
    for (n, day) in days.iter().enumerate() {
        if key(day) > key(&days[best]) {
            best = n;
        }
    }
    best
}

/// In the drone's mirror image the modules are seen exactly perpendicularly; it is as far behind them as the drone is
/// before them.
fn own_reflection(
    input: &PlanInput,
    field: &Field,
    look: Look,
    plane: crate::sun::Plane,
    distance_m: f64,
) -> OwnReflection {
    let seen = look.to_enu().transpose() * -plane.normal();
    let lens = input.camera.lens();
    OwnReflection {
        angle_deg: round(field.angle_deg(&seen), 2),
        at_px: field.pixel(&seen).map(|px| px.map(|v| round(v, 0))),
        width_px: round(input.flight.drone_size_m * lens.focal_px / (2.0 * distance_m), 1),
    }
}

fn log_times(input: &PlanInput, windows: &[Window]) -> Vec<String> {
    let mut times = Vec::new();
    for window in windows {
        let mut at = window.start;
        while at < window.end {
            times.push(hand(&hours::clock(input, at)));
            match at.checked_add(jiff::SignedDuration::from_mins(LOG_EVERY_MIN)) {
                Ok(next) => at = next,
                Err(_) => break,
            }
        }
        times.push(hand(&window.to));
    }
    times
}

fn tracker_moves(course: &[Hour]) -> Vec<TrackerMove> {
    let mut moves = Vec::new();
    // Six steps of ten minutes.
    for pair in course.windows(7).step_by(6) {
        if let [first, .., last] = pair
            && (first.fit || last.fit)
            && let (Some(from), Some(to)) = (first.tracker_deg, last.tracker_deg)
            && (to - from).abs() >= 1.0
        {
            moves.push(TrackerMove {
                from: hand(&first.time),
                to: hand(&last.time),
                from_deg: round(from, 1),
                to_deg: round(to, 1),
            });
        }
    }
    moves
}

impl Plan {
    /// Site and days in a line.
    pub(crate) fn title(&self) -> String {
        let days = match &self.dates {
            [first, last] if first == last => first.clone(),
            [first, last] => format!("{first} to {last}"),
        };
        if self.site.is_empty() { days } else { format!("{}, {days}", self.site) }
    }
}

/// `HH:MM` of an RFC 3339 time.
fn hand(time: &str) -> String {
    time.get(11..16).unwrap_or(time).to_owned()
}

fn round(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    // `+ 0.0` turns -0 into 0.
    (value * scale).round() / scale + 0.0
}

/// A compass direction, rounded: from 0 on and always under 360.
fn compass(heading_deg: f64, digits: i32) -> f64 {
    round(round(heading_deg.rem_euclid(360.0), digits).rem_euclid(360.0), digits)
}

/// To the hundredth below: a limit that is rounded up is none.
fn round_down(value: f64) -> f64 {
    if value < 0.01 { value } else { (value * 100.0).floor() / 100.0 }
}

/// The first day from `from` on, within a year, on which `wanted` holds at a full hour.
fn next_day(input: &PlanInput, from: Date, wanted: impl Fn(&Moment) -> bool) -> Result<Option<Date>> {
    for date in from.series(jiff::Span::new().days(1)).take(366) {
        for at in hours::times(input, date, 60)? {
            if wanted(&Moment::new(input, at)?) {
                return Ok(Some(date));
            }
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests;
