//! Under which conditions the frames were taken, after the irradiance log, and whether the log can be right.

use jiff::Timestamp;

use super::{Card, Condition, Frame, Limits, clock};
use crate::Result;
use crate::irradiance::{Log, Reading};
use crate::quality::{Code, Reason};
use crate::readings::{Expected, SunCheck};
use crate::sun::{Place, Plane, Sun};

/// A level sensor agrees with the level plane within this share, where the planes differ by more than the second.
const LEVEL_AGREES: f64 = 0.04;
const LEVEL_DIFFERS: f64 = 0.12;
/// Share of the readings that must agree.
const MOST_READINGS: f64 = 0.6;
/// Readings this long before and after the flight belong to it, s.
const AROUND_FLIGHT_S: f64 = 1200.0;

/// A frame with its time.
type Timed<'a> = (&'a Frame<'a>, Timestamp);

pub(super) fn judge(card: &Card, frames: &[Frame], limits: &Limits, out: &mut Vec<Condition>) -> Result<()> {
    let timed: Vec<Timed> = frames.iter().filter_map(|f| Some((f, f.capture.captured_at?))).collect();
    let check = sun_check(card, &timed);
    if let Some(check) = &check {
        night(&timed, check, out)?;
    }
    let Some(log) = &card.log else {
        let text = match &card.log_fault {
            Some(fault) => format!("the irradiance log cannot be used: {fault}"),
            None => {
                "there is no irradiance.csv: no difference can be scaled. If readings were taken, bring them into it \
                     (thermal readings) and run this again"
                    .to_owned()
            }
        };
        out.push(Condition { reason: Reason::plain(Code::NoLog, text), fly_again: true, frames: Vec::new() });
        return Ok(());
    };
    let times: Vec<Timestamp> = timed.iter().map(|(_, time)| *time).collect();
    let settings = &card.settings.irradiance;
    if let Some(error) = log.no_reading_fits(&times, settings) {
        let text = match error {
            crate::Error::Input { reason, remedy, .. } => format!("{reason}; {remedy}"),
            other => other.to_string(),
        };
        out.push(Condition { reason: Reason::plain(Code::LogElsewhere, text), fly_again: true, frames: Vec::new() });
        return Ok(());
    }
    at_frames(card, log, &timed, limits, out);
    if let Some(check) = &check {
        against_the_sky(log, &times, check, limits, out)?;
        out.extend(clock::log_against_sun(log, check)?);
    }
    let warmth: Vec<(Timestamp, f64)> =
        timed.iter().filter(|(f, _)| f.fit()).filter_map(|(f, t)| Some((*t, f.looked.measures()?.median_c))).collect();
    out.extend(clock::frames_against_log(log, &warmth));
    Ok(())
}

/// The sun over the frames; `None` where no frame has time and place.
fn sun_check(card: &Card, timed: &[Timed]) -> Option<SunCheck> {
    let (frame, (lat_deg, lon_deg)) = timed.iter().find_map(|(f, _)| Some((f, f.capture.position()?)))?;
    let c = &frame.capture;
    let elevation_m = c.altitude_m.map_or(0.0, |a| a - c.height_above_takeoff_m.unwrap_or(0.0)).clamp(-400.0, 8000.0);
    let array = &card.settings.array;
    let planes = Plane { tilt_deg: array.tilt_deg, azimuth_deg: array.azimuth_deg }.sides(array.mounting);
    Some(SunCheck { place: Place { lat_deg, lon_deg, elevation_m }, planes, tracker: None })
}

/// Frames by night: their clock is off.
fn night(timed: &[Timed], check: &SunCheck, out: &mut Vec<Condition>) -> Result<()> {
    let mut dark = Vec::new();
    for (frame, time) in timed {
        if Sun::at(*time, &check.place)?.apparent_elevation_deg <= 0.0 {
            dark.push(frame.file().to_owned());
        }
    }
    if !dark.is_empty() {
        let text = format!(
            "{} say that they were taken with the sun under the horizon: check the camera's clock and utc_offset",
            count(&dark, timed.len())
        );
        out.push(Condition { reason: Reason::plain(Code::ClockOff, text), fly_again: false, frames: dark });
    }
    Ok(())
}

/// What one condition asks of the reading at a frame; where it fails is to be flown again.
struct Rule {
    code: Code,
    limit: f64,
    /// Greater is worse.
    value: fn(&Reading) -> Option<f64>,
    /// Words for value and limit.
    text: fn(f64, f64) -> String,
}

fn at_frames(card: &Card, log: &Log, timed: &[Timed], limits: &Limits, out: &mut Vec<Condition>) {
    let mut settings = card.settings.irradiance.clone();
    settings.unusable_s = f64::INFINITY;
    let rules = [
        Rule {
            code: Code::StaleIrradiance,
            limit: limits.reading_age_s,
            value: |r| Some(r.age_s),
            text: |v, l| format!("the nearest reading is up to {:.0} min away, at most {:.0}", v / 60.0, l / 60.0),
        },
        Rule {
            code: Code::LowIrradiance,
            limit: -settings.low_w_m2,
            value: |r| Some(-r.poa_w_m2),
            text: |v, l| format!("irradiance down to {:.0} W/m2 in the plane of the modules, at least {:.0}", -v, -l),
        },
        Rule {
            code: Code::UnsteadyIrradiance,
            limit: settings.unsteady_fraction,
            value: |r| Some(r.change_per_minute),
            text: |v, l| {
                format!(
                    "irradiance changed by up to {:.0} % within a minute while the modules settled, at most {:.0} %",
                    100.0 * v,
                    100.0 * l
                )
            },
        },
        Rule {
            code: Code::Wind,
            limit: limits.wind_m_s,
            value: |r| r.wind_m_s,
            text: |v, l| format!("wind up to {:.1} m/s ({:.0} km/h), at most {:.1} ({:.0})", v, 3.6 * v, l, 3.6 * l),
        },
        Rule {
            code: Code::Cloud,
            limit: limits.cloud_okta,
            value: |r| r.cloud_okta,
            text: |v, l| format!("cloud up to {v:.0} eighths of the sky, at most {l:.0}"),
        },
    ];
    let readings: Vec<Option<Reading>> = timed.iter().map(|(_, time)| log.at(*time, &settings)).collect();
    for rule in &rules {
        let mut worst = rule.limit;
        let mut files = Vec::new();
        for ((frame, _), reading) in timed.iter().zip(&readings) {
            if let Some(value) = reading.as_ref().and_then(rule.value).filter(|value| *value > rule.limit) {
                worst = worst.max(value);
                files.push(frame.file().to_owned());
            }
        }
        if files.is_empty() {
            continue;
        }
        let text = format!("{}: {}", count(&files, timed.len()), (rule.text)(worst, rule.limit));
        let reason = Reason::new(rule.code, worst.abs(), rule.limit.abs(), text);
        out.push(Condition { reason, fly_again: true, frames: files });
    }
    if out.iter().any(|condition| condition.reason.code == Code::Wind) {
        return;
    }
    let wind = readings.iter().flatten().filter_map(|r| r.wind_m_s).fold(0.0, f64::max);
    if wind > limits.practice_wind_m_s {
        let text = format!(
            "wind up to {:.0} km/h: within the standard's 28, over the {:.0} of common practice; differences are smaller",
            3.6 * wind,
            3.6 * limits.practice_wind_m_s
        );
        let reason = Reason::new(Code::Wind, wind, limits.practice_wind_m_s, text);
        out.push(Condition { reason, fly_again: false, frames: Vec::new() });
    }
}

/// Which frames, in words.
fn count(files: &[String], of: usize) -> String {
    match files {
        [one] => one.clone(),
        [first, .., last] => format!("{} of {of} frames, {first} to {last}", files.len()),
        [] => String::new(),
    }
}

/// Whether a sensor in the plane of the modules can have read this.
fn against_the_sky(
    log: &Log,
    times: &[Timestamp],
    check: &SunCheck,
    limits: &Limits,
    out: &mut Vec<Condition>,
) -> Result<()> {
    let (Some(first), Some(last)) = (times.iter().min(), times.iter().max()) else { return Ok(()) };
    let near: Vec<(Timestamp, f64)> = log
        .rows()
        .iter()
        .filter(|row| {
            first.duration_since(row.time).as_secs_f64() < AROUND_FLIGHT_S
                && row.time.duration_since(*first).as_secs_f64()
                    < last.duration_since(*first).as_secs_f64() + AROUND_FLIGHT_S
        })
        .map(|row| (row.time, row.poa_w_m2))
        .collect();
    let expected: Vec<Expected> = near.iter().map(|(time, _)| check.expected(*time)).collect::<Result<_>>()?;
    let seconds = |a: usize, b: usize| near[b].0.duration_since(near[a].0).as_secs_f64();

    // A reading stands for half the way to its neighbours; a lone one for long.
    let (mut over_s, mut longest_s, mut worst) = (0.0_f64, 0.0_f64, None::<(f64, f64, Timestamp)>);
    for (k, ((time, poa), sky)) in near.iter().zip(&expected).enumerate() {
        if *poa <= sky.ceiling_w_m2 {
            over_s = 0.0;
            continue;
        }
        let before = if k > 0 { seconds(k - 1, k) } else { AROUND_FLIGHT_S };
        let after = if k + 1 < near.len() { seconds(k, k + 1) } else { AROUND_FLIGHT_S };
        over_s += 0.5 * (before + after);
        longest_s = longest_s.max(over_s);
        if worst.is_none_or(|(value, ceiling, _)| poa / sky.ceiling_w_m2 > value / ceiling) {
            worst = Some((*poa, sky.ceiling_w_m2, *time));
        }
    }
    if let Some((poa, ceiling, time)) = worst.filter(|_| longest_s > limits.over_sky_s) {
        let text = if expected.iter().any(|sky| !sky.sun_up) {
            format!(
                "{poa:.0} W/m2 were logged at {time} with the sun under the horizon: the log's clock or zone is off"
            )
        } else {
            format!(
                "{poa:.0} W/m2 at {time} are over the {ceiling:.0} that the clearest sky delivers in this plane: the sensor \
                 stood in another plane, was misread, or is out of calibration"
            )
        };
        let reason = Reason::new(Code::AboveClearSky, poa, ceiling, text);
        out.push(Condition { reason, fly_again: true, frames: Vec::new() });
        return Ok(());
    }
    level_sensor(&near, &expected, out);
    Ok(())
}

/// Readings that follow the level plane and not that of the modules.
fn level_sensor(near: &[(Timestamp, f64)], expected: &[Expected], out: &mut Vec<Condition>) {
    let day: Vec<(f64, &Expected)> =
        near.iter().zip(expected).filter(|(_, sky)| sky.sun_up).map(|((_, poa), sky)| (*poa, sky)).collect();
    let level = day
        .iter()
        .filter(|(poa, sky)| {
            (poa - sky.level_w_m2).abs() <= LEVEL_AGREES * sky.level_w_m2
                && (sky.level_w_m2 - sky.poa_w_m2).abs() > LEVEL_DIFFERS * sky.poa_w_m2
        })
        .count();
    // By shape: over a change of the sun the ratio to the right plane stays, the ratio to the wrong one wanders.
    let wander = |of: fn(&Expected) -> f64| {
        let ratios: Vec<f64> = day.iter().map(|(poa, sky)| poa / of(sky).max(1.0)).collect();
        let n = ratios.len().max(1) as f64;
        let mean = ratios.iter().sum::<f64>() / n;
        (ratios.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / n).sqrt() / mean.max(1e-9)
    };
    let (in_plane, on_level) = (wander(|sky| sky.poa_w_m2), wander(|sky| sky.level_w_m2));
    let by_shape = day.len() >= 4 && in_plane > 0.03 && on_level < 0.4 * in_plane && on_level < 0.03;
    let by_value = !day.is_empty() && level as f64 >= MOST_READINGS * day.len() as f64;
    if let (true, Some((poa, sky))) = (by_shape || by_value, day.get(day.len() / 2)) {
        let how = if by_value { "are" } else { "have the shape of" };
        let text = format!(
            "readings such as {poa:.0} W/m2 {how} what a level sensor reads ({:.0} under a clear sky); in the plane of the \
             modules it would be {:.0}: hold the sensor in the plane of the modules",
            sky.level_w_m2, sky.poa_w_m2
        );
        let reason = Reason::new(Code::LevelSensor, *poa, sky.poa_w_m2, text);
        out.push(Condition { reason, fly_again: true, frames: Vec::new() });
    }
}
