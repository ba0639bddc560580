//! Which frames overlap, and by which shifts the outlines of one fall on those of the other: row ends, table gaps, vacant
//! places, courses and the temperatures of the modules themselves weigh each integer shift of the lattice.

use rstar::{RTree, primitives::GeomWithData};

use super::FrameOutlines;
use super::attitude::Sighting;
use super::candidate::{Candidate, Ground, Scene, Weights};
use super::order::Stop;

/// Two frames that overlap; `candidates` say by how much the error of `a` exceeds that of `b`.
#[derive(Debug, Clone)]
pub(super) struct Edge {
    /// Stop of the flight order.
    pub(super) a: usize,
    /// Another stop.
    pub(super) b: usize,
    /// Shifts of `a` that bring its outlines onto those of `b`, the likeliest first.
    pub(super) candidates: Vec<Candidate>,
}

/// Fewer common outlines prove nothing.
const COMMON: usize = 4;
/// Later stops that are compared as neighbours in the flight.
const AHEAD: usize = 2;
/// Frames of other strips that each frame is compared with.
const ACROSS: usize = 4;

/// Pairs of stops that follow each other.
pub(super) fn consecutive(stops: &[Stop]) -> Vec<(usize, usize)> {
    let mut pairs = Vec::new();
    for a in 0..stops.len() {
        for b in a + 1..(a + 1 + AHEAD).min(stops.len()) {
            // A new flight begins with an unknown bias.
            if stops[a + 1..=b].iter().all(|s| s.since_s.is_finite()) {
                pairs.push((a, b));
            }
        }
    }
    pairs
}

/// Pairs of stops that look at the same ground at different times, the nearest first, each pair once.
pub(super) fn across(stops: &[Stop], sights: &[Option<Sighting>], errors: &[[f64; 2]]) -> Vec<(usize, usize)> {
    let middle = |k: usize| -> Option<([f64; 2], f64)> {
        let seen = sights[k].as_ref()?;
        let centres: Vec<[f64; 2]> =
            (0..seen.corners.len()).map(|i| seen.centre(i)).filter(|c| c[0].is_finite()).collect();
        let n = centres.len() as f64;
        if centres.is_empty() {
            return None;
        }
        let c = [0, 1].map(|i| centres.iter().map(|c| c[i]).sum::<f64>() / n);
        let reach = centres.iter().map(|p| (p[0] - c[0]).hypot(p[1] - c[1])).fold(0.0, f64::max);
        Some(([0, 1].map(|i| c[i] + stops[k].camera[i] + errors[k][i]), reach))
    };
    let middles: Vec<Option<([f64; 2], f64)>> = (0..stops.len()).map(middle).collect();
    let points: Vec<GeomWithData<[f64; 2], usize>> =
        middles.iter().enumerate().filter_map(|(k, m)| m.map(|m| GeomWithData::new(m.0, k))).collect();
    let tree = RTree::bulk_load(points);
    let mut pairs = Vec::new();
    for (a, m) in middles.iter().enumerate() {
        let Some((c, reach)) = m else { continue };
        let mut near: Vec<(f64, usize)> = tree
            .locate_within_distance(*c, (1.2 * reach).powi(2))
            .map(|g| ((g.geom()[0] - c[0]).hypot(g.geom()[1] - c[1]), g.data))
            .filter(|(_, b)| a.abs_diff(*b) > AHEAD)
            .collect();
        near.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
        let mut chosen: Vec<usize> = Vec::new();
        for (_, b) in near {
            // Neighbours in time of one already chosen add little.
            if chosen.iter().all(|c| c.abs_diff(b) > 1) {
                chosen.push(b);
            }
            if chosen.len() == ACROSS {
                break;
            }
        }
        pairs.extend(chosen.into_iter().map(|b| (a.min(b), a.max(b))));
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}

/// Compares the outlines of pairs of frames, each frame moved by what is known of its error already.
pub(super) fn compare(
    frames: &[FrameOutlines],
    stops: &[Stop],
    sights: &[Option<Sighting>],
    errors: &[[f64; 2]],
    pairs: &[(usize, usize)],
    window_m: f64,
) -> Vec<Edge> {
    let weights = Weights { window_m, stray: 1.25, missed: 1.25, ..Weights::default() };
    let ground = |k: usize| {
        let moved = [0, 1].map(|i| stops[k].camera[i] + errors[k][i]);
        sights[k].as_ref().map(|s| Ground::new(&frames[stops[k].frame], s, moved))
    };
    let mut edges = Vec::with_capacity(pairs.len());
    let mut held: Option<(usize, Ground<'_>)> = None;
    for &(a, b) in pairs {
        if held.as_ref().is_none_or(|h| h.0 != a) {
            held = ground(a).map(|g| (a, g));
        }
        let (Some((_, ours)), Some(theirs)) = (held.as_ref(), ground(b)) else { continue };
        let mut candidates = Scene::over_frame(ours, &theirs).candidates(&weights);
        candidates.retain(|c| c.matched >= COMMON);
        // More in common speaks for a shift as much as strays speak against it; strays are counted in the overlap only.
        candidates.truncate(12);
        for c in &mut candidates {
            // Back to the errors of the measured places.
            c.shift = [0, 1].map(|i| c.shift[i] + errors[a][i] - errors[b][i]);
        }
        if !candidates.is_empty() {
            edges.push(Edge { a, b, candidates });
        }
    }
    edges
}
