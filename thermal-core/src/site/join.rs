//! What the overlaps prove: which frames hang together beyond doubt, and what doubt is left for the others.

use std::collections::BTreeMap;

use super::overlap::Edge;

/// A shift is proven at this lead of the log likelihood (1 in 55).
const PROVEN: f64 = 4.0;

/// How a stop hangs together with the largest proven part of the flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Join {
    /// Log odds that it does so rightly.
    pub(super) lead: f64,
    /// What its error would be else, m.
    pub(super) rival: Option<[f64; 2]>,
}

/// For each stop, given the solution's errors and the candidate that each edge takes.
pub(super) fn joins(edges: &[Edge], chosen: &[usize], errors: &[[f64; 2]]) -> Vec<Join> {
    let mut parts = Parts { parent: (0..errors.len()).collect() };
    let sound: Vec<usize> = (0..edges.len()).filter(|&k| agrees(&edges[k], chosen[k], errors)).collect();
    // An overlap that spoke for another shift first proves nothing.
    let own = |k: usize| if edges[k].first == chosen[k] { edges[k].lead } else { 0.0 };
    for &k in sound.iter().filter(|&&k| own(k) >= PROVEN) {
        parts.join(edges[k].a, edges[k].b);
    }
    loop {
        // Overlaps that each leave a doubt prove a shift together: their outlines count one by one, the receiver once.
        let mut between: BTreeMap<(usize, usize), (f64, f64)> = BTreeMap::new();
        for &k in &sound {
            let (a, b) = (parts.find(edges[k].a), parts.find(edges[k].b));
            if a != b {
                let (outlines, receiver) = between.entry((a.min(b), a.max(b))).or_default();
                *outlines += (own(k) - edges[k].receiver_lead.max(0.0)).max(0.0);
                *receiver = receiver.max(edges[k].receiver_lead.min(own(k)));
            }
        }
        between.retain(|_, (outlines, receiver)| *outlines + *receiver >= PROVEN);
        if between.is_empty() {
            break;
        }
        for (a, b) in between.into_keys() {
            parts.join(a, b);
        }
    }
    let mut size: BTreeMap<usize, usize> = BTreeMap::new();
    for i in 0..errors.len() {
        *size.entry(parts.find(i)).or_default() += 1;
    }
    let bulk = size.iter().max_by_key(|(root, n)| (**n, std::cmp::Reverse(**root))).map_or(0, |(root, _)| *root);
    let doubts = doubts(edges, chosen, &sound, own, &mut parts);
    (0..errors.len())
        .map(|i| {
            let part = parts.find(i);
            match doubts.get(&part) {
                Some((lead, step)) if part != bulk => {
                    Join { lead: *lead, rival: Some([0, 1].map(|x| errors[i][x] + step[x])) }
                }
                // A part that overlaps nothing has no rival place to name.
                _ => Join { lead: 30.0, rival: None },
            }
        })
        .collect()
}

/// For each part that hangs on another by overlaps with a doubt: the surest of them, and the step to its other shift.
fn doubts(
    edges: &[Edge],
    chosen: &[usize],
    sound: &[usize],
    own: impl Fn(usize) -> f64,
    parts: &mut Parts,
) -> BTreeMap<usize, (f64, [f64; 2])> {
    let mut doubts: BTreeMap<usize, (f64, [f64; 2])> = BTreeMap::new();
    for &k in sound {
        let e = &edges[k];
        let (a, b) = (parts.find(e.a), parts.find(e.b));
        let Some(next) = (0..e.candidates.len()).find(|c| *c != chosen[k]).filter(|_| a != b) else { continue };
        let (s, t) = (e.candidates[chosen[k]].shift, e.candidates[next].shift);
        for (part, sign) in [(a, 1.0), (b, -1.0)] {
            let known = doubts.entry(part).or_insert((f64::NEG_INFINITY, [0.0; 2]));
            if own(k) > known.0 {
                *known = (own(k), [0, 1].map(|x| sign * (t[x] - s[x])));
            }
        }
    }
    doubts
}

/// The solution follows the edge.
fn agrees(edge: &Edge, candidate: usize, errors: &[[f64; 2]]) -> bool {
    let s = edge.candidates[candidate].shift;
    let d = [0, 1].map(|i| errors[edge.a][i] - errors[edge.b][i] - s[i]);
    d[0].hypot(d[1]) < 0.3
}

/// Disjoint sets of stops (Tarjan 1975).
struct Parts {
    parent: Vec<usize>,
}

impl Parts {
    fn find(&mut self, mut i: usize) -> usize {
        while self.parent[i] != i {
            self.parent[i] = self.parent[self.parent[i]];
            i = self.parent[i];
        }
        i
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.find(a), self.find(b));
        self.parent[a.max(b)] = a.min(b);
    }
}
