//! From the radiometric frames of a drone flight over a PV plant to a table of anomalous modules.
//!
//! Data flows one way, and the modules below stand in the order of that flow:
//! files -> [`raster`] -> [`radiometry`] -> [`outline`] -> [`row`] -> [`measure`] -> [`pattern`] -> [`severity`]
//! -> [`site`] -> [`finding`] -> [`evidence`]. A module uses only those above it.
#![forbid(unsafe_code)]

pub mod error;
pub mod settings;
mod table;
pub mod raster;
pub mod capture;
pub mod radiometry;
mod grey;
mod page;
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
pub mod fieldcheck;
pub mod finding;
pub mod evidence;
pub mod output;
pub mod run_record;
pub mod inspection;
pub mod uncertainty;
pub mod run_folder;
pub mod review;
pub mod report;
pub mod bundle;
pub mod compare;
pub mod scene;

pub use error::{Error, Result};
