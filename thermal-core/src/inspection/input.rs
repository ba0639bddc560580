//! What an inspection folder holds.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::capture::{Capture, Sidecar};
use crate::file::is_there;
use crate::irradiance::Log;
use crate::settings::Settings;
use crate::site::Layout;
use crate::{Error, Result};

/// The inputs of an inspection; optional ones are `None` where the file is not there.
#[derive(Debug)]
pub struct Inputs {
    /// The folder.
    pub folder: PathBuf,
    /// Where the frames are: `folder/frames`.
    pub frames_folder: PathBuf,
    /// The settings, defaults where `inspection.toml` is silent or missing.
    pub settings: Settings,
    /// Names of the frames in `frames/`, in order.
    pub frames: Vec<String>,
    /// Rows of `frames.csv` by file name.
    pub sidecar: BTreeMap<String, Capture>,
    /// The irradiance log.
    pub irradiance: Option<Log>,
    /// The layout of the plant.
    pub layout: Option<Layout>,
    /// What could not be used of the tables: the rest goes on.
    pub problems: Vec<Error>,
}

impl Inputs {
    /// Reads the folder: settings, tables and the list of frames, not the frames themselves.
    ///
    /// # Errors
    /// A missing folder, no frames, settings or a table that cannot be read as a whole.
    pub fn read(folder: &Path) -> Result<Self> {
        if !folder.is_dir() {
            return Err(Error::input(
                folder,
                "folder",
                "there is no such folder",
                "give the folder that holds frames/ (see `thermal inspect --help`)",
            ));
        }
        let toml = folder.join("inspection.toml");
        let settings = if is_there(&toml) { Settings::read(&toml)? } else { Settings::default() };
        let offset = settings.site.offset();
        let mut problems = Vec::new();
        let frames = list_frames(folder)?;
        let path = folder.join("frames.csv");
        let mut sidecar = BTreeMap::new();
        if is_there(&path) {
            let there = |file: &str| frames.binary_search_by(|name| name.as_str().cmp(file)).is_ok();
            let mut read = Sidecar::read(&path, offset, there)?;
            let remedy = "copy the frames from the card, or take the rows out";
            for file in &read.absent {
                problems.push(Error::input(&path, file.clone(), "frames/ holds no such file", remedy));
            }
            problems.extend(read.more_absent().map(|more| Error::input(&path, "further rows", more, remedy)));
            problems.append(&mut read.problems);
            sidecar = read.by_file();
        }
        let path = folder.join("irradiance.csv");
        let mut irradiance = None;
        if is_there(&path) {
            let (log, found) = Log::read(&path, offset)?;
            problems.extend(found);
            irradiance = Some(log);
        }
        let path = folder.join("layout.geojson");
        let layout = if is_there(&path) { Some(Layout::read(&path)?) } else { None };
        let frames_folder = folder.join("frames");
        Ok(Self { folder: folder.to_owned(), frames_folder, settings, frames, sidecar, irradiance, layout, problems })
    }

    /// The path of a frame.
    pub(crate) fn frame_path(&self, name: &str) -> PathBuf {
        self.frames_folder.join(name)
    }
}

/// Names in `frames/` that end like a frame, in order.
pub(crate) fn list_frames(folder: &Path) -> Result<Vec<String>> {
    let place = folder.join("frames");
    if !place.is_dir() {
        return Err(Error::input(
            folder,
            "frames/",
            "the folder holds no folder `frames`",
            "copy the radiometric frames (*.tif, *.tiff, *.png) into a folder named frames",
        ));
    }
    let entries = std::fs::read_dir(&place).map_err(|e| Error::io(&place, "list the folder", e))?;
    let (mut names, mut pictures) = (Vec::new(), 0);
    for entry in entries {
        let entry = entry.map_err(|e| Error::io(&place, "list the folder", e))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let ends_in = |ends: &[&str]| {
            let extension = Path::new(&name).extension().and_then(|e| e.to_str());
            extension.is_some_and(|e| ends.iter().any(|k| e.eq_ignore_ascii_case(k)))
        };
        pictures += usize::from(ends_in(&["jpg", "jpeg"]));
        if ends_in(&["tif", "tiff", "png"]) && !name.starts_with('.') {
            names.push(name);
        }
    }
    names.sort();
    if names.is_empty() {
        return Err(Error::input(
            &place,
            "folder",
            if pictures > 0 {
                format!("it holds pictures (*.jpg, {pictures} of them) and no *.tif, *.tiff or *.png")
            } else {
                "it holds no *.tif, *.tiff or *.png".to_owned()
            },
            "copy the radiometric frames there; pictures (*.jpg) hold no measured values",
        ));
    }
    Ok(names)
}
