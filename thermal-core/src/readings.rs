//! The irradiance log from time-stamped photographs of the meter: which photos there are, what was read off them, and
//! whether the sun can have delivered it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::Offset;

use crate::capture::Capture;
use crate::sun::{DEFAULT_ALBEDO, DEFAULT_TURBIDITY, Place, Plane, Sun, Tracker, clear_sky};
use crate::table::{self, Table};
use crate::{Error, Result};

/// Columns of `irradiance.csv`; `photo` is what this module adds, and knows its own files by.
const COLUMNS: [&str; 6] = ["time", "poa_w_m2", "air_temp_c", "wind_m_s", "cloud_okta", "photo"];
/// Columns of a file of values.
const VALUE_COLUMNS: [&str; 5] = ["photo", "poa_w_m2", "air_temp_c", "wind_m_s", "cloud_okta"];
/// Range of each value: irradiance, air temperature, wind, cloud.
const RANGES: [(f64, f64); 4] = [(0.0, 1600.0), (-60.0, 70.0), (0.0, 75.0), (0.0, 8.0)];

/// The clearest air: Linke turbidity of the ceiling, from memory.
const CLEAREST_TURBIDITY: f64 = 2.0;
/// The brightest ground without snow, for the ceiling.
const BRIGHTEST_ALBEDO: f64 = 0.4;
/// What may come together over the clearest sky before a reading cannot be: 5 % of a hand-held meter, 5 % of the clear-sky
/// model, and a meter held 3 to 4 degrees out of plane, which at 40 degrees of incidence is 5 % (common practice, no
/// source); and 20 W/m2 of offset.
const SENSOR_SHARE: f64 = 0.15;
const SENSOR_W_M2: f64 = 20.0;
/// Share of the clear sky under which a reading is doubted: our own choice; nobody flies under such a cloud.
const DARK_SHARE: f64 = 0.3;
/// A level sensor is suspected where a reading agrees with the level plane within the first share, and the level plane
/// differs from the modules' by more than the second.
const LEVEL_AGREES: f64 = 0.04;
const LEVEL_DIFFERS: f64 = 0.12;

/// A photograph of the meter.
#[derive(Debug, Clone, PartialEq)]
pub struct Photo {
    /// File name.
    pub name: String,
    /// Where it is.
    pub path: PathBuf,
    /// When it was taken.
    pub time: Timestamp,
    /// Where it was taken, latitude and longitude, deg.
    pub position: Option<(f64, f64)>,
}

/// Finds the photographs in a folder, in the order in which they were taken, and names those that cannot serve.
///
/// `utc_offset` serves times that carry no zone; `clock_offset_s` is added to every time.
///
/// # Errors
/// [`Error::Io`]; [`Error::Input`] where there is no photograph at all.
pub fn find_photos(folder: &Path, utc_offset: Option<Offset>, clock_offset_s: f64) -> Result<(Vec<Photo>, Vec<Error>)> {
    let (mut photos, mut problems) = (Vec::new(), Vec::new());
    let entries = std::fs::read_dir(folder).map_err(|e| Error::io(folder, "list the photos", e))?;
    let mut paths = Vec::new();
    for entry in entries {
        paths.push(entry.map_err(|e| Error::io(folder, "list the photos", e))?.path());
    }
    paths.sort();
    for path in paths {
        let kind = path.extension().map(|kind| kind.to_string_lossy().to_lowercase()).unwrap_or_default();
        match kind.as_str() {
            "jpg" | "jpeg" | "png" | "tif" | "tiff" => match photo(&path, utc_offset, clock_offset_s) {
                Ok(photo) => photos.push(photo),
                Err(problem) => problems.push(problem),
            },
            "heic" | "heif" | "avif" => problems.push(Error::input(
                &path,
                "file name",
                format!("{kind} photos are not read"),
                "export it as JPEG with its data, or set the phone to the compatible format",
            )),
            _ => (),
        }
    }
    if photos.is_empty() && problems.is_empty() {
        let remedy = "give the folder of the meter's photos, JPEG";
        return Err(Error::input(folder, "folder", "there is no photo in it", remedy));
    }
    photos.sort_by(|a, b| (a.time, &a.name).cmp(&(b.time, &b.name)));
    Ok((photos, problems))
}

fn photo(path: &Path, utc_offset: Option<Offset>, clock_offset_s: f64) -> Result<Photo> {
    let smaller = "give the photo as the phone saved it";
    let bytes = crate::file::read(path, 64 << 20, "a photo", "give a JPEG file", smaller)?;
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let mut capture = Capture::from_bytes(&bytes, &name, utc_offset);
    capture.shift_clock(clock_offset_s);
    let Some(time) = capture.captured_at else {
        let mut reason = "the time of the photo is not known".to_owned();
        for note in &capture.notes {
            reason = format!("{reason}; {note}");
        }
        let remedy =
            "copy the photo from the phone itself, messengers strip the time; give --utc-offset where it lacks a zone";
        return Err(Error::input(path, "EXIF", reason, remedy));
    };
    Ok(Photo { name, path: path.to_owned(), time, position: capture.position() })
}

/// What was read off one photograph.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// Irradiance in the plane of the array, W/m2.
    pub poa_w_m2: f64,
    /// Air temperature, deg C.
    pub air_temp_c: Option<f64>,
    /// Wind, m/s.
    pub wind_m_s: Option<f64>,
    /// Cloud, eighths of the sky.
    pub cloud_okta: Option<f64>,
}

/// Which of a [`Value`]'s figures a text is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Figure {
    /// Irradiance, W/m2.
    Irradiance,
    /// Air temperature, deg C.
    AirTemperature,
    /// Wind, m/s.
    Wind,
    /// Cloud, eighths.
    Cloud,
}

impl Figure {
    /// Reads a figure as a person types it: decimal point or comma, and a unit behind it is passed over.
    ///
    /// # Errors
    /// [`Error::Argument`] where it is no number or outside the range.
    pub fn parse(self, text: &str) -> Result<f64> {
        let (name, remedy) = match self {
            Self::Irradiance => ("irradiance", "give W/m2 as the meter shows it, 812"),
            Self::AirTemperature => ("air temperature", "give deg C, 24"),
            Self::Wind => ("wind", "give m/s, 2.5"),
            Self::Cloud => ("cloud", "give eighths of the sky, 0 to 8"),
        };
        let (low, high) = RANGES[self as usize];
        let digits: String = text.trim().chars().take_while(|c| c.is_ascii_digit() || "+-.,".contains(*c)).collect();
        let Ok(value) = digits.replace(',', ".").parse::<f64>() else {
            return Err(Error::argument(name, format!("`{}` is no number", text.trim()), remedy));
        };
        if !(low..=high).contains(&value) {
            return Err(Error::argument(name, format!("{value} is not between {low} and {high}"), remedy));
        }
        Ok(value)
    }
}

/// Reads a file of values, `photo,poa_w_m2` and where known `air_temp_c,wind_m_s,cloud_okta`, by photo, and the problems
/// met.
///
/// # Errors
/// [`Error::Io`]; [`Error::Input`] where the file is no such table.
pub fn read_values(path: &Path) -> Result<(BTreeMap<String, Value>, Vec<Error>)> {
    let mut table = Table::open(path, &VALUE_COLUMNS, 2)?;
    let mut values = BTreeMap::new();
    while table.advance()? {
        let line = table.line();
        let photo = table.text("photo").to_owned();
        if photo.is_empty() {
            table.problem(line, Some("photo"), "no photo is named; the row is left out", "give the photo's file name");
            continue;
        }
        if values.contains_key(&photo) {
            let reason = format!("{photo} is named twice; this row is left out");
            table.problem(line, Some("photo"), reason, "keep one of the two rows");
            continue;
        }
        // A number that cannot be used is a problem already; an empty irradiance says that the photo shows none.
        if let Some(value) = value(&mut table) {
            values.insert(photo, value);
        }
    }
    Ok((values, table.into_problems()))
}

fn value(table: &mut Table) -> Option<Value> {
    let mut number = |k: usize| table.number(COLUMNS[k + 1], RANGES[k].0, RANGES[k].1);
    let [poa, air, wind, cloud] = [number(0), number(1), number(2), number(3)];
    Some(Value { poa_w_m2: poa?, air_temp_c: air, wind_m_s: wind, cloud_okta: cloud })
}

/// A log in the making.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    path: PathBuf,
    /// Offset of the times that are written.
    utc_offset: Offset,
    /// By time: the photo and what was read off it.
    entries: BTreeMap<Timestamp, (String, Value)>,
}

impl Readings {
    /// Opens the log at `path`, or begins one where there is none. Times are written with `utc_offset`.
    ///
    /// # Errors
    /// [`Error::Io`]; [`Error::Input`] where the file there is not one of these logs or holds a row that cannot be read:
    /// it would be lost in the rewriting.
    pub fn open(path: &Path, utc_offset: Offset) -> Result<Self> {
        let mut readings = Self { path: path.to_owned(), utc_offset, entries: BTreeMap::new() };
        if !crate::file::is_there(path) {
            return Ok(readings);
        }
        let mut table = Table::open(path, &COLUMNS, 2)?;
        while table.problems().is_empty() && table.advance()? {
            let photo = table.text("photo").to_owned();
            if photo.is_empty() {
                let reason = "the row was not read off a photo; this is a log of another origin";
                let remedy = "give --out another file, and join the two by hand";
                return Err(Error::input(path, format!("line {}", table.line()), reason, remedy));
            }
            if let (Some(time), Some(value)) = (table.time("time", Some(utc_offset)), value(&mut table)) {
                readings.entries.insert(time, (photo, value));
            }
        }
        match table.into_problems().into_iter().next() {
            Some(problem) => Err(problem),
            None => Ok(readings),
        }
    }

    /// The photo has been read off already.
    pub fn has(&self, photo: &str) -> bool {
        self.entries.values().any(|(name, _)| name == photo)
    }

    /// Number of readings.
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// There is no reading yet.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Adds what was read off a photo.
    ///
    /// # Errors
    /// [`Error::Input`] where another photo of the same moment is in the log.
    pub fn add(&mut self, photo: &Photo, value: Value) -> Result<()> {
        match self.entries.get(&photo.time) {
            Some((other, _)) if *other != photo.name => Err(Error::input(
                &photo.path,
                "time",
                format!("{other} was taken at the same time, {}", photo.time),
                "keep one of the two photos",
            )),
            _ => {
                self.entries.insert(photo.time, (photo.name.clone(), value));
                Ok(())
            }
        }
    }

    /// Writes the log, whole or not at all.
    ///
    /// # Errors
    /// [`Error::Io`].
    pub fn save(&self) -> Result<()> {
        let lines = self.entries.iter().map(|(time, (photo, value))| {
            let figure = |figure: Option<f64>| figure.map(|figure| figure.to_string()).unwrap_or_default();
            [
                time.display_with_offset(self.utc_offset).to_string(),
                value.poa_w_m2.to_string(),
                figure(value.air_temp_c),
                figure(value.wind_m_s),
                figure(value.cloud_okta),
                photo.clone(),
            ]
        });
        table::write(&self.path, COLUMNS, lines)
    }

    /// Longest time between neighbours, with its two ends; `None` with fewer than two readings.
    pub fn longest_gap(&self) -> Option<(f64, Timestamp, Timestamp)> {
        let times: Vec<Timestamp> = self.entries.keys().copied().collect();
        times
            .windows(2)
            .map(|pair| (pair[1].duration_since(pair[0]).as_secs_f64(), pair[0], pair[1]))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// What a sensor in the plane of the modules can read under the sun of a place.
#[derive(Debug, Clone, PartialEq)]
pub struct SunCheck {
    /// The place.
    pub place: Place,
    /// The planes in which a sensor may lie: one, or the two sides of a dual-tilt roof.
    pub planes: Vec<Plane>,
    /// The tracker whose plane it is; then `planes` is not read.
    pub tracker: Option<Tracker>,
}

/// The clear sky at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// In the plane of the modules, W/m2.
    pub poa_w_m2: f64,
    /// The most that a sensor in that plane may read, W/m2.
    pub ceiling_w_m2: f64,
    /// On a level plane, W/m2.
    pub level_w_m2: f64,
    /// The sun is over the horizon.
    pub sun_up: bool,
}

impl SunCheck {
    /// What the clear sky delivers at a time; of two planes the one that gets more.
    ///
    /// # Errors
    /// As [`Sun::at`].
    pub fn expected(&self, time: Timestamp) -> Result<Expected> {
        let sun = Sun::at(time, &self.place)?;
        let planes = match &self.tracker {
            Some(tracker) => vec![tracker.plane(tracker.angle_deg(&sun).unwrap_or(0.0))],
            None => self.planes.clone(),
        };
        let usual = clear_sky(time, &sun, &self.place, DEFAULT_TURBIDITY);
        let clearest = clear_sky(time, &sun, &self.place, CLEAREST_TURBIDITY);
        let most = |sky, albedo| planes.iter().map(|p| p.irradiance_w_m2(&sun, sky, albedo)).fold(0.0, f64::max);
        Ok(Expected {
            poa_w_m2: most(&usual, DEFAULT_ALBEDO),
            ceiling_w_m2: most(&clearest, BRIGHTEST_ALBEDO) * (1.0 + SENSOR_SHARE) + SENSOR_W_M2,
            level_w_m2: usual.global_w_m2,
            sun_up: sun.apparent_elevation_deg > 0.0,
        })
    }
}

impl Expected {
    /// Why a reading is doubted; `None` where the sun can have delivered it.
    pub fn doubt(&self, poa_w_m2: f64) -> Option<String> {
        let Self { poa_w_m2: clear, ceiling_w_m2: ceiling, level_w_m2: level, sun_up } = *self;
        if !sun_up {
            return (poa_w_m2 > SENSOR_W_M2)
                .then(|| "the sun is under the horizon at that time: check the photo's clock and its zone".into());
        }
        if poa_w_m2 > ceiling {
            return Some(format!(
                "{poa_w_m2:.0} W/m2 are over the {ceiling:.0} that the clearest sky delivers in this plane: misread, another \
                 plane, a wrong clock, or for seconds the edge of a cloud"
            ));
        }
        let agrees = (poa_w_m2 - level).abs() <= LEVEL_AGREES * level;
        if agrees && (level - clear).abs() > LEVEL_DIFFERS * clear {
            return Some(format!(
                "{poa_w_m2:.0} W/m2 are what a level sensor reads ({level:.0}); in the plane of the modules the clear sky \
                 delivers {clear:.0}"
            ));
        }
        if poa_w_m2 < DARK_SHARE * clear {
            return Some(format!(
                "{poa_w_m2:.0} W/m2 are less than a third of the clear sky's {clear:.0}: misread, shade on the sensor, or a \
                 thick cloud"
            ));
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check() -> SunCheck {
        SunCheck {
            place: Place { lat_deg: 48.1, lon_deg: 11.6, elevation_m: 520.0 },
            planes: vec![Plane { tilt_deg: 30.0, azimuth_deg: 180.0 }],
            tracker: None,
        }
    }

    fn time(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    #[test]
    fn figures_as_people_type_them() {
        for (text, value) in [("812", 812.0), (" 812,5 W/m2", 812.5), ("+812.5", 812.5), ("0", 0.0)] {
            assert_eq!(Figure::Irradiance.parse(text).expect("a number"), value, "{text}");
        }
        assert_eq!(Figure::AirTemperature.parse("-3,5").expect("a number"), -3.5);
        for (figure, text) in [
            (Figure::Irradiance, ""),
            (Figure::Irradiance, "high"),
            (Figure::Irradiance, "8120"),
            (Figure::Irradiance, "1.234,5"),
            (Figure::Cloud, "9"),
            (Figure::Wind, "-1"),
        ] {
            assert!(figure.parse(text).is_err(), "{figure:?} {text}");
        }
    }

    /// A winter noon, when the level plane gets far less than the tilted one: pvlib 0.16.1 with turbidity 3 has 608.5 W/m2
    /// in the plane and 271.1 on the level (`testdata/make_meter.py` prints them).
    #[test]
    fn readings_that_the_sun_cannot_have_delivered() {
        let noon = check().expected(time("2026-12-21T11:15:00Z")).expect("in range");
        assert!(noon.sun_up);
        assert!((noon.poa_w_m2 / 608.5 - 1.0).abs() < 0.01 && (noon.level_w_m2 / 271.1 - 1.0).abs() < 0.01, "{noon:?}");
        assert_eq!(noon.doubt(noon.poa_w_m2 * 0.95), None);
        assert_eq!(noon.doubt(noon.poa_w_m2 * 0.6), None);
        let said = |value: f64| noon.doubt(value).expect("doubted");
        assert!(said(1100.0).contains("over the"), "{}", said(1100.0));
        assert!(said(noon.level_w_m2).contains("level sensor"), "{}", said(noon.level_w_m2));
        assert!(said(100.0).contains("less than a third"), "{}", said(100.0));
        let night = check().expected(time("2026-12-21T23:15:00Z")).expect("in range");
        assert!(night.doubt(500.0).expect("doubted").contains("under the horizon"));
        assert_eq!(night.doubt(0.0), None);
    }

    #[test]
    fn a_log_is_continued_and_one_of_another_origin_is_left_alone() {
        let folder = std::env::temp_dir().join(format!("thermal-readings-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        let file = folder.join("irradiance.csv");
        let _ = std::fs::remove_file(&file);
        let photo =
            |name: &str, at: &str| Photo { name: name.into(), path: folder.join(name), time: time(at), position: None };
        let value = Value { poa_w_m2: 812.5, air_temp_c: Some(24.0), wind_m_s: None, cloud_okta: Some(1.0) };
        let mut log = Readings::open(&file, Offset::constant(2)).expect("begun");
        assert!(log.is_empty());
        log.add(&photo("b.jpg", "2026-06-21T08:40:00Z"), value).expect("added");
        log.add(&photo("a, first.jpg", "2026-06-21T08:20:00Z"), value).expect("added");
        let twin = log.add(&photo("c.jpg", "2026-06-21T08:20:00Z"), value).expect_err("same time");
        assert!(twin.to_string().contains("a, first.jpg"), "{twin}");
        log.save().expect("written");
        let text = std::fs::read_to_string(&file).expect("read");
        assert_eq!(
            text,
            "time,poa_w_m2,air_temp_c,wind_m_s,cloud_okta,photo\n\
             2026-06-21T10:20:00+02:00,812.5,24,,1,\"a, first.jpg\"\n\
             2026-06-21T10:40:00+02:00,812.5,24,,1,b.jpg\n"
        );
        let again = Readings::open(&file, Offset::constant(2)).expect("opened");
        assert_eq!(again, log);
        assert!(again.has("b.jpg") && !again.has("c.jpg"));
        assert_eq!(again.longest_gap().map(|gap| gap.0), Some(1200.0));
        // What is written is what the analysis reads.
        let (_, problems) = crate::irradiance::Log::read(&file, None).expect("a log");
        assert!(problems.is_empty(), "{problems:?}");

        std::fs::write(&file, "time,poa_w_m2\n2026-06-21T10:20:00+02:00,812\n").expect("written");
        let other = Readings::open(&file, Offset::UTC).expect_err("another origin");
        assert!(other.to_string().contains("--out"), "{other}");
        std::fs::remove_dir_all(&folder).expect("removed");
    }
}
