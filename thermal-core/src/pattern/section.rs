//! Warm electrical sections: every set of substrings (or of halves of them in a half-cut module) that can be bypassed
//! together is tried as a two-level model of the cells; least absolute deviations, so single hot cells do not decide.

use super::PatternSettings;
use crate::measure::{CellPlan, Field, median};

/// A warm section.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Section {
    /// Per cell: warm.
    warm: Vec<bool>,
    /// Substrings in it, from 1.
    thirds: Vec<usize>,
    /// The half it lies in: 0 whole length, 1 upper or left, 2 lower or right.
    half: usize,
    pub sound_c: f32,
    pub warm_c: f32,
    pub delta_k: f32,
    pub step_k: f32,
    pub share: f64,
    pub gain: f64,
}

impl Section {
    /// The level of a cell in the two-level model, deg C.
    pub(super) fn level(&self, cell: usize) -> f32 {
        if self.warm.get(cell).copied().unwrap_or(false) { self.warm_c } else { self.sound_c }
    }

    /// "substring 2 of 3", with the half where only one is warm.
    pub(super) fn name(&self, plan: &CellPlan) -> String {
        let list: Vec<String> = self.thirds.iter().map(ToString::to_string).collect();
        let half = match (self.half, plan.split_axis) {
            (1, 0) => ", upper half",
            (2, 0) => ", lower half",
            (1, _) => ", left half",
            (2, _) => ", right half",
            _ => "",
        };
        format!("substring {} of {}{half}", list.join("+"), plan.substrings)
    }
}

/// Difference of the warmest and the coldest block's median, K. A section and the rest of the module are made of whole blocks,
/// so their medians differ by no more: most modules need not be looked at any further.
fn spread_of_blocks(field: &Field, plan: &CellPlan, block: impl Fn(usize, usize) -> usize) -> f32 {
    let mut blocks = vec![Vec::new(); 2 * plan.substrings];
    for (k, centre) in field.centres.iter().enumerate() {
        blocks[block(k % plan.cells[0], k / plan.cells[0])].push(*centre);
    }
    let medians = blocks.iter_mut().map(median).filter(|m| m.is_finite());
    let (low, high) = medians.fold((f32::MAX, f32::MIN), |(low, high), m| (low.min(m), high.max(m)));
    high - low
}

/// The best warm section, where its difference, its border and its fit reach the limits.
pub(super) fn find(field: &Field, plan: &CellPlan, settings: &PatternSettings) -> Option<Section> {
    let n = plan.substrings;
    let [nx, ny] = plan.cells;
    if n < 2 || field.centres.iter().filter(|c| c.is_finite()).count() < field.centres.len() * 7 / 10 {
        return None;
    }
    let along = plan.cells[1 - plan.split_axis];
    let third = |x: usize, y: usize| {
        let k = if plan.split_axis == 0 { x } else { y };
        k * n / plan.cells[plan.split_axis].max(1)
    };
    let half = |x: usize, y: usize| {
        let k = if plan.split_axis == 0 { y } else { x };
        1 + usize::from(k >= along / 2)
    };
    if spread_of_blocks(field, plan, |x, y| 2 * third(x, y) + usize::from(plan.half_cut && half(x, y) == 2))
        < settings.min_section_k
    {
        return None;
    }
    let total = median(&mut field.centres.clone());
    let cost0: f32 = field.centres.iter().filter(|c| c.is_finite()).map(|c| (c - total).abs()).sum();
    let mut best: Option<(f32, Section)> = None;
    for mask in 1usize..(1 << n) {
        let halves: &[usize] = if plan.half_cut { &[0, 1, 2] } else { &[0] };
        for &h in halves {
            if h == 0 && mask == (1 << n) - 1 {
                continue;
            }
            let is_warm = |x: usize, y: usize| mask >> third(x, y) & 1 == 1 && (h == 0 || half(x, y) == h);
            let (mut hot, mut cold) = (Vec::new(), Vec::new());
            for y in 0..ny {
                for x in 0..nx {
                    let c = field.centres[y * nx + x];
                    if is_warm(x, y) { hot.push(c) } else { cold.push(c) }
                }
            }
            let (warm_c, sound_c) = (median(&mut hot), median(&mut cold));
            let delta_k = warm_c - sound_c;
            if !(delta_k >= settings.min_section_k) {
                continue;
            }
            let cost: f32 = hot.iter().map(|c| (c - warm_c).abs()).sum::<f32>()
                + cold.iter().map(|c| (c - sound_c).abs()).sum::<f32>();
            if best.as_ref().is_some_and(|b| b.0 <= cost) {
                continue;
            }
            // Bypassed cells scatter around the section's mean; the mean of what is left without single outliers.
            let trimmed = |v: &[f32], m: f32, reach: f32| {
                let kept: Vec<f32> = v.iter().copied().filter(|c| (c - m).abs() <= reach).collect();
                if kept.is_empty() { m } else { kept.iter().sum::<f32>() / kept.len() as f32 }
            };
            let mean_warm = trimmed(&hot, warm_c, 3.0 * delta_k);
            let mean_sound = trimmed(&cold, sound_c, 2.0);
            let mut steps = Vec::new();
            for y in 0..ny {
                for x in 0..nx {
                    for (x2, y2) in [(x + 1, y), (x, y + 1)] {
                        if x2 < nx && y2 < ny && is_warm(x, y) != is_warm(x2, y2) {
                            let (a, b) = (field.centres[y * nx + x], field.centres[y2 * nx + x2]);
                            steps.push(if is_warm(x, y) { a - b } else { b - a });
                        }
                    }
                }
            }
            let step_k = median(&mut steps);
            best = Some((
                cost,
                Section {
                    warm: (0..nx * ny).map(|k| is_warm(k % nx, k / nx)).collect(),
                    thirds: (0..n).filter(|k| mask >> k & 1 == 1).map(|k| k + 1).collect(),
                    half: h,
                    sound_c: mean_sound,
                    warm_c: mean_warm,
                    delta_k: mean_warm - mean_sound,
                    step_k,
                    share: hot.len() as f64 / (hot.len() + cold.len()).max(1) as f64,
                    gain: f64::from(1.0 - cost / cost0.max(1e-6)),
                },
            ));
        }
    }
    let (_, section) = best?;
    // A slow gradient has no step at the border: there it changes by one cell's share only.
    (section.step_k >= 0.55 * section.delta_k
        && section.delta_k >= settings.min_section_k
        && section.delta_k <= settings.max_section_k
        && section.gain > 0.25)
        .then_some(section)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Any division of whole blocks into two parts has medians that differ by no more than the blocks' own do.
    #[test]
    fn no_two_parts_differ_by_more_than_their_blocks() {
        let plan = CellPlan { cells: [6, 10], substrings: 3, split_axis: 0, half_cut: true, has_cells: true };
        let block = |x: usize, y: usize| x / 2 * 2 + usize::from(y >= 5);
        let mut seed = 1u32;
        for _ in 0..200 {
            let centres: Vec<f32> = (0..60)
                .map(|_| {
                    seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    if seed >> 28 == 0 { f32::NAN } else { 40.0 + (seed >> 24) as f32 / 64.0 }
                })
                .collect();
            let field = Field { centres, samples: Vec::new(), size: [0, 0], per_cell: [1, 1], median_c: f32::NAN };
            let most = spread_of_blocks(&field, &plan, block);
            for mask in 1..(1 << 6) - 1 {
                let (mut warm, mut sound) = (Vec::new(), Vec::new());
                for (k, centre) in field.centres.iter().enumerate() {
                    let part = if mask >> block(k % 6, k / 6) & 1 == 1 { &mut warm } else { &mut sound };
                    part.push(*centre);
                }
                let difference = median(&mut warm) - median(&mut sound);
                assert!(difference <= most, "{mask}: {difference} {most}");
            }
        }
    }
}
