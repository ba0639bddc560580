//! The verdict as one page of HTML, complete in one file, with a map.

use std::fmt::Write as _;

use minijinja::context;

use super::{FieldCheck, SiteMap, Verdict};
use crate::Result;
use crate::page::fill;

const PAGE: &str = include_str!("fieldcheck.html");
/// Width of the map, px.
const WIDTH: f64 = 900.0;
/// Greatest height, px.
const HEIGHT: f64 = 620.0;
/// Frames in the table of those that are not fit: who has more looks at the kinds above it.
const MOST_ROWS: usize = 500;

impl FieldCheck {
    /// The page.
    ///
    /// # Errors
    /// [`Error::Argument`](crate::Error::Argument) where the page cannot be filled, which would be a fault of this library.
    pub fn to_page(&self) -> Result<String> {
        let unfit: Vec<_> = self
            .frames
            .iter()
            .filter(|frame| !frame.fit)
            .take(MOST_ROWS)
            .map(|frame| {
                let reasons: Vec<_> =
                    frame.reasons.iter().map(|r| context! { name => r.code.info().name, text => &r.text }).collect();
                context! { file => &frame.file, reasons => reasons }
            })
            .collect();
        let kinds: Vec<_> = self
            .by_code()
            .into_iter()
            .map(|(code, count, _)| context! { name => code.info().name, short => code.info().short, count => count })
            .collect();
        let conditions: Vec<_> = self
            .conditions
            .iter()
            .map(|c| {
                context! {
                    name => c.reason.code.info().name,
                    text => &c.reason.text,
                    again => c.fly_again,
                }
            })
            .collect();
        let positions: Vec<_> = self
            .positions
            .iter()
            .map(|p| {
                context! {
                    lat => format!("{:.6}", p.lat),
                    lon => format!("{:.6}", p.lon),
                    height => format!("{:.0}", p.height_above_takeoff_m),
                    yaw => format!("{:.0}", p.yaw_deg),
                    pitch => format!("{:.0}", p.pitch_deg),
                    modules => p.modules.join(" "),
                }
            })
            .collect();
        let values = context! {
            site => &self.site,
            headline => self.headline(),
            again => self.verdict == Verdict::FlyAgain,
            frames => self.frames.len(),
            unfit_count => self.unfit(),
            unfit => unfit,
            kinds => kinds,
            conditions => conditions,
            positions => positions,
            modules => self.coverage.modules,
            seen_whole => self.coverage.seen_whole,
            unseen => &self.coverage.unseen,
            notes => &self.notes,
            map => self.map.to_svg(),
        };
        fill("fieldcheck.html", PAGE, values)
    }
}

impl SiteMap {
    /// Frames, modules and positions as a drawing, north up; empty where nothing has a place.
    fn to_svg(&self) -> String {
        let rings = self.footprints.iter().map(|(ring, _)| &ring[..]);
        let all = rings.chain(self.modules.iter().map(|(ring, _)| &ring[..])).flatten();
        let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
        for point in all {
            low = [low[0].min(point[0]), low[1].min(point[1])];
            high = [high[0].max(point[0]), high[1].max(point[1])];
        }
        if !(low[0] < high[0] && low[1] < high[1]) {
            return String::new();
        }
        let scale = (WIDTH / (high[0] - low[0])).min(HEIGHT / (high[1] - low[1])) * 0.96;
        let margin = 12.0;
        let (w, h) = ((high[0] - low[0]) * scale + 2.0 * margin, (high[1] - low[1]) * scale + 2.0 * margin + 22.0);
        let at = |p: &[f64; 2]| (margin + (p[0] - low[0]) * scale, margin + (high[1] - p[1]) * scale);
        let path = |ring: &[[f64; 2]]| {
            let mut d = String::new();
            for (k, point) in ring.iter().enumerate() {
                let (x, y) = at(point);
                let _ = write!(d, "{}{x:.1} {y:.1}", if k == 0 { "M" } else { "L" });
            }
            d + "Z"
        };
        // Writing to a string does not fail.
        let mut svg = format!("<svg viewBox=\"0 0 {w:.0} {h:.0}\" role=\"img\" aria-label=\"Map of the flight\">");
        let layer = |svg: &mut String, class: &str, rings: &mut dyn Iterator<Item = &[[f64; 2]]>| {
            let d: String = rings.map(&path).collect();
            if !d.is_empty() {
                let _ = write!(svg, "<path class=\"{class}\" d=\"{d}\"/>");
            }
        };
        layer(&mut svg, "seen", &mut self.modules.iter().filter(|m| m.1).map(|m| &m.0[..]));
        layer(&mut svg, "unseen", &mut self.modules.iter().filter(|m| !m.1).map(|m| &m.0[..]));
        layer(&mut svg, "frame", &mut self.footprints.iter().filter(|f| f.1).map(|f| &f.0[..]));
        layer(&mut svg, "unfit", &mut self.footprints.iter().filter(|f| !f.1).map(|f| &f.0[..]));
        for (n, position) in self.positions.iter().enumerate() {
            let (x, y) = at(position);
            let (x, y) = (x.clamp(9.0, w - 9.0), y.clamp(9.0, h - 31.0));
            let _ = write!(svg, "<circle class=\"go\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"8\"/>");
            let _ = write!(svg, "<text class=\"no\" x=\"{x:.1}\" y=\"{:.1}\">{}</text>", y + 3.2, n + 1);
        }
        // A round length of about a fifth of the width.
        let wanted = 0.2 * (high[0] - low[0]);
        let power = 10f64.powf(wanted.max(1e-3).log10().floor());
        let bar = [1.0, 2.0, 5.0].into_iter().map(|k| k * power).filter(|v| *v <= wanted).fold(power, f64::max);
        let (x, y) = (margin, h - 8.0);
        let _ = write!(svg, "<path class=\"bar\" d=\"M{x:.1} {y:.1}h{:.1}\"/>", bar * scale);
        let _ = write!(svg, "<text x=\"{:.1}\" y=\"{:.1}\">{bar} m, north up</text>", x + bar * scale + 8.0, y + 4.0);
        svg + "</svg>"
    }
}
