//! Reads `layout.geojson`: the modules' ground projections as polygons with the properties `id`, `row`, `table`
//! (RFC 7946). A polygon that cannot be used is named with its remedy, and the rest is used.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use geojson::{Feature, GeometryValue};
use rstar::{AABB, RTree, primitives::GeomWithData};
use serde_json::Value;

use super::geodesy::LocalPlane;
use super::problem::{Problem, name_some};
use crate::median::median;
use crate::{Error, Result};

/// One module of the layout.
#[derive(Debug, Clone, PartialEq)]
pub struct LayoutModule {
    /// The owner's name of the module.
    pub id: String,
    /// The row's name; empty where the layout gives none.
    pub row: String,
    /// The table's name; empty where the layout gives none.
    pub table: String,
    /// Corners as `[longitude, latitude]`, deg, WGS 84, in the file's order.
    pub corners: [[f64; 2]; 4],
}

/// A plant's modules.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Layout {
    /// The usable modules, in the file's order.
    pub modules: Vec<LayoutModule>,
    /// Polygons that could not be used, and why.
    pub problems: Vec<Problem>,
}

impl Layout {
    /// Reads a file.
    ///
    /// # Errors
    /// [`Error::Io`] where it cannot be read; [`Error::Input`] where it is no `GeoJSON`, holds projected coordinates, or
    /// no polygon is usable.
    pub fn read(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::parse(&crate::file::read_text(path)?, path)
    }

    /// Reads the text of a file; `path` names it in messages.
    ///
    /// # Errors
    /// As [`Layout::read`].
    pub fn parse(text: &str, path: &Path) -> Result<Self> {
        let root: Value = serde_json::from_str(text).map_err(|e| {
            let place = format!("line {}, column {}", e.line(), e.column());
            Error::input(path, place, format!("not JSON: {e}"), "export the layout as GeoJSON again")
        })?;
        refuse_projected(&root, path)?;
        let Some(features) = root.get("features").and_then(Value::as_array) else {
            return Err(Error::input(
                path,
                "top level",
                "no FeatureCollection",
                "export the modules as polygons of a GeoJSON FeatureCollection",
            ));
        };
        let mut layout = Self::default();
        let mut projected = 0;
        for (n, feature) in features.iter().enumerate() {
            match module_of(feature) {
                Ok(module) => layout.modules.push(module),
                Err(fault) => {
                    projected += usize::from(fault.projected);
                    let named = property(feature, "id").map_or_else(String::new, |id| format!(" ({id})"));
                    layout.problems.push(Problem::new(
                        format!("{}: feature {}{named}", path.display(), n + 1),
                        fault.reason,
                        fault.remedy,
                    ));
                }
            }
        }
        if projected > 0 && projected * 2 > features.len() {
            return Err(Error::input(
                path,
                "coordinates",
                "not longitude and latitude in degrees; the coordinates look projected",
                "export the layout in WGS 84 (EPSG:4326), as RFC 7946 asks",
            ));
        }
        layout.drop_duplicates(path);
        layout.drop_misfits(path);
        if layout.modules.is_empty() {
            return Err(Error::input(
                path,
                "features",
                format!("none of {} features is a usable module", features.len()),
                layout.problems.first().map_or_else(
                    || "draw each module as a polygon of four corners with the property id".into(),
                    |p| format!("the first: {p}"),
                ),
            ));
        }
        Ok(layout)
    }

    /// A local plane about the layout's middle.
    pub fn plane(&self) -> LocalPlane {
        let mut lat: Vec<f64> = self.modules.iter().map(|m| m.corners[0][1]).collect();
        let mut lon: Vec<f64> = self.modules.iter().map(|m| m.corners[0][0]).collect();
        let (lat, lon) = (median(&mut lat), median(&mut lon));
        if lat.is_finite() && lon.is_finite() { LocalPlane::new(lat, lon) } else { LocalPlane::new(0.0, 0.0) }
    }

    /// An id given twice names no module: the first keeps it, the others are left out and named.
    fn drop_duplicates(&mut self, path: &Path) {
        let mut count: HashMap<&str, usize> = HashMap::new();
        let mut keep = Vec::with_capacity(self.modules.len());
        for m in &self.modules {
            let n = count.entry(&m.id).or_default();
            keep.push(*n == 0);
            *n += 1;
        }
        let mut twice: Vec<&str> = count.iter().filter(|(_, n)| **n > 1).map(|(id, _)| *id).collect();
        twice.sort_unstable();
        if !twice.is_empty() {
            self.problems.push(Problem::new(
                path.display().to_string(),
                format!("the id of {} modules stands more than once: {}", twice.len(), name_some(twice.into_iter(), 5)),
                "give each module its own id; the first polygon of each was used, the others were left out",
            ));
        }
        let mut keep = keep.into_iter();
        self.modules.retain(|_| keep.next().unwrap_or(true));
    }

    /// Leaves out polygons far from a module's size, and the later of two that lie on each other. Those that only touch
    /// (tables drawn a little too close) are named and used.
    fn drop_misfits(&mut self, path: &Path) {
        let plane = self.plane();
        let rings: Vec<[[f64; 2]; 4]> =
            self.modules.iter().map(|m| m.corners.map(|c| plane.to_local(c[1], c[0]))).collect();
        let sizes: Vec<(f64, f64)> = rings.iter().map(sides).collect();
        let mut short: Vec<f64> = sizes.iter().map(|s| s.0).collect();
        let mut long: Vec<f64> = sizes.iter().map(|s| s.1).collect();
        let (short, long) = (median(&mut short), median(&mut long));
        let fits = |s: &(f64, f64)| (s.0 / short - 1.0).abs() < 0.4 && (s.1 / long - 1.0).abs() < 0.4;
        let mut keep: Vec<bool> = sizes.iter().map(fits).collect();
        let mut faults: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for (i, k) in keep.iter().enumerate() {
            if !k {
                faults.entry("size").or_default().push(&self.modules[i].id);
            }
        }
        let centres = rings
            .iter()
            .enumerate()
            .map(|(i, r)| GeomWithData::new([0, 1].map(|k| r.iter().map(|p| p[k]).sum::<f64>() / 4.0), i))
            .collect();
        let tree: RTree<GeomWithData<[f64; 2], usize>> = RTree::bulk_load(centres);
        for (i, ring) in rings.iter().enumerate().filter(|(_, r)| r.iter().flatten().all(|v| v.is_finite())) {
            let c = [0, 1].map(|k| ring.iter().map(|p| p[k]).sum::<f64>() / 4.0);
            let reach = AABB::from_corners([c[0] - long, c[1] - long], [c[0] + long, c[1] + long]);
            for near in tree.locate_in_envelope(reach) {
                let j = near.data;
                if j <= i || !keep[i] || !keep[j] {
                    continue;
                }
                // A twentieth of the short side is a drawing's tolerance; beyond half they are one place drawn twice.
                let overlap = overlap_m(ring, &rings[j]);
                if overlap > 0.5 * short {
                    keep[j] = false;
                    faults.entry("same").or_default().push(&self.modules[j].id);
                } else if overlap > 0.05 * short {
                    faults.entry("overlap").or_default().push(&self.modules[j].id);
                }
            }
        }
        let said = |key: &str| faults.get(key).map(|v| (v.len(), name_some(v.iter().copied(), 5)));
        if let Some((n, names)) = said("size") {
            self.problems.push(Problem::new(
                path.display().to_string(),
                format!("{n} polygons are not of a module's size ({short:.2} m x {long:.2} m on the ground): {names}"),
                "keep only modules in the layout; these were left out",
            ));
        }
        if let Some((n, names)) = said("same") {
            self.problems.push(Problem::new(
                path.display().to_string(),
                format!("{n} polygons lie on another: {names}"),
                "draw each module once, at its place; the earlier polygon was used, these were left out",
            ));
        }
        if let Some((n, names)) = said("overlap") {
            self.problems.push(Problem::new(
                path.display().to_string(),
                format!("{n} polygons overlap a neighbour: {names}"),
                "correct the places of these tables; they were used as drawn",
            ));
        }
        let mut keep = keep.into_iter();
        self.modules.retain(|_| keep.next().unwrap_or(true));
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

/// A `crs` member is from before RFC 7946; only WGS 84 is let through.
fn refuse_projected(root: &Value, path: &Path) -> Result<()> {
    let name = root.pointer("/crs/properties/name").and_then(Value::as_str).unwrap_or("");
    if name.is_empty() || name.ends_with("CRS84") || name.ends_with("4326") {
        return Ok(());
    }
    Err(Error::input(
        path,
        "member crs",
        format!("the coordinates are in {name}"),
        "export the layout in WGS 84 (EPSG:4326), as RFC 7946 asks",
    ))
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

/// Mean lengths of the two pairs of sides, the shorter first.
fn sides(q: &[[f64; 2]; 4]) -> (f64, f64) {
    let side = |i: usize| (q[(i + 1) % 4][0] - q[i][0]).hypot(q[(i + 1) % 4][1] - q[i][1]);
    let (a, b) = (0.5 * (side(0) + side(2)), 0.5 * (side(1) + side(3)));
    (a.min(b), a.max(b))
}

/// How deep two convex quadrilaterals lie in each other, m: the least overlap over the sides' normals.
fn overlap_m(a: &[[f64; 2]; 4], b: &[[f64; 2]; 4]) -> f64 {
    let mut least = f64::INFINITY;
    for q in [a, b] {
        for i in 0..4 {
            let d = [q[(i + 1) % 4][0] - q[i][0], q[(i + 1) % 4][1] - q[i][1]];
            let len = d[0].hypot(d[1]).max(f64::MIN_POSITIVE);
            let n = [d[1] / len, -d[0] / len];
            let span = |q: &[[f64; 2]; 4]| {
                q.iter()
                    .map(|p| p[0] * n[0] + p[1] * n[1])
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)))
            };
            let (a, b) = (span(a), span(b));
            least = least.min(a.1.min(b.1) - a.0.max(b.0));
        }
    }
    least
}
