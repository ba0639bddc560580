//! The logged irradiance in the plane of the array: its value at a capture, how old, how steady, and what it means for
//! the module, which follows it slowly. Conditions after IEC TS 62446-3:2017, limits in [`Irradiance`].

mod sensors;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::Offset;

use self::sensors::{joined, sound_rows, tell_difference};
use crate::finding::Flag;
use crate::settings::Irradiance;
use crate::table::Table;
use crate::{Error, Result};

const COLUMNS: [&str; 6] = ["time", "poa_w_m2", "air_temp_c", "wind_m_s", "cloud_okta", "sensor"];
/// The sun's own course makes no more than this, as a fraction per second, where a module sees it well: a cosine 45
/// degrees before or after its noon changes by 0.44 % a minute. More between two readings is a cloud's.
const SUNS_COURSE_PER_S: f64 = 0.005 / 60.0;
const MINUTE_S: f64 = 60.0;
/// Span of the mean that the module follows, s; after Prilliman et al. 2020.
const MEMORY_S: f64 = 1200.0;
/// Readings farther apart than this do not show what the module went through, s.
const DENSE_S: f64 = 90.0;
/// Wind where the log gives none, m/s.
const LIGHT_WIND_M_S: f64 = 1.0;
/// No midday sky is this dark; a log that stays under it is in another unit.
const DARK_W_M2: f64 = 2.0;
/// More sensors in one plane are another column under the name.
const MOST_SENSORS: usize = 16;

/// The readings of one log, in rising time.
#[derive(Debug, Clone, PartialEq)]
pub struct Log {
    path: PathBuf,
    rows: Vec<Row>,
}

/// One line of the log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// When it was read.
    pub time: Timestamp,
    /// Irradiance in the plane of the array, W/m2.
    pub poa_w_m2: f64,
    /// Air temperature, deg C.
    pub air_temp_c: Option<f64>,
    /// Wind, m/s.
    pub wind_m_s: Option<f64>,
    /// Cloud, eighths of the sky.
    pub cloud_okta: Option<f64>,
}

/// The conditions at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Irradiance in the plane of the array, W/m2: linear between the readings around the moment, else the nearest one.
    pub poa_w_m2: f64,
    /// Time to the nearest reading, s.
    pub age_s: f64,
    /// Time between the readings around the moment, s; `None` before the first and after the last.
    pub gap_s: Option<f64>,
    /// Largest relative change within a minute while the module settled; where readings are farther apart, the change from
    /// one to the next beyond the sun's own course, which may all have come within a minute.
    pub change_per_minute: f64,
    /// Mean over the last 20 minutes with weights that fade with the module's thermal time constant, W/m2: the steady
    /// irradiance that would have warmed the module as much. `None` where readings are too sparse to tell.
    pub effective_w_m2: Option<f64>,
    /// Of the nearest reading, deg C.
    pub air_temp_c: Option<f64>,
    /// Of the nearest reading, m/s.
    pub wind_m_s: Option<f64>,
    /// Of the nearest reading, eighths of the sky.
    pub cloud_okta: Option<f64>,
    /// `low-irradiance`, `stale-irradiance`, `unsteady-irradiance`.
    pub flags: Vec<Flag>,
}

impl Log {
    /// Reads `irradiance.csv` and the problems met, one for each value or row that is not used. `utc_offset` serves times
    /// that carry none. With a column `sensor` the file holds several; their median at each time is used.
    ///
    /// # Errors
    /// [`Error::Io`]; [`Error::Input`] where the file is no such table, holds no reading, or is in another unit.
    pub fn read(path: impl AsRef<Path>, utc_offset: Option<Offset>) -> Result<(Self, Vec<Error>)> {
        let path = path.as_ref();
        let mut table = Table::open(path, &COLUMNS, 2)?;
        // By sensor, in the order of first appearance; without the column there is one.
        let mut sensors: Vec<(String, Vec<(u64, Row)>)> = Vec::new();
        let (mut rows, mut none_read) = (0_u64, true);
        while table.advance()? {
            let line = table.line();
            rows += 1;
            none_read &= table.text("poa_w_m2").is_empty();
            for column in &COLUMNS[..2] {
                if table.text(column).is_empty() {
                    let reason = "the value is missing; the row is left out";
                    table.problem(line, Some(column), reason, "give it, or remove the row");
                }
            }
            // A pyranometer at night reads a little under zero.
            let poa_w_m2 = table.number("poa_w_m2", -20.0, 2000.0);
            let (Some(time), Some(poa_w_m2)) = (table.time("time", utc_offset), poa_w_m2) else { continue };
            let reading = Row {
                time,
                poa_w_m2: poa_w_m2.max(0.0),
                air_temp_c: table.number("air_temp_c", -60.0, 70.0),
                wind_m_s: table.number("wind_m_s", 0.0, 75.0),
                cloud_okta: table.number("cloud_okta", 0.0, 9.0),
            };
            let name = table.text("sensor");
            let room = sensors.len() < MOST_SENSORS;
            match sensors.iter_mut().find(|(sensor, _)| sensor == name) {
                Some((_, rows)) => rows.push((line, reading)),
                None if room => sensors.push((name.to_owned(), vec![(line, reading)])),
                None => {
                    let reason = format!("`{name}` would be one more than {MOST_SENSORS} sensors");
                    let remedy = "give each sensor one name in all its rows, or take sensors out";
                    return Err(Error::input(path, format!("line {line}, column sensor"), reason, remedy));
                }
            }
        }
        let mut series = Vec::with_capacity(sensors.len());
        for (name, rows) in sensors {
            series.push((name, sound_rows(rows, &mut table)));
        }
        tell_difference(&series, &mut table);
        let readings = joined(series.into_iter().map(|(_, rows)| rows).filter(|rows| !rows.is_empty()).collect());
        if readings.is_empty() && rows > 0 && none_read {
            return Err(Error::input(
                path,
                "column poa_w_m2",
                format!("none of its {rows} rows holds a reading yet"),
                "write the meter's readings into it, or remove the file: differences are then left as measured",
            ));
        }
        if readings.is_empty() {
            // The first problem, where there is one, says why.
            let reason = table.problems().first().map_or_else(|| "it holds no reading".into(), ToString::to_string);
            return Err(Error::input(
                path,
                "rows",
                format!("no reading can be used: {reason}"),
                "give readings of the flight",
            ));
        }
        let brightest = readings.iter().map(|row| row.poa_w_m2).fold(0.0, f64::max);
        if brightest > 0.0 && brightest < DARK_W_M2 {
            let reason = format!("the highest value is {brightest}");
            return Err(Error::input(path, "column poa_w_m2", reason, "if it is in kW/m2, write W/m2"));
        }
        Ok((Self { path: path.to_owned(), rows: readings }, table.into_problems()))
    }

    /// The lines, in rising time; at least one.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The conditions at `time`; `None` where the nearest reading is older than `limits.unusable_s`.
    pub fn at(&self, time: Timestamp, limits: &Irradiance) -> Option<Reading> {
        let after = self.rows.partition_point(|row| row.time < time);
        let (before, next) = (after.checked_sub(1).and_then(|i| self.rows.get(i)), self.rows.get(after));
        let age = |row: &Row| seconds(row.time, time).abs();
        let nearest = [before, next].into_iter().flatten().min_by(|a, b| age(a).total_cmp(&age(b)))?;
        let age_s = age(nearest);
        if age_s > limits.unusable_s {
            return None;
        }
        let (poa_w_m2, gap_s) = match (before, next) {
            (Some(a), Some(b)) => {
                let gap_s = seconds(a.time, b.time);
                (a.poa_w_m2 + (b.poa_w_m2 - a.poa_w_m2) * seconds(a.time, time) / gap_s, Some(gap_s))
            }
            _ => (nearest.poa_w_m2, None),
        };
        let change_per_minute = self.change_per_minute(time, after, limits.settle_s);
        let effective_w_m2 = self.effective_w_m2(time, after, poa_w_m2, nearest.wind_m_s);
        let flags = [
            // What scales the difference must suffice, and so must the moment.
            (effective_w_m2.unwrap_or(poa_w_m2).min(poa_w_m2) < limits.low_w_m2, Flag::LowIrradiance),
            (age_s > limits.stale_s, Flag::StaleIrradiance),
            (change_per_minute > limits.unsteady_fraction, Flag::UnsteadyIrradiance),
        ];
        Some(Reading {
            poa_w_m2,
            age_s,
            gap_s,
            change_per_minute,
            effective_w_m2,
            air_temp_c: nearest.air_temp_c,
            wind_m_s: nearest.wind_m_s,
            cloud_okta: nearest.cloud_okta,
            flags: flags.into_iter().filter(|(is_set, _)| *is_set).map(|(_, flag)| flag).collect(),
        })
    }

    /// `after`: the first row at or after `time`.
    fn change_per_minute(&self, time: Timestamp, after: usize, settle_s: f64) -> f64 {
        let first = self.rows.partition_point(|row| seconds(row.time, time) > settle_s).saturating_sub(1);
        let window = self.rows.get(first..self.rows.len().min(after + 1)).unwrap_or_default();
        let change = |a: &Row, b: &Row| {
            let brighter = a.poa_w_m2.max(b.poa_w_m2);
            if brighter > 0.0 { (b.poa_w_m2 - a.poa_w_m2).abs() / brighter } else { 0.0 }
        };
        let mut worst = 0.0_f64;
        for pair in window.windows(2) {
            let apart_s = seconds(pair[0].time, pair[1].time);
            if apart_s > MINUTE_S {
                worst = worst.max(change(&pair[0], &pair[1]) - SUNS_COURSE_PER_S * apart_s);
            }
        }
        // Of the minute before a reading only the brightest and the darkest count. Each stands at the front of a queue
        // without those that a later reading outdoes, so that a fast logger costs no more than its rows.
        let [mut brightest, mut darkest] = [const { VecDeque::<&Row>::new() }; 2];
        for row in window {
            for (queue, outdone) in [(&mut brightest, f64::le as fn(&f64, &f64) -> bool), (&mut darkest, f64::ge)] {
                while queue.front().is_some_and(|first| seconds(first.time, row.time) > MINUTE_S) {
                    queue.pop_front();
                }
                worst = queue.front().map_or(worst, |extreme| worst.max(change(extreme, row)));
                while queue.back().is_some_and(|last| outdone(&last.poa_w_m2, &row.poa_w_m2)) {
                    queue.pop_back();
                }
                queue.push_back(row);
            }
        }
        worst
    }

    /// Mean with fading weights, exact for straight lines between the readings.
    fn effective_w_m2(&self, time: Timestamp, after: usize, now_w_m2: f64, wind_m_s: Option<f64>) -> Option<f64> {
        let fade_s = thermal_time_s(wind_m_s.unwrap_or(LIGHT_WIND_M_S));
        let first = self.rows.partition_point(|row| seconds(row.time, time) > MEMORY_S);
        let history = self.rows.get(first..after)?.iter().map(|row| (seconds(row.time, time), row.poa_w_m2));
        let points: Vec<(f64, f64)> = history.chain([(0.0, now_w_m2)]).collect();
        if points.first()?.0 < fade_s || points.windows(2).any(|pair| pair[0].0 - pair[1].0 > DENSE_S) {
            return None;
        }
        let (mut sum, mut weight) = (0.0, 0.0);
        for pair in points.windows(2) {
            let ((ago_a, a), (ago_b, b)) = (pair[0], pair[1]);
            if ago_a > ago_b {
                // Integrals of w and of (straight line) * w with w = exp(-ago / fade), by parts.
                let (w_a, w_b) = ((-ago_a / fade_s).exp(), (-ago_b / fade_s).exp());
                let slope = (b - a) / (ago_a - ago_b);
                sum += fade_s * (b * w_b - a * w_a) - slope * fade_s * fade_s * (w_b - w_a);
                weight += fade_s * (w_b - w_a);
            }
        }
        (weight > 0.0).then_some(sum / weight)
    }

    /// An error that says what to do where not one of the captures has a reading, as with a log of another day; `None`
    /// where at least one has, or there are no captures.
    pub(crate) fn no_reading_fits(&self, captures: &[Timestamp], limits: &Irradiance) -> Option<Error> {
        let (first, last) = (captures.iter().min()?, captures.iter().max()?);
        let fits_at = |hours: i64| {
            captures.iter().any(|time| {
                time.checked_add(jiff::SignedDuration::from_hours(hours))
                    .is_ok_and(|time| self.at(time, limits).is_some())
            })
        };
        if fits_at(0) {
            return None;
        }
        let (from, to) = (self.rows.first()?.time, self.rows.last()?.time);
        let minute = |time: Timestamp| time.strftime("%Y-%m-%d %H:%M").to_string();
        let reason = format!(
            "the readings, {} to {} UTC, do not reach the captures, {} to {} UTC",
            minute(from),
            minute(to),
            minute(*first),
            minute(*last)
        );
        // Zones differ by whole hours, up to 14 from UTC.
        let hours = (1..=14).flat_map(|h| [h, -h]).find(|h| fits_at(*h));
        let remedy = match hours {
            Some(h) => format!("they are {h} h apart: check the offset of its times, utc_offset and clock_offset_s"),
            None => {
                "give the log of the day of the flight, or set clock_offset_s if the camera's clock was wrong".into()
            }
        };
        Some(Error::input(&self.path, "column time", reason, remedy))
    }
}

fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    from.duration_until(to).as_secs_f64()
}

/// Time constant with which a module's temperature follows the irradiance, s: 1 / P of Prilliman, Stein, Riley and
/// Tamizhmani, "Transient weighted moving-average model of photovoltaic module back-surface temperature", IEEE J.
/// Photovoltaics 10 (2020), with the coefficients in pvlib 0.16 and 11.1 kg/m2, their module of glass and backsheet.
pub(crate) fn thermal_time_s(wind_m_s: f64) -> f64 {
    const UNIT_MASS_KG_M2: f64 = 11.1;
    let p = 0.0046 + 0.00046 * wind_m_s - 0.00023 * UNIT_MASS_KG_M2 - 1.6e-5 * wind_m_s * UNIT_MASS_KG_M2;
    1.0 / p
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> std::result::Result<(Log, Vec<String>), String> {
        let name = format!("thermal-log-{}-{:?}-{}.csv", std::process::id(), std::thread::current().id(), text.len());
        let path = std::env::temp_dir().join(name);
        std::fs::write(&path, text).unwrap();
        let read = Log::read(&path, None);
        std::fs::remove_file(&path).unwrap();
        read.map(|(log, problems)| (log, problems.iter().map(ToString::to_string).collect())).map_err(|e| e.to_string())
    }

    fn log(text: &str) -> Log {
        let (log, problems) = read(text).unwrap();
        assert!(problems.is_empty(), "{problems:?}");
        log
    }

    fn at(log: &Log, clock: &str) -> Option<Reading> {
        let time = format!("2026-06-18T{clock}+02:00").parse().unwrap();
        log.at(time, &Irradiance::default())
    }

    const BY_HAND: &str =
        "time,poa_w_m2,air_temp_c\n2026-06-18T11:00:00+02:00,800,24\n2026-06-18T11:20:00+02:00,840,25\n";

    #[test]
    fn between_two_readings_by_hand_it_is_linear() {
        let log = log(BY_HAND);
        let reading = at(&log, "11:05:00").unwrap();
        assert!((reading.poa_w_m2 - 810.0).abs() < 1e-9);
        assert_eq!((reading.age_s, reading.gap_s, reading.air_temp_c), (300.0, Some(1200.0), Some(24.0)));
        assert_eq!((reading.effective_w_m2, reading.flags.as_slice()), (None, &[][..]));
        let on_it = at(&log, "11:20:00").unwrap();
        assert_eq!((on_it.poa_w_m2, on_it.age_s), (840.0, 0.0));
    }

    #[test]
    fn beyond_the_ends_the_nearest_reading_ages() {
        let log = log(BY_HAND);
        let late = at(&log, "11:34:00").unwrap();
        assert_eq!((late.poa_w_m2, late.age_s, late.gap_s), (840.0, 840.0, None));
        assert!(late.flags.is_empty());
        assert_eq!(at(&log, "11:40:00").unwrap().flags, [Flag::StaleIrradiance]);
        assert_eq!(at(&log, "10:00:00").unwrap().age_s, 3600.0);
        assert_eq!(at(&log, "12:20:01"), None);
    }

    #[test]
    fn low_and_unsteady_are_flagged() {
        let low = log("time,poa_w_m2\n2026-06-18T11:00:00+02:00,599\n2026-06-18T11:01:00+02:00,599\n");
        assert_eq!(at(&low, "11:00:30").unwrap().flags, [Flag::LowIrradiance]);
        // 9 % within the minute passes, 11 % does not, and is remembered until the module has settled.
        let text = |dip: f64| {
            let minutes = (0..30).map(|m| {
                format!("2026-06-18T11:{m:02}:00+02:00,{}\n", if m == 10 { 800.0 * (1.0 - dip) } else { 800.0 })
            });
            "time,poa_w_m2\n".to_owned() + &minutes.collect::<String>()
        };
        assert!(at(&log(&text(0.09)), "11:10:30").unwrap().flags.is_empty());
        let unsteady = log(&text(0.11));
        for (clock, flagged) in [("11:09:00", false), ("11:09:30", true), ("11:15:00", true), ("11:17:00", false)] {
            assert_eq!(at(&unsteady, clock).unwrap().flags == [Flag::UnsteadyIrradiance], flagged, "{clock}");
        }
        // Readings by hand that differ by more than the sun's course makes in 20 minutes.
        let clouds = log("time,poa_w_m2\n2026-06-18T11:00:00+02:00,850\n2026-06-18T11:20:00+02:00,600\n");
        assert!(at(&clouds, "11:10:00").unwrap().flags.contains(&Flag::UnsteadyIrradiance));
    }

    /// pvlib's transient model on the same log, see `testdata/irradiance/make.py`. It leaves out the last 4 s, which a
    /// cloud's edge can change by 1 % of its depth.
    #[test]
    fn effective_irradiance_agrees_with_pvlib() {
        let log = log(include_str!("../../testdata/irradiance/logger.csv"));
        let mut differs_from_now = 0.0_f64;
        let mut compared = 0;
        for line in include_str!("../../testdata/irradiance/effective.csv").lines().skip(1) {
            let (time, expected) = line.split_once(',').unwrap();
            let expected: f64 = expected.parse().unwrap();
            let reading = log.at(time.parse().unwrap(), &Irradiance::default()).unwrap();
            let effective = reading.effective_w_m2.unwrap();
            assert!((effective - expected).abs() < 1.5, "{time}: {effective} {expected}");
            differs_from_now = differs_from_now.max((expected - reading.poa_w_m2).abs());
            compared += 1;
        }
        assert_eq!(compared, 7);
        assert!(differs_from_now > 50.0, "the cloud must matter: {differs_from_now}");
        // Too little history, and a gap in it.
        assert_eq!(at(&log, "11:23:00").unwrap().effective_w_m2, None);
    }

    #[test]
    fn bad_rows_are_named_and_the_rest_goes_on() {
        for (row, message) in [
            ("2026-06-18 11:01,800", "line 4, column time: `2026-06-18 11:01` carries no offset from UTC"),
            ("11:01,800", "line 4, column time: `11:01` is no time"),
            ("2026-06-18T11:01:00+02:00,", "line 4, column poa_w_m2: the value is missing; the row is left out"),
            ("2026-06-18T11:01:00+02:00,8000", "line 4, column poa_w_m2: 8000 is outside -20 to 2000"),
            ("2026-06-18T10:58:00+02:00,800", "line 4, column time: the time does not rise"),
            ("2027-06-18T11:01:00+02:00,800", "line 4, column time: the time does not rise"),
            ("2026-06-18T11:00:00+02:00,800", "column time: the time does not rise"),
            ("2026-06-18T11:01:00+02:00,880,5", "line 4: 3 values where the header names 2"),
        ] {
            let text = format!(
                "time,poa_w_m2\n2026-06-18T10:59:00+02:00,800\n2026-06-18T11:00:00+02:00,800\n{row}\n2026-06-18T11:02:00+02:00,804\n2026-06-18T11:03:00+02:00,804\n"
            );
            let (log, problems) = read(&text).unwrap();
            assert!(problems.len() == 1 && problems[0].contains(message), "{row}: {problems:?}");
            assert!((at(&log, "11:01:00").unwrap().poa_w_m2 - 802.0).abs() < 1e-9, "{row}");
        }
    }

    /// A logger that loses its sensor for a moment writes zeros; the night is dark for long.
    #[test]
    fn dropouts_are_left_out_and_the_night_is_not() {
        let text = |dark: &dyn Fn(i32) -> bool| {
            let rows = (0..60).map(|k| {
                format!("2026-06-18T11:{:02}:{:02}+02:00,{}\n", k / 6, k % 6 * 10, if dark(k) { 0 } else { 850 })
            });
            "time,poa_w_m2\n".to_owned() + &rows.collect::<String>()
        };
        let (log, problems) = read(&text(&|k| k == 20 || k == 21)).unwrap();
        assert!(
            problems.len() == 2 && problems[0].contains("line 22, column poa_w_m2: 0 W/m2 between bright"),
            "{problems:?}"
        );
        let reading = at(&log, "11:03:25").unwrap();
        assert!((reading.poa_w_m2 - 850.0).abs() < 1e-9 && reading.flags.is_empty(), "{reading:?}");
        // Five minutes of nothing are believed: somebody switched it off, or it is night.
        let (log, problems) = read(&text(&|k| k >= 20)).unwrap();
        assert!(problems.is_empty(), "{problems:?}");
        assert!(at(&log, "11:09:00").unwrap().flags.contains(&Flag::LowIrradiance));
    }

    /// By hand: 800 and 820 in the first minute have the median 810; alone, a sensor stands for itself.
    #[test]
    fn several_sensors_are_joined_by_their_median() {
        let log = log("time,poa_w_m2,sensor\n2026-06-18T11:00:00+02:00,800,A\n2026-06-18T11:00:00+02:00,820,B\n\
             2026-06-18T11:01:00+02:00,806,A\n2026-06-18T11:00:30+02:00,823,B\n2026-06-18T11:02:00+02:00,808,A\n");
        for (clock, expected) in [("11:00:00", 810.0), ("11:00:30", 813.0), ("11:01:00", 806.0), ("11:02:00", 808.0)] {
            assert!((at(&log, clock).unwrap().poa_w_m2 - expected).abs() < 1e-9, "{clock}");
        }
        let (_, problems) =
            read("time,poa_w_m2,sensor\n2026-06-18T11:00:00+02:00,800,A\n2026-06-18T11:00:00+02:00,640,roof\n")
                .unwrap();
        assert!(problems.len() == 1 && problems[0].contains("sensor `roof` reads -20 % against `A`"), "{problems:?}");
    }

    /// The definition, each reading against each: within a minute the change itself, else that to the next one without the
    /// sun's own course.
    #[test]
    fn the_worst_change_is_that_of_all_pairs() {
        let start: Timestamp = "2026-06-18T09:00:00Z".parse().unwrap();
        let mut state = 1_u64;
        let mut draw = |n: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % n
        };
        for round in 0..2000 {
            let mut time = start;
            let mut rows = Vec::new();
            for _ in 0..6 {
                time += jiff::SignedDuration::from_secs([1, 7, 30, 45, 60, 61, 200][draw(7) as usize]);
                let poa_w_m2 = if draw(40) == 0 { 0.0 } else { 700.0 + draw(100) as f64 };
                rows.push(Row { time, poa_w_m2, air_temp_c: None, wind_m_s: None, cloud_okta: None });
            }
            let log = Log { path: PathBuf::new(), rows };
            let mut expected = 0.0_f64;
            for (i, a) in log.rows.iter().enumerate() {
                for (j, b) in log.rows.iter().enumerate().skip(i + 1) {
                    let (apart_s, brighter) = (seconds(a.time, b.time), a.poa_w_m2.max(b.poa_w_m2));
                    if brighter > 0.0 && (apart_s <= 60.0 || j == i + 1) {
                        let course = if apart_s > 60.0 { SUNS_COURSE_PER_S * apart_s } else { 0.0 };
                        expected = expected.max((a.poa_w_m2 - b.poa_w_m2).abs() / brighter - course);
                    }
                }
            }
            assert_eq!(log.change_per_minute(time, log.rows.len(), f64::MAX), expected, "{round}");
        }
    }

    /// What scales the difference is what counts: the sun is back for a minute after ten minutes of cloud.
    #[test]
    fn low_is_what_the_module_felt() {
        let rows = (0..40).map(|m| format!("2026-06-18T11:{m:02}:00+02:00,{}\n", if m < 30 { 450 } else { 900 }));
        let log = log(&("time,poa_w_m2\n".to_owned() + &rows.collect::<String>()));
        let reading = at(&log, "11:31:00").unwrap();
        assert!(reading.poa_w_m2 > 890.0 && reading.effective_w_m2.unwrap() < 600.0, "{reading:?}");
        assert!(reading.flags.contains(&Flag::LowIrradiance));
    }

    #[test]
    fn a_log_that_cannot_serve_is_an_error() {
        let error = read("time,poa_w_m2\n2026-06-18T11:00:00+02:00,0.88\n").unwrap_err();
        assert!(error.contains("column poa_w_m2: the highest value is 0.88; if it is in kW/m2, write W/m2"), "{error}");
        let error = read("time,poa_w_m2\nnoon,880\n").unwrap_err();
        assert!(error.contains("no reading can be used: ") && error.contains("`noon` is no time"), "{error}");
        let error = read("time,poa\n").unwrap_err();
        assert!(error.contains("there is no column `poa_w_m2`; rename column `poa`"), "{error}");
    }

    #[test]
    fn a_log_of_another_day_is_named_with_the_remedy() {
        let log = log(BY_HAND);
        let limits = Irradiance::default();
        let error = |time: &str| log.no_reading_fits(&[time.parse().unwrap()], &limits).map(|e| e.to_string());
        assert_eq!(error("2026-06-18T11:10:00+02:00"), None);
        let other_day = error("2026-06-19T11:10:00+02:00").unwrap();
        assert!(
            other_day.contains(
                "the readings, 2026-06-18 09:00 to 2026-06-18 09:20 UTC, do not reach the captures, 2026-06-19 09:10"
            ),
            "{other_day}"
        );
        assert!(other_day.contains("give the log of the day of the flight"), "{other_day}");
        let other_zone = error("2026-06-18T15:10:00+02:00").unwrap();
        assert!(other_zone.contains(" h apart: check the offset"), "{other_zone}");
    }

    #[test]
    fn a_long_log_of_a_fast_logger_is_served() {
        let start: Timestamp = "2026-06-18T08:00:00Z".parse().unwrap();
        let time = |s: i64| start.checked_add(jiff::SignedDuration::from_secs(s)).unwrap();
        let rows: Vec<String> = (0..20_000).map(|s| format!("{},{}", time(s), 800 + s % 3)).collect();
        let text = format!("time,poa_w_m2\n{}\n", rows.join("\n"));
        let log = log(&text);
        let reading = log.at("2026-06-18T10:00:00.5Z".parse().unwrap(), &Irradiance::default()).unwrap();
        assert!((reading.effective_w_m2.unwrap() - 801.0).abs() < 0.1);
        assert!(reading.flags.is_empty() && reading.age_s == 0.5);
    }
}
