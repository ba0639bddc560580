//! The features of a layout as modules; what is none is named, and the rest is used.

use std::path::Path;

use geojson::{Feature, GeometryValue};
use serde_json::Value;

use super::layout::LayoutModule;
use super::problem::Problem;
use crate::table::MAX_PROBLEMS;
use crate::{Error, Result, features};

/// Longest text of one feature, bytes: a module takes some hundreds.
const MAX_FEATURE_BYTES: usize = 64 << 10;

/// What the features of a collection are.
#[derive(Debug, Default)]
pub(super) struct Features<'a> {
    /// Those that are modules, in the file's order.
    pub(super) modules: Vec<LayoutModule>,
    /// The others, and why; beyond [`MAX_PROBLEMS`] the last one counts the rest.
    pub(super) problems: Vec<Problem>,
    /// Features.
    pub(super) count: usize,
    /// Those whose coordinates are no longitude and latitude.
    pub(super) projected: usize,
    /// The text of the member `crs`.
    pub(super) crs: Option<&'a str>,
}

impl<'a> Features<'a> {
    /// Reads the text of a `FeatureCollection`; `path` names it in messages.
    ///
    /// # Errors
    /// It is not JSON or no `FeatureCollection`, or has more features than any plant has modules.
    pub(super) fn read(text: &'a str, path: &Path) -> Result<Self> {
        let mut found = Self::default();
        let collection = features::each(text, path, &mut |feature| found.add(feature, path))?;
        if !collection.is_one {
            let remedy = "export the modules as polygons of a GeoJSON FeatureCollection";
            return Err(Error::input(path, "top level", "no FeatureCollection", remedy));
        }
        let untold = found.count - found.modules.len() - found.problems.len();
        if untold > 0 {
            found.problems.push(Problem::new(
                path.display().to_string(),
                format!("{untold} more features are not used"),
                "mend what is told, then read the layout again",
            ));
        }
        Ok(Self { crs: collection.crs, ..found })
    }

    fn add(&mut self, feature: &str, path: &Path) {
        self.count += 1;
        let (id, module) = module_of(feature);
        match module {
            Ok(module) => self.modules.push(module),
            Err(fault) => {
                self.projected += usize::from(fault.projected);
                if self.problems.len() < MAX_PROBLEMS {
                    let named = id.map_or_else(String::new, |id| format!(" ({id})"));
                    let subject = format!("{}: feature {}{named}", path.display(), self.count);
                    self.problems.push(Problem::new(subject, fault.reason, fault.remedy));
                }
            }
        }
    }
}

struct Fault {
    reason: String,
    remedy: &'static str,
    projected: bool,
}

fn fault(reason: impl Into<String>, remedy: &'static str) -> Fault {
    Fault { reason: reason.into(), remedy, projected: false }
}

/// A property as text; numbers serve as well.
fn property(feature: &Value, name: &str) -> Option<String> {
    let value = feature.get("properties").and_then(|p| p.get(name));
    let value = value.or_else(|| if name == "id" { feature.get("id") } else { None })?;
    match value {
        Value::String(s) if !s.trim().is_empty() => Some(s.trim().to_owned()),
        Value::Number(n) => Some(n.to_string()),
        _ => None,
    }
}

/// The module of a feature's text, and its id where that is known.
fn module_of(text: &str) -> (Option<String>, std::result::Result<LayoutModule, Fault>) {
    if text.len() > MAX_FEATURE_BYTES {
        let fault = fault("its text is longer than any module's", "draw the module by its four corners; left out");
        return (None, Err(fault));
    }
    let no_feature = |e: &dyn std::fmt::Display| {
        fault(format!("not a GeoJSON feature: {e}"), "export the layout again; this one was left out")
    };
    let value: Value = match serde_json::from_str(text) {
        Ok(value) => value,
        Err(e) => return (None, Err(no_feature(&e))),
    };
    let [id, row, table] = ["id", "row", "table"].map(|name| property(&value, name));
    let corners =
        serde_json::from_value(value).map_err(|e| no_feature(&e)).and_then(|feature| corners(feature, id.is_some()));
    let names = (id.clone().unwrap_or_default(), row.unwrap_or_default(), table.unwrap_or_default());
    (id, corners.map(|corners| LayoutModule { id: names.0, row: names.1, table: names.2, corners }))
}

/// The corners of a module's polygon.
fn corners(feature: Feature, is_named: bool) -> std::result::Result<[[f64; 2]; 4], Fault> {
    let ring = match feature.geometry.map(|g| g.value) {
        Some(GeometryValue::Polygon { coordinates }) => coordinates.into_iter().next(),
        Some(GeometryValue::MultiPolygon { coordinates }) if coordinates.len() == 1 => {
            coordinates.into_iter().next().and_then(|p| p.into_iter().next())
        }
        _ => None,
    };
    let ring = ring.ok_or_else(|| fault("no polygon", "draw the module as one polygon; this one was left out"))?;
    let mut points: Vec<[f64; 2]> = ring.iter().filter(|p| p.len() >= 2).map(|p| [p[0], p[1]]).collect();
    if points.len() > 1 && points.first() == points.last() {
        points.pop();
    }
    if points.iter().any(|p| !(p[0].abs() <= 180.0 && p[1].abs() <= 90.0)) {
        return Err(Fault {
            projected: true,
            ..fault("coordinates beyond longitude and latitude", "export the layout in WGS 84 (EPSG:4326)")
        });
    }
    if !is_named {
        return Err(fault("no property id", "give each module an id; this one was left out"));
    }
    let corners = four_corners(&points)
        .ok_or_else(|| fault("the polygon has not four corners", "draw the module by its four corners; left out"))?;
    if crossing(&corners) {
        return Err(fault("the polygon crosses itself", "give the corners in order around the module; left out"));
    }
    Ok(corners)
}

/// The four corners of a ring; points in the middle of a side are taken out.
fn four_corners(points: &[[f64; 2]]) -> Option<[[f64; 2]; 4]> {
    let mut ring = points.to_vec();
    ring.dedup();
    while ring.len() > 4 {
        let n = ring.len();
        let bend = |i: usize| {
            let (a, b, c) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
            let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - b[0], c[1] - b[1]]);
            (u[0] * v[1] - u[1] * v[0]).abs() / (u[0].hypot(u[1]) * v[0].hypot(v[1])).max(f64::MIN_POSITIVE)
        };
        let straightest = (0..n).min_by(|&a, &b| bend(a).total_cmp(&bend(b)))?;
        if bend(straightest) > 0.1 {
            return None;
        }
        ring.remove(straightest);
    }
    ring.try_into().ok()
}

/// Opposite sides of the quadrilateral cross, or it has no area.
fn crossing(q: &[[f64; 2]; 4]) -> bool {
    let turn = |a: [f64; 2], b: [f64; 2], c: [f64; 2]| (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    let signs: Vec<bool> = (0..4).map(|i| turn(q[i], q[(i + 1) % 4], q[(i + 2) % 4]) > 0.0).collect();
    let flat = (0..4).any(|i| turn(q[i], q[(i + 1) % 4], q[(i + 2) % 4]) == 0.0);
    // A simple quadrilateral turns the same way at all corners (convex); a module is convex.
    flat || signs.iter().any(|s| *s != signs[0])
}
