//! What the integration tests share.

mod python;

pub use python::python_check;
