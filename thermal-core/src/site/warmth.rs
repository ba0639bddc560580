//! How warm each module is against those about it, from all frames together: a frame knows its own modules' differences,
//! the overlaps tie the frames. A whole row that is warm shows against the rows beside it even where a frame shows little
//! else. Additive model of frame and module by medians (median polish; Tukey 1977, Exploratory Data Analysis).

use rstar::{RTree, primitives::GeomWithData};

use super::{FrameOutlines, Place, Registration, Seen};
use crate::Result;
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

/// A temperature, and the number of the module or the frame that it is of. Eight bytes, since a flight has a million.
#[derive(Clone, Copy)]
struct Told {
    number: u32,
    celsius: f32,
}

/// For each asset of the registration; `None` where no frame shows it whole at a proven place.
///
/// # Errors
/// Outlines or places on a shelf cannot be read back.
pub fn warmth(frames: &[FrameOutlines], registration: &Registration) -> Result<Vec<Option<Warmth>>> {
    let assets = registration.assets.len();
    let mut by_frame: Vec<Box<[Told]>> = Vec::with_capacity(frames.len());
    for (frame, placed) in frames.iter().zip(&registration.frames) {
        let told = |(m, p): (&Seen, &Place)| {
            let number = p.asset.filter(|a| (*a as usize) < assets)?;
            (m.whole && m.t_median_c.is_finite() && !p.ambiguous()).then_some(Told { number, celsius: m.t_median_c })
        };
        by_frame.push(frame.modules.read()?.iter().zip(&placed.places.read()?).filter_map(told).collect());
    }
    let (levels, counts) = polish(&by_frame, assets);
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
        out[a] = Some(Warmth { level_k, excess_k, frames: counts[a] });
    }
    Ok(out)
}

/// Level of each module: its temperatures less the offsets of their frames; and how many frames tell it.
fn polish(by_frame: &[Box<[Told]>], assets: usize) -> (Vec<Option<f64>>, Vec<u32>) {
    let mut counts = vec![0; assets];
    for told in by_frame.iter().flatten() {
        counts[told.number as usize] += 1;
    }
    let mut by_asset: Vec<Vec<Told>> = counts.iter().map(|count| Vec::with_capacity(*count as usize)).collect();
    for (f, list) in by_frame.iter().enumerate() {
        for told in list {
            by_asset[told.number as usize].push(Told { number: f as u32, ..*told });
        }
    }
    let mut levels = vec![0.0; assets];
    for _ in 0..ROUNDS {
        levels = less(&by_asset, &less(by_frame, &levels));
    }
    (levels.into_iter().zip(&counts).map(|(level, count)| (*count > 0).then_some(level)).collect(), counts)
}

/// Median of each list's temperatures, less what the numbers beside them have.
fn less(lists: &[impl AsRef<[Told]>], of: &[f64]) -> Vec<f64> {
    let rest = |told: &Told| f64::from(told.celsius) - of[told.number as usize];
    lists.iter().map(|list| median(&mut list.as_ref().iter().map(rest).collect::<Vec<_>>())).collect()
}
