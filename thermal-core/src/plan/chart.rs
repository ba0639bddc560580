//! The chart of the day as SVG: irradiance in the plane above, glare below, the windows fit to fly across both.

use std::fmt::Write as _;

use super::export::escape;
use super::{Hour, Plan, Window, hand};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 744.0;
/// Upper and lower edge of the two panels.
const UPPER: [f64; 2] = [46.0, 166.0];
const LOWER: [f64; 2] = [198.0, 268.0];
const HEIGHT: f64 = 308.0;

const INK: &str = "#222222";
const GRID: &str = "#d9d9d9";
const SUN: &str = "#b35806";
const GLARE: &str = "#2b5c9e";
const FIT: &str = "#dcefd8";

/// Minutes of the day at the left and the right edge.
#[derive(Clone, Copy)]
struct Span([f64; 2]);

impl Span {
    fn x(self, minute: f64) -> f64 {
        LEFT + (RIGHT - LEFT) * (minute - self.0[0]) / (self.0[1] - self.0[0])
    }
}

/// A panel's value axis.
#[derive(Clone, Copy)]
struct Axis {
    edges: [f64; 2],
    high: f64,
}

impl Axis {
    fn y(self, value: f64) -> f64 {
        self.edges[1] - (self.edges[1] - self.edges[0]) * value.clamp(0.0, self.high) / self.high
    }
}

impl Plan {
    /// The chart of the best day.
    pub fn to_svg(&self) -> String {
        let span = daylight(&self.course);
        let peak = self.course.iter().map(|hour| hour.poa_w_m2).fold(self.limits.irradiance_w_m2, f64::max);
        let upper = Axis { edges: UPPER, high: (peak / 200.0).ceil() * 200.0 };
        let lower = Axis { edges: LOWER, high: 90.0 };
        let day = self.days.iter().find(|day| day.date == self.best_date);
        let windows = day.map_or(&[][..], |day| &day.windows);

        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" width=\"{WIDTH}\" \
             height=\"{HEIGHT}\" role=\"img\" font-family=\"'DejaVu Sans', Verdana, sans-serif\" font-size=\"12\" \
             fill=\"{INK}\">\n<title>{}</title>\n<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#ffffff\"/>\n",
            escape(&format!("Irradiance, glare and hours fit to fly on {}", self.best_date)),
        );
        self.windows(&mut svg, span, windows);
        grid(&mut svg, span, upper, 200.0);
        grid(&mut svg, span, lower, 30.0);
        hours(&mut svg, span);
        text(&mut svg, [LEFT, UPPER[0] - 8.0], "start", SUN, "Clear-sky irradiance in the plane of the modules, W/m²");
        text(
            &mut svg,
            [LEFT, LOWER[0] - 8.0],
            "start",
            GLARE,
            "Sun's mirror image to the nearest edge of the frame, deg",
        );
        limit(&mut svg, upper, self.limits.irradiance_w_m2, SUN);
        limit(&mut svg, lower, self.limits.glare_deg, GLARE);
        curve(&mut svg, span, upper, SUN, "", &self.course, |hour| Some(hour.poa_w_m2));
        curve(&mut svg, span, upper, SUN, " stroke-dasharray=\"2 4\"", &self.course, |hour| hour.opposite_poa_w_m2);
        curve(&mut svg, span, lower, GLARE, "", &self.course, |hour| hour.glare_deg);
        if self.course.iter().any(|hour| hour.opposite_poa_w_m2.is_some()) {
            text(&mut svg, [RIGHT, UPPER[0] - 8.0], "end", SUN, "dotted: the other side");
        }
        svg.push_str("</svg>\n");
        svg
    }

    fn windows(&self, svg: &mut String, span: Span, windows: &[Window]) {
        let words: Vec<String> = windows.iter().map(|w| format!("{} to {}", hand(&w.from), hand(&w.to))).collect();
        let words = if words.is_empty() { "no hour".into() } else { words.join(", ") };
        text(svg, [LEFT, 18.0], "start", INK, &format!("{}: fit to fly {words}", self.best_date));
        for window in windows {
            let (x0, x1) = (span.x(minute(&window.from)), span.x(minute(&window.to)));
            for [top, bottom] in [UPPER, LOWER] {
                let _ = writeln!(
                    svg,
                    "<rect x=\"{x0:.1}\" y=\"{top}\" width=\"{:.1}\" height=\"{}\" fill=\"{FIT}\"/>",
                    (x1 - x0).max(1.0),
                    bottom - top
                );
            }
        }
    }
}

/// Minute of the day of an RFC 3339 time.
fn minute(time: &str) -> f64 {
    let part = |range| time.get(range).and_then(|digits: &str| digits.parse::<f64>().ok()).unwrap_or(0.0);
    60.0 * part(11..13) + part(14..16)
}

/// Full hours around the daylight; a whole day where the sun does not set.
fn daylight(course: &[Hour]) -> Span {
    let up = || course.iter().filter(|hour| hour.sun_apparent_elevation_deg > 0.0).map(|hour| minute(&hour.time));
    let (first, last) = (up().fold(f64::MAX, f64::min), up().fold(f64::MIN, f64::max));
    if first > last {
        return Span([0.0, 1440.0]);
    }
    Span([(first / 60.0).floor() * 60.0, ((last + 10.0) / 60.0).ceil() * 60.0])
}

fn grid(svg: &mut String, span: Span, axis: Axis, step: f64) {
    let mut value = 0.0;
    while value <= axis.high {
        let y = axis.y(value);
        let _ = writeln!(svg, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"{GRID}\"/>");
        text(svg, [LEFT - 8.0, y + 4.0], "end", INK, &format!("{value:.0}"));
        value += step;
    }
    let mut at = span.0[0];
    while at <= span.0[1] {
        let (x, [top, bottom]) = (span.x(at), axis.edges);
        let _ = writeln!(svg, "<path d=\"M{x:.1} {top}V{bottom}\" stroke=\"{GRID}\"/>");
        at += 60.0;
    }
}

fn hours(svg: &mut String, span: Span) {
    let step = if span.0[1] - span.0[0] > 16.0 * 60.0 { 120.0 } else { 60.0 };
    let mut at = (span.0[0] / step).ceil() * step;
    while at <= span.0[1] {
        text(svg, [span.x(at), LOWER[1] + 18.0], "middle", INK, &format!("{:02.0}:00", at / 60.0));
        at += step;
    }
    text(svg, [0.5 * (LEFT + RIGHT), LOWER[1] + 35.0], "middle", INK, "time of day, as the site's clock shows it");
}

fn limit(svg: &mut String, axis: Axis, value: f64, colour: &str) {
    let y = axis.y(value);
    let _ = writeln!(svg, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"{colour}\" stroke-dasharray=\"6 4\"/>");
    text(svg, [RIGHT - 4.0, y - 4.0], "end", colour, &format!("limit {value:.0}"));
}

fn curve(
    svg: &mut String,
    span: Span,
    axis: Axis,
    colour: &str,
    dash: &str,
    course: &[Hour],
    value: impl Fn(&Hour) -> Option<f64>,
) {
    let mut path = String::new();
    let mut pen_down = false;
    for hour in course {
        match value(hour).filter(|_| hour.sun_apparent_elevation_deg > 0.0) {
            Some(value) => {
                let step = if pen_down { 'L' } else { 'M' };
                let _ = write!(path, "{step}{:.1} {:.1}", span.x(minute(&hour.time)), axis.y(value));
                pen_down = true;
            }
            None => pen_down = false,
        }
    }
    if !path.is_empty() {
        let _ = writeln!(svg, "<path d=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2.2\"{dash}/>");
    }
}

fn text(svg: &mut String, [x, y]: [f64; 2], anchor: &str, colour: &str, words: &str) {
    let _ = writeln!(
        svg,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" fill=\"{colour}\">{}</text>",
        escape(words)
    );
}
