//! Reads `layout.geojson`: the modules' ground projections as polygons with the properties `id`, `row`, `table`
//! (RFC 7946). A polygon that cannot be used is named with its remedy, and the rest is used.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use rstar::{AABB, RTree, primitives::GeomWithData};
use serde_json::Value;

use super::geodesy::LocalPlane;
use super::layout_features::Features;
use super::problem::{Problem, name_some};
use crate::median::median;
use crate::{Error, Result};

/// No module's sides differ by more; of slivers each would have all others for neighbours.
const MAX_ASPECT: f64 = 30.0;
/// Longest text of a member `crs`, bytes.
const MAX_CRS_BYTES: usize = 64 << 10;

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
        let Features { modules, problems, count, projected, crs } = Features::read(text, path)?;
        refuse_projected(crs, path)?;
        if projected > 0 && projected * 2 > count {
            return Err(Error::input(
                path,
                "coordinates",
                "not longitude and latitude in degrees; the coordinates look projected",
                "export the layout in WGS 84 (EPSG:4326), as RFC 7946 asks",
            ));
        }
        let mut layout = Self { modules, problems };
        layout.drop_duplicates(path);
        layout.drop_misfits(path);
        if layout.modules.is_empty() {
            return Err(Error::input(
                path,
                "features",
                format!("none of {count} features is a usable module"),
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
        let fits = |s: &(f64, f64)| {
            (s.0 / short - 1.0).abs() < 0.4 && (s.1 / long - 1.0).abs() < 0.4 && s.1 < MAX_ASPECT * s.0
        };
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
            if !keep[i] {
                continue;
            }
            let c = [0, 1].map(|k| ring.iter().map(|p| p[k]).sum::<f64>() / 4.0);
            let reach = AABB::from_corners([c[0] - long, c[1] - long], [c[0] + long, c[1] + long]);
            for near in tree.locate_in_envelope(reach) {
                let j = near.data;
                if j <= i || !keep[j] {
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

/// A `crs` member is from before RFC 7946; only WGS 84 is let through.
fn refuse_projected(crs: Option<&str>, path: &Path) -> Result<()> {
    let refuse = |reason: String| {
        let remedy = "export the layout in WGS 84 (EPSG:4326), as RFC 7946 asks";
        Err(Error::input(path, "member crs", reason, remedy))
    };
    let Some(text) = crs else { return Ok(()) };
    if text.len() > MAX_CRS_BYTES {
        return refuse("it is longer than the name of any system of coordinates".to_owned());
    }
    let crs: Value = serde_json::from_str(text).unwrap_or_default();
    let name = crs.pointer("/properties/name").and_then(Value::as_str).unwrap_or("");
    if name.is_empty() || name.ends_with("CRS84") || name.ends_with("4326") {
        return Ok(());
    }
    refuse(format!("the coordinates are in {name}"))
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
