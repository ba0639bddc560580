//! From the radiometric frames of a drone flight over a PV plant to a table of anomalous modules.
//!
//! Data flows one way, and the modules below stand in the order of that flow:
//! files -> [`raster`] -> [`radiometry`] -> [`outline`] -> [`row`] -> [`measure`] -> [`pattern`] -> [`severity`]
//! -> [`site`] -> [`finding`] -> [`evidence`]. A module uses only those above it.
#![forbid(unsafe_code)]

pub mod capture;
pub mod error;
pub mod finding;
pub mod optics;
pub mod radiometry;
pub mod scene;
pub mod settings;
pub mod site;
pub mod sun;
mod table;

pub use error::{Error, Result};
