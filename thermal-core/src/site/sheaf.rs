//! The outlines of a flight by the module that they show, without all of them in memory: dealt out to sheaves of neighbouring
//! modules frame by frame, and sorted sheaf by sheaf (distribution in external sorting; Knuth, volume 3, 5.4).

use serde::{Deserialize, Serialize};

use super::{FrameOutlines, Place, Registration, Seen, Sight};
use crate::Result;
use crate::shelf::{Shelf, Shelved};

/// Outlines that a sheaf holds, some 150 bytes each; a sheaf of a single module holds as many as there are.
const AT_ONCE: u32 = 1 << 15;
/// Outlines of a sheaf that go to the shelf together.
const TOGETHER: usize = 256;

/// An outline, what it shows and where.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Outline {
    pub(super) sight: Sight,
    pub(super) seen: Seen,
    pub(super) place: Place,
}

/// The outlines of some modules that follow each other.
#[derive(Default)]
pub(super) struct Sheaf {
    shelved: Vec<Shelved<Vec<Outline>>>,
    last: Vec<Outline>,
}

/// The outlines of each module in the order of the modules, then of the frames; and those without one that `nameless` picks,
/// in the order of the frames.
pub(super) fn by_asset(
    frames: &[FrameOutlines],
    registration: &Registration,
    nameless: impl Fn(&Seen, &Place) -> bool,
    shelf: &Shelf,
) -> Result<(Vec<Sheaf>, Vec<Outline>)> {
    let placed = || registration.frames.iter().take(frames.len());
    let mut counts: Vec<u32> = Vec::new();
    for frame in placed() {
        for asset in frame.places.read()?.iter().filter_map(|p| p.asset.map(|a| a as usize)) {
            counts.resize(counts.len().max(asset + 1), 0);
            counts[asset] += 1;
        }
    }
    // The number of each module's sheaf takes the place of its count.
    let (mut sheaf, mut held) = (0, 0u32);
    for of_asset in &mut counts {
        held = held.saturating_add(*of_asset);
        if held > AT_ONCE {
            (sheaf, held) = (sheaf + 1, *of_asset);
        }
        *of_asset = sheaf;
    }
    let mut sheaves: Vec<Sheaf> = (0..=sheaf).map(|_| Sheaf::default()).collect();
    let mut others = Vec::new();
    for (f, (frame, placed)) in frames.iter().zip(placed()).enumerate() {
        let (modules, places) = (frame.modules.read()?, placed.places.read()?);
        for (m, (&seen, &place)) in modules.iter().zip(places.iter()).enumerate() {
            let outline = Outline { sight: Sight { frame: f, module: m }, seen, place };
            match place.asset {
                Some(asset) => sheaves[counts[asset as usize] as usize].add(outline, shelf)?,
                None if nameless(&seen, &place) => others.push(outline),
                None => {}
            }
        }
    }
    Ok((sheaves, others))
}

impl Sheaf {
    fn add(&mut self, outline: Outline, shelf: &Shelf) -> Result<()> {
        self.last.push(outline);
        if self.last.len() >= TOGETHER {
            self.shelved.push(shelf.put(std::mem::take(&mut self.last))?);
        }
        Ok(())
    }

    /// All of them, sorted.
    pub(super) fn sorted(self) -> Result<Vec<Outline>> {
        let mut all = Vec::with_capacity(self.shelved.len() * TOGETHER + self.last.len());
        for some in &self.shelved {
            all.extend(some.read()?);
        }
        all.extend(self.last);
        all.sort_unstable_by_key(|o| (o.place.asset, o.sight));
        Ok(all)
    }
}
