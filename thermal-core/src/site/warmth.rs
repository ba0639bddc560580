//! How warm each module is against those about it, from all frames together: a frame knows its own modules' differences,
//! the overlaps tie the frames. A whole row that is warm shows against the rows beside it even where a frame shows little
//! else. Additive model of frame and module by medians (median polish; Tukey 1977, Exploratory Data Analysis).

use rstar::{RTree, primitives::GeomWithData};

use super::{FrameOutlines, Registration};
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

/// A frame's temperature of a module: a flight has a million of them.
#[derive(Clone, Copy)]
struct Told {
    frame: u32,
    asset: u32,
    celsius: f32,
}

/// For each asset of the registration; `None` where no frame shows it whole at a proven place.
///
/// # Errors
/// Outlines or places on a shelf cannot be read back.
pub fn warmth(frames: &[FrameOutlines], registration: &Registration) -> Result<Vec<Option<Warmth>>> {
    let mut told: Vec<Told> = Vec::new();
    for (f, (frame, placed)) in frames.iter().zip(&registration.frames).enumerate() {
        let (modules, places) = (frame.modules.read()?, placed.places.read()?);
        for (m, p) in modules.iter().zip(places.iter()) {
            if m.whole
                && m.t_median_c.is_finite()
                && !p.ambiguous()
                && let Some(asset) = p.asset.filter(|a| (*a as usize) < registration.assets.len())
            {
                told.push(Told { frame: f as u32, asset, celsius: m.t_median_c });
            }
        }
    }
    let (levels, counts) = polish(&told, frames.len(), registration.assets.len());
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

/// Level of each module: its temperatures less the offsets of their frames; and how many frames tell it. `told` is in the
/// order of the frames.
fn polish(told: &[Told], frames: usize, assets: usize) -> (Vec<Option<f64>>, Vec<u32>) {
    // The other order is by numbers only.
    let mut by_asset: Vec<u32> = (0..told.len() as u32).collect();
    by_asset.sort_unstable_by_key(|&i| (told[i as usize].asset, i));
    let of_one_asset = |a: &u32, b: &u32| told[*a as usize].asset == told[*b as usize].asset;
    let mut counts = vec![0; assets];
    for t in told {
        counts[t.asset as usize] += 1;
    }
    let mut offsets = vec![0.0; frames];
    let mut levels: Vec<Option<f64>> = vec![None; assets];
    let mut rest: Vec<f64> = Vec::new();
    let mut middle = |values: &mut dyn Iterator<Item = f64>| {
        rest.clear();
        rest.extend(values);
        median(&mut rest)
    };
    let of_frames = || told.chunk_by(|a, b| a.frame == b.frame);
    for list in of_frames() {
        offsets[list[0].frame as usize] = middle(&mut list.iter().map(|t| f64::from(t.celsius)));
    }
    for _ in 0..ROUNDS {
        for list in by_asset.chunk_by(of_one_asset) {
            let of_asset = list.iter().map(|&i| &told[i as usize]);
            let level = middle(&mut of_asset.map(|t| f64::from(t.celsius) - offsets[t.frame as usize]));
            levels[told[list[0] as usize].asset as usize] = Some(level);
        }
        for list in of_frames() {
            let rest = list.iter().filter_map(|t| Some(f64::from(t.celsius) - levels[t.asset as usize]?));
            offsets[list[0].frame as usize] = middle(&mut { rest });
        }
    }
    (levels, counts)
}
