//! The plant from the flight alone: frames brought onto each other, outlines of one place joined to one module, and each
//! module kept that enough of the frames looking there show.

use std::collections::BTreeMap;

use rstar::{RTree, primitives::GeomWithData};

use super::FrameOutlines;
use super::border::Border;
use super::graph::{Solution, solve};
use super::join::{Join, joins};
use super::look::{Look, Sights};
use super::map::Slot;
use super::order::Stop;
use super::overlap::{across, compare, consecutive};
use crate::Result;
use crate::median::median;

/// The plant as the flight shows it.
pub(super) struct Built {
    /// Its modules.
    pub(super) slots: Vec<Slot>,
    /// Their corners: upper left, upper right, lower right, lower left, m.
    pub(super) rings: Vec<[[f64; 2]; 4]>,
    /// +1 facing the array's azimuth, -1 its opposite.
    pub(super) faces: Vec<i8>,
    /// Error of each stop's position, m.
    pub(super) errors: Vec<[f64; 2]>,
    /// How surely each stop hangs together with the others.
    pub(super) joins: Vec<Join>,
}

/// Search of the shift between frames that follow each other, m, and how far it may differ from none.
pub(super) const CHAIN_WINDOW_M: f64 = 2.4;
pub(super) const CHAIN_SPREADS_M: [f64; 4] = [0.35, 0.35, 0.3, 0.3];

/// A module must be outlined in this share of the frames that look at its place.
const SUPPORT: f64 = 0.25;

/// Joins the frames and builds the plant.
pub(super) fn build(frames: &[FrameOutlines], stops: &[Stop], sights: &Sights, threads: usize) -> Result<Built> {
    let none = vec![[0.0; 2]; stops.len()];
    let mut edges = compare(frames, stops, sights, &none, &consecutive(stops), CHAIN_WINDOW_M, threads)?;
    let first = solve(stops, &edges, none, &CHAIN_SPREADS_M);
    let pairs = across(stops, sights, &first.errors)?;
    edges.extend(compare(frames, stops, sights, &first.errors, &pairs, 3.5, threads)?);
    let Solution { errors, chosen, .. } = solve(stops, &edges, first.errors, &[1.0, 0.7, 0.5, 0.35, 0.3, 0.3, 0.3]);
    let joins = joins(&edges, &chosen, &errors);
    let clusters = clusters(frames, stops, sights, &errors)?;
    let (slots, rings, faces) = clusters.into_iter().map(|c| (c.slot, c.ring, c.face)).collect();
    Ok(Built { slots, rings, faces, errors, joins })
}

/// Outlines of one place.
struct Cluster {
    slot: Slot,
    ring: [[f64; 2]; 4],
    face: i8,
    count: f64,
}

fn clusters(frames: &[FrameOutlines], stops: &[Stop], sights: &Sights, errors: &[[f64; 2]]) -> Result<Vec<Cluster>> {
    let mut found = Clusters::default();
    let mut views: Vec<Option<Border>> = vec![None; stops.len()];
    // Whole outlines first: a cut one must not set the place of a module that others show whole.
    for whole in [true, false] {
        for (k, (stop, seen)) in stops.iter().zip(sights).enumerate() {
            let frame = &frames[stop.frame];
            let Some(look) = Look::of(frame, seen.as_ref())? else { continue };
            let camera = [0, 1].map(|i| stop.camera[i] + errors[k][i]);
            let ground = look.ground(camera);
            for (i, outline) in ground.outlines.iter().enumerate() {
                if outline.centre[0].is_finite() && look.modules[i].whole == whole {
                    let ring = look.sighting.corners[i].map(|c| [0, 1].map(|x| f64::from(c[x]) + camera[x]));
                    found.add(outline, ring, look.sighting.faces[i], whole);
                }
            }
            views[k] = Some(ground.view);
        }
    }
    Ok(supported(found.clusters, &views))
}

/// The clusters so far, by squares of the ground.
#[derive(Default)]
struct Clusters {
    clusters: Vec<Cluster>,
    cells: BTreeMap<(i32, i32), Vec<u32>>,
}

impl Clusters {
    /// Adds an outline to the cluster at its place, or starts one.
    fn add(&mut self, outline: &Slot, ring: [[f64; 2]; 4], face: i8, whole: bool) {
        let home = outline.centre.map(|v| (v / 2.0).floor() as i32);
        let near = (-1..=1).flat_map(|x| (-1..=1).map(move |y| (home[0] + x, home[1] + y)));
        let found = near
            .filter_map(|c| self.cells.get(&c))
            .flatten()
            .map(|&k| (k, self.clusters[k as usize].slot.share(outline.centre)))
            .map(|(k, d)| (k, d[0].abs().max(d[1].abs())))
            .filter(|(_, d)| *d < 0.5)
            .min_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
        match found {
            Some((k, _)) if whole => self.clusters[k as usize].add(&ring),
            Some(_) => {}
            None => {
                self.cells.entry((home[0], home[1])).or_default().push(self.clusters.len() as u32);
                self.clusters.push(Cluster { slot: *outline, ring, face, count: 1.0 });
            }
        }
    }
}

impl Cluster {
    fn add(&mut self, ring: &[[f64; 2]; 4]) {
        self.count += 1.0;
        for (mean, c) in self.ring.iter_mut().flatten().zip(ring.iter().flatten()) {
            *mean += (c - *mean) / self.count;
        }
        self.slot = Slot::from_corners(&self.ring);
    }
}

/// Keeps what enough of the frames looking there show.
fn supported(clusters: Vec<Cluster>, views: &[Option<Border>]) -> Vec<Cluster> {
    let middle = |v: &Border| [0, 1].map(|k| v.corners.iter().map(|p| p[k]).sum::<f64>() / v.corners.len() as f64);
    let reach =
        |v: &Border, c: [f64; 2]| v.corners.iter().map(|p| (p[0] - c[0]).hypot(p[1] - c[1])).fold(0.0, f64::max);
    let placed: Vec<(&Border, [f64; 2])> = views.iter().flatten().map(|v| (v, middle(v))).collect();
    let mut reaches: Vec<f64> = placed.iter().map(|(v, c)| reach(v, *c)).collect();
    let typical = median(&mut reaches);
    let tree = RTree::bulk_load(placed.into_iter().map(|(v, c)| GeomWithData::new(c, v)).collect());
    clusters
        .into_iter()
        .filter(|c| {
            let looking = tree
                .locate_within_distance(c.slot.centre, typical * typical)
                .filter(|g| Border::holds(&g.data.depths(&c.slot), &[0.0; 8]))
                .count();
            c.count >= SUPPORT * looking as f64
        })
        .collect()
}
