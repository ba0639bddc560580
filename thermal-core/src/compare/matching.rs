//! Which module then is which now: by identity where the identities are the same plant's, else by place, after the two
//! layouts have been shifted onto each other.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use rstar::{RTree, primitives::GeomWithData};

use crate::finding::ModuleRecord;
use crate::site::LocalPlane;
use crate::{Error, Result};

/// Two layouts of one plant are drawn within this, m, each way.
const REACH_M: f64 = 4.0;
const STEP_M: f64 = 0.25;
/// Modules that serve to find the shift.
const SAMPLE: usize = 1500;

/// Modules then and now.
#[derive(Debug, Clone, Default)]
pub struct Matching {
    /// Identity then to identity now.
    pub pairs: BTreeMap<String, String>,
    /// By place, since the identities differ.
    pub by_place: bool,
    /// Shift that was taken out, east and north, m.
    pub shift_m: [f64; 2],
}

/// Matches the modules of two runs; `unseen_*` are identities that a run knows of and did not see.
///
/// # Errors
/// Fewer than half of the smaller plant's modules find a partner.
pub(crate) fn match_modules(
    then: &BTreeMap<&str, &ModuleRecord>,
    now: &BTreeMap<&str, &ModuleRecord>,
    unseen_then: &[String],
    unseen_now: &[String],
    place: &Path,
) -> Result<Matching> {
    let ids = |seen: &BTreeMap<&str, &ModuleRecord>, unseen: &[String]| -> BTreeSet<String> {
        seen.keys().map(|id| (*id).to_owned()).chain(unseen.iter().cloned()).collect()
    };
    let (a, b) = (ids(then, unseen_then), ids(now, unseen_now));
    let shared: Vec<&String> = a.intersection(&b).collect();
    let smaller = a.len().min(b.len()).max(1);
    if 2 * shared.len() >= smaller && agree(&shared, then, now) {
        let pairs = shared.into_iter().map(|id| (id.clone(), id.clone())).collect();
        return Ok(Matching { pairs, ..Matching::default() });
    }
    let matching = by_place(then, now).unwrap_or_default();
    if 2 * matching.pairs.len() < then.len().min(now.len()).max(1) {
        let reason = format!(
            "of {} and {} modules only {} match, by identity or by place",
            then.len(),
            now.len(),
            matching.pairs.len().max(shared.len())
        );
        let remedy = "compare two inspections of one plant; with a layout.geojson for both the places are surest";
        return Err(Error::input(place, "modules", reason, remedy));
    }
    Ok(matching)
}

fn centre(m: &ModuleRecord) -> Option<[f64; 2]> {
    let corners = m.ground?;
    Some([0, 1].map(|k| corners.iter().map(|c| c[k]).sum::<f64>() / 4.0))
}

/// Whether the same identity means the same place: within half a module for most, or places are not known.
fn agree(shared: &[&String], then: &BTreeMap<&str, &ModuleRecord>, now: &BTreeMap<&str, &ModuleRecord>) -> bool {
    let mut metres: Vec<f64> = shared
        .iter()
        .filter_map(|id| {
            let [a, b] = [then.get(id.as_str())?, now.get(id.as_str())?].map(|m| centre(m));
            let (a, b) = (a?, b?);
            let [x, y] = LocalPlane::new(a[1], a[0]).to_local(b[1], b[0]);
            Some(x.hypot(y))
        })
        .take(SAMPLE)
        .collect();
    metres.sort_by(f64::total_cmp);
    // A whole layout may be drawn a few metres off; identities that wander from module to module scatter far more.
    metres.get(metres.len() / 2).is_none_or(|m| *m < REACH_M)
}

type Tree<'a> = RTree<GeomWithData<[f64; 2], &'a str>>;

fn by_place(then: &BTreeMap<&str, &ModuleRecord>, now: &BTreeMap<&str, &ModuleRecord>) -> Option<Matching> {
    let first = then.values().find_map(|m| centre(m))?;
    let plane = LocalPlane::new(first[1], first[0]);
    let local = |assets: &BTreeMap<&str, &ModuleRecord>| -> Vec<([f64; 2], String)> {
        assets.iter().filter_map(|(id, m)| centre(m).map(|c| (plane.to_local(c[1], c[0]), (*id).to_owned()))).collect()
    };
    let (old, new) = (local(then), local(now));
    let tree: Tree<'_> = RTree::bulk_load(new.iter().map(|(p, id)| GeomWithData::new(*p, id.as_str())).collect());
    // Nearest neighbours in the new plant stand a module's short side apart.
    let pitch = spacing(&tree, &new)?;
    let near = (0.35 * pitch).powi(2);
    let sample: Vec<[f64; 2]> = old.iter().step_by(old.len() / SAMPLE + 1).map(|(p, _)| *p).collect();
    let score = |shift: [f64; 2]| {
        let mut hits = 0;
        let mut miss = 0.0;
        for p in &sample {
            let at = [p[0] + shift[0], p[1] + shift[1]];
            if let Some((_, d)) = tree.nearest_neighbor_iter_with_distance_2(at).next().filter(|(_, d)| *d < near) {
                hits += 1;
                miss += d;
            }
        }
        // Of two shifts that fit as well the smaller: a row looks like itself one module on.
        let size = shift[0].hypot(shift[1]);
        f64::from(hits) - miss / near / sample.len() as f64 - 0.01 * sample.len() as f64 * size / REACH_M
    };
    let steps = (REACH_M / STEP_M) as i32;
    let grid =
        (-steps..=steps).flat_map(|i| (-steps..=steps).map(move |j| [f64::from(i) * STEP_M, f64::from(j) * STEP_M]));
    let mut shift = grid.map(|s| (score(s), s)).max_by(|a, b| a.0.total_cmp(&b.0))?.1;
    let mut pairs = BTreeMap::new();
    // The shift is then the mean over the partners.
    for _ in 0..3 {
        pairs.clear();
        let mut taken = BTreeSet::new();
        let mut sum = [0.0; 2];
        for (p, id) in &old {
            let at = [p[0] + shift[0], p[1] + shift[1]];
            let Some((there, _)) = tree.nearest_neighbor_iter_with_distance_2(at).next().filter(|(_, d)| *d < near)
            else {
                continue;
            };
            if taken.insert(there.data) {
                let q = there.geom();
                sum = [sum[0] + q[0] - p[0], sum[1] + q[1] - p[1]];
                pairs.insert(id.clone(), there.data.to_owned());
            }
        }
        let n = pairs.len().max(1) as f64;
        shift = [sum[0] / n, sum[1] / n];
    }
    Some(Matching { pairs, by_place: true, shift_m: shift })
}

/// Median distance of a module to its nearest neighbour, m.
fn spacing(tree: &Tree<'_>, modules: &[([f64; 2], String)]) -> Option<f64> {
    let mut distances: Vec<f64> = modules
        .iter()
        .step_by(modules.len() / 500 + 1)
        .filter_map(|(p, _)| tree.nearest_neighbor_iter_with_distance_2(*p).nth(1).map(|(_, d)| d.sqrt()))
        .collect();
    distances.sort_by(f64::total_cmp);
    distances.get(distances.len() / 2).copied().filter(|d| *d > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two rows of ten and twelve modules, shifted and named by `name`.
    fn plant(shift: [f64; 2], name: impl Fn(usize, usize) -> String) -> Vec<ModuleRecord> {
        let plane = LocalPlane::new(39.5, -3.5);
        let mut modules = Vec::new();
        for (row, count) in [10, 12].into_iter().enumerate() {
            for k in 0..count {
                let (x, y) = (1.06 * k as f64 + shift[0], 7.0 * row as f64 + shift[1]);
                let ring = [[0.0, 2.0], [1.0, 2.0], [1.0, 0.0], [0.0, 0.0]];
                modules.push(ModuleRecord {
                    asset_id: name(row, k),
                    ground: Some(ring.map(|[u, v]| plane.to_lon_lat([x + u, y + v]))),
                    whole: true,
                    ..ModuleRecord::default()
                });
            }
        }
        modules
    }

    fn matched(old: &[ModuleRecord], new: &[ModuleRecord]) -> Result<Matching> {
        let by = |list| super::super::assets(list);
        match_modules(&by(old), &by(new), &[], &[], Path::new("new"))
    }

    #[test]
    fn by_identity_and_by_place() {
        let old = plant([0.0; 2], |row, k| format!("{row}-{k}"));
        let same = matched(&old, &plant([0.4, 0.1], |row, k| format!("{row}-{k}"))).unwrap();
        assert!(!same.by_place && same.pairs.len() == 22);
        let renamed = matched(&old, &plant([0.9, -0.7], |row, k| format!("T{}.{:02}", row + 1, k + 1))).unwrap();
        assert!(renamed.by_place && renamed.pairs.len() == 22, "{renamed:?}");
        assert_eq!((renamed.pairs["0-0"].as_str(), renamed.pairs["1-11"].as_str()), ("T1.01", "T2.12"));
        assert!((renamed.shift_m[0] - 0.9).abs() < 0.01 && (renamed.shift_m[1] + 0.7).abs() < 0.01);
        let far = matched(&old, &plant([900.0, 0.0], |row, k| format!("X{row}-{k}")));
        assert!(far.unwrap_err().to_string().contains("only 0 match"));
    }
}
