//! The page that the owner reads: complete in one file, made for the screen and for paper.

mod page;
mod plan;
mod stakes;
mod svg;
mod weather;
mod words;

pub use page::{People, Report, report};
pub use plan::PlantMap;
pub use stakes::{PatternStakes, Prices, Range, Stakes, share};
