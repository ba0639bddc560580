//! The features of a layout, one after the other: the file as a whole as a tree of values would take ten times its size.

use std::fmt;
use std::path::Path;

use geojson::{Feature, GeometryValue};
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::layout::LayoutModule;
use super::problem::Problem;
use crate::{Error, Result};

/// What the features of a collection are.
#[derive(Debug, Default)]
pub(super) struct Features {
    /// Those that are modules, in the file's order.
    pub(super) modules: Vec<LayoutModule>,
    /// The others, and why.
    pub(super) problems: Vec<Problem>,
    /// Features.
    pub(super) count: usize,
    /// Those whose coordinates are no longitude and latitude.
    pub(super) projected: usize,
    /// The member `crs`.
    pub(super) crs: Value,
}

impl Features {
    /// Reads the text of a `FeatureCollection`; `path` names it in messages.
    ///
    /// # Errors
    /// It is not JSON or no `FeatureCollection`.
    pub(super) fn read(text: &str, path: &Path) -> Result<Self> {
        let mut features = Self::default();
        let mut json = serde_json::Deserializer::from_str(text);
        let read = Collection { features: &mut features, path }.deserialize(&mut json);
        match read.and_then(|found| json.end().map(|()| found)) {
            Ok(true) => Ok(features),
            Ok(false) => Err(no_collection(path)),
            Err(e) if e.is_data() => Err(no_collection(path)),
            Err(e) => {
                let place = format!("line {}, column {}", e.line(), e.column());
                Err(Error::input(path, place, format!("not JSON: {e}"), "export the layout as GeoJSON again"))
            }
        }
    }

    fn add(&mut self, feature: &Value, path: &Path) {
        self.count += 1;
        match module_of(feature) {
            Ok(module) => self.modules.push(module),
            Err(fault) => {
                self.projected += usize::from(fault.projected);
                let named = property(feature, "id").map_or_else(String::new, |id| format!(" ({id})"));
                self.problems.push(Problem::new(
                    format!("{}: feature {}{named}", path.display(), self.count),
                    fault.reason,
                    fault.remedy,
                ));
            }
        }
    }
}

fn no_collection(path: &Path) -> Error {
    Error::input(
        path,
        "top level",
        "no FeatureCollection",
        "export the modules as polygons of a GeoJSON FeatureCollection",
    )
}

/// The file as a whole; reads to whether it has features.
struct Collection<'a> {
    features: &'a mut Features,
    path: &'a Path,
}

impl<'de> DeserializeSeed<'de> for Collection<'_> {
    type Value = bool;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> std::result::Result<bool, D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Collection<'_> {
    type Value = bool;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a FeatureCollection")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> std::result::Result<bool, A::Error> {
        let mut found = false;
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "features" => {
                    map.next_value_seed(List { features: self.features, path: self.path })?;
                    found = true;
                }
                "crs" => self.features.crs = map.next_value()?,
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(found)
    }
}

/// The list of features.
struct List<'a> {
    features: &'a mut Features,
    path: &'a Path,
}

impl<'de> DeserializeSeed<'de> for List<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> std::result::Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for List<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of features")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> std::result::Result<(), A::Error> {
        while let Some(feature) = list.next_element::<Value>()? {
            self.features.add(&feature, self.path);
        }
        Ok(())
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

fn module_of(value: &Value) -> std::result::Result<LayoutModule, Fault> {
    let feature: Feature = serde_json::from_value(value.clone())
        .map_err(|e| fault(format!("not a GeoJSON feature: {e}"), "export the layout again; this one was left out"))?;
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
    let id = property(value, "id")
        .ok_or_else(|| fault("no property id", "give each module an id; this one was left out"))?;
    let corners = four_corners(&points)
        .ok_or_else(|| fault("the polygon has not four corners", "draw the module by its four corners; left out"))?;
    if crossing(&corners) {
        return Err(fault("the polygon crosses itself", "give the corners in order around the module; left out"));
    }
    Ok(LayoutModule {
        id,
        row: property(value, "row").unwrap_or_default(),
        table: property(value, "table").unwrap_or_default(),
        corners,
    })
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
