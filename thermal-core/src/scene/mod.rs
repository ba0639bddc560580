//! Draws invented plants as a drone's thermal camera would see them, with the truth beside the frames.
//!
//! It serves `thermal demo` and the tests. The analysis uses nothing of it, and it uses nothing of the analysis but plain
//! records, so that an error of geometry or of thermal sense cannot hide in both.
//!
//! The ground, the things on it, their shadows and the tables are painted as flat patches in space, several samples a
//! pixel, each sample weighted by how much of its footprint a patch covers, so that gaps far thinner than a pixel keep
//! their contrast; then come the lens, the motion and the detector.

use std::collections::BTreeMap;
use std::path::Path;

use ndarray::Array2;

mod fault;
mod flight;
mod frame;
mod ground;
mod random;
pub mod range;
mod sensor;
mod site;
pub mod spec;
mod surface;
#[cfg(test)]
mod tests;
mod view;
mod write;

pub use fault::Fault;
pub use frame::{FrameTruth, ModuleTruth};
pub use range::{demo_spec, range_specs};
pub use spec::Spec;

use crate::{Error, Result};

/// A plant, built from its spec, with the flight over it.
#[derive(Debug)]
pub struct Scene {
    spec: Spec,
    site: site::Site,
    poses: Vec<flight::Pose>,
}

impl Scene {
    /// Builds the plant and plans the flight.
    ///
    /// # Errors
    /// A size, a distance or a number in the spec that cannot be drawn.
    pub fn new(spec: &Spec) -> Result<Self> {
        check(spec)?;
        Ok(Self { spec: spec.clone(), site: site::Site::new(spec), poses: flight::fly(spec) })
    }

    /// Number of frames.
    pub fn frames(&self) -> usize {
        self.poses.len()
    }

    /// Draws a frame, counted from 0: temperature, deg C, by row and column, and the truth; `None` beyond the last.
    pub fn frame(&self, frame: usize) -> Option<(Array2<f32>, FrameTruth)> {
        let pose = self.poses.get(frame)?;
        Some(frame::draw(&self.spec, &self.site, pose, frame))
    }

    /// The truth of every frame, without drawing any.
    #[cfg(test)]
    pub(crate) fn truths(&self) -> Vec<FrameTruth> {
        self.poses.iter().map(|pose| frame::truth(&self.spec, &self.site, pose)).collect()
    }

    /// Faults of the plant by module.
    pub fn faults(&self) -> BTreeMap<String, Vec<Fault>> {
        let modules = self.site.tables.iter().flat_map(|t| &t.modules).flatten();
        modules.filter(|m| !m.faults.is_empty()).map(|m| (m.id.clone(), m.faults.clone())).collect()
    }
}

/// Draws one frame of a spec, counted from 0: temperature, deg C, by row and column, and the truth.
///
/// # Errors
/// As [`Scene::new`]; a frame beyond the last.
pub fn render_frame(spec: &Spec, frame: usize) -> Result<(Array2<f32>, FrameTruth)> {
    let scene = Scene::new(spec)?;
    scene.frame(frame).ok_or_else(|| {
        Error::argument("frame", format!("{frame} of {} frames", scene.frames()), "count from 0 to less than that")
    })
}

/// Writes a scene as an inspection folder (see the README) with `truth.json` beside it.
///
/// # Errors
/// As [`Scene::new`]; a folder that cannot be written.
pub fn render(spec: &Spec, out: &Path) -> Result<()> {
    let scene = Scene::new(spec)?;
    write::folder(out)?;
    let mut truths = BTreeMap::new();
    for k in 0..scene.frames() {
        let Some((image, truth)) = scene.frame(k) else { continue };
        write::image(spec, &out.join("frames").join(write::name(k)), &image)?;
        truths.insert(write::name(k), truth);
    }
    write::poses(spec, out, &scene.poses)?;
    write::irradiance(spec, out, &scene.poses)?;
    write::layout(spec, &scene.site, out)?;
    write::settings(spec, out)?;
    write::truth(spec, &scene.site, out, &truths)
}

fn check(spec: &Spec) -> Result<()> {
    let within = |name: &str, value: f64, lo: f64, hi: f64| {
        if value >= lo && value <= hi {
            Ok(())
        } else {
            Err(Error::argument(name, format!("{value} cannot be drawn"), format!("give {lo} to {hi}")))
        }
    };
    let (camera, plant) = (&spec.camera, &spec.plant);
    within("camera.width", camera.width as f64, 16.0, 4096.0)?;
    within("camera.height", camera.height as f64, 16.0, 4096.0)?;
    within("camera.samples", camera.samples as f64, 1.0, 8.0)?;
    within("camera.focal_mm", camera.focal_mm, 0.5, 500.0)?;
    within("camera.pitch_um", camera.pitch_um, 1.0, 100.0)?;
    within("camera.psf_px", camera.psf_px, 0.0, 20.0)?;
    within("camera.motion_px", camera.motion_px, 0.0, 50.0)?;
    within("flight.distance_m", spec.flight.distance_m, 2.0, 500.0)?;
    within("flight.overlap", spec.flight.overlap, 0.0, 0.95)?;
    within("plant.mod_w_m", plant.mod_w_m, 0.1, 10.0)?;
    within("plant.mod_l_m", plant.mod_l_m, 0.1, 10.0)?;
    within("plant.gap_m", plant.gap_m, 0.0, 1.0)?;
    within("plant.lip_m", plant.lip_m, 0.0, 0.04)?;
    within("plant.rows", plant.rows as f64, 1.0, 200.0)?;
    within("plant.tables", plant.tables as f64, 1.0, 200.0)?;
    within("plant.across", plant.across as f64, 1.0, 200.0)?;
    within("plant.courses", plant.courses as f64, 1.0, 20.0)?;
    within("weather.log_every_s", spec.weather.log_every_s, 0.5, 7200.0)?;
    write::start(spec).map(|_| ())
}
