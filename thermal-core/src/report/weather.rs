//! Irradiance over the flight as a chart, and the conditions in words.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::Offset;

use super::svg::{escape, nice_step};
use crate::irradiance::{Log, Row};
use crate::settings::Irradiance;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 236.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 748.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 196.0;
/// Shown before and after the flight, s.
const AROUND_S: f64 = 900.0;

/// The conditions over the flight; ranges as lowest and highest.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Conditions {
    pub(super) irradiance_w_m2: Option<[f64; 2]>,
    pub(super) air_temp_c: Option<[f64; 2]>,
    pub(super) wind_m_s: Option<[f64; 2]>,
    pub(super) cloud_okta: Option<[f64; 2]>,
    pub(super) readings: usize,
}

/// What the log says of the flight; the readings next to it on either side count as its own.
pub(super) fn conditions(log: &Log, flight: (Timestamp, Timestamp)) -> Conditions {
    let rows = log.rows();
    let first = rows.partition_point(|row| row.time < flight.0).saturating_sub(1);
    let last = (rows.partition_point(|row| row.time <= flight.1) + 1).min(rows.len());
    let rows = rows.get(first..last).unwrap_or_default();
    let range = |value: fn(&Row) -> Option<f64>| {
        rows.iter().filter_map(value).fold(None, |range: Option<[f64; 2]>, x| {
            let [low, high] = range.unwrap_or([x, x]);
            Some([low.min(x), high.max(x)])
        })
    };
    Conditions {
        irradiance_w_m2: range(|row| Some(row.poa_w_m2)),
        air_temp_c: range(|row| row.air_temp_c),
        wind_m_s: range(|row| row.wind_m_s),
        cloud_okta: range(|row| row.cloud_okta),
        readings: rows.len(),
    }
}

/// The chart: the readings around the flight, the flight's span and its captures, and the least irradiance wanted.
pub(super) fn chart(
    log: &Log,
    flight: (Timestamp, Timestamp),
    captures: &[Timestamp],
    limits: &Irradiance,
    offset: Offset,
) -> String {
    let second = |t: Timestamp| t.as_millisecond() as f64 / 1000.0;
    let (from, to) = (second(flight.0) - AROUND_S, second(flight.1) + AROUND_S);
    let rows: Vec<&Row> = log.rows().iter().filter(|row| (from..=to).contains(&second(row.time))).collect();
    let top = rows.iter().map(|row| row.poa_w_m2).fold(limits.low_w_m2, f64::max);
    let high = (top / 200.0).ceil() * 200.0 + if top % 200.0 > 150.0 { 200.0 } else { 0.0 };
    let x = |t: f64| LEFT + (RIGHT - LEFT) * (t - from) / (to - from).max(1.0);
    let y = |w: f64| BOTTOM - (BOTTOM - TOP) * w.clamp(0.0, high) / high;
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Irradiance in the plane of the modules over \
         the flight\"><text class=\"axis\" x=\"{LEFT}\" y=\"14\">W/m², in the plane of the modules</text>"
    );
    let (a, b) = (x(second(flight.0)), x(second(flight.1)));
    let width = (b - a).max(2.0);
    let _ = write!(
        svg,
        "<rect class=\"span\" x=\"{a:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{:.1}\"/><text class=\"axis\" \
         x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">flight</text>",
        BOTTOM - TOP,
        f64::midpoint(a, b),
        BOTTOM - 6.0
    );
    let step = nice_step(high);
    let mut level = 0.0;
    while level <= high + 1e-6 {
        let _ = write!(
            svg,
            "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\"/><text class=\"axis\" \
             x=\"{1:.1}\" y=\"{2:.1}\" text-anchor=\"end\">{level:.0}</text>",
            y(level),
            LEFT - 6.0,
            y(level) + 4.0
        );
        level += step;
    }
    let _ = write!(
        svg,
        "<line class=\"least\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\"/><text class=\"axis\" \
         x=\"{RIGHT}\" y=\"{1:.1}\" text-anchor=\"end\">least wanted, {2:.0}</text>",
        y(limits.low_w_m2),
        y(limits.low_w_m2) - 5.0,
        limits.low_w_m2
    );
    let every = [60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0];
    let every = every.into_iter().find(|s| (to - from) / s <= 9.0).unwrap_or(14400.0);
    let mut t = (from / every).ceil() * every;
    while t <= to {
        let clock = Timestamp::from_second(t as i64).map(|t| offset.to_datetime(t).strftime("%H:%M").to_string());
        let _ = write!(
            svg,
            "<line class=\"tick\" x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{BOTTOM}\" y2=\"{1:.1}\"/><text class=\"axis\" \
             x=\"{0:.1}\" y=\"{2:.1}\" text-anchor=\"middle\">{3}</text>",
            x(t),
            BOTTOM + 5.0,
            BOTTOM + 18.0,
            clock.unwrap_or_default()
        );
        t += every;
    }
    let line: Vec<String> =
        rows.iter().map(|row| format!("{:.1},{:.1}", x(second(row.time)), y(row.poa_w_m2))).collect();
    let _ = write!(svg, "<polyline class=\"sun\" points=\"{}\"/>", line.join(" "));
    // A dot a reading, as long as they can be told apart.
    if rows.len() < 120 {
        for row in &rows {
            let _ = write!(
                svg,
                "<circle class=\"dot\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.2\"/>",
                x(second(row.time)),
                y(row.poa_w_m2)
            );
        }
    }
    for capture in captures.iter().step_by(captures.len() / 400 + 1) {
        let at = x(second(*capture));
        let _ =
            write!(svg, "<line class=\"shot\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{TOP}\" y2=\"{:.1}\"/>", TOP + 7.0);
    }
    let zone = escape(&offset.to_string());
    let _ = write!(
        svg,
        "<text class=\"axis\" x=\"{RIGHT}\" y=\"{:.1}\" text-anchor=\"end\">time, UTC{}</text></svg>",
        HEIGHT - 4.0,
        if offset == Offset::UTC { String::new() } else { zone }
    );
    svg
}
