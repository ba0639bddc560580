//! What a module is compared with: the sound modules nearest to it, in its course, the courses and the rows beside,
//! so that a warm string does not become its own reference, and wind that wanders along a row does not become a fault.

use std::collections::{BTreeMap, HashMap};

/// A module as its neighbours see it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Neighbour {
    /// Temperature of its sound part, deg C.
    pub level_c: f64,
    /// Place in the plane of the array, in modules along the row and courses up the slope, on one grid for the frame.
    pub at: [f64; 2],
    /// Row, course, position.
    pub place: crate::row::RowPlace,
}

/// The verdict on one module's level.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Level {
    /// Reference temperature, deg C.
    pub reference_c: f64,
    /// Level less reference, K.
    pub delta_k: f64,
    /// Sound neighbours that made the reference.
    pub neighbours: usize,
    /// The module as a whole is warm.
    pub warm: bool,
    /// Length of the run of warm modules in its course; 0 for a sound module.
    pub run: usize,
    /// Mean difference of that run, K.
    pub run_delta_k: f64,
}

/// Indices of the modules beside one another: next in the course, and across courses.
struct Beside {
    pairs: Vec<Vec<usize>>,
}

impl Beside {
    fn new(modules: &[Neighbour]) -> Self {
        let index: HashMap<(u32, u32, u32), usize> =
            modules.iter().enumerate().map(|(k, m)| ((m.place.row, m.place.course, m.place.position), k)).collect();
        let pairs = modules
            .iter()
            .map(|m| {
                let p = m.place;
                [
                    (p.row, p.course, p.position + 1),
                    (p.row, p.course, p.position.wrapping_sub(1)),
                    (p.row, p.course + 1, p.position),
                    (p.row, p.course.wrapping_sub(1), p.position),
                ]
                .iter()
                .filter_map(|key| index.get(key).copied())
                .collect()
            })
            .collect();
        Self { pairs }
    }

    /// Connected groups of modules: beside one another and joined by `alike`.
    fn groups(&self, alike: impl Fn(usize, usize) -> bool) -> Vec<Vec<usize>> {
        let n = self.pairs.len();
        let mut seen = vec![false; n];
        let mut out = Vec::new();
        for start in 0..n {
            if seen[start] {
                continue;
            }
            seen[start] = true;
            let mut group = vec![start];
            let mut next = 0;
            while next < group.len() {
                let k = group[next];
                next += 1;
                for &other in &self.pairs[k] {
                    if !seen[other] && alike(k, other) {
                        seen[other] = true;
                        group.push(other);
                    }
                }
            }
            out.push(group);
        }
        out
    }
}

fn quantile(mut values: Vec<f64>, share: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    Some(of_sorted(&values, share))
}

/// The quantile of values that are in order, of which there is one at least.
fn of_sorted(values: &[f64], share: f64) -> f64 {
    values[((values.len() as f64 * share) as usize).min(values.len() - 1)]
}

/// A row of which nothing but warm modules is in view.
struct WarmRow {
    number: u32,
    /// Level of the rows that it was compared with, deg C.
    beside_c: f64,
}

/// Rows warmer throughout than the other rows in view: by a good deal where one other row tells, by less where the rows on
/// both sides do, and for the row's cooler quarter too, since wind and height change little over one row more. The outermost row in view has a
/// side alone: two rows there that agree tell nearly as much.
fn warm_rows(modules: &[Neighbour], threshold_k: f64) -> Vec<WarmRow> {
    let mut rows: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for m in modules {
        rows.entry(m.place.row).or_default().push(m.level_c);
    }
    let quartiles: BTreeMap<u32, [f64; 3]> = rows
        .into_iter()
        .filter(|(_, levels)| levels.len() >= 4)
        .map(|(row, mut levels)| {
            levels.sort_by(f64::total_cmp);
            (row, [0.25, 0.5, 0.75].map(|share| of_sorted(&levels, share)))
        })
        .collect();
    // Outlines on the ground do not agree in themselves: where rows do, they alone tell what is cool.
    let agrees = |q: &[f64; 3]| q[2] - q[0] <= threshold_k;
    let all_tell = quartiles.values().filter(|q| agrees(q)).count() < 2;
    let lowest = quartiles.values().filter(|q| all_tell || agrees(q)).map(|q| q[0]).fold(f64::MAX, f64::min);
    let mut out = Vec::new();
    for (&number, own) in &quartiles {
        let beside = [number.checked_sub(1), number.checked_add(1)].map(|n| n.and_then(|n| quartiles.get(&n)));
        if own[0] - lowest > 2.0 * threshold_k {
            out.push(WarmRow { number, beside_c: lowest });
        } else if let [Some(above), Some(below)] = beside
            && own[1] - above[1].max(below[1]) > 1.35 * threshold_k
            && own[0] - above[1].max(below[1]) > threshold_k
        {
            out.push(WarmRow { number, beside_c: above[1].max(below[1]) });
        } else if let Some(beside_c) = agreed([-1, 1].map(|side| {
            [1, 2].map(|far| number.checked_add_signed(side * far).and_then(|n| quartiles.get(&n)).map(|q| q[1]))
        })) && own[1] - beside_c > 1.5 * threshold_k
            && own[0] - beside_c > threshold_k
        {
            out.push(WarmRow { number, beside_c });
        }
    }
    out
}

/// The level of the next two rows to one side of an outer row of the frame, the higher one, where they agree.
fn agreed(sides: [[Option<f64>; 2]; 2]) -> Option<f64> {
    /// Rows agree up to this, K.
    const ALIKE_K: f64 = 0.7;
    let [Some(next), Some(after)] = (match sides {
        [[None, _], other] | [other, [None, _]] => other,
        _ => return None,
    }) else {
        return None;
    };
    ((next - after).abs() < ALIKE_K).then(|| next.max(after))
}

/// Steps from the members of a group up against the modules beside it that are not warm.
fn border_steps(modules: &[Neighbour], beside: &Beside, warm: &[bool], group: &[usize]) -> Vec<f64> {
    let mut steps = Vec::new();
    for &k in group {
        for &other in &beside.pairs[k] {
            if !warm[other] && !group.contains(&other) {
                steps.push(modules[k].level_c - modules[other].level_c);
            }
        }
    }
    steps
}

/// What two sound modules beside each other differ by, standard deviation, K (taken to be so, no source).
const PAIR_K: f64 = 0.6;

/// Levels of all modules of a frame against their references. `threshold_k`: least difference of a warm module, K.
pub fn levels(modules: &[Neighbour], threshold_k: f64) -> Vec<Level> {
    let n = modules.len();
    let mut out = vec![Level::default(); n];
    let beside = Beside::new(modules);
    let mut warm = vec![false; n];
    // Groups without a step inside; a group is warm where the steps across its border say so. A hot string scatters more
    // than a sound one, so groups are also formed with coarser links, from the coarsest on.
    for link in [2.0, 1.2, 0.62].map(|factor| factor * threshold_k) {
        let groups = beside.groups(|a, b| (modules[a].level_c - modules[b].level_c).abs() < link);
        for _ in 0..3 {
            for group in &groups {
                if let Some(step) = quantile(border_steps(modules, &beside, &warm, group), 0.5)
                    && step > (0.9 * link).max(0.85 * threshold_k)
                {
                    for k in group {
                        warm[*k] = true;
                    }
                }
            }
        }
    }
    for row in warm_rows(modules, threshold_k) {
        for (k, m) in modules.iter().enumerate() {
            if m.place.row == row.number && m.level_c - row.beside_c > threshold_k {
                warm[k] = true;
            }
        }
    }
    for _ in 0..3 {
        compare(modules, &warm, &mut out);
        for k in 0..n {
            warm[k] = out[k].delta_k > 0.85 * threshold_k;
        }
        // A slow gradient has no step at its border: what rises gently is wind or a reflection, not a fault.
        // Two strings of different warmth beside each other are two groups.
        let alike = |a: usize, b: usize| {
            warm[a] && warm[b] && (modules[a].level_c - modules[b].level_c).abs() < 1.2 * threshold_k
        };
        for group in beside.groups(alike) {
            if !warm[group[0]] {
                continue;
            }
            let mean = group.iter().map(|k| out[*k].delta_k).sum::<f64>() / group.len() as f64;
            let steps = border_steps(modules, &beside, &warm, &group);
            // Few pairs of neighbours tell the step of a clearly warm group only as well as sound ones are alike.
            let slack = PAIR_K / (steps.len().max(1) as f64).sqrt();
            let least = 0.7 * mean.max(threshold_k);
            if let Some(step) = quantile(steps, 0.5)
                && step < (least - slack).max(least.min(threshold_k))
            {
                for k in &group {
                    warm[*k] = false;
                }
            }
        }
    }
    compare(modules, &warm, &mut out);
    for (level, warm) in out.iter_mut().zip(&warm) {
        level.warm = *warm && level.delta_k >= 0.8 * threshold_k;
    }
    runs(modules, &mut out);
    out
}

/// Sound modules that a module is compared with.
const NEAREST: usize = 8;

/// Each module against the median of the nearest modules that are not warm.
fn compare(modules: &[Neighbour], warm: &[bool], out: &mut [Level]) {
    let sound: Vec<usize> = (0..modules.len()).filter(|k| !warm[*k]).collect();
    for (k, module) in modules.iter().enumerate() {
        let mut near: Vec<(f64, f64)> = sound
            .iter()
            .filter(|o| **o != k)
            .map(|o| {
                let other = &modules[*o];
                // The row's own modules share its wind and its height.
                let far = if other.place.row == module.place.row { 1.0 } else { 2.0 };
                let [across, down] = [0, 1].map(|a| other.at[a] - module.at[a]);
                (far * (across * across + down * down).sqrt(), other.level_c)
            })
            .collect();
        if near.len() > NEAREST {
            near.select_nth_unstable_by(NEAREST, |a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
            near.truncate(NEAREST);
        }
        let neighbours = near.len();
        let reference_c = quantile(near.into_iter().map(|v| v.1).collect(), 0.5).unwrap_or(module.level_c);
        out[k] = Level { reference_c, delta_k: module.level_c - reference_c, neighbours, ..Level::default() };
    }
}

/// Runs of warm modules along a course; a module that stands out of a run ends it.
fn runs(modules: &[Neighbour], out: &mut [Level]) {
    let mut courses: BTreeMap<(u32, u32), Vec<usize>> = BTreeMap::new();
    for (k, m) in modules.iter().enumerate() {
        courses.entry((m.place.row, m.place.course)).or_default().push(k);
    }
    for list in courses.values_mut() {
        list.sort_by_key(|k| modules[*k].place.position);
        let mut start = 0;
        while start < list.len() {
            let mut end = start;
            while end < list.len() && out[list[end]].warm {
                if end > start {
                    let (here, before) = (list[end], list[end - 1]);
                    let jump = (out[here].delta_k - out[before].delta_k).abs();
                    if modules[here].place.position != modules[before].place.position + 1
                        || jump > 0.6 * out[here].delta_k.max(2.0)
                    {
                        break;
                    }
                }
                end += 1;
            }
            let run = end - start;
            let mean = list[start..end].iter().map(|k| out[*k].delta_k).sum::<f64>() / run.max(1) as f64;
            for k in &list[start..end] {
                out[*k].run = run;
                out[*k].run_delta_k = mean;
            }
            start = end.max(start + 1);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::RowPlace;

    /// Rows of one course of ten modules at these levels, deg C, with a weave of 0.3 K along each.
    fn frame(rows: &[f64]) -> Vec<Neighbour> {
        let module = |row: usize, position: u32| Neighbour {
            level_c: rows[row] + 0.1 * f64::from(position * 7 % 4),
            at: [f64::from(position), 6.0 * row as f64],
            place: RowPlace { row: row as u32 + 1, course: 1, position },
        };
        (0..rows.len()).flat_map(|row| (1..=10).map(move |position| module(row, position))).collect()
    }

    /// Number of warm modules by row.
    fn warm(rows: &[f64]) -> Vec<usize> {
        let modules = frame(rows);
        let levels = levels(&modules, 1.75);
        levels.chunks(10).map(|row| row.iter().filter(|level| level.warm).count()).collect()
    }

    #[test]
    fn a_row_warm_throughout_shows_between_two_rows_and_beside_two_that_agree() {
        assert_eq!(warm(&[50.0, 52.9, 50.2]), [0, 10, 0]);
        assert_eq!(warm(&[50.0, 50.2, 53.0]), [0, 0, 10]);
        assert_eq!(warm(&[53.0, 50.2, 50.0]), [10, 0, 0]);
        // One row alone tells of more only, and two that differ tell of wind.
        assert_eq!(warm(&[50.0, 52.8]), [0, 0]);
        assert_eq!(warm(&[50.0, 54.0]), [0, 10]);
        assert_eq!(warm(&[49.5, 50.5, 52.8]), [0, 0, 0]);
        assert_eq!(warm(&[50.0, 50.1, 50.3, 50.2]), [0, 0, 0, 0]);
    }

    #[test]
    fn a_string_to_the_end_of_the_row_is_warm_though_the_last_sound_module_is_warmer_than_the_others() {
        let warm_behind = |nearer_k: f64, ramp_k: f64| {
            let mut modules = frame(&[48.5, 48.4, 48.6]);
            modules[4].level_c += nearer_k;
            modules[5].level_c -= nearer_k;
            for (n, m) in modules[5..10].iter_mut().enumerate() {
                m.level_c += 4.6 - ramp_k * (4.0 - n as f64);
            }
            levels(&modules, 1.75).iter().filter(|level| level.warm).count()
        };
        assert_eq!(warm_behind(0.0, 0.0), 5);
        assert_eq!(warm_behind(0.8, 0.0), 5);
        // What rises by less than a kelvin from module to module is no string.
        assert_eq!(warm_behind(0.0, 0.9), 0);
    }

    #[test]
    fn outlines_on_uneven_ground_make_no_row_warm() {
        let mut modules = frame(&[46.0, 52.1, 53.2, 54.1]);
        for m in &mut modules[..10] {
            m.level_c += 0.7 * f64::from(m.place.position);
        }
        assert!(levels(&modules, 1.75)[10..].iter().all(|level| !level.warm));
        // Even ones may be modules: of a plant three of whose inverters stand still.
        assert_eq!(warm(&[48.0, 53.2, 53.0, 53.1]), [0, 10, 10, 10]);
    }
}
