//! What a run finds, and how it is written: the records, the registry of their columns, and the tables and maps made
//! from it.

mod column;
mod flag;
mod geojson;
mod geopackage;
#[cfg(feature = "parquet")]
mod parquet;
mod place;
mod record;
mod registry;
mod schema;
mod table;

pub use column::{Column, Field, Kind, Spec, Value};
pub use flag::{FLAGS, Flag, FlagInfo};
pub use geopackage::write_geopackage;
pub(crate) use geopackage::write_geopackage_of;
pub use place::{Place, Placed};
pub use record::{Finding, ModuleRecord, Pattern, Unseen};
pub use registry::{FINDINGS, MODULES, UNSEEN};
pub(crate) use registry::{column, text};
pub use table::{Table, TableWriter};
