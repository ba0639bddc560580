//! What a flight is planned from, with the defaults and the ranges of each value.

use jiff::{civil::Date, tz::Offset};

use super::{Area, Obstacle};
use crate::optics::Lens;
use crate::settings::{Array, Module, Mounting};
use crate::sun::{DEFAULT_ALBEDO, DEFAULT_TURBIDITY, Place, Tracker};
use crate::{Error, Result};

/// What a flight is planned from.
#[derive(Debug, Clone)]
pub struct PlanInput {
    /// Name of the site, for the briefing.
    pub site: String,
    /// Where the site is.
    pub place: Place,
    /// First and last day.
    pub dates: [Date; 2],
    /// Offset of the site's clock from UTC.
    pub utc_offset: Offset,
    /// How the modules are mounted.
    pub array: Array,
    /// The tracker; read only where `array.mounting` says so, and then instead of the array's tilt and azimuth.
    pub tracker: Tracker,
    /// The module.
    pub module: Module,
    /// The camera.
    pub camera: PlanCamera,
    /// What the frames must resolve and how they overlap.
    pub wanted: Wanted,
    /// How the drone flies.
    pub flight: Flight,
    /// Limits of the conditions.
    pub limits: Limits,
    /// Sky and ground.
    pub sky: Sky,
    /// Obstacles noted on the walk-round.
    pub obstacles: Vec<Obstacle>,
    /// What the caller assumed where nothing was given, in words for the reader.
    pub assumed: Vec<String>,
    /// What is to be flown; `None`: one hectare.
    pub area: Option<Area>,
}

impl PlanInput {
    /// A plan for one day with the defaults for everything else.
    pub fn new(place: Place, date: Date, utc_offset: Offset) -> Self {
        Self {
            site: String::new(),
            place,
            dates: [date; 2],
            utc_offset,
            array: Array::default(),
            tracker: Tracker::default(),
            module: Module::default(),
            camera: PlanCamera::default(),
            wanted: Wanted::default(),
            flight: Flight::default(),
            limits: Limits::default(),
            sky: Sky::default(),
            obstacles: Vec::new(),
            assumed: Vec::new(),
            area: None,
        }
    }
}

/// The camera.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanCamera {
    /// Columns of a frame, px.
    pub width_px: u32,
    /// Lines of a frame, px.
    pub height_px: u32,
    /// Focal length, mm.
    pub focal_length_mm: f64,
    /// Distance between pixel centres, micrometres.
    pub pixel_pitch_um: f64,
    /// Radial distortion, see [`Lens`].
    pub k1: f64,
    /// Camera pitch, deg, -90 straight down; `None`: chosen.
    pub pitch_deg: Option<f64>,
    /// The way the camera looks, deg from north, clockwise; `None`: up the slope.
    pub heading_deg: Option<f64>,
    /// Thermal time constant of an uncooled detector, or exposure of a cooled one, s.
    pub time_constant_s: f64,
    /// Least time between two frames, s.
    pub frame_interval_s: f64,
    /// Size of a frame on the card, bytes; `None`: two bytes a pixel.
    pub frame_bytes: Option<f64>,
}

impl Default for PlanCamera {
    /// 640 x 512 px of 12 um behind 13 mm; a time constant of 10 ms is common for uncooled detectors (from memory).
    fn default() -> Self {
        Self {
            width_px: 640,
            height_px: 512,
            focal_length_mm: 13.0,
            pixel_pitch_um: 12.0,
            k1: 0.0,
            pitch_deg: None,
            heading_deg: None,
            time_constant_s: 0.01,
            frame_interval_s: 1.0,
            frame_bytes: None,
        }
    }
}

impl PlanCamera {
    /// The lens.
    pub fn lens(&self) -> Lens {
        Lens::new(self.width_px as usize, self.height_px as usize, self.focal_length_mm, self.pixel_pitch_um, self.k1)
    }
}

/// What the frames must resolve and how they overlap.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Greatest ground sample distance anywhere in the frame, m.
    pub gsd_m: f64,
    /// Least pixels across a cell anywhere in the frame.
    pub px_per_cell: f64,
    /// Overlap of frames along the line, 0 to 1.
    pub overlap_along: f64,
    /// Overlap of lines, 0 to 1.
    pub overlap_across: f64,
}

impl Default for Wanted {
    /// IEC TS 62446-3:2017: 3 cm a pixel and 5 x 5 px a cell. The overlaps are our own choice: each module whole in at
    /// least three frames of a line.
    fn default() -> Self {
        Self { gsd_m: 0.03, px_per_cell: 5.0, overlap_along: 0.7, overlap_across: 0.3 }
    }
}

/// How the drone flies.
#[derive(Debug, Clone, PartialEq)]
pub struct Flight {
    /// Greatest blur while the detector settles, px.
    pub blur_px: f64,
    /// Least height over the modules, m.
    pub min_height_m: f64,
    /// Greatest height over the take-off point, m.
    pub max_height_m: f64,
    /// Top of the tallest obstacle over the take-off point, m.
    pub tallest_obstacle_m: f64,
    /// Margin over obstacles, and distance to keep from them sideways, m.
    pub obstacle_margin_m: f64,
    /// Minutes that a battery may be flown, the reserve already taken off.
    pub battery_min: f64,
    /// Minutes of a battery for climb, way and landing.
    pub ferry_min: f64,
    /// Speed between lines, m/s.
    pub transit_m_s: f64,
    /// Time for a change of lines beside the way, s.
    pub turn_s: f64,
    /// Largest extent of the drone, m: the size of its own reflection.
    pub drone_size_m: f64,
}

impl Default for Flight {
    /// 120 m: Regulation (EU) 2019/947, open category; 14 CFR 107.51 has 400 ft. The others are our own choices.
    fn default() -> Self {
        Self {
            blur_px: 0.5,
            min_height_m: 5.0,
            max_height_m: 120.0,
            tallest_obstacle_m: 0.0,
            obstacle_margin_m: 10.0,
            battery_min: 20.0,
            ferry_min: 3.0,
            transit_m_s: 5.0,
            turn_s: 5.0,
            drone_size_m: 0.6,
        }
    }
}

/// Limits of the conditions.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Least irradiance in the plane, W/m2.
    pub irradiance_w_m2: f64,
    /// Greatest angle between the camera's axis and the modules' perpendicular, deg.
    pub view_angle_deg: f64,
    /// Least angle between the sun's mirror image and the nearest line of sight of the frame, deg.
    pub glare_deg: f64,
}

impl Default for Limits {
    /// 600 W/m2: IEC TS 62446-3:2017. 20 deg: common practice, no source (the standard allows 30). 5 deg of glare is our
    /// own: a module 1 deg out of plane moves the image by 2, the drone sways by about 2, the sun's radius is 0.27.
    fn default() -> Self {
        Self { irradiance_w_m2: 600.0, view_angle_deg: 20.0, glare_deg: 5.0 }
    }
}

/// Sky and ground.
#[derive(Debug, Clone, PartialEq)]
pub struct Sky {
    /// Linke turbidity.
    pub turbidity: f64,
    /// Share of the light that the ground sends back.
    pub albedo: f64,
}

impl Default for Sky {
    fn default() -> Self {
        Self { turbidity: DEFAULT_TURBIDITY, albedo: DEFAULT_ALBEDO }
    }
}

/// Longest span of days: the plan of a year is a table that can still be read by a machine.
const MAX_DAYS: i32 = 366;

impl PlanInput {
    /// Tells which value cannot be used, why, and what to give.
    pub(super) fn check(&self) -> Result<()> {
        self.place.check()?;
        let (camera, wanted, flight, limits) = (&self.camera, &self.wanted, &self.flight, &self.limits);
        let (array, module, tracker) = (&self.array, &self.module, &self.tracker);
        let facing = "give the compass direction that the modules face, 180 for south";
        let ranges = [
            ("tilt", array.tilt_deg, 0.0, 90.0, "give degrees from horizontal, 0 flat and 90 upright"),
            ("azimuth", array.azimuth_deg, 0.0, 360.0, facing),
            ("surface height", array.surface_above_takeoff_m, -200.0, 500.0, "give metres over the take-off point"),
            ("module width", module.width_m, 0.05, 20.0, "give the short side in metres"),
            ("module length", module.length_m, 0.05, 20.0, "give the long side in metres"),
            ("axis tilt", tracker.axis_tilt_deg, 0.0, 45.0, "give degrees from horizontal, 0 for a level axis"),
            ("axis azimuth", tracker.axis_azimuth_deg, 0.0, 360.0, "give 180 for an axis from north to south"),
            ("tracker's greatest angle", tracker.max_angle_deg, 1.0, 90.0, "give degrees from horizontal, 60"),
            ("ground cover", tracker.ground_cover, 0.05, 0.95, "give module width over row distance, 0.4"),
            ("focal length", camera.focal_length_mm, 0.5, 500.0, "give the lens's focal length in mm, 13"),
            ("pixel pitch", camera.pixel_pitch_um, 1.0, 100.0, "give the detector's pitch in micrometres, 12"),
            ("pixels across", f64::from(camera.width_px), 16.0, 20000.0, "give the frame's size, 640 512"),
            ("pixels down", f64::from(camera.height_px), 16.0, 20000.0, "give the frame's size, 640 512"),
            ("distortion", camera.k1, -0.5, 0.5, "give the radial term in focal lengths, 0 if it is not known"),
            ("time constant", camera.time_constant_s, 1e-6, 1.0, "give seconds, 0.01 for an uncooled detector"),
            ("frame interval", camera.frame_interval_s, 1e-3, 3600.0, "give seconds between two frames, 1"),
            ("frame size", camera.frame_bytes.unwrap_or(1.0), 1.0, 1e10, "give bytes a frame"),
            ("camera pitch", camera.pitch_deg.unwrap_or(-90.0), -90.0, -1.0, "give -90 for straight down"),
            ("heading", camera.heading_deg.unwrap_or(0.0), 0.0, 360.0, "give degrees from north, clockwise"),
            ("ground sample distance", wanted.gsd_m, 1e-4, 1.0, "give metres a pixel, 0.03"),
            ("pixels a cell", wanted.px_per_cell, 1.0, 1000.0, "give at least 5, as IEC TS 62446-3 asks"),
            ("overlap along", wanted.overlap_along, 0.0, 0.95, "give a share from 0 to 0.95"),
            ("overlap across", wanted.overlap_across, 0.0, 0.95, "give a share from 0 to 0.95"),
            ("motion blur", flight.blur_px, 0.01, 10.0, "give pixels, 0.5"),
            ("least height", flight.min_height_m, 1.0, 500.0, "give metres over the modules, 5"),
            ("greatest height", flight.max_height_m, 1.0, 10000.0, "give metres over the take-off point, 120"),
            ("obstacle height", flight.tallest_obstacle_m, 0.0, 1000.0, "give metres over the take-off point"),
            ("obstacle margin", flight.obstacle_margin_m, 0.0, 200.0, "give metres, 10"),
            ("minutes a battery", flight.battery_min, 1.0, 1e4, "give the minutes that you let a battery fly, 20"),
            ("least irradiance", limits.irradiance_w_m2, 0.0, 1400.0, "give W/m2, 600 in IEC TS 62446-3"),
            ("view angle", limits.view_angle_deg, 0.0, 60.0, "give degrees from the perpendicular, 20"),
            ("glare", limits.glare_deg, 0.0, 60.0, "give degrees, 5"),
            ("turbidity", self.sky.turbidity, 1.0, 15.0, "give the Linke turbidity, 2 clear to 7 hazy"),
            ("albedo", self.sky.albedo, 0.0, 1.0, "give the share of light that the ground sends back, 0.25"),
        ];
        for (name, value, low, high, remedy) in ranges {
            if !(low..=high).contains(&value) {
                return Err(Error::argument(name, format!("{value} is not between {low} and {high}"), remedy));
            }
        }
        let [first, last] = self.dates;
        let days = (last - first).get_days();
        if days < 0 {
            return Err(Error::argument("date", format!("{last} lies before {first}"), "give the earlier day first"));
        }
        if days >= MAX_DAYS {
            let reason = format!("{first} to {last} are {} days", days + 1);
            return Err(Error::argument("date", reason, format!("give at most {MAX_DAYS} days")));
        }
        if flight.battery_min <= flight.ferry_min {
            let reason = format!("{} leave nothing beside {} for the way", flight.battery_min, flight.ferry_min);
            return Err(Error::argument("minutes a battery", reason, "give more minutes"));
        }
        Ok(())
    }

    /// The modules follow the sun.
    pub(super) fn tracks(&self) -> bool {
        self.array.mounting == Mounting::Tracker
    }
}
