//! From the radiometric frames of a drone flight over a PV plant to a table of anomalous modules.
//!
//! Data flows one way, and the modules below stand in the order of that flow:
//! files -> [`raster`] -> [`radiometry`] -> [`outline`] -> [`row`] -> [`measure`] -> [`pattern`] -> [`severity`]
//! -> [`site`] -> [`finding`] -> [`evidence`]. A module uses only those above it.
//!
//! One frame from file to finding (the frame is drawn here; a path of your own serves as well):
//!
//! ```
//! # fn main() -> thermal_core::Result<()> {
//! use thermal_core::{capture::Capture, finding::Pattern, frame, optics::Lens, outline::LoggedPose};
//! use thermal_core::{radiometry::{Converter, Model}, raster, scene, settings::Settings, severity};
//!
//! let folder = std::env::temp_dir().join(format!("thermal-doc-{}", std::process::id()));
//! let mut spec = scene::demo_spec();
//! spec.flight.frames = 1;
//! scene::render(&spec, &folder)?;
//! let path = folder.join("frames/frame_0001.tif");
//!
//! let settings = Settings::read(folder.join("inspection.toml"))?;
//! let bytes = raster::read_bytes(&path, &raster::Limits::default())?;
//! let raster = raster::decode(&bytes, &path, &raster::Limits::default())?;
//! let capture = Capture::from_bytes(&bytes, "frame_0001.tif", settings.site.offset());
//! let model = Model::of_frame(settings.radiometry.as_ref(), &capture, &raster.pixels)?;
//! let celsius = Converter::new(model)?.thermogram(&raster.pixels, &path)?.celsius;
//! let camera = &settings.camera;
//! let focal_mm = capture.focal_length_mm.or(camera.focal_length_mm).unwrap_or(13.0);
//! let lens = Lens::new(raster.width(), raster.height(), focal_mm, camera.pixel_pitch_um, camera.k1);
//! let found = frame::analyse("frame_0001.tif", celsius.view(), &lens, &LoggedPose::default(),
//!                            &frame::FrameSettings::of(&settings));
//! for m in found.modules.iter().filter(|m| m.pattern != Pattern::None) {
//!     let judged = severity::judge(m.pattern, m.delta_t_k, Some(890.0), &settings.severity);
//!     println!("{} at {:?}: {:.1} K, {}", m.pattern.as_str(), m.corners[0], m.delta_t_k, judged.band);
//! }
//! # assert!(found.modules.len() > 20 && found.modules.iter().any(|m| m.pattern != Pattern::None));
//! # std::fs::remove_dir_all(&folder).ok();
//! # Ok(())
//! # }
//! ```
//!
//! A whole flight, with its site and its tables, is [`inspection`]. `examples/` holds one small program for each of: outlines
//! of one frame, limits of one's own, radiometry of one's own, a stream of frames, a polygon of one's own.
#![forbid(unsafe_code)]

pub mod error;
pub mod settings;
mod file;
mod table;
mod features;
pub mod raster;
pub mod capture;
pub mod radiometry;
mod buffer;
mod grey;
mod median;
mod page;
mod threads;
pub mod shelf;
pub mod optics;
pub mod sun;
pub mod irradiance;
pub mod outline;
pub mod row;
pub mod measure;
pub mod pattern;
pub mod severity;
pub mod reference;
pub mod frame;
pub mod site;
pub mod plan;
pub mod readings;
pub mod quality;
pub mod finding;
pub mod evidence;
pub mod output;
pub mod run_record;
pub mod uncertainty;
pub mod inspection;
pub mod fieldcheck;
pub mod prepare;
pub mod run_folder;
pub mod review;
pub mod report;
pub mod bundle;
pub mod compare;
pub mod scene;

pub use error::{Error, Result};
