//! Where the sun stands, what it delivers in the plane of the array under a clear sky, and where the modules mirror it.
//! Solar position after Reda and Andreas, "Solar position algorithm for solar radiation applications", NREL/TP-560-34302
//! (2008); agrees with pvlib 0.16.1 within 0.0001 degrees from 2000 to 2050 (`testdata/make_sun.py`).

mod clear_sky;
mod plane;
mod tracker;

use jiff::{Timestamp, tz::Offset};
use nalgebra::Vector3;
use solar_positioning::{Location, RefractionCorrection, SolarPositions, time::JulianDate};

pub use clear_sky::{ClearSky, DEFAULT_TURBIDITY, clear_sky};
pub use plane::{DEFAULT_ALBEDO, Plane};
pub use tracker::Tracker;

use crate::{Error, Result};

/// Terrestrial time less UT1, s. The value of the 2020s after the IERS, from memory; ten seconds off move the sun by
/// 0.0001 degrees.
const DELTA_T_S: f64 = 69.2;

/// Air temperature of the refraction, deg C: pvlib's default; it matters only within a degree of the horizon.
const AIR_TEMPERATURE_C: f64 = 12.0;

/// Years for which the rotation of the earth is known or foreseen well enough.
const YEARS: std::ops::RangeInclusive<i16> = 1950..=2100;

/// A place on the earth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Latitude, deg, north positive, WGS 84.
    pub lat_deg: f64,
    /// Longitude, deg, east positive, WGS 84.
    pub lon_deg: f64,
    /// Height over the sea, m.
    pub elevation_m: f64,
}

impl Place {
    /// Tells which value lies outside its range.
    pub fn check(&self) -> Result<()> {
        let ranges = [
            ("latitude", self.lat_deg, -90.0, 90.0, "give degrees north of the equator, south negative"),
            ("longitude", self.lon_deg, -180.0, 180.0, "give degrees east of Greenwich, west negative"),
            ("elevation", self.elevation_m, -430.0, 9000.0, "give the site's height over the sea in metres"),
        ];
        for (name, value, low, high, remedy) in ranges {
            if !(low..=high).contains(&value) {
                return Err(Error::argument(name, format!("{value} is not between {low} and {high}"), remedy));
            }
        }
        Ok(())
    }

    /// Air pressure of the standard atmosphere, Pa, as in pvlib's `alt2pres`.
    fn pressure_pa(&self) -> f64 {
        100.0 * ((44331.514 - self.elevation_m) / 11880.516).powf(1.0 / 0.1902632)
    }
}

/// The sun as seen from a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sun {
    /// Elevation of the sun's centre over the horizon without refraction, deg.
    pub elevation_deg: f64,
    /// Elevation as seen through the air, deg; every angle below is computed from this one.
    pub apparent_elevation_deg: f64,
    /// Azimuth, deg from north, clockwise, 0 to 360.
    pub azimuth_deg: f64,
}

impl Sun {
    /// The sun's position at a time.
    ///
    /// # Errors
    /// A place out of range, or a year outside 1950 to 2100.
    pub fn at(time: Timestamp, place: &Place) -> Result<Self> {
        place.check()?;
        let year = Offset::UTC.to_datetime(time).year();
        let no_data = |reason: String| {
            let remedy = format!("give a date from {} to {}", YEARS.start(), YEARS.end());
            Error::argument("date", reason, remedy)
        };
        if !YEARS.contains(&year) {
            return Err(no_data(format!("there are no data on the earth's rotation for the year {year}")));
        }
        let julian_day = time.as_millisecond() as f64 / 86_400_000.0 + 2440587.5;
        let spa = |refraction| {
            let location = Location { latitude: place.lat_deg, longitude: place.lon_deg };
            SolarPositions::new().for_time_from_julian(JulianDate::new(julian_day, DELTA_T_S)?).and_then(|at| {
                Ok((at.at(location, place.elevation_m, None)?, at.at(location, place.elevation_m, refraction)?))
            })
        };
        let refraction = RefractionCorrection::new(place.pressure_pa() / 100.0, AIR_TEMPERATURE_C).ok();
        let (airless, apparent) = spa(refraction).map_err(|e| no_data(e.to_string()))?;
        Ok(Self {
            elevation_deg: airless.elevation_angle(),
            apparent_elevation_deg: apparent.elevation_angle(),
            azimuth_deg: airless.azimuth(),
        })
    }

    /// Unit vector towards the sun as seen through the air: east, north, up.
    pub fn direction(&self) -> Vector3<f64> {
        direction(self.apparent_elevation_deg, self.azimuth_deg)
    }
}

/// Unit vector east, north, up towards an elevation and an azimuth from north, clockwise, deg.
pub fn direction(elevation_deg: f64, azimuth_deg: f64) -> Vector3<f64> {
    let (se, ce) = elevation_deg.to_radians().sin_cos();
    let (sa, ca) = azimuth_deg.to_radians().sin_cos();
    Vector3::new(ce * sa, ce * ca, se)
}

#[cfg(test)]
mod tests;
