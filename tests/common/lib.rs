//! What the integration tests share.

pub mod figures;
pub mod flight;
pub mod plant;
pub mod program;
mod python;
pub mod rasters;

pub use python::python_check;
