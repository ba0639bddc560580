//! How warm each module is against those about it, from all frames together: a frame knows its own modules' differences,
//! the overlaps tie the frames. A whole row that is warm shows against the rows beside it even where a frame shows little
//! else. Additive model of frame and module by medians (median polish; Tukey 1977, Exploratory Data Analysis).

use std::collections::BTreeMap;

use rstar::{RTree, primitives::GeomWithData};

use super::{FrameOutlines, Registration};
use crate::median::median;

/// How far about a module its surroundings reach, m.
const REACH_M: f64 = 15.0;
/// Fewer modules of other courses about it are no surroundings.
const ENOUGH: usize = 6;
const ROUNDS: usize = 12;

/// A module's warmth over the whole flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Warmth {
    /// Level, K: its temperature less the frames' own offsets, up to one constant of the flight.
    pub level_k: f64,
    /// Level less the median level of the modules within 15 m in other courses; not a number where they are too few.
    pub excess_k: f64,
    /// Frames that show it whole.
    pub frames: u32,
}

/// For each asset of the registration; `None` where no frame shows it whole at a proven place.
pub fn warmth(frames: &[FrameOutlines], registration: &Registration) -> Vec<Option<Warmth>> {
    let mut seen: Vec<Vec<(u32, f64)>> = vec![Vec::new(); registration.assets.len()];
    for (f, (frame, placed)) in frames.iter().zip(&registration.frames).enumerate() {
        for (m, p) in frame.modules.iter().zip(&placed.places) {
            if m.whole
                && m.t_median_c.is_finite()
                && !p.ambiguous()
                && let Some(list) = p.asset.and_then(|a| seen.get_mut(a as usize))
            {
                list.push((f as u32, f64::from(m.t_median_c)));
            }
        }
    }
    let levels = polish(&seen, frames.len());
    let places: Vec<([f64; 2], usize)> = registration
        .assets
        .iter()
        .enumerate()
        .filter(|(a, _)| levels[*a].is_some())
        .map(|(a, asset)| {
            let c = asset.corners.map(|c| registration.plane.to_local(c[1], c[0]));
            ([0, 1].map(|k| c.iter().map(|p| p[k]).sum::<f64>() / 4.0), a)
        })
        .collect();
    let tree = RTree::bulk_load(places.iter().map(|(p, a)| GeomWithData::new(*p, *a)).collect());
    let line = |a: usize| (registration.assets[a].row, registration.assets[a].course);
    let mut out = vec![None; registration.assets.len()];
    for (place, a) in places {
        let Some(level_k) = levels[a] else { continue };
        let mut about: Vec<f64> = tree
            .locate_within_distance(place, REACH_M * REACH_M)
            .filter(|g| line(g.data) != line(a))
            .filter_map(|g| levels[g.data])
            .collect();
        let excess_k = if about.len() < ENOUGH { f64::NAN } else { level_k - median(&mut about) };
        out[a] = Some(Warmth { level_k, excess_k, frames: seen[a].len() as u32 });
    }
    out
}

/// Level of each module: its temperatures less the offsets of their frames.
fn polish(seen: &[Vec<(u32, f64)>], frames: usize) -> Vec<Option<f64>> {
    let mut by_frame: BTreeMap<u32, Vec<(usize, f64)>> = BTreeMap::new();
    for (a, list) in seen.iter().enumerate() {
        for &(f, t) in list {
            by_frame.entry(f).or_default().push((a, t));
        }
    }
    let mut offsets = vec![0.0; frames];
    for (&f, list) in &by_frame {
        offsets[f as usize] = median(&mut list.iter().map(|(_, t)| *t).collect::<Vec<_>>());
    }
    let mut levels: Vec<Option<f64>> = vec![None; seen.len()];
    for _ in 0..ROUNDS {
        for (level, list) in levels.iter_mut().zip(seen) {
            let mut rest: Vec<f64> = list.iter().map(|(f, t)| t - offsets[*f as usize]).collect();
            *level = (!rest.is_empty()).then(|| median(&mut rest));
        }
        for (&f, list) in &by_frame {
            let mut rest: Vec<f64> = list.iter().filter_map(|(a, t)| Some(t - levels[*a]?)).collect();
            offsets[f as usize] = median(&mut rest);
        }
    }
    levels
}
