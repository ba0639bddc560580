//! All frames of a flight, one by one, on some threads; the results in the order of the names whatever the threads.

use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use nalgebra::Matrix3;
use serde::{Deserialize, Serialize};

use super::{Inputs, Journal};
use crate::capture::Capture;
use crate::finding::{Flag, ModuleRecord};
use crate::frame::{FrameResult, FrameSettings, analyse};
use crate::measure;
use crate::optics::Lens;
use crate::outline::{self, Cell, LatticePlace, LoggedPose};
use crate::quality::{self, LINE_M, Sharpness};
use crate::radiometry::{Converter, Model, Thermogram};
use crate::raster::{self, Limits};
use crate::run_record::{InputFile, Skipped};
use crate::shelf::Shelved;
use crate::site::{FrameOutlines, Pose, Seen};
use crate::threads::in_order;
use crate::{Error, Result};

/// What one frame gave. What there is for each of its modules is on a shelf, since a flight has a million of them.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct FrameReport {
    /// Its name in `frames/`.
    pub file: String,
    /// Its digest; empty where it could not be read.
    pub digest: InputFile,
    /// What is known of its capture.
    pub capture: Capture,
    /// Its lens; `None` where the frame was not used.
    pub lens: Option<Lens>,
    /// How many modules were outlined.
    pub outlined: usize,
    /// What they were found to be.
    #[serde(skip)]
    pub records: Shelved<Records>,
    /// Rotation from camera to array axes as the outlines have it, row by row; `None` where nothing was outlined.
    pub to_array: Option<[[f64; 3]; 3]>,
    /// Width of the modules' edges, px, where measured.
    pub blur_px: Option<f64>,
    /// The encoding was taken from the frame's metadata.
    pub radiometry_from_metadata: bool,
    /// Why it was not used.
    pub error: Option<Skipped>,
}

/// What the outlined modules of a frame were found to be.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Records {
    /// A record an outlined module.
    pub modules: Vec<ModuleRecord>,
    /// Each module's place among the lattices of the frame.
    pub lattice: Vec<LatticePlace>,
    /// For each module, the middle of its hot spot in shares of the module, where it has one.
    pub spots: Vec<Option<[f64; 2]>>,
}

impl Records {
    /// What a frame's modules were found to be; `soft`: in a frame that is out of focus or blurred.
    pub(super) fn of(result: FrameResult, soft: bool) -> Self {
        let mut records = Self {
            lattice: result.outlines.lattice(),
            spots: result.readings.iter().map(|r| r.spot).collect(),
            modules: result.modules,
        };
        if soft {
            records.modules.iter_mut().for_each(|module| module.flags.push(Flag::Soft));
        }
        records
    }

    /// What the registration wants of them.
    pub(super) fn seen(&self) -> Vec<Seen> {
        let seen = |(m, (at, spot)): (&ModuleRecord, (&LatticePlace, &Option<[f64; 2]>))| Seen {
            corners: m.corners.map(|p| p.map(|v| v as f32)),
            whole: m.whole,
            table: at.table,
            course: at.line as i32,
            position: at.column as i32,
            t_median_c: m.t_median_c as f32,
            pattern: m.pattern,
            delta_t_k: m.delta_t_k as f32,
            confidence: m.confidence as f32,
            spot: spot.map(|s| s.map(|v| v as f32)),
        };
        self.modules.iter().zip(self.lattice.iter().zip(&self.spots)).map(seen).collect()
    }
}

/// Reads a frame and turns it to temperatures; `converter` is kept between frames of one encoding.
///
/// # Errors
/// As the raster, the metadata and the radiometry give them.
pub fn read_frame(
    inputs: &Inputs,
    name: &str,
    converter: &mut Option<Converter>,
) -> Result<(Thermogram, Capture, Lens, InputFile, bool)> {
    let path = inputs.frame_path(name);
    if name.contains(char::REPLACEMENT_CHARACTER) {
        return Err(Error::input(&path, "file name", "it is not UTF-8", "rename the file, and its row in frames.csv"));
    }
    let bytes = raster::read_bytes(&path, &Limits::default())?;
    let digest = InputFile::of_bytes(format!("frames/{name}"), &bytes);
    let raster = raster::decode(&bytes, &path, &Limits::default())?;
    let settings = &inputs.settings;
    let mut capture = Capture::from_bytes(&bytes, name, settings.site.offset());
    if let Some(row) = inputs.sidecar.get(name) {
        capture.overlay(row);
    }
    capture.shift_clock(settings.camera.clock_offset_s);
    let model = Model::of_frame(settings.radiometry.as_ref(), &capture, &raster.pixels)?;
    let from_metadata = model.from_metadata;
    if converter.as_ref().is_none_or(|c| *c.model() != model) {
        *converter = Some(Converter::new(model)?);
    }
    let Some(converter) = converter else {
        return Err(Error::input(&path, "radiometry", "no conversion", "set [radiometry] in inspection.toml"));
    };
    let thermogram = converter.thermogram(&raster.pixels, &path)?;
    let focal = settings.camera.focal_length_mm.or(capture.focal_length_mm).ok_or_else(|| {
        Error::input(
            &path,
            "EXIF FocalLength",
            "the focal length is not known",
            "set focal_length_mm under [camera] in inspection.toml",
        )
    })?;
    let lens = Lens::new(raster.width(), raster.height(), focal, settings.camera.pixel_pitch_um, settings.camera.k1);
    Ok((thermogram, capture, lens, digest, from_metadata))
}

/// What is logged of a frame's pose, the height counted from the modules.
pub fn logged_pose(inputs: &Inputs, capture: &Capture) -> LoggedPose {
    let above = inputs.settings.array.surface_above_takeoff_m;
    LoggedPose { attitude_deg: capture.attitude_deg(), height_m: capture.height_above_takeoff_m.map(|h| h - above) }
}

impl FrameReport {
    /// Of a frame of which nothing is known yet.
    fn of(name: &str) -> Self {
        Self {
            file: name.to_owned(),
            digest: InputFile { file: format!("frames/{name}"), bytes: 0, sha256: String::new() },
            capture: Capture { file: name.to_owned(), ..Capture::default() },
            ..Self::default()
        }
    }

    /// The frame as the registration wants it, with what its [`Records::seen`] gives.
    pub(super) fn outlines(&self, modules: Shelved<Vec<Seen>>) -> FrameOutlines {
        let c = &self.capture;
        FrameOutlines {
            file: self.file.clone(),
            captured_at: c.captured_at,
            lens: self.lens.unwrap_or(Lens { width: 1, height: 1, focal_px: 1.0, k1: 0.0 }),
            pose: Pose {
                lat: c.lat,
                lon: c.lon,
                altitude_m: c.altitude_m,
                height_m: c.height_above_takeoff_m,
                yaw_deg: c.yaw_deg,
                pitch_deg: c.pitch_deg,
                roll_deg: c.roll_deg,
            },
            blur_px: self.blur_px.map(|blur| blur as f32),
            modules,
        }
    }

    /// The lens and the rotation from camera to array axes; `None` where nothing was outlined.
    pub(super) fn view(&self) -> Option<(Lens, Matrix3<f64>)> {
        let rows = self.to_array?;
        Some((self.lens?, Matrix3::from_fn(|j, k| rows[j][k])))
    }
}

fn one(
    inputs: &Inputs,
    settings: &FrameSettings,
    name: &str,
    converter: &mut Option<Converter>,
) -> (FrameReport, Records) {
    let (mut report, mut records) = (FrameReport::of(name), Records::default());
    match read_frame(inputs, name, converter) {
        Ok((thermogram, capture, lens, digest, from_metadata)) => {
            let pose = logged_pose(inputs, &capture);
            let sharpness = Sharpness::of(&thermogram.celsius.view(), line_px(pose.height_m, &capture, &lens));
            report.blur_px = sharpness.width_px();
            let result = analyse(name, thermogram.celsius.view(), &lens, &pose, settings);
            report.to_array = result.outlines.view.map(|(_, m)| rows(&m));
            records = Records::of(result, sharpness.is_soft(&quality::Limits::default()));
            report.outlined = records.modules.len();
            report.lens = Some(lens);
            report.capture = capture;
            report.digest = digest;
            report.radiometry_from_metadata = from_metadata;
        }
        Err(error) => report.error = Some(Skipped::new(format!("frames/{name}"), &error)),
    }
    (report, records)
}

/// A matrix, row by row.
pub(super) fn rows(m: &Matrix3<f64>) -> [[f64; 3]; 3] {
    [0, 1, 2].map(|j| [0, 1, 2].map(|k| m[(j, k)]))
}

/// The outlines of one frame with their medians and nothing more; none where it cannot be read.
pub(crate) fn outline_frame(
    inputs: &Inputs,
    settings: &FrameSettings,
    name: &str,
    converter: &mut Option<Converter>,
) -> FrameOutlines {
    let (mut report, mut records) = (FrameReport::of(name), Records::default());
    if let Ok((thermogram, capture, lens, ..)) = read_frame(inputs, name, converter) {
        let pose = logged_pose(inputs, &capture);
        let celsius = thermogram.celsius.view();
        let found = outline::find_from_pose(celsius, &lens, &pose, &settings.array, &settings.outline);
        records.lattice = found.lattice();
        records.spots = vec![None; records.lattice.len()];
        let record = |cell: &Cell| ModuleRecord {
            corners: cell.corners,
            whole: cell.whole,
            t_median_c: f64::from(measure::field(&celsius, &cell.corners, &settings.plan).median_c),
            confidence: cell.confidence,
            ..ModuleRecord::default()
        };
        records.modules = found.tables.iter().flat_map(|t| &t.cells).map(record).collect();
        report.lens = Some(lens);
        report.capture = capture;
    }
    report.outlines(records.seen().into())
}

/// Width of the gaps between modules, px, at the logged height.
fn line_px(height_m: Option<f64>, capture: &Capture, lens: &Lens) -> Option<f64> {
    let fall = capture.pitch_deg.unwrap_or(-90.0).to_radians().sin().abs().max(0.3);
    Some(LINE_M * lens.focal_px * fall / height_m.filter(|height| *height > 1.0)?)
}

/// Analyses the frames `names` of the folder on `threads` threads; what `journal` knows is taken from there, and the rest
/// written into it. `progress` is told after each frame; `stop` ends early, and the frames not done by then are left out.
///
/// # Errors
/// The journal cannot be written or read back; what it holds by then is whole.
pub fn analyse_frames(
    inputs: &Inputs,
    names: &[String],
    settings: &FrameSettings,
    journal: &Journal,
    threads: usize,
    stop: &AtomicBool,
    progress: &(dyn Fn() + Sync),
) -> Result<Vec<FrameReport>> {
    let failed: Mutex<Option<Error>> = Mutex::new(None);
    let broken = AtomicBool::new(false);
    let reports = in_order(names.len(), threads, |k, converter| {
        if stop.load(Ordering::Relaxed) || broken.load(Ordering::Relaxed) {
            return None;
        }
        let fresh = || {
            let (report, records) = one(inputs, settings, &names[k], converter);
            journal.add(inputs, report, records)
        };
        match journal.find(inputs, &names[k]).and_then(|known| known.map_or_else(fresh, Ok)) {
            Ok(report) => {
                progress();
                Some(report)
            }
            Err(error) => {
                broken.store(true, Ordering::Relaxed);
                if let Ok(mut failed) = failed.lock() {
                    failed.get_or_insert(error);
                }
                None
            }
        }
    });
    failed.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner).map_or(Ok(reports), Err)
}

/// A frame of another size than most of the flight is not used: it is of another camera or mode.
pub fn same_size(reports: &mut [FrameReport]) {
    let mut sizes = std::collections::BTreeMap::new();
    for lens in reports.iter().filter_map(|r| r.lens.as_ref()) {
        *sizes.entry((lens.width, lens.height)).or_insert(0usize) += 1;
    }
    if let Some((&usual, _)) = sizes.iter().max_by_key(|(_, n)| **n) {
        for report in reports {
            if let Some(lens) = &report.lens
                && (lens.width, lens.height) != usual
            {
                report.error = Some(Skipped {
                    file: format!("frames/{}", report.file),
                    reason: format!(
                        "size: {} x {} px, but most frames of the flight are {} x {} px",
                        lens.width, lens.height, usual.0, usual.1
                    ),
                    remedy: "inspect frames of another camera or mode in a folder of their own".to_owned(),
                });
                report.lens = None;
                report.outlined = 0;
                report.records = Shelved::default();
            }
        }
    }
}
