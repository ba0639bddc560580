//! What the integration tests share.

pub mod flight;
pub mod plant;
mod python;

pub use python::python_check;
