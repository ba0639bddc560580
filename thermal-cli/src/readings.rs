//! `thermal readings`: the irradiance log from time-stamped photographs of the meter.

use std::io::{self, BufRead, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use jiff::tz::Offset;
use thermal_core::{
    Error,
    readings::{Expected, Figure, Photo, Readings, SunCheck, Value, find_photos, read_values},
    settings::{Mounting, Settings},
    sun::{Place, Plane, Tracker},
};

use crate::{
    PARTLY,
    console::{Console, print},
    failure::Failure,
    plan::{MountingWord, offset},
};

const EXAMPLES: &str = "\
Examples:
  Asks for the value on each photo, checks it at once and goes on where it was left:
    thermal readings meter --site quarry --out meter.csv
  The same from a table photo,poa_w_m2[,air_temp_c,wind_m_s,cloud_okta]:
    thermal readings meter --site quarry --values read.csv --out meter.csv";

/// For the thermographer, back at the desk: the irradiance log from time-stamped photographs of the meter
#[derive(clap::Args)]
#[command(after_help = EXAMPLES, allow_negative_numbers = true)]
pub(crate) struct Args {
    /// Folder of the photos, JPEG
    photos: PathBuf,
    /// Take the values from this table, `photo,poa_w_m2[,...]`, and do not ask
    #[arg(long, value_name = "FILE", help_heading = "Values")]
    values: Option<PathBuf>,
    /// The log [default: irradiance.csv in the site's folder, else in the photos']
    #[arg(long, value_name = "FILE", help_heading = "The log")]
    out: Option<PathBuf>,
    /// Ask for air temperature, wind and cloud as well
    #[arg(long, help_heading = "Values")]
    weather: bool,
    /// Inspection folder: its inspection.toml gives what the options leave out
    #[arg(long, value_name = "DIR", help_heading = "Check against the clear sky")]
    site: Option<PathBuf>,
    /// The phone's zone where a photo carries none, +02:00 [default: the site's]
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true, help_heading = "The log")]
    utc_offset: Option<String>,
    /// Added to every photo's time, s: what the phone's clock is slow
    #[arg(long, value_name = "S", default_value_t = 0.0, help_heading = "The log")]
    clock_offset: f64,
    /// Latitude, deg, for the check against the clear sky [default: the photos']
    #[arg(long, value_name = "DEG", requires = "lon", help_heading = "Check against the clear sky")]
    lat: Option<f64>,
    /// Longitude, deg [default: the photos']
    #[arg(long, value_name = "DEG", requires = "lat", help_heading = "Check against the clear sky")]
    lon: Option<f64>,
    /// Height over the sea, m
    #[arg(long, value_name = "M", default_value_t = 0.0, help_heading = "Check against the clear sky")]
    elevation: f64,
    /// How the modules are mounted [default: the site's, else fixed]
    #[arg(long, value_enum, help_heading = "Check against the clear sky")]
    mounting: Option<MountingWord>,
    /// Tilt of the modules, deg; of the axis for trackers [default: the site's]
    #[arg(long, value_name = "DEG", help_heading = "Check against the clear sky")]
    tilt: Option<f64>,
    /// The way the modules face, deg from north, clockwise; the way the axis points for trackers [default: the site's]
    #[arg(long, value_name = "DEG", help_heading = "Check against the clear sky")]
    azimuth: Option<f64>,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let settings = args.settings()?;
    let given = args.utc_offset.as_deref().map(offset).transpose()?.or(settings.site.offset());
    let (photos, problems) = find_photos(&args.photos, given, args.clock_offset)?;
    for problem in &problems {
        eprintln!("thermal: {problem}");
    }
    let check = args.sun_check(&settings, &photos)?;
    match &check {
        Some(check) => console.note(&format!(
            "Readings are checked against the clear sky at {:.4}, {:.4}.",
            check.place.lat_deg, check.place.lon_deg
        )),
        None => {
            console.note("No place is known, so no reading is checked: give --lat and --lon, and tilt and azimuth.");
        }
    }
    let mut log = Readings::open(&args.log(), given.unwrap_or(Offset::UTC))?;
    let before = log.len();
    let open: Vec<&Photo> = photos.iter().filter(|photo| !log.has(&photo.name)).collect();
    if before > 0 {
        console.note(&format!("{before} readings are in the log; {} photos are left.", open.len()));
    }
    let mut left_out = problems.len();
    match &args.values {
        Some(values) => left_out += from_table(values, &open, check.as_ref(), &mut log)?,
        None => left_out += from_person(args.weather, &open, check.as_ref(), &mut log)?,
    }
    if log.is_empty() {
        return Err(Failure::Runtime(format!("{}: no reading, so no log is written", args.photos.display())));
    }
    log.save()?;
    print(&format!("{}: {} readings, {} new", args.log().display(), log.len(), log.len() - before))?;
    if let Some((gap_s, from, to)) = log.longest_gap().filter(|gap| gap.0 > 25.0 * 60.0) {
        let shown = given.unwrap_or(Offset::UTC);
        console.note(&format!(
            "The longest gap is {:.0} minutes, {} to {}: frames taken in it are flagged.",
            gap_s / 60.0,
            from.display_with_offset(shown),
            to.display_with_offset(shown)
        ));
    }
    if left_out > 0 {
        console.note(&format!("{left_out} photos gave no reading."));
        return Ok(ExitCode::from(PARTLY));
    }
    Ok(ExitCode::SUCCESS)
}

impl Args {
    fn settings(&self) -> Result<Settings, Error> {
        match self.site.as_ref().map(|folder| folder.join("inspection.toml")) {
            Some(file) if file.exists() => Settings::read(file),
            _ => Ok(Settings::default()),
        }
    }

    fn log(&self) -> PathBuf {
        let beside = || self.site.as_ref().unwrap_or(&self.photos).join("irradiance.csv");
        self.out.clone().unwrap_or_else(beside)
    }

    /// The check, where the place is known: given, or that of the first photo with a fix.
    fn sun_check(&self, settings: &Settings, photos: &[Photo]) -> Result<Option<SunCheck>, Error> {
        let known = self.lat.zip(self.lon).or_else(|| photos.iter().find_map(|photo| photo.position));
        let Some((lat_deg, lon_deg)) = known else { return Ok(None) };
        let place = Place { lat_deg, lon_deg, elevation_m: self.elevation };
        place.check()?;
        let array = &settings.array;
        let mounting = self.mounting.map_or(array.mounting, Mounting::from);
        let tilt_deg = self.tilt.unwrap_or(array.tilt_deg);
        let azimuth_deg = self.azimuth.unwrap_or(array.azimuth_deg);
        let plane = Plane { tilt_deg, azimuth_deg };
        let tracker = (mounting == Mounting::Tracker).then(|| Tracker {
            axis_tilt_deg: self.tilt.unwrap_or(0.0),
            axis_azimuth_deg: self.azimuth.unwrap_or((array.azimuth_deg + 90.0).rem_euclid(180.0)),
            ..Tracker::default()
        });
        Ok(Some(SunCheck { place, planes: plane.sides(mounting), tracker }))
    }
}

/// Takes the values from a table; returns how many photos got none.
fn from_table(path: &Path, photos: &[&Photo], check: Option<&SunCheck>, log: &mut Readings) -> Result<usize, Failure> {
    let (mut values, problems) = read_values(path)?;
    for problem in &problems {
        eprintln!("thermal: {problem}");
    }
    let mut left_out = 0;
    for photo in photos {
        let Some(value) = values.remove(&photo.name) else {
            eprintln!("thermal: {}: {} has no row for it", photo.name, path.display());
            left_out += 1;
            continue;
        };
        if let Some(doubt) = expected(check, photo)?.and_then(|sky| sky.doubt(value.poa_w_m2)) {
            eprintln!("thermal: {}: kept, but {doubt}", photo.name);
        }
        if let Err(twin) = log.add(photo, value) {
            eprintln!("thermal: {twin}");
            left_out += 1;
        }
    }
    Ok(left_out)
}

fn expected(check: Option<&SunCheck>, photo: &Photo) -> Result<Option<Expected>, Error> {
    check.map(|check| check.expected(photo.time)).transpose()
}

/// Asks for the value on each photo and saves after each; returns how many photos got none.
fn from_person(
    weather: bool,
    photos: &[&Photo],
    check: Option<&SunCheck>,
    log: &mut Readings,
) -> Result<usize, Failure> {
    let mut asked = Asked { input: io::stdin().lock() };
    let mut left_out = 0;
    for (n, photo) in photos.iter().enumerate() {
        let sky = expected(check, photo)?;
        let clear = sky.map(|sky| format!(", clear sky {:.0} W/m2", sky.poa_w_m2)).unwrap_or_default();
        eprintln!("\n{} of {}: {}\n  {}{clear}", n + 1, photos.len(), photo.path.display(), photo.time);
        match asked.value(weather, sky)? {
            Answer::Value(value) => match log.add(photo, value) {
                Ok(()) => log.save()?,
                Err(twin) => {
                    eprintln!("thermal: {twin}");
                    left_out += 1;
                }
            },
            Answer::Skip => left_out += 1,
            Answer::Stop => return Ok(left_out + photos.len() - n),
        }
    }
    Ok(left_out)
}

/// The person at the terminal, or what stands in for one.
struct Asked<R> {
    input: R,
}

enum Answer {
    Value(Value),
    Skip,
    Stop,
}

impl<R: BufRead> Asked<R> {
    /// The next line; `None` at the end of the input.
    fn line(&mut self, question: &str) -> Result<Option<String>, Failure> {
        eprint!("  {question}: ");
        io::stderr().flush()?;
        let mut line = String::new();
        let read = self.input.read_line(&mut line).map_err(|e| Failure::Runtime(format!("standard input: {e}")))?;
        Ok((read > 0).then(|| line.trim().to_owned()))
    }

    fn value(&mut self, weather: bool, sky: Option<Expected>) -> Result<Answer, Failure> {
        let mut doubted = None;
        let poa_w_m2 = loop {
            let Some(line) = self.line("irradiance in W/m2 (s skips the photo, q stops here)")? else {
                return Ok(Answer::Stop);
            };
            match line.as_str() {
                "s" => return Ok(Answer::Skip),
                "q" => return Ok(Answer::Stop),
                _ => (),
            }
            match Figure::Irradiance.parse(&line) {
                Err(error) => eprintln!("  {error}"),
                // The same value a second time is meant.
                Ok(value) if doubted == Some(value) => break value,
                Ok(value) => match sky.and_then(|sky| sky.doubt(value)) {
                    Some(doubt) => {
                        eprintln!("  {doubt}.\n  Type it again if the meter shows it.");
                        doubted = Some(value);
                    }
                    None => break value,
                },
            }
        };
        let mut value = Value { poa_w_m2, air_temp_c: None, wind_m_s: None, cloud_okta: None };
        if weather {
            value.air_temp_c = self.optional("air temperature in deg C (empty: not read)", Figure::AirTemperature)?;
            value.wind_m_s = self.optional("wind in m/s (empty: not read)", Figure::Wind)?;
            value.cloud_okta = self.optional("cloud in eighths of the sky (empty: not read)", Figure::Cloud)?;
        }
        Ok(Answer::Value(value))
    }

    fn optional(&mut self, question: &str, figure: Figure) -> Result<Option<f64>, Failure> {
        loop {
            match self.line(question)?.as_deref() {
                None | Some("") => return Ok(None),
                Some(text) => match figure.parse(text) {
                    Ok(value) => return Ok(Some(value)),
                    Err(error) => eprintln!("  {error}"),
                },
            }
        }
    }
}
