//! A frame's outlines and their places on the ground, read back from the shelf.

use super::attitude::Sighting;
use super::candidate::Ground;
use super::{FrameOutlines, Seen};
use crate::Result;
use crate::optics::Lens;
use crate::shelf::Shelved;

/// What each stop's outlines come to on the ground; `None` where nothing tells.
pub(super) type Sights = [Option<Shelved<Sighting>>];

/// One frame in hand.
pub(super) struct Look<'a> {
    lens: &'a Lens,
    pub(super) modules: Vec<Seen>,
    pub(super) sighting: Sighting,
}

impl<'a> Look<'a> {
    /// Reads a frame back; `None` where it has no sighting.
    pub(super) fn of(frame: &'a FrameOutlines, sighting: Option<&'a Shelved<Sighting>>) -> Result<Option<Self>> {
        let Some(sighting) = sighting else { return Ok(None) };
        Ok(Some(Self { lens: &frame.lens, modules: frame.modules.read()?, sighting: sighting.read()? }))
    }

    /// Its outlines and view on the ground, with the camera at `camera`, m.
    pub(super) fn ground(&self, camera: [f64; 2]) -> Ground<'_> {
        Ground::new(self.lens, &self.modules, &self.sighting, camera)
    }
}
