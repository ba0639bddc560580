//! `thermal plan`: flight geometry and the hours fit to fly.

use std::{fs, path::PathBuf, process::ExitCode};

use clap::ValueEnum;
use jiff::{civil::Date, tz::Offset};
use thermal_core::{
    Error,
    output::write_atomic,
    plan::{self, Area, PlanInput, read_obstacles},
    settings::{Mounting, Orientation, Settings, Site},
    sun::Place,
};

use crate::{
    console::{Console, print},
    failure::Failure,
};

const EXAMPLES: &str = "\
Examples:
  The demo plant:
    thermal demo quarry --render-only
    thermal plan --site quarry --date 2026-06-18
  A roof that faces south, 12 m over the take-off point:
    thermal plan --lat 48.10 --lon 11.60 --elevation 520 --tilt 20 --azimuth 180 \\
                 --date 2026-06-21 --utc-offset +02:00 --surface-height 12 --out briefing
  A site that an inspection folder describes, a week of it:
    thermal plan --site quarry --date 2026-06-15..2026-06-21 --out week";

/// For the thermographer, before the flight: heights, speed, lines, and the hours fit to fly
#[derive(clap::Args)]
#[command(after_help = EXAMPLES, allow_negative_numbers = true)]
pub(crate) struct Args {
    /// Day, 2026-06-21, or span of days, 2026-06-15..2026-06-21
    #[arg(long, value_name = "DAY")]
    date: String,
    /// Latitude, deg, south negative [default: the middle of the area]
    #[arg(long, value_name = "DEG", help_heading = "Site")]
    lat: Option<f64>,
    /// Longitude, deg, west negative [default: the middle of the area]
    #[arg(long, value_name = "DEG", help_heading = "Site")]
    lon: Option<f64>,
    /// Height over the sea, m [default: 0]
    #[arg(long, value_name = "M", help_heading = "Site")]
    elevation: Option<f64>,
    /// The site's clock, +02:00 [default: the site's, else the full hour of the longitude]
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true, help_heading = "Site")]
    utc_offset: Option<String>,
    /// Inspection folder: its inspection.toml and layout.geojson give what the options leave out
    #[arg(long, value_name = "DIR", help_heading = "Site")]
    site: Option<PathBuf>,
    /// Polygons to fly over: a layout or a drawn area, GeoJSON [default: the site's layout]
    #[arg(long, value_name = "FILE", help_heading = "Site")]
    area: Option<PathBuf>,
    /// Obstacles noted on the walk-round, CSV of name, lat, lon and `height_m` (the top's over take-off)
    #[arg(long, value_name = "FILE", help_heading = "Site")]
    obstacles: Option<PathBuf>,
    /// Top of the tallest obstacle over the take-off point, m [default: 0]
    #[arg(long, value_name = "M", help_heading = "Site")]
    tallest_obstacle: Option<f64>,
    /// Linke turbidity: 2 clear and cold, 3 clean, 5 humid or hazy
    #[arg(long, default_value_t = 3.0, help_heading = "Site")]
    turbidity: f64,

    /// How the modules are mounted
    #[arg(long, value_enum, help_heading = "Array")]
    mounting: Option<MountingWord>,
    /// Tilt of the modules, deg; of the axis for trackers [default: the site's, else 25; 0 for trackers]
    #[arg(long, value_name = "DEG", help_heading = "Array")]
    tilt: Option<f64>,
    /// The way the modules face, deg from north, clockwise; the way the axis points for trackers [default: the site's, else 180]
    #[arg(long, value_name = "DEG", help_heading = "Array")]
    azimuth: Option<f64>,
    /// Greatest turn of the trackers to either side, deg
    #[arg(long, value_name = "DEG", default_value_t = 60.0, help_heading = "Array")]
    tracker_max: f64,
    /// Trackers: width of the modules over the distance of the axes, for backtracking
    #[arg(long, value_name = "SHARE", default_value_t = 0.4, help_heading = "Array")]
    ground_cover: f64,
    /// Module's short and long side, m [default: the site's, else 1.04 2.00]
    #[arg(long, num_args = 2, value_names = ["M", "M"], help_heading = "Array")]
    module_size: Option<Vec<f64>>,
    /// Cells across the width and along the length [default: the site's, else 6 10]
    #[arg(long, num_args = 2, value_names = ["N", "N"], help_heading = "Array")]
    cells: Option<Vec<u32>>,
    /// Modules lie with the long side along the row
    #[arg(long, help_heading = "Array")]
    landscape: bool,
    /// Height of the modules over the take-off point, m [default: the site's, else 0]
    #[arg(long, value_name = "M", help_heading = "Array")]
    surface_height: Option<f64>,

    /// Focal length, mm [default: the site's, else 13]
    #[arg(long, value_name = "MM", help_heading = "Camera")]
    focal_mm: Option<f64>,
    /// Distance between pixel centres, micrometres [default: the site's, else 12]
    #[arg(long, value_name = "UM", help_heading = "Camera")]
    pixel_pitch_um: Option<f64>,
    /// Pixels across and down
    #[arg(long, num_args = 2, value_names = ["PX", "PX"], default_values_t = [640, 512], help_heading = "Camera")]
    pixels: Vec<u32>,
    /// Camera pitch, deg, -90 straight down [default: chosen]
    #[arg(long, value_name = "DEG", help_heading = "Camera")]
    pitch: Option<f64>,
    /// The way the camera looks, deg from north, clockwise [default: up the slope]
    #[arg(long, value_name = "DEG", help_heading = "Camera")]
    heading: Option<f64>,
    /// Thermal time constant of an uncooled detector, or exposure, s
    #[arg(long, value_name = "S", default_value_t = 0.01, help_heading = "Camera")]
    time_constant: f64,
    /// Least time between two frames, s
    #[arg(long, value_name = "S", default_value_t = 1.0, help_heading = "Camera")]
    frame_interval: f64,
    /// Size of a frame on the card, bytes [default: two a pixel]
    #[arg(long, value_name = "BYTES", help_heading = "Camera")]
    frame_bytes: Option<f64>,

    /// Greatest ground sample distance anywhere in the frame, m (IEC TS 62446-3: 0.03)
    #[arg(long, value_name = "M", default_value_t = 0.03, help_heading = "Flight")]
    gsd: f64,
    /// Least pixels across a cell anywhere in the frame (IEC TS 62446-3: 5)
    #[arg(long, value_name = "PX", default_value_t = 5.0, help_heading = "Flight")]
    px_per_cell: f64,
    /// Overlap of frames along a line, 0 to 1
    #[arg(long, value_name = "SHARE", default_value_t = 0.7, help_heading = "Flight")]
    overlap_along: f64,
    /// Overlap of lines, 0 to 1
    #[arg(long, value_name = "SHARE", default_value_t = 0.3, help_heading = "Flight")]
    overlap_across: f64,
    /// Greatest motion blur, px
    #[arg(long, value_name = "PX", default_value_t = 0.5, help_heading = "Flight")]
    blur: f64,
    /// Least height over the modules, m
    #[arg(long, value_name = "M", default_value_t = 5.0, help_heading = "Flight")]
    min_height: f64,
    /// Greatest height over the take-off point that the law allows, m
    #[arg(long, value_name = "M", default_value_t = 120.0, help_heading = "Flight")]
    max_height: f64,
    /// Margin over and beside obstacles, m
    #[arg(long, value_name = "M", default_value_t = 10.0, help_heading = "Flight")]
    margin: f64,
    /// Minutes that you let a battery fly
    #[arg(long, value_name = "MIN", default_value_t = 20.0, help_heading = "Flight")]
    battery: f64,
    /// Least irradiance in the plane of the modules, W/m2 (IEC TS 62446-3: 600)
    #[arg(long, value_name = "W/M2", default_value_t = 600.0, help_heading = "Flight")]
    min_irradiance: f64,
    /// Greatest angle of the camera's axis off the modules' perpendicular, deg
    #[arg(long, value_name = "DEG", default_value_t = 20.0, help_heading = "Flight")]
    max_view_angle: f64,
    /// Least angle between the sun's mirror image and the frame, deg
    #[arg(long, value_name = "DEG", default_value_t = 5.0, help_heading = "Flight")]
    min_glare: f64,

    /// Write briefing.html, chart.svg, lines.geojson, lines.kml and plan.json into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write over the files of an existing folder
    #[arg(long, requires = "out")]
    force: bool,
    /// Print the plan as JSON
    #[arg(long)]
    json: bool,
}

/// Words of `--mounting`, as in inspection.toml.
#[derive(Clone, Copy, ValueEnum)]
pub(crate) enum MountingWord {
    Fixed,
    Tracker,
    DualTilt,
}

impl From<MountingWord> for Mounting {
    fn from(word: MountingWord) -> Self {
        match word {
            MountingWord::Fixed => Self::Fixed,
            MountingWord::Tracker => Self::Tracker,
            MountingWord::DualTilt => Self::DualTilt,
        }
    }
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let plan = plan::plan(&args.input()?)?;
    let json = || serde_json::to_string_pretty(&plan).map_err(|e| Failure::Runtime(format!("plan.json: {e}")));
    if let Some(place) = &args.out {
        // All of it is made before the first file is written.
        let files = [
            ("briefing.html", plan.to_briefing()?),
            ("chart.svg", plan.to_svg()),
            ("lines.geojson", plan.to_geojson().to_string()),
            ("lines.kml", plan.to_kml()),
            ("plan.json", json()?),
        ];
        if place.exists() && !args.force {
            let reason = format!("{} exists already", place.display());
            let remedy = "give another folder, or --force to write over its files";
            return Err(Error::argument("--out", reason, remedy).into());
        }
        fs::create_dir_all(place).map_err(|e| Error::io(place, "create the folder", e))?;
        for (name, content) in files {
            write_atomic(&place.join(name), content.as_bytes())?;
        }
    }
    print(&if args.json { json()? } else { plan.to_text() })?;
    match &args.out {
        Some(place) => console.note(&format!("\nBriefing: {}", place.join("briefing.html").display())),
        None => console.note("\nWith --out DIR: a briefing to print, the chart, the lines as GeoJSON and KML."),
    }
    Ok(ExitCode::SUCCESS)
}

impl Args {
    /// What the options say, then what the site's folder says, then the defaults.
    fn input(&self) -> Result<PlanInput, Error> {
        let mut assumed = Vec::new();
        let mut settings = self.settings()?;
        let area = self.area()?;
        let place = self.place(area.as_ref(), &mut assumed)?;
        let given = match &self.utc_offset {
            Some(text) => Some(offset(text)?),
            None => settings.site.offset(),
        };
        let utc_offset = given.unwrap_or_else(|| {
            let offset = clock_of(place.lon_deg);
            assumed.push(format!("the site's clock runs at {offset} from UTC, after its longitude"));
            offset
        });
        let [first, last] = dates(&self.date)?;
        let mut input = PlanInput::new(place, first, utc_offset);
        input.dates = [first, last];
        input.site = settings.site.name.clone();
        self.array(&mut settings, &mut input, &mut assumed);
        input.array = settings.array;
        input.module = settings.module;

        let camera = &mut input.camera;
        camera.focal_length_mm = self.focal_mm.or(settings.camera.focal_length_mm).unwrap_or(camera.focal_length_mm);
        camera.pixel_pitch_um = self.pixel_pitch_um.unwrap_or(settings.camera.pixel_pitch_um);
        camera.k1 = settings.camera.k1;
        if let [width, height] = self.pixels[..] {
            (camera.width_px, camera.height_px) = (width, height);
        }
        camera.pitch_deg = self.pitch;
        camera.heading_deg = self.heading;
        camera.time_constant_s = self.time_constant;
        camera.frame_interval_s = self.frame_interval;
        camera.frame_bytes = self.frame_bytes;
        input.wanted.gsd_m = self.gsd;
        input.wanted.px_per_cell = self.px_per_cell;
        input.wanted.overlap_along = self.overlap_along;
        input.wanted.overlap_across = self.overlap_across;
        input.flight.blur_px = self.blur;
        input.flight.min_height_m = self.min_height;
        input.flight.max_height_m = self.max_height;
        input.flight.tallest_obstacle_m = self.tallest_obstacle.unwrap_or(0.0);
        input.flight.obstacle_margin_m = self.margin;
        input.flight.battery_min = self.battery;
        input.limits.irradiance_w_m2 = self.min_irradiance;
        input.limits.view_angle_deg = self.max_view_angle;
        input.limits.glare_deg = self.min_glare;
        input.sky.turbidity = self.turbidity;
        input.obstacles = self.obstacles.as_ref().map(read_obstacles).transpose()?.unwrap_or_default();
        if self.tallest_obstacle.is_none() && self.obstacles.is_none() {
            assumed.push("no obstacle is known, and the return height counts none".into());
        }
        if self.site.is_none() {
            let (module, array, camera) = (&input.module, &input.array, &input.camera);
            let tilt = match array.mounting {
                Mounting::Tracker => String::new(),
                _ => format!("tilt {} deg, ", array.tilt_deg),
            };
            assumed.push(format!(
                "where no option says otherwise: {tilt}modules of {} by {} m with {} by {} cells, a lens of {} mm, {} um a pixel, \
                 {} by {} pixels",
                module.width_m,
                module.length_m,
                module.cells[0],
                module.cells[1],
                camera.focal_length_mm,
                camera.pixel_pitch_um,
                camera.width_px,
                camera.height_px
            ));
        }
        input.area = area;
        input.assumed = assumed;
        Ok(input)
    }

    fn settings(&self) -> Result<Settings, Error> {
        let Some(folder) = &self.site else { return Ok(Settings::default()) };
        if !folder.is_dir() {
            return Err(Error::argument(
                "--site",
                format!("there is no folder {}", folder.display()),
                "give the folder that holds inspection.toml",
            ));
        }
        let file = folder.join("inspection.toml");
        if file.exists() { Settings::read(file) } else { Ok(Settings::default()) }
    }

    fn area(&self) -> Result<Option<Area>, Error> {
        let layout = self.site.as_ref().map(|folder| folder.join("layout.geojson")).filter(|file| file.exists());
        self.area.clone().or(layout).map(Area::read).transpose()
    }

    fn place(&self, area: Option<&Area>, assumed: &mut Vec<String>) -> Result<Place, Error> {
        let (lat_deg, lon_deg) = match (self.lat, self.lon, area) {
            (Some(lat), Some(lon), _) => (lat, lon),
            (lat, lon, Some(area)) => {
                let (middle_lat, middle_lon) = area.centre();
                assumed.push("the place is the middle of the area".into());
                (lat.unwrap_or(middle_lat), lon.unwrap_or(middle_lon))
            }
            _ => {
                return Err(Error::argument(
                    "--lat, --lon",
                    "the site's place is not known",
                    "give --lat and --lon in degrees, or --area or --site with a layout.geojson",
                ));
            }
        };
        if self.elevation.is_none() {
            assumed.push("the site lies at sea level (a high one has some percent more sun)".into());
        }
        Ok(Place { lat_deg, lon_deg, elevation_m: self.elevation.unwrap_or(0.0) })
    }

    fn array(&self, settings: &mut Settings, input: &mut PlanInput, assumed: &mut Vec<String>) {
        let array = &mut settings.array;
        if let Some(word) = self.mounting {
            array.mounting = word.into();
        }
        if array.mounting == Mounting::Tracker {
            // An inspection.toml holds the modules' tilt and azimuth at the flight; the axis lies across that azimuth.
            let from_site = self.site.is_some() && settings.sources.contains_key("array.azimuth_deg");
            let axis = if from_site { (array.azimuth_deg + 90.0).rem_euclid(180.0) } else { 180.0 };
            input.tracker.axis_azimuth_deg = self.azimuth.unwrap_or(axis);
            input.tracker.axis_tilt_deg = self.tilt.unwrap_or(0.0);
            input.tracker.max_angle_deg = self.tracker_max;
            input.tracker.ground_cover = self.ground_cover;
            assumed.push(format!(
                "the trackers' axis points to {:.0} deg with {:.0} deg of tilt, turns up to {:.0} deg and backtracks",
                input.tracker.axis_azimuth_deg, input.tracker.axis_tilt_deg, self.tracker_max
            ));
        } else {
            array.tilt_deg = self.tilt.unwrap_or(array.tilt_deg);
            array.azimuth_deg = self.azimuth.unwrap_or(array.azimuth_deg);
        }
        array.surface_above_takeoff_m = self.surface_height.unwrap_or(array.surface_above_takeoff_m);
        let module = &mut settings.module;
        if let Some([width, length]) = self.module_size.as_deref() {
            (module.width_m, module.length_m) = (*width, *length);
        }
        if let Some([across, along]) = self.cells.as_deref() {
            module.cells = [*across, *along];
        }
        if self.landscape {
            module.orientation = Orientation::Landscape;
        }
    }
}

/// `+02:00`, as the settings read it.
pub(crate) fn offset(text: &str) -> Result<Offset, Error> {
    Site { utc_offset: Some(text.into()), ..Site::default() }
        .offset()
        .ok_or_else(|| Error::argument("--utc-offset", format!("`{text}` is no offset"), "write +02:00, -07:00 or Z"))
}

/// The full hour of a longitude: what a clock there would show without politics.
fn clock_of(lon_deg: f64) -> Offset {
    Offset::from_hours((lon_deg / 15.0).round() as i8).unwrap_or(Offset::UTC)
}

/// `2026-06-21` or `2026-06-15..2026-06-21`.
fn dates(text: &str) -> Result<[Date; 2], Error> {
    let day = |text: &str| {
        text.trim().parse::<Date>().map_err(|_| {
            let remedy = "write a day of the calendar as 2026-06-21, or a span as 2026-06-15..2026-06-21";
            Error::argument("--date", format!("`{text}` is no date"), remedy)
        })
    };
    match text.split_once("..") {
        Some((first, last)) => Ok([day(first)?, day(last)?]),
        None => Ok([day(text)?; 2]),
    }
}
