//! Which frames overlap, and by which shifts the outlines of one fall on those of the other: row ends, table gaps, vacant
//! places, courses and the temperatures of the modules themselves weigh each integer shift of the lattice.

use rstar::{RTree, primitives::GeomWithData};

use super::FrameOutlines;
use super::attitude::Sighting;
use super::candidate::{Candidate, Ground, Scene, Weights};
use super::look::{Look, Sights};
use super::order::Stop;
use crate::Result;
use crate::threads::in_order;

/// A pair of stops to compare, and how far their errors may differ from what is known of them, m.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair {
    pub(super) a: usize,
    pub(super) b: usize,
    pub(super) spread_m: f64,
}

/// Two frames that overlap; `candidates` say by how much the error of `a` exceeds that of `b`.
#[derive(Debug, Clone)]
pub(super) struct Edge {
    /// Stop of the flight order.
    pub(super) a: usize,
    /// Another stop.
    pub(super) b: usize,
    /// Shifts of `a` that bring its outlines onto those of `b`.
    pub(super) candidates: Vec<Candidate>,
    /// Candidate that this overlap and the receiver speak for, the rest of the flight left aside.
    pub(super) first: usize,
    /// Its lead over the next, as log likelihood.
    pub(super) lead: f64,
    /// The receiver's part in the lead.
    pub(super) receiver_lead: f64,
}

/// Fewer common outlines prove nothing.
const COMMON: usize = 4;
/// Later stops that are compared as neighbours in the flight.
const AHEAD: usize = 2;
/// Frames of other strips that each frame is compared with.
const ACROSS: usize = 4;
/// Own errors of two frames that follow each other differ by this, m; the bias walks besides, m per root of a second.
const OWN_ERROR_M: f64 = 0.3;
const WALK_M: f64 = 0.065;
/// Errors of frames of different strips differ from what the chain of frames says by this, m; of different flights by
/// the biases of two receivers.
const STRIPS_M: f64 = 0.6;
const FLIGHTS_M: f64 = 2.0;
/// Lead of a candidate that has no rival.
const CLEAR: f64 = 30.0;

/// Pairs of stops that follow each other.
pub(super) fn consecutive(stops: &[Stop]) -> Vec<Pair> {
    let mut pairs = Vec::new();
    for a in 0..stops.len() {
        for b in a + 1..(a + 1 + AHEAD).min(stops.len()) {
            // A new flight begins with an unknown bias: its pause is infinite.
            let seconds: f64 = stops[a + 1..=b].iter().map(|s| s.since_s).sum();
            if seconds.is_finite() {
                let drift = WALK_M * seconds.max(0.0).sqrt();
                let spread_m = OWN_ERROR_M.hypot(drift).hypot(stops[a].extra_m).hypot(stops[b].extra_m);
                pairs.push(Pair { a, b, spread_m });
            }
        }
    }
    pairs
}

/// Pairs of stops that look at the same ground at different times, the nearest first, each pair once.
pub(super) fn across(stops: &[Stop], sights: &Sights, errors: &[[f64; 2]]) -> Result<Vec<Pair>> {
    let middle = |k: usize| {
        let Some(sighting) = &sights[k] else { return Ok(None) };
        Ok(middle(&stops[k], &sighting.read()?, errors[k]))
    };
    let middles: Vec<Option<([f64; 2], f64)>> = (0..stops.len()).map(middle).collect::<Result<_>>()?;
    let points: Vec<GeomWithData<[f64; 2], usize>> =
        middles.iter().enumerate().filter_map(|(k, m)| m.map(|m| GeomWithData::new(m.0, k))).collect();
    let tree = RTree::bulk_load(points);
    let mut pairs: Vec<(usize, usize)> = Vec::new();
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
    let mut flight = 0;
    let flights: Vec<usize> = stops
        .iter()
        .map(|s| {
            flight += usize::from(s.since_s.is_infinite());
            flight
        })
        .collect();
    let spread = |a: usize, b: usize| if flights[a] == flights[b] { STRIPS_M } else { FLIGHTS_M };
    Ok(pairs.into_iter().map(|(a, b)| Pair { a, b, spread_m: spread(a, b) }).collect())
}

/// Middle of a frame's outlines, m, and how far they reach from it.
fn middle(stop: &Stop, seen: &Sighting, error: [f64; 2]) -> Option<([f64; 2], f64)> {
    let centres: Vec<[f64; 2]> = (0..seen.corners.len()).map(|i| seen.centre(i)).filter(|c| c[0].is_finite()).collect();
    if centres.is_empty() {
        return None;
    }
    let c = [0, 1].map(|i| centres.iter().map(|c| c[i]).sum::<f64>() / centres.len() as f64);
    let reach = centres.iter().map(|p| (p[0] - c[0]).hypot(p[1] - c[1])).fold(0.0, f64::max);
    Some(([0, 1].map(|i| c[i] + stop.camera[i] + error[i]), reach))
}

/// Compares the outlines of pairs of frames on some threads, each frame moved by what is known of its error already.
pub(super) fn compare(
    frames: &[FrameOutlines],
    stops: &[Stop],
    sights: &Sights,
    errors: &[[f64; 2]],
    pairs: &[Pair],
    window_m: f64,
    threads: usize,
) -> Result<Vec<Edge>> {
    let weights = Weights { window_m, stray: 1.25, missed: 1.25, ..Weights::default() };
    let look = |k: usize| Look::of(&frames[stops[k].frame], sights[k].as_ref());
    let camera = |k: usize| [0, 1].map(|i| stops[k].camera[i] + errors[k][i]);
    let compare_two = |ours: &Ground<'_>, theirs: &Ground<'_>, Pair { a, b, spread_m }: Pair| {
        let mut candidates = Scene::over_frame(ours, theirs).candidates(&weights);
        candidates.retain(|c| c.matched >= COMMON);
        candidates.truncate(12);
        candidates.shrink_to_fit();
        if candidates.is_empty() {
            return None;
        }
        let receiver = |c: &Candidate| -(c.shift[0].powi(2) + c.shift[1].powi(2)) / (2.0 * spread_m * spread_m);
        let (first, lead) = leader(&candidates, |c| c.log_likelihood + receiver(c));
        let rival = (0..candidates.len())
            .filter(|&k| k != first)
            .map(|k| receiver(&candidates[k]))
            .fold(f64::NEG_INFINITY, f64::max);
        let receiver_lead = (receiver(&candidates[first]) - rival).min(CLEAR);
        for c in &mut candidates {
            // Back to the errors of the measured places.
            c.shift = [0, 1].map(|i| c.shift[i] + errors[a][i] - errors[b][i]);
        }
        Some(Edge { a, b, candidates, first, lead, receiver_lead })
    };
    let of_one: Vec<&[Pair]> = pairs.chunk_by(|p, q| p.a == q.a).collect();
    let edges = in_order(of_one.len(), threads, |k, (): &mut ()| {
        let edges_of = |pairs: &[Pair]| {
            let mut edges = Vec::new();
            let Some(first) = pairs.first() else { return Ok(edges) };
            let Some(ours) = look(first.a)? else { return Ok(edges) };
            let ours = ours.ground(camera(first.a));
            for pair in pairs {
                if let Some(theirs) = look(pair.b)? {
                    edges.extend(compare_two(&ours, &theirs.ground(camera(pair.b)), *pair));
                }
            }
            edges.shrink_to_fit();
            Ok(edges)
        };
        Some(edges_of(of_one[k]))
    });
    let edges: Vec<Vec<Edge>> = edges.into_iter().collect::<Result<_>>()?;
    Ok(edges.into_iter().flatten().collect())
}

/// The candidate of the highest value, and its lead over the next.
pub(super) fn leader(candidates: &[Candidate], value: impl Fn(&Candidate) -> f64) -> (usize, f64) {
    let mut best = (0, f64::NEG_INFINITY);
    let mut second = f64::NEG_INFINITY;
    for (k, c) in candidates.iter().enumerate() {
        let v = value(c);
        if v > best.1 {
            second = best.1;
            best = (k, v);
        } else {
            second = second.max(v);
        }
    }
    (best.0, (best.1 - second).min(CLEAR))
}
