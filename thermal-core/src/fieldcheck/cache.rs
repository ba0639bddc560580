//! What was measured before, so that a grown folder costs only what is new. A cache that does not fit is no error: the
//! frames are read again.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::look::mark;
use super::{Card, Looked};
use crate::Result;
use crate::output::write_atomic;

/// Changes with everything that changes a measure.
const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), "/1");

/// Frames by file name.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Cache {
    version: String,
    /// The settings that measures depend on.
    settings: String,
    frames: BTreeMap<String, Looked>,
}

impl Cache {
    /// Reads a cache; an empty one where there is none, or where it is of another version or other settings.
    pub fn read(path: &Path, card: &Card) -> Self {
        let fresh = Self { version: VERSION.to_owned(), settings: settings(card), frames: BTreeMap::new() };
        let old: Option<Self> =
            crate::file::read_plain(path).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok());
        old.filter(|old| old.version == fresh.version && old.settings == fresh.settings).unwrap_or(fresh)
    }

    /// Writes the cache, whole or not at all.
    ///
    /// # Errors
    /// [`crate::Error::Io`].
    pub fn write(&self, path: &Path) -> Result<()> {
        let json = serde_json::to_vec(self)
            .map_err(|e| crate::Error::io(path, "write the cache", std::io::Error::other(e)))?;
        write_atomic(path, &json)
    }

    /// Number of frames known.
    pub fn len(&self) -> usize {
        self.frames.len()
    }

    /// Nothing is known.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty()
    }

    /// A frame that has not changed since.
    pub(super) fn get(&self, card: &Card, name: &str) -> Option<&Looked> {
        let looked = self.frames.get(name)?;
        let (bytes, modified_ns) = mark(&card.frames_folder.join(name));
        (modified_ns != 0 && looked.bytes == bytes && looked.modified_ns == modified_ns).then_some(looked)
    }

    /// Keeps these frames and forgets those that are gone.
    pub(super) fn keep(&mut self, card: &Card, looked: &[Looked]) {
        VERSION.clone_into(&mut self.version);
        self.settings = settings(card);
        self.frames = looked.iter().map(|looked| (looked.file.clone(), looked.clone())).collect();
    }
}

fn settings(card: &Card) -> String {
    let s = &card.settings;
    format!("{:?} {:?} {:?} {:?}", s.site.utc_offset, s.radiometry, s.camera, s.array.surface_above_takeoff_m)
}
