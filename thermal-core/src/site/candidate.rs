//! The shifts under which one frame's outlines fall on modules of the plant, each with its likelihood: outlines that meet
//! no module and modules in view that were not outlined speak against a shift, so row ends, table gaps and vacant
//! places decide. Votes of all pairs (a generalised Hough transform), then the closest points of each peak.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Seen;
use super::attitude::Sighting;
use super::border::{Border, Depths};
use super::grid::Grid;
use super::map::{Map, Slot};
use crate::median::median;
use crate::optics::Lens;

/// What counts how much against a shift.
#[derive(Debug, Clone, Copy)]
pub(super) struct Weights {
    /// Half width of the search, m.
    pub(super) window_m: f64,
    /// Place of an outline against its module under the right shift, standard deviation, m.
    pub(super) sigma_m: f64,
    /// An outline on no module.
    pub(super) stray: f64,
    /// A module in view without an outline.
    pub(super) missed: f64,
    /// Limit of what the stray outlines of one lattice count: they come together where soil was taken for a table.
    pub(super) stray_table: f64,
    /// As so many outlines the whole lattice counts by which its outlines lie off together: an attitude or a distance that
    /// is a little wrong moves them all.
    pub(super) together: f64,
    /// Temperatures of one module in two frames, offset apart, standard deviation, K.
    pub(super) warmth_k: f64,
    /// Limit of what one module's temperature counts.
    pub(super) warmth_limit: f64,
}

impl Default for Weights {
    fn default() -> Self {
        Self {
            window_m: 6.0,
            sigma_m: 0.2,
            stray: 2.0,
            missed: 1.25,
            stray_table: 12.0,
            together: 4.0,
            warmth_k: 0.6,
            warmth_limit: 1.5,
        }
    }
}

/// An outline lies on a module where its centre is within this share of the module's size from the module's centre.
const NEAR: f64 = 0.42;

/// Shifts nearer than this are one, m.
const ALIKE_M: f64 = 0.15;

/// One possible shift of a frame: measured place + shift = true place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Candidate {
    /// East and north, m.
    pub(super) shift: [f64; 2],
    /// Logarithm of the likelihood, up to a constant of the frame.
    pub(super) log_likelihood: f64,
    /// Outlines on a module.
    pub(super) matched: usize,
}

/// A frame over modules: its outlines at the measured place, and the modules about them, from the plant or from another
/// frame.
pub(super) struct Scene<'a> {
    ground: &'a Ground<'a>,
    /// The modules with their numbers.
    slots: Vec<Slot>,
    numbers: Vec<u32>,
    /// Their temperatures, deg C; not a number where unknown.
    warmth: Vec<f32>,
    /// How deep each module lies in the frame's view.
    depths: Vec<Depths>,
    /// The ground that the modules stand for, and how deep each outline lies in it: outlines beyond have nothing to meet.
    /// `None`: everywhere.
    cover: Option<(&'a Border, Vec<Depths>)>,
    /// The modules by what of them takes an outline's centre.
    grid: Grid,
}

/// A frame's outlines and view on the ground at the measured place of its camera.
pub(super) struct Ground<'a> {
    modules: &'a [Seen],
    /// The outlines; their centres are no numbers where unusable.
    pub(super) outlines: Vec<Slot>,
    /// The border of the view.
    pub(super) view: Border,
}

impl<'a> Ground<'a> {
    /// A frame with these outlines whose camera was measured at `camera`, m.
    pub(super) fn new(lens: &Lens, modules: &'a [Seen], sight: &Sighting, camera: [f64; 2]) -> Self {
        let moved = |p: [f64; 2]| [p[0] + camera[0], p[1] + camera[1]];
        let outlines = sight.corners.iter().map(|c| Slot::from_corners(&c.map(|p| moved(p.map(f64::from))))).collect();
        Self { modules, outlines, view: Border::of_view(lens, sight, camera) }
    }

    /// The box about outlines and view; `None` where there are none.
    fn bounds(&self) -> Option<([f64; 2], [f64; 2])> {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        let centres = self.outlines.iter().map(|s| s.centre);
        for c in centres.chain(self.view.corners).filter(|c| c[0].is_finite() && c[1].is_finite()) {
            for k in 0..2 {
                low[k] = low[k].min(c[k]);
                high[k] = high[k].max(c[k]);
            }
        }
        (low[0] <= high[0]).then_some((low, high))
    }
}

impl<'a> Scene<'a> {
    /// The frame over the plant's modules within a window.
    pub(super) fn over_plant(ground: &'a Ground<'a>, map: &Map, window_m: f64) -> Self {
        let margin = window_m + 1.0;
        let numbers = ground
            .bounds()
            .map_or_else(Vec::new, |(low, high)| map.within(low.map(|v| v - margin), high.map(|v| v + margin)));
        let slots: Vec<Slot> = numbers.iter().map(|&s| map.slots[s as usize]).collect();
        let warmth = vec![f32::NAN; slots.len()];
        Self::new(ground, slots, numbers, warmth, None)
    }

    /// The frame over the outlines of another.
    pub(super) fn over_frame(ground: &'a Ground<'a>, other: &'a Ground<'a>) -> Self {
        let numbers: Vec<u32> =
            (0..other.outlines.len() as u32).filter(|&i| other.outlines[i as usize].centre[0].is_finite()).collect();
        let slots: Vec<Slot> = numbers.iter().map(|&i| other.outlines[i as usize]).collect();
        let warmth = numbers.iter().map(|&i| other.modules[i as usize].t_median_c).collect();
        Self::new(ground, slots, numbers, warmth, Some(&other.view))
    }

    fn new(
        ground: &'a Ground<'a>,
        slots: Vec<Slot>,
        numbers: Vec<u32>,
        warmth: Vec<f32>,
        cover: Option<&'a Border>,
    ) -> Self {
        Self {
            ground,
            grid: Grid::new(&slots, NEAR),
            depths: slots.iter().map(|slot| ground.view.depths(slot)).collect(),
            cover: cover.map(|border| (border, ground.outlines.iter().map(|o| border.depths(o)).collect())),
            slots,
            numbers,
            warmth,
        }
    }

    /// The module under each outline (its number) when the frame is shifted.
    pub(super) fn assign(&self, shift: [f64; 2]) -> Vec<Option<u32>> {
        self.hits(shift).into_iter().map(|hit| hit.map(|l| self.numbers[l])).collect()
    }

    /// Whether an outline reaches into any module when the frame is shifted.
    pub(super) fn across(&self, outline: usize, shift: [f64; 2]) -> bool {
        // Two modules of one size touch where their centres are a whole size apart.
        const OVERLAP: f64 = 0.9;
        let Some(slot) = self.ground.outlines.get(outline) else { return false };
        let p = [0, 1].map(|k| slot.centre[k] + shift[k]);
        self.slots.iter().any(|s| {
            let d = s.share(p);
            d[0].abs().max(d[1].abs()) < OVERLAP
        })
    }

    /// Peaks of the votes, refined and weighed; the likeliest first.
    pub(super) fn candidates(&self, weights: &Weights) -> Vec<Candidate> {
        let mut found: Vec<Candidate> = Vec::new();
        for peak in self.peaks(weights.window_m) {
            let shift = self.refine(peak);
            if found.iter().any(|c| (c.shift[0] - shift[0]).powi(2) + (c.shift[1] - shift[1]).powi(2) < ALIKE_M.powi(2))
            {
                continue;
            }
            found.push(self.weigh(shift, weights));
        }
        found.sort_by(|a, b| b.log_likelihood.total_cmp(&a.log_likelihood));
        found
    }

    /// Shifts, a quarter of a metre apart, under which many outlines meet a module.
    fn peaks(&self, window_m: f64) -> Vec<[f64; 2]> {
        const STEP: f64 = 0.25;
        let half = (window_m / STEP).round() as i32;
        let n = (2 * half + 1) as usize;
        let mut votes = vec![0u16; n * n];
        for c in self.ground.outlines.iter().map(|o| o.centre).filter(|c| c[0].is_finite()) {
            for s in self.slots.iter().map(|s| s.centre) {
                let [x, y] = [0, 1].map(|k| (s[k] - c[k]) / STEP + f64::from(half) + 0.5);
                let (column, line) = (x as i32 as usize, y as i32 as usize);
                if x >= 0.0 && y >= 0.0 && column < n && line < n {
                    votes[line * n + column] += 1;
                }
            }
        }
        let at = |x: i32, y: i32| {
            if x < 0 || y < 0 || x >= n as i32 || y >= n as i32 {
                0
            } else {
                u32::from(votes[y as usize * n + x as usize])
            }
        };
        let mut sums = vec![0u32; n * n];
        for y in 0..n as i32 {
            for x in 0..n as i32 {
                let mut s = 0;
                for dy in -1..=1 {
                    for dx in -1..=1 {
                        s += at(x + dx, y + dy);
                    }
                }
                sums[y as usize * n + x as usize] = s;
            }
        }
        let top = sums.iter().copied().max().unwrap_or(0);
        let mut peaks = Vec::new();
        for y in 0..n {
            for x in 0..n {
                let here = sums[y * n + x];
                if here == 0 || here * 10 < top * 4 {
                    continue;
                }
                let highest = (y.saturating_sub(1)..(y + 2).min(n))
                    .all(|v| (x.saturating_sub(1)..(x + 2).min(n)).all(|u| sums[v * n + u] <= here));
                if highest {
                    peaks.push((here, [(x as i32 - half) as f64 * STEP, (y as i32 - half) as f64 * STEP]));
                }
            }
        }
        peaks.sort_by_key(|p| std::cmp::Reverse(p.0));
        peaks.truncate(96);
        peaks.into_iter().map(|p| p.1).collect()
    }

    /// Three steps of closest points from a shift.
    pub(super) fn refine(&self, start: [f64; 2]) -> [f64; 2] {
        let mut shift = start;
        for _ in 0..3 {
            let (mut sum, mut n) = ([0.0; 2], 0.0);
            for (c, hit) in self.ground.outlines.iter().map(|o| o.centre).zip(self.hits(shift)) {
                if let Some(local) = hit {
                    let s = self.slots[local].centre;
                    for k in 0..2 {
                        sum[k] += s[k] - c[k] - shift[k];
                    }
                    n += 1.0;
                }
            }
            if n == 0.0 {
                break;
            }
            let step = sum.map(|v| v / n);
            shift = [shift[0] + step[0], shift[1] + step[1]];
            if step[0].hypot(step[1]) < 0.005 {
                break;
            }
        }
        shift
    }

    fn hits(&self, shift: [f64; 2]) -> Vec<Option<usize>> {
        /// No outline has the module.
        const FREE: u32 = u32::MAX;
        let mut taken = vec![FREE; self.slots.len()];
        let mut hits = vec![None; self.ground.outlines.len()];
        let mut distances = vec![0.0; hits.len()];
        for (i, c) in self.ground.outlines.iter().map(|o| o.centre).enumerate() {
            let p = [c[0] + shift[0], c[1] + shift[1]];
            let mut best: Option<(usize, f64)> = None;
            for local in self.grid.at(p).iter().map(|&l| l as usize) {
                let d = self.slots[local].share(p);
                let d = d[0].abs().max(d[1].abs());
                if d < NEAR && best.is_none_or(|b| d < b.1) {
                    best = Some((local, d));
                }
            }
            // One outline a module: the closer one keeps it.
            if let Some((local, d)) = best {
                let other = taken[local] as usize;
                if taken[local] != FREE {
                    if distances[other] <= d {
                        continue;
                    }
                    hits[other] = None;
                }
                taken[local] = i as u32;
                (hits[i], distances[i]) = (Some(local), d);
            }
        }
        hits
    }

    fn weigh(&self, shift: [f64; 2], weights: &Weights) -> Candidate {
        let hits = self.hits(shift);
        let covered: Option<Vec<bool>> = self.cover.as_ref().map(|(border, depths)| {
            let moved = border.moved(shift);
            depths.iter().map(|d| Border::holds(d, &moved)).collect()
        });
        let mut outlined = vec![false; self.slots.len()];
        let mut lattices: BTreeMap<u32, Offsets> = BTreeMap::new();
        let mut warmer: Vec<f64> = Vec::new();
        let mut matched = 0;
        for (i, (hit, m)) in hits.iter().zip(self.ground.modules).enumerate() {
            let c = self.ground.outlines[i].centre;
            if !c[0].is_finite() {
                continue;
            }
            let trust = if m.whole { 1.0 } else { 0.5 };
            if let Some(local) = *hit {
                let s = self.slots[local].centre;
                lattices.entry(m.table).or_default().add([0, 1].map(|k| s[k] - c[k] - shift[k]), trust);
                warmer.push(f64::from(m.t_median_c - self.warmth[local]));
                outlined[local] = true;
                matched += 1;
            } else if covered.as_ref().is_none_or(|covered| covered[i]) {
                lattices.entry(m.table).or_default().stray += trust;
            }
        }
        let mut cost = lattices.values().map(|lattice| lattice.cost(weights)).sum::<f64>();
        let back = self.ground.view.moved(shift.map(|v| -v));
        let missed = self.depths.iter().zip(&outlined).filter(|(d, o)| !**o && Border::holds(d, &back)).count();
        cost += missed as f64 * weights.missed;
        cost += warmth_cost(&mut warmer, weights);
        Candidate { shift, log_likelihood: -cost, matched }
    }
}

/// How far the outlines of one lattice lie off their modules.
#[derive(Default)]
struct Offsets {
    /// Those that meet a module, weighted by the trust in each: their number, sum, and sum of squares.
    number: f64,
    sum: [f64; 2],
    squares: f64,
    /// Those that meet none.
    stray: f64,
}

impl Offsets {
    fn add(&mut self, off: [f64; 2], trust: f64) {
        self.number += trust;
        self.sum = [0, 1].map(|k| self.sum[k] + trust * off[k]);
        self.squares += trust * (off[0] * off[0] + off[1] * off[1]);
    }

    fn cost(&self, weights: &Weights) -> f64 {
        let common = (self.sum[0].powi(2) + self.sum[1].powi(2)) / self.number.max(1e-9).powi(2);
        let apart = (self.squares - self.number * common).max(0.0);
        let off = 0.25 * (apart + self.number.min(weights.together) * common) / weights.sigma_m.powi(2);
        off.min(weights.stray * self.number) + (weights.stray * self.stray).min(weights.stray_table)
    }
}

/// The temperatures of the modules that meet differ by one offset between the frames, and by little besides.
fn warmth_cost(warmer: &mut Vec<f64>, weights: &Weights) -> f64 {
    warmer.retain(|d| d.is_finite());
    let offset = median(warmer);
    warmer.iter().map(|d| (0.25 * ((d - offset) / weights.warmth_k).powi(2)).min(weights.warmth_limit)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lattice_off_as_a_whole_costs_less_than_outlines_off_one_by_one() {
        let weights = Weights::default();
        let cost = |offs: &[[f64; 2]]| {
            let mut offsets = Offsets::default();
            for off in offs {
                offsets.add(*off, 1.0);
            }
            offsets.cost(&weights)
        };
        // 0.2 m is the standard deviation, squares count by a quarter: one outline so far off costs 0.25.
        assert!((cost(&[[0.2, 0.0]]) - 0.25).abs() < 1e-9);
        let (together, apart) = ([[0.2, 0.0]; 40], [[0.2, 0.0], [-0.2, 0.0]].repeat(20));
        assert!((cost(&together) - 4.0 * 0.25).abs() < 1e-9, "{}", cost(&together));
        assert!((cost(&apart) - 40.0 * 0.25).abs() < 1e-9, "{}", cost(&apart));
        let stray = Offsets { stray: 40.0, ..Offsets::default() };
        assert!(stray.cost(&weights) > cost(&together));
    }
}
