//! Obstacles noted on the walk-round: `name,lat,lon,height_m`, the height being the top's over the take-off point.

use std::path::Path;

use crate::table::Table;
use crate::{Error, Result};

/// An obstacle.
#[derive(Debug, Clone, PartialEq)]
pub struct Obstacle {
    /// What it is.
    pub name: String,
    /// Latitude, deg.
    pub lat: f64,
    /// Longitude, deg.
    pub lon: f64,
    /// Height of its top over the take-off point, m.
    pub height_m: f64,
}

/// Reads a list of obstacles.
///
/// # Errors
/// [`Error::Io`]; [`Error::Input`] with line and column for the first row that is not complete: an obstacle left out is
/// a collision, so nothing is skipped here.
pub fn read_obstacles(path: impl AsRef<Path>) -> Result<Vec<Obstacle>> {
    let path = path.as_ref();
    let mut table = Table::open(path, &["name", "lat", "lon", "height_m"], 4)?;
    let mut obstacles = Vec::new();
    while table.problems().is_empty() && table.advance()? {
        let lat = table.number("lat", -90.0, 90.0);
        let lon = table.number("lon", -180.0, 180.0);
        let height_m = table.number("height_m", 0.0, 1000.0);
        if let (Some(lat), Some(lon), Some(height_m)) = (lat, lon, height_m) {
            obstacles.push(Obstacle { name: table.text("name").to_owned(), lat, lon, height_m });
        } else if table.problems().is_empty() {
            let place = format!("line {}", table.line());
            let remedy =
                "give latitude and longitude in degrees and the top's height over the take-off point in metres";
            return Err(Error::input(path, place, "the obstacle lacks a place or a height", remedy));
        }
    }
    match table.into_problems().into_iter().next() {
        Some(problem) => Err(problem),
        None => Ok(obstacles),
    }
}
