//! The error of every frame's position from all overlaps at once: least squares over a graph of frames, in which each
//! overlap takes one of its candidate shifts, chosen anew after every solution, and loses weight where it disagrees
//! (iteratively reweighted least squares; Holland and Welsch 1977). The receiver's slow bias ties the frames in time.

use super::candidate::Candidate;
use super::order::Stop;
use super::overlap::{Edge, leader};

/// A frame's own error about the receiver's bias, m.
const JITTER_M: f64 = 0.25;
/// Walk of the bias, m per square root of a second.
const WALK_M: f64 = 0.065;
/// A chosen shift between two frames is true to this, m.
const SHIFT_M: f64 = 0.05;
/// Holds the whole where nothing else does, m.
const HOLD_M: f64 = 20.0;

/// The solution.
pub(super) struct Solution {
    /// True place less measured place of each stop, m.
    pub(super) errors: Vec<[f64; 2]>,
    /// The receiver's slow bias in these errors (with its sign turned: it is added to the measured place), m.
    pub(super) bias: Vec<[f64; 2]>,
    /// Candidate taken by each edge.
    pub(super) chosen: Vec<usize>,
}

/// Solves for all errors. `spread_m`: how far the errors of two frames may differ from the present solution, at first.
pub(super) fn solve(stops: &[Stop], edges: &[Edge], start: Vec<[f64; 2]>, spread_m: &[f64]) -> Solution {
    let n = stops.len();
    let mut errors = start;
    // The bias beside each error: it walks slowly, the errors scatter about it.
    let mut bias = errors.clone();
    let mut chosen: Vec<usize> = edges.iter().map(|e| e.first).collect();
    for &spread in spread_m {
        let mut weights = vec![0.0; edges.len()];
        for (k, e) in edges.iter().enumerate() {
            let now = [0, 1].map(|i| errors[e.a][i] - errors[e.b][i]);
            let away = |c: &Candidate| (c.shift[0] - now[0]).powi(2) + (c.shift[1] - now[1]).powi(2);
            let (pick, _) = leader(&e.candidates, |c| c.log_likelihood - away(c) / (2.0 * spread * spread));
            chosen[k] = pick;
            let s = e.candidates[pick].shift;
            let off = (s[0] - now[0]).hypot(s[1] - now[1]) / spread.max(3.0 * SHIFT_M);
            // An overlap that alone cannot tell which shift is right has little to say.
            let sure = 1.0 - (-e.lead.max(0.0)).exp();
            weights[k] = sure.max(0.02) / (1.0 + off * off).powi(2) / (SHIFT_M * SHIFT_M);
        }
        for axis in 0..2 {
            let shifts: Vec<f64> = edges.iter().zip(&chosen).map(|(e, c)| e.candidates[*c].shift[axis]).collect();
            let mut x: Vec<f64> = (0..2 * n).map(|i| if i < n { errors[i][axis] } else { bias[i - n][axis] }).collect();
            let system = System { stops, edges, weights: &weights };
            system.descend(&system.right(&shifts), &mut x);
            for i in 0..n {
                errors[i][axis] = x[i];
                bias[i][axis] = x[n + i];
            }
        }
    }
    Solution { errors, bias, chosen }
}

/// The normal equations, never written out: unknowns are the errors, then the biases.
struct System<'a> {
    stops: &'a [Stop],
    edges: &'a [Edge],
    weights: &'a [f64],
}

impl System<'_> {
    fn walk(&self, k: usize) -> f64 {
        let s = self.stops[k].since_s;
        if k > 0 && s.is_finite() { 1.0 / (WALK_M * WALK_M * s.max(0.5)) } else { 0.0 }
    }

    fn jitter(&self, k: usize) -> f64 {
        1.0 / (JITTER_M * JITTER_M + self.stops[k].extra_m.powi(2))
    }

    fn right(&self, shifts: &[f64]) -> Vec<f64> {
        let mut b = vec![0.0; 2 * self.stops.len()];
        for ((e, w), s) in self.edges.iter().zip(self.weights).zip(shifts) {
            b[e.a] += w * s;
            b[e.b] -= w * s;
        }
        b
    }

    fn apply(&self, x: &[f64], out: &mut [f64]) {
        let n = self.stops.len();
        out.fill(0.0);
        for (e, w) in self.edges.iter().zip(self.weights) {
            let d = w * (x[e.a] - x[e.b]);
            out[e.a] += d;
            out[e.b] -= d;
        }
        for k in 0..n {
            let d = self.jitter(k) * (x[k] - x[n + k]);
            out[k] += d;
            out[n + k] += x[n + k] / (HOLD_M * HOLD_M) - d;
            if k > 0 {
                let d = self.walk(k) * (x[n + k] - x[n + k - 1]);
                out[n + k] += d;
                out[n + k - 1] -= d;
            }
        }
    }

    fn diagonal(&self) -> Vec<f64> {
        let n = self.stops.len();
        let mut d = vec![0.0; 2 * n];
        for (e, w) in self.edges.iter().zip(self.weights) {
            d[e.a] += w;
            d[e.b] += w;
        }
        for k in 0..n {
            d[k] += self.jitter(k);
            d[n + k] += self.jitter(k) + 1.0 / (HOLD_M * HOLD_M);
            d[n + k] += self.walk(k);
            if k > 0 {
                d[n + k - 1] += self.walk(k);
            }
        }
        d
    }

    /// Conjugate gradients with the diagonal as preconditioner (Hestenes and Stiefel 1952).
    fn descend(&self, right: &[f64], x: &mut [f64]) {
        let n = x.len();
        let diagonal = self.diagonal();
        let mut out = vec![0.0; n];
        self.apply(x, &mut out);
        let mut r: Vec<f64> = right.iter().zip(&out).map(|(b, a)| b - a).collect();
        let mut z: Vec<f64> = r.iter().zip(&diagonal).map(|(r, d)| r / d).collect();
        let mut p = z.clone();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let mut rz = dot(&r, &z);
        let enough = 1e-12 * rz.max(1e-12);
        for _ in 0..4 * n.min(500) {
            if rz <= enough || !rz.is_finite() {
                break;
            }
            self.apply(&p, &mut out);
            let alpha = rz / dot(&p, &out).max(f64::MIN_POSITIVE);
            for i in 0..n {
                x[i] += alpha * p[i];
                r[i] -= alpha * out[i];
                z[i] = r[i] / diagonal[i];
            }
            let next = dot(&r, &z);
            let beta = next / rz;
            rz = next;
            for i in 0..n {
                p[i] = z[i] + beta * p[i];
            }
        }
    }
}
