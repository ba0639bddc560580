//! What a folder from the card holds: frames, and beside them what an inspection folder may have.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::Looked;
use crate::capture::{Capture, Sidecar};
use crate::file::is_there;
use crate::inspection::Inputs;
use crate::irradiance::Log;
use crate::settings::{Mounting, Settings};
use crate::site::Layout;
use crate::{Error, Result};

/// Height of a table's lower edge over the ground where nothing is said, m.
const LOW_EDGE_M: f64 = 0.8;

/// A folder with frames.
#[derive(Debug, Clone)]
pub struct Card {
    /// The inspection folder, or a bare folder of frames.
    pub folder: PathBuf,
    /// Where the frames are: `folder/frames`, or the folder itself.
    pub frames_folder: PathBuf,
    /// Settings, defaults where `inspection.toml` is silent or missing.
    pub settings: Settings,
    /// Names of the frames, in order.
    pub files: Vec<String>,
    /// Rows of `frames.csv` by file name.
    pub sidecar: BTreeMap<String, Capture>,
    /// The irradiance log.
    pub log: Option<Log>,
    /// Why there is no log though there is a file.
    pub log_fault: Option<String>,
    /// The layout.
    pub layout: Option<Layout>,
    /// What was passed over.
    pub notes: Vec<String>,
}

impl Card {
    /// Reads the folder: settings, tables and names, not the frames themselves.
    ///
    /// # Errors
    /// A missing folder, no frames, settings or a table that cannot be read as a whole.
    pub fn read(folder: &Path) -> Result<Self> {
        if !folder.is_dir() {
            let remedy = "give the folder of the frames, or the one that holds frames/";
            return Err(Error::input(folder, "folder", "there is no such folder", remedy));
        }
        let inner = folder.join("frames");
        let frames_folder = if inner.is_dir() { inner } else { folder.to_owned() };
        let toml = folder.join("inspection.toml");
        let mut notes = Vec::new();
        let settings = if is_there(&toml) {
            Settings::read(&toml)?
        } else {
            notes.push("no inspection.toml: module, array and camera are taken as the defaults say".to_owned());
            Settings::default()
        };
        let offset = settings.site.offset();
        let path = folder.join("frames.csv");
        let mut sidecar = BTreeMap::new();
        if is_there(&path) {
            let there = names(&frames_folder)?;
            let read = Sidecar::read(&path, offset, |file| there.contains(file))?;
            notes.extend(read.problems.iter().map(ToString::to_string));
            notes.extend(read.absent.iter().map(|file| format!("frames.csv names {file}, which is not on the card")));
            notes.extend(read.more_absent().map(|more| format!("frames.csv: {more}")));
            sidecar = read.by_file();
        }
        let files = list(&frames_folder, &sidecar, &mut notes)?;
        let (mut log, mut log_fault) = (None, None);
        let path = folder.join("irradiance.csv");
        if is_there(&path) {
            match Log::read(&path, offset) {
                Ok((read, problems)) => {
                    log = Some(read);
                    notes.extend(problems.iter().map(ToString::to_string));
                }
                Err(error) => log_fault = Some(error.to_string()),
            }
        }
        let path = folder.join("layout.geojson");
        let layout = if is_there(&path) { Some(Layout::read(&path)?) } else { None };
        notes.extend(layout.iter().flat_map(|layout| &layout.problems).map(ToString::to_string));
        let folder = folder.to_owned();
        let mut card = Self { folder, frames_folder, settings, files, sidecar, log, log_fault, layout, notes };
        let assumed = card.surface_m();
        if assumed != card.settings.array.surface_above_takeoff_m {
            card.notes.push(format!(
                "surface_above_takeoff_m is not given: the middle of the modules is taken at {assumed:.1} m over take-off"
            ));
        }
        Ok(card)
    }

    /// What is known of a frame: its own metadata, the sidecar's over them, the clock's offset added.
    pub(crate) fn capture(&self, looked: &Looked) -> Capture {
        let mut capture = looked.meta.capture(&looked.file);
        if let Some(row) = self.sidecar.get(&looked.file) {
            capture.overlay(row);
        }
        capture.shift_clock(self.settings.camera.clock_offset_s);
        capture
    }

    /// Camera over the modules, m.
    pub(crate) fn height_m(&self, capture: &Capture) -> Option<f64> {
        Some(capture.height_above_takeoff_m? - self.surface_m())
    }

    /// What the analysis of a frame needs, the surface over the take-off point as the check counts with it.
    pub(super) fn inputs(&self) -> Inputs {
        let mut settings = self.settings.clone();
        settings.array.surface_above_takeoff_m = self.surface_m();
        Inputs {
            folder: self.folder.clone(),
            frames_folder: self.frames_folder.clone(),
            settings,
            frames: Vec::new(),
            sidecar: self.sidecar.clone(),
            irradiance: None,
            layout: None,
            problems: Vec::new(),
        }
    }

    /// Middle of the modules over the take-off point, m: as the settings say, else as a table on the ground has it, with
    /// its lower edge at 0.8 m (our own choice). Without it frames would seem to cover a tenth more than they do.
    pub(crate) fn surface_m(&self) -> f64 {
        let array = &self.settings.array;
        if self.settings.sources.contains_key("array.surface_above_takeoff_m") || array.mounting == Mounting::DualTilt {
            return array.surface_above_takeoff_m;
        }
        let (_, up) = self.settings.module.size_along_up_m();
        LOW_EDGE_M + 0.5 * f64::from(array.modules_up) * up * array.tilt_deg.to_radians().sin()
    }
}

/// Names of all that the folder holds.
fn names(folder: &Path) -> Result<BTreeSet<String>> {
    let listed = |e| Error::io(folder, "list the folder", e);
    let entries = std::fs::read_dir(folder).map_err(listed)?;
    entries.map(|entry| Ok(entry.map_err(listed)?.file_name().to_string_lossy().into_owned())).collect()
}

/// Names of the frames. Pictures (`*.jpg`) beside frames are the visible camera's and are passed over, unless the sidecar
/// names them; a card with nothing else holds the wrong files, and each is told.
fn list(folder: &Path, sidecar: &BTreeMap<String, Capture>, notes: &mut Vec<String>) -> Result<Vec<String>> {
    let (mut frames, mut pictures) = (Vec::new(), Vec::new());
    for name in names(folder)? {
        let kind = Path::new(&name).extension().map(|kind| kind.to_string_lossy().to_lowercase()).unwrap_or_default();
        match kind.as_str() {
            _ if name.starts_with('.') => (),
            "tif" | "tiff" | "png" => frames.push(name),
            "jpg" | "jpeg" if sidecar.contains_key(&name) => frames.push(name),
            "jpg" | "jpeg" => pictures.push(name),
            _ => (),
        }
    }
    if frames.is_empty() {
        frames.append(&mut pictures);
    }
    if frames.is_empty() {
        let remedy = "give the folder of the card that holds the radiometric frames";
        return Err(Error::input(folder, "folder", "it holds no *.tif, *.tiff or *.png", remedy));
    }
    if !pictures.is_empty() {
        notes.push(format!("{} pictures (*.jpg) hold no measured values and are passed over", pictures.len()));
    }
    frames.sort();
    Ok(frames)
}
