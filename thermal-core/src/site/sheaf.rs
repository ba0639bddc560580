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

#[cfg(test)]
mod tests {
    use super::super::register::NOWHERE;
    use super::super::{LocalPlane, PlacedFrame, Pose};
    use super::*;
    use crate::optics::Lens;

    /// More outlines than a sheaf takes, on disk and in memory: all come back once, in the order of modules and frames.
    #[test]
    fn outlines_come_back_by_module_and_frame() {
        const FRAMES: usize = 90;
        const MODULES: u32 = 1000;
        let folder = tempfile::tempdir().unwrap();
        for shelf in [Shelf::beside(&folder.path().join("run")).unwrap(), Shelf::default()] {
            let mut registration = Registration::empty(LocalPlane::new(50.0, 8.0), Vec::new(), Vec::new());
            let mut frames = Vec::new();
            for f in 0..FRAMES {
                // Each frame has them in an order of its own, every seventh without a module.
                let number = |m: u32| (m * 7 + f as u32 * 13) % MODULES;
                let place = |m| Place { asset: Some(number(m)).filter(|a| a % 7 > 0), ..NOWHERE };
                let seen = |m| Seen { t_median_c: number(m) as f32, ..Seen::default() };
                let file = format!("{f}.tif");
                frames.push(FrameOutlines {
                    file: file.clone(),
                    captured_at: None,
                    lens: Lens::new(640, 512, 13.0, 12.0, 0.0),
                    pose: Pose::default(),
                    blur_px: None,
                    modules: shelf.put((0..MODULES).map(seen).collect()).unwrap(),
                });
                registration.frames.push(PlacedFrame {
                    places: shelf.put((0..MODULES).map(place).collect()).unwrap(),
                    ..PlacedFrame::without_place(file)
                });
            }
            let (sheaves, others) = by_asset(&frames, &registration, |seen, _| seen.t_median_c < 70.0, &shelf).unwrap();
            assert!(sheaves.len() > 2, "{}", sheaves.len());
            assert_eq!(others.len(), 10 * FRAMES);
            let all: Vec<Outline> = sheaves.into_iter().flat_map(|sheaf| sheaf.sorted().unwrap()).collect();
            assert_eq!(all.len(), FRAMES * (0..MODULES).filter(|a| a % 7 > 0).count());
            assert!(all.iter().all(|o| o.place.asset == Some(o.seen.t_median_c as u32)));
            let order = |o: &Outline| (o.place.asset, o.sight);
            assert!(all.windows(2).all(|pair| order(&pair[0]) < order(&pair[1])));
        }
    }
}
