//! The receiver's bias over a flight: a slow random walk, seen through each frame's candidate shifts. The posterior of all
//! frames at once by forward and backward passes over a grid of biases (a hidden Markov model; Rabiner 1989,
//! Proc. IEEE 77), so that no frame is settled before the others have spoken.

use super::candidate::Candidate;
use crate::Result;
use crate::shelf::{Shelf, Shelved};

/// What is assumed of the receiver.
#[derive(Debug, Clone, Copy)]
pub(super) struct Receiver {
    /// Bias at the start of a flight, standard deviation each way, m.
    pub(super) bias_sd_m: f64,
    /// Walk of the bias, m per square root of a second: 0.065 is 0.5 m in a minute.
    pub(super) walk_m_per_root_s: f64,
    /// A frame's own error (position noise and attitude) about the bias, m.
    pub(super) jitter_sd_m: f64,
    /// Half width of the grid, m.
    pub(super) half_width_m: f64,
}

impl Default for Receiver {
    fn default() -> Self {
        Self { bias_sd_m: 2.0, walk_m_per_root_s: 0.065, jitter_sd_m: 0.25, half_width_m: 6.0 }
    }
}

/// A frame as the filter sees it, in flight order.
pub(super) struct Step {
    /// Its candidates.
    pub(super) candidates: Shelved<Vec<Candidate>>,
    /// Seconds since the frame before; the first of a flight: infinite.
    pub(super) since_s: f64,
    /// Added to the frame's own error, m: large where the position is interpolated.
    pub(super) extra_jitter_m: f64,
    /// How surely overlaps tell where it stands against the frames before, as a log likelihood: no jump lies between then.
    pub(super) tie: f64,
}

/// What all frames together say of one.
pub(super) struct Posterior {
    /// Shift and probability of the likeliest candidate; all probabilities with the chance that none is right sum to 1.
    pub(super) best: Option<([f64; 2], f64)>,
    /// Shift of the next.
    pub(super) second: Option<[f64; 2]>,
    /// Bias, m: shift expected of this frame.
    pub(super) bias: [f64; 2],
}

/// A frame whose candidates are all wrong is allowed for at this log likelihood under its best.
const OUTLIER: f64 = 14.0;
/// Chance that the receiver changes its satellites between two frames and starts anew.
const JUMP: f64 = 1e-4;
const STEP_M: f64 = 1.0 / 3.0;

/// The posterior of every frame of one or more flights. `shelf` takes what is to be kept from one pass to the other.
pub(super) fn smooth(steps: &[Step], receiver: &Receiver, shelf: &Shelf) -> Result<Vec<Posterior>> {
    let grid = Grid { half: (receiver.half_width_m / STEP_M).round() as i32 };
    let prior = grid.prior(receiver.bias_sd_m);
    // Forward: the belief about the bias at each frame from the frames before it alone.
    let mut before: Vec<Shelved<Vec<f32>>> = Vec::with_capacity(steps.len());
    let mut belief = prior.clone();
    for (k, step) in steps.iter().enumerate() {
        if k > 0 {
            belief = grid.walk(&belief, &prior, step, receiver.walk_m_per_root_s);
        }
        before.push(shelf.put(belief.clone())?);
        multiply(&mut belief, &grid.emission(&step.candidates.read()?, step.sigma_m(receiver)));
    }
    // Backward: from the frames after it.
    let mut posteriors: Vec<Posterior> = Vec::with_capacity(steps.len());
    let flat = vec![1.0 / prior.len() as f32; prior.len()];
    let mut after = flat.clone();
    for (step, before) in steps.iter().zip(&before).rev() {
        let mut others = before.read()?;
        multiply(&mut others, &after);
        let (candidates, sigma_m) = (step.candidates.read()?, step.sigma_m(receiver));
        let emission = grid.emission(&candidates, sigma_m);
        posteriors.push(grid.posterior(&candidates, &others, &emission, sigma_m));
        let mut belief = after;
        multiply(&mut belief, &emission);
        after = grid.walk(&belief, &flat, step, receiver.walk_m_per_root_s);
    }
    posteriors.reverse();
    Ok(posteriors)
}

impl Step {
    /// How far the frame's own error reaches, standard deviation, m.
    fn sigma_m(&self, receiver: &Receiver) -> f64 {
        receiver.jitter_sd_m.hypot(self.extra_jitter_m)
    }
}

struct Grid {
    half: i32,
}

impl Grid {
    fn side(&self) -> usize {
        (2 * self.half + 1) as usize
    }

    fn value(&self, index: usize) -> f64 {
        f64::from(index as i32 - self.half) * STEP_M
    }

    fn prior(&self, sigma: f64) -> Vec<f32> {
        let line: Vec<f64> = (0..self.side()).map(|i| (-0.5 * (self.value(i) / sigma).powi(2)).exp()).collect();
        let mut p: Vec<f32> = line.iter().flat_map(|y| line.iter().map(move |x| (x * y) as f32)).collect();
        normalise(&mut p);
        p
    }

    /// The belief when the time before a frame has gone by, either way; over a long pause the receiver starts anew.
    fn walk(&self, belief: &[f32], anew: &[f32], step: &Step, walk_m_per_root_s: f64) -> Vec<f32> {
        let variance = walk_m_per_root_s * walk_m_per_root_s * step.since_s.max(0.0) / (STEP_M * STEP_M);
        // A three-point kernel with weight a at each side has the variance 2 a.
        let passes = (variance / 0.5).ceil().max(1.0);
        if passes > 24.0 || passes.is_nan() {
            return anew.to_vec();
        }
        let a = (0.5 * variance / passes) as f32;
        let n = self.side();
        let mut now = belief.to_vec();
        let mut next = vec![0.0f32; n * n];
        for _ in 0..passes as usize {
            for stride in [1, n] {
                for i in 0..n * n {
                    let at = if stride == 1 { i % n } else { i / n };
                    let low = if at > 0 { now[i - stride] } else { now[i] };
                    let high = if at + 1 < n { now[i + stride] } else { now[i] };
                    next[i] = now[i] + a * (low + high - 2.0 * now[i]);
                }
                std::mem::swap(&mut now, &mut next);
            }
        }
        normalise(&mut now);
        let jump = (JUMP * (-step.tie).exp()) as f32;
        for (p, a) in now.iter_mut().zip(anew) {
            *p += jump * a;
        }
        normalise(&mut now);
        now
    }

    /// Likelihood of the frame for each bias, the largest near 1.
    fn emission(&self, candidates: &[Candidate], sigma: f64) -> Vec<f32> {
        let n = self.side();
        let best = candidates.iter().map(|c| c.log_likelihood).fold(f64::NEG_INFINITY, f64::max);
        let mut out = vec![(-OUTLIER).exp() as f32; n * n];
        for c in candidates {
            let weight = (c.log_likelihood - best).exp();
            if weight < 1e-7 {
                continue;
            }
            let line =
                |s: f64| -> Vec<f64> { (0..n).map(|i| (-0.5 * ((s - self.value(i)) / sigma).powi(2)).exp()).collect() };
            let (x, y) = (line(c.shift[0]), line(c.shift[1]));
            for (row, wy) in out.chunks_exact_mut(n).zip(&y) {
                if weight * wy > 1e-9 {
                    for (o, wx) in row.iter_mut().zip(&x) {
                        *o += (weight * wx * wy) as f32;
                    }
                }
            }
        }
        out
    }

    fn posterior(&self, candidates: &[Candidate], others: &[f32], emission: &[f32], sigma: f64) -> Posterior {
        let n = self.side();
        let best = candidates.iter().map(|c| c.log_likelihood).fold(f64::NEG_INFINITY, f64::max);
        let mut probability: Vec<f64> = candidates
            .iter()
            .map(|c| {
                let mut sum = 0.0;
                for y in 0..n {
                    let dy = (c.shift[1] - self.value(y)) / sigma;
                    if dy.abs() > 5.0 {
                        continue;
                    }
                    for x in 0..n {
                        let dx = (c.shift[0] - self.value(x)) / sigma;
                        sum += f64::from(others[y * n + x]) * (-0.5 * (dx * dx + dy * dy)).exp();
                    }
                }
                sum * (c.log_likelihood - best).exp()
            })
            .collect();
        let total = probability.iter().sum::<f64>() + (-OUTLIER).exp();
        for p in &mut probability {
            *p /= total;
        }
        let mut bias = [0.0; 2];
        let mut weight = 0.0;
        let mut full = others.to_vec();
        multiply(&mut full, emission);
        for (i, p) in full.iter().enumerate() {
            bias[0] += f64::from(*p) * self.value(i % n);
            bias[1] += f64::from(*p) * self.value(i / n);
            weight += f64::from(*p);
        }
        let mut ranked: Vec<usize> = (0..candidates.len()).collect();
        ranked.sort_by(|&a, &b| probability[b].total_cmp(&probability[a]).then(a.cmp(&b)));
        let mut ranked = ranked.into_iter().map(|k| (candidates[k].shift, probability[k]));
        let (best, second) = (ranked.next(), ranked.next().map(|(shift, _)| shift));
        Posterior { best, second, bias: bias.map(|b| b / weight.max(f64::MIN_POSITIVE)) }
    }
}

fn multiply(a: &mut [f32], b: &[f32]) {
    for (a, b) in a.iter_mut().zip(b) {
        *a *= b;
    }
    normalise(a);
}

fn normalise(p: &mut [f32]) {
    let sum: f32 = p.iter().sum();
    if sum > 0.0 && sum.is_finite() {
        for v in p {
            *v /= sum;
        }
    } else {
        let flat = 1.0 / p.len().max(1) as f32;
        p.fill(flat);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tie_between_two_frames_rules_out_a_jump_of_the_receiver() {
        let at = |east: f64, log_likelihood: f64| Candidate { shift: [east, 0.0], log_likelihood, matched: 40 };
        let east = |tie: f64| {
            let step = |candidates: Vec<Candidate>, since_s, tie| Step {
                candidates: candidates.into(),
                since_s,
                extra_jitter_m: 0.0,
                tie,
            };
            // The second frame alone would rather stand a row further.
            let steps = [
                step(vec![at(0.0, 0.0)], f64::INFINITY, 0.0),
                step(vec![at(0.0, 0.0)], 2.0, 30.0),
                step(vec![at(5.0, 0.0), at(0.0, -11.0)], 2.0, tie),
                step(vec![at(5.0, 0.0), at(0.0, -11.0)], 2.0, 30.0),
            ];
            smooth(&steps, &Receiver::default(), &Shelf::default()).unwrap()[2].best.unwrap().0[0]
        };
        assert_eq!(east(0.0), 5.0);
        assert_eq!(east(30.0), 0.0);
    }
}
