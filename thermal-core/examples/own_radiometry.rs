//! Own radiometry: counts of a camera whose calibration curve is known, corrected for glass, sky and path.

use ndarray::array;
use thermal_core::radiometry::{Converter, Model, path_transmission};
use thermal_core::raster::Pixels;
use thermal_core::settings::{Encoding, Radiometry};

fn main() -> thermal_core::Result<()> {
    let radiometry = Radiometry {
        encoding: Encoding::Planck,
        // counts = r / (exp(b / T) - f) + o
        r: Some(366_545.0),
        b: Some(1428.0),
        f: Some(1.0),
        o: Some(-342.0),
        emissivity: 0.88,
        reflected_c: -15.0,
        distance_m: Some(25.0),
        air_temp_c: Some(28.0),
        relative_humidity: Some(0.4),
        ..Radiometry::default()
    };
    println!("the path passes {:.3} of the radiation", path_transmission(25.0, 28.0, 0.4));
    let converter = Converter::new(Model { radiometry, from_metadata: false })?;
    let counts = Pixels::U16(array![[3000, 3300], [3600, 3900]]);
    println!("{:.2}", converter.thermogram(&counts, "four pixels")?.celsius);
    Ok(())
}
