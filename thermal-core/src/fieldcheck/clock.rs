//! Whether the clocks agree: the camera's with the log's, by the warmth of the frames; the log's with the sun's, by the
//! course of the day. An offset is proposed, never applied.

use jiff::{SignedDuration, Timestamp};

use super::Condition;
use crate::Result;
use crate::irradiance::{Log, thermal_time_s};
use crate::quality::{Code, Reason};
use crate::readings::SunCheck;

/// Lags tried between frames and log, s.
const LAG_STEP_S: i64 = 15;
const MOST_LAG_S: i64 = 5400;
/// Fewest frames, and shortest flight, that a lag can be told from.
const LEAST_FRAMES: usize = 20;
const LEAST_FLIGHT_S: f64 = 600.0;
/// Least swing of the irradiance, as a share of its mean.
const LEAST_SWING: f64 = 0.05;
/// Least correlation at the best lag, its margin over no lag, and over any lag farther off than the third, s.
const LEAST_CORRELATION: f64 = 0.9;
const MARGIN: f64 = 0.15;
const NEIGHBOUR_S: i64 = 300;
/// Lags less than this do not matter, s.
const LEAST_LAG_S: i64 = 60;
/// Shortest log whose course tells the hour, and the step in which hours are tried.
const LEAST_LOG_S: f64 = 3.0 * 3600.0;
const QUARTER_S: i64 = 900;
/// Most readings that are compared with the sun.
const MOST_READINGS: usize = 200;

/// The lag at which the frames' warmth (time, deg C, in order of time) follows the log best, where that is not none.
pub(super) fn frames_against_log(log: &Log, warmth: &[(Timestamp, f64)]) -> Option<Condition> {
    let (first, last) = (warmth.first()?.0, warmth.last()?.0);
    if warmth.len() < LEAST_FRAMES || last.duration_since(first).as_secs_f64() < LEAST_FLIGHT_S {
        return None;
    }
    let felt = felt(log);
    let values: Vec<f64> = warmth.iter().map(|(_, value)| *value).collect();
    let mut lags: Vec<(i64, f64)> = Vec::new();
    for step in -MOST_LAG_S / LAG_STEP_S..=MOST_LAG_S / LAG_STEP_S {
        let lag = step * LAG_STEP_S;
        let shifted: Option<Vec<f64>> = warmth.iter().map(|(t, _)| interpolate(&felt, t.as_second() + lag)).collect();
        let Some(sun) = shifted else { continue };
        let mean = sun.iter().sum::<f64>() / sun.len() as f64;
        let swing = sun.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max) / mean.max(1.0);
        lags.push((lag, if swing < LEAST_SWING { 0.0 } else { correlation(&sun, &values) }));
    }
    let best = lags.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.abs().cmp(&a.0.abs())))?;
    let now = lags.iter().find(|(lag, _)| *lag == 0).map_or(0.0, |(_, r)| *r);
    let rival = lags.iter().filter(|(lag, _)| (lag - best.0).abs() > NEIGHBOUR_S).map(|(_, r)| *r).fold(0.0, f64::max);
    let clear = best.1 > LEAST_CORRELATION && best.1 > now + MARGIN && best.1 > rival + 0.5 * MARGIN;
    (clear && best.0.abs() >= LEAST_LAG_S).then(|| {
        let text = format!(
            "the frames' warmth follows the log best when {} s are added to the camera's clock (correlation {:.2}, {now:.2} as \
             it is): if that clock was off, set clock_offset_s = {}.0 under [camera]; it is not applied by itself",
            best.0, best.1, best.0
        );
        let reason = Reason::new(Code::ClockOff, best.0 as f64, LEAST_LAG_S as f64, text);
        Condition { reason, fly_again: false, frames: Vec::new() }
    })
}

/// What modules felt: the log through a fading memory with their thermal time constant, each reading with its time.
fn felt(log: &Log) -> Vec<(i64, f64)> {
    let mut out: Vec<(i64, f64)> = Vec::with_capacity(log.rows().len());
    let mut state = log.rows().first().map_or(0.0, |row| row.poa_w_m2);
    let mut before = None;
    for row in log.rows() {
        let at = row.time.as_second();
        let fade_s = thermal_time_s(row.wind_m_s.unwrap_or(1.0));
        let keep = before.map_or(0.0, |before: i64| (-((at - before) as f64) / fade_s).exp());
        state = keep * state + (1.0 - keep) * row.poa_w_m2;
        before = Some(at);
        out.push((at, state));
    }
    out
}

fn interpolate(points: &[(i64, f64)], at: i64) -> Option<f64> {
    let after = points.partition_point(|(time, _)| *time < at);
    let (to, b) = points.get(after)?;
    let (from, a) = points.get(after.checked_sub(1)?)?;
    // Across a gap in the log nothing is known.
    (to - from <= 120).then(|| a + (b - a) * (at - from) as f64 / (to - from).max(1) as f64)
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len() as f64;
    let mean = |v: &[f64]| v.iter().sum::<f64>() / n;
    let (ma, mb) = (mean(a), mean(b));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma).powi(2);
        bb += (y - mb).powi(2);
    }
    if aa > 0.0 && bb > 0.0 { ab / (aa * bb).sqrt() } else { 0.0 }
}

/// The hours by which a long log is off the sun's course, where they are plain.
pub(super) fn log_against_sun(log: &Log, check: &SunCheck) -> Result<Option<Condition>> {
    let rows = log.rows();
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(None) };
    if last.time.duration_since(first.time).as_secs_f64() < LEAST_LOG_S {
        return Ok(None);
    }
    let step = rows.len().div_ceil(MOST_READINGS);
    let some: Vec<_> = rows.iter().step_by(step).collect();
    let values: Vec<f64> = some.iter().map(|row| row.poa_w_m2).collect();
    let at = |lag: i64| -> Result<f64> {
        let mut sky = Vec::with_capacity(some.len());
        for row in &some {
            let time = row.time.saturating_add(SignedDuration::from_secs(lag)).unwrap_or(row.time);
            let expected = check.expected(time)?;
            sky.push(if expected.sun_up { expected.poa_w_m2 } else { 0.0 });
        }
        Ok(correlation(&sky, &values))
    };
    let now = at(0)?;
    let mut best = (0, now);
    for step in -56..=56i64 {
        let r = at(step * QUARTER_S)?;
        if r > best.1 {
            best = (step * QUARTER_S, r);
        }
    }
    if best.0.abs() < 2 * QUARTER_S || best.1 < LEAST_CORRELATION || best.1 < now + MARGIN {
        return Ok(None);
    }
    let hours = best.0 as f64 / 3600.0;
    let text = format!(
        "the log's course over the day fits the sun best {hours:+.2} h later (correlation {:.2}, {now:.2} as it is): check the \
         offset of its times; it is not shifted by itself",
        best.1
    );
    let reason = Reason::new(Code::ClockOff, best.0 as f64, (2 * QUARTER_S) as f64, text);
    Ok(Some(Condition { reason, fly_again: false, frames: Vec::new() }))
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use super::*;
    use crate::sun::{Place, Plane};

    fn log(name: &str, start: &str, step_s: i64, count: i64, poa: impl Fn(Timestamp) -> f64) -> Log {
        let start: Timestamp = start.parse().expect("a time");
        let mut rows = String::new();
        for k in 0..count {
            let time = start.saturating_add(SignedDuration::from_secs(step_s * k)).expect("in range");
            let _ = writeln!(rows, "{time},{:.1}", poa(time));
        }
        let path = std::env::temp_dir().join(format!("thermal-clock-{}-{name}.csv", std::process::id()));
        std::fs::write(&path, "time,poa_w_m2\n".to_owned() + &rows).expect("written");
        let (log, problems) = Log::read(&path, None).expect("a log");
        std::fs::remove_file(&path).expect("removed");
        assert!(problems.is_empty(), "{problems:?}");
        log
    }

    /// Clouds of uneven length; modules that follow them as a first-order lag does; a camera that is four minutes slow.
    #[test]
    fn a_slow_camera_is_found_by_the_warmth_of_its_frames() {
        let zero: Timestamp = "2026-06-18T09:00:00Z".parse().expect("a time");
        let sun = |time: Timestamp| {
            let minutes = time.duration_since(zero).as_secs_f64() / 60.0;
            let cloud = [(12.0, 3.0), (31.0, 6.0), (48.0, 4.0), (70.0, 9.0), (96.0, 5.0)];
            if cloud.iter().any(|(at, long)| (*at..at + long).contains(&minutes)) { 350.0 } else { 900.0 }
        };
        let log = log("frames", "2026-06-18T09:00:00Z", 10, 720, sun);
        let felt = felt(&log);
        let warmth = |lag_s: i64| -> Vec<(Timestamp, f64)> {
            (0..300)
                .map(|k| {
                    let at = zero.as_second() + 1500 + 10 * k;
                    let ripple = 0.4 * ((k * k) % 7) as f64;
                    let said = Timestamp::from_second(at - lag_s).expect("in range");
                    (said, 25.0 + 0.03 * interpolate(&felt, at).expect("within the log") + ripple)
                })
                .collect()
        };
        let found = frames_against_log(&log, &warmth(240)).expect("a lag");
        assert_eq!(found.reason.code, Code::ClockOff);
        assert!((found.reason.value.expect("a number") - 240.0).abs() <= 30.0, "{found:?}");
        assert!(found.reason.text.contains("not applied") && !found.fly_again, "{found:?}");
        assert_eq!(frames_against_log(&log, &warmth(0)), None);
        assert_eq!(frames_against_log(&log, &warmth(240)[..15]), None);
    }

    #[test]
    fn a_log_of_another_zone_is_found_by_the_sun() {
        let check = SunCheck {
            place: Place { lat_deg: 39.5, lon_deg: -3.5, elevation_m: 300.0 },
            planes: vec![Plane { tilt_deg: 25.0, azimuth_deg: 180.0 }],
            tracker: None,
        };
        let shifted = |hours: i64| {
            log(&format!("sun{hours}"), "2026-06-18T07:00:00Z", 300, 144, |time| {
                let true_time = time.saturating_add(SignedDuration::from_hours(hours)).expect("in range");
                check.expected(true_time).expect("in range").poa_w_m2
            })
        };
        assert_eq!(log_against_sun(&shifted(0), &check).expect("in range"), None);
        for hours in [2, -3] {
            let found = log_against_sun(&shifted(hours), &check).expect("in range").expect("off");
            assert!((found.reason.value.expect("a number") / 3600.0 - hours as f64).abs() < 0.3, "{found:?}");
        }
    }
}
