//! The plan of the plant with the findings on it, north up.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use super::svg::{escape, nice_step};
use crate::finding::{Finding, ModuleRecord};
use crate::site::{Layout, LocalPlane};

const WIDTH: f64 = 760.0;
const MAX_HEIGHT: f64 = 900.0;
const EDGE: f64 = 26.0;
/// With more findings than this their names would cover the plan.
const MAX_NAMES: usize = 120;

/// The modules of a plant, each as a ring on the ground, `[longitude, latitude]` in degrees.
#[derive(Debug, Clone, Default)]
pub struct PlantMap {
    /// Identity and corners.
    pub modules: Vec<(String, [[f64; 2]; 4])>,
    /// Those that no frame shows whole.
    pub unseen: BTreeSet<String>,
}

impl PlantMap {
    /// From the layout where there is one, else from what the frames show.
    pub fn of(layout: Option<&Layout>, modules: &[ModuleRecord], unseen: &[String]) -> Self {
        let seen: BTreeMap<&str, [[f64; 2]; 4]> = modules
            .iter()
            .filter(|m| !m.asset_id.is_empty())
            .filter_map(|m| Some((m.asset_id.as_str(), m.ground?)))
            .collect();
        let modules = match layout {
            Some(layout) => layout.modules.iter().map(|m| (m.id.clone(), m.corners)).collect(),
            None => seen.into_iter().map(|(id, ring)| (id.to_owned(), ring)).collect(),
        };
        Self { modules, unseen: unseen.iter().cloned().collect() }
    }

    /// The rings in metres east and north of their middle.
    pub fn local(&self) -> Vec<[[f64; 2]; 4]> {
        let count = self.modules.len().max(1) as f64;
        let mean = |k: usize| self.modules.iter().map(|(_, ring)| ring[0][k]).sum::<f64>() / count;
        let (lon, lat) = (mean(0), mean(1));
        if !(lat.abs() <= 90.0 && lon.is_finite()) {
            return Vec::new();
        }
        let plane = LocalPlane::new(lat, lon);
        self.modules.iter().map(|(_, ring)| ring.map(|[lon, lat]| plane.to_local(lat, lon))).collect()
    }
}

/// The drawing; empty where no module has a place.
pub(super) fn draw(map: &PlantMap, findings: &[&Finding]) -> String {
    let rings = map.local();
    let points = || rings.iter().flatten();
    let low = points().fold([f64::INFINITY; 2], |a, p| [a[0].min(p[0]), a[1].min(p[1])]);
    let high = points().fold([f64::NEG_INFINITY; 2], |a, p| [a[0].max(p[0]), a[1].max(p[1])]);
    let size = [high[0] - low[0], high[1] - low[1]];
    if !(size[0] > 0.0 && size[1] > 0.0) {
        return String::new();
    }
    let scale = ((WIDTH - 2.0 * EDGE) / size[0]).min((MAX_HEIGHT - 2.0 * EDGE) / size[1]);
    let left = 0.5 * (WIDTH - size[0] * scale);
    let height = size[1] * scale + 2.0 * EDGE + 34.0;
    let place = |p: [f64; 2]| [left + (p[0] - low[0]) * scale, EDGE + (high[1] - p[1]) * scale];
    let path = |ring: &[[f64; 2]; 4]| {
        let [a, b, c, d] = ring.map(place);
        format!("M{:.1} {:.1}L{:.1} {:.1} {:.1} {:.1} {:.1} {:.1}z", a[0], a[1], b[0], b[1], c[0], c[1], d[0], d[1])
    };
    let by_asset: BTreeMap<&str, &Finding> = findings.iter().map(|f| (f.module.asset_id.as_str(), *f)).collect();
    let (mut sound, mut unseen, mut marks) = (String::new(), String::new(), Vec::new());
    let mut found = String::new();
    for ((id, _), ring) in map.modules.iter().zip(&rings) {
        if let Some(finding) = by_asset.get(id.as_str()) {
            let middle = [0, 1].map(|k| ring.iter().map(|p| p[k]).sum::<f64>() / 4.0);
            marks.push((*finding, place(middle)));
            let _ = write!(found, "<path class=\"{}\" d=\"{}\"/>", band_class(finding), path(ring));
        } else if map.unseen.contains(id) {
            unseen += &path(ring);
        } else {
            sound += &path(ring);
        }
    }
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" aria-label=\"Plan of the plant, north up, with {} \
         findings\"><path class=\"sound\" d=\"{sound}\"/><path class=\"unseen\" d=\"{unseen}\"/>{found}",
        marks.len()
    );
    marks.sort_by(|a, b| b.0.finding.cmp(&a.0.finding));
    let radius = (0.45 * scale).clamp(2.6, 7.0);
    for (finding, [x, y]) in &marks {
        svg += &mark(finding, *x, *y, radius);
    }
    if marks.len() <= MAX_NAMES {
        // A name goes to the first place around its mark where no other stands.
        let mut taken: Vec<[f64; 4]> =
            marks.iter().map(|(_, [x, y])| [x - radius, y - radius, x + radius, y + radius]).collect();
        for (finding, [x, y]) in marks.iter().rev() {
            let width = 6.2 * finding.finding.chars().count() as f64;
            let spots = [
                [-0.5 * width, -radius - 4.0],
                [-0.5 * width, radius + 12.0],
                [radius + 2.0, 3.5],
                [-radius - 2.0 - width, 3.5],
            ];
            let boxed = |[dx, dy]: [f64; 2]| [x + dx, y + dy - 9.0, x + dx + width, y + dy + 1.0];
            let free = |b: &[f64; 4]| {
                b[0] > 0.0
                    && b[2] < WIDTH
                    && taken.iter().all(|t| b[0] > t[2] || b[2] < t[0] || b[1] > t[3] || b[3] < t[1])
            };
            if let Some(spot) = spots.into_iter().find(|spot| free(&boxed(*spot))) {
                taken.push(boxed(spot));
                let (x, y, name) = (x + spot[0], y + spot[1], escape(&finding.finding));
                let _ = write!(svg, "<text class=\"name\" x=\"{x:.1}\" y=\"{y:.1}\">{name}</text>");
            }
        }
    }
    let metres = nice_step(size[0]);
    let y = height - 12.0;
    let _ = write!(
        svg,
        "<path class=\"rule\" d=\"M{EDGE} {0:.1}v6h{1:.1}v-6\"/><text class=\"axis\" x=\"{2:.1}\" y=\"{3:.1}\">{metres} \
         m</text><path class=\"rule\" d=\"M{4} {3:.1}v-22m-5 8l5-8 5 8\"/><text class=\"axis\" x=\"{5}\" \
         y=\"{3:.1}\">north</text></svg>",
        y - 8.0,
        metres * scale,
        EDGE + metres * scale + 6.0,
        y,
        WIDTH - EDGE - 40.0,
        WIDTH - EDGE - 30.0
    );
    svg
}

/// The class of the page's style for a finding's band.
pub(super) fn band_class(finding: &Finding) -> &'static str {
    match finding.severity.as_str() {
        "grave" => "grave",
        "marked" => "marked",
        _ => "slight",
    }
}

/// The mark of a finding: its shape says the band, so that no reader needs the colour.
pub(super) fn mark(finding: &Finding, x: f64, y: f64, r: f64) -> String {
    let class = band_class(finding);
    let shape = match class {
        "grave" => {
            let (h, w) = (1.15 * r, 1.1 * r);
            format!("<path class=\"mark {class}\" d=\"M{x:.1} {:.1}l{w:.1} {:.1}h{:.1}z\"/>", y - h, 1.9 * h, -2.0 * w)
        }
        "marked" => format!(
            "<path class=\"mark {class}\" d=\"M{x:.1} {:.1}l{r:.1} {r:.1} {1:.1} {r:.1} {1:.1} {1:.1}z\"/>",
            y - r,
            -r
        ),
        _ => format!("<circle class=\"mark {class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{:.1}\"/>", 0.75 * r),
    };
    if finding.abnormality_class >= 3 {
        shape + &format!("<circle class=\"ring\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{:.1}\"/>", 1.9 * r)
    } else {
        shape
    }
}
