//! One frame to outlines: reads a radiometric frame and prints the corners of each module in it.
//!
//! `cargo run --example one_frame -- FRAME.tif` with a frame of 0.01 K a count whose EXIF holds the focal length; without
//! a file, a frame of an invented plant is drawn.

use std::path::PathBuf;

use thermal_core::capture::Capture;
use thermal_core::optics::Lens;
use thermal_core::outline::{LoggedPose, OutlineSettings, find_from_pose};
use thermal_core::radiometry::{Converter, Model};
use thermal_core::raster::{self, Limits};
use thermal_core::settings::{Array, Radiometry};
use thermal_core::{Error, Result, scene};

fn main() -> Result<()> {
    let path = match std::env::args_os().nth(1) {
        Some(path) => PathBuf::from(path),
        None => drawn()?,
    };
    let bytes = raster::read_bytes(&path, &Limits::default())?;
    let raster = raster::decode(&bytes, &path, &Limits::default())?;
    let capture = Capture::from_bytes(&bytes, "frame", None);

    // What the metadata do not say is an error that names the remedy, never a guess.
    let model = Model::of_frame(Some(&Radiometry::default()), &capture, &raster.pixels)?;
    let thermogram = Converter::new(model)?.thermogram(&raster.pixels, &path)?;
    let focal_mm =
        capture.focal_length_mm.ok_or_else(|| Error::argument("EXIF FocalLength", "not there", "give it"))?;
    let lens = Lens::new(raster.width(), raster.height(), focal_mm, 12.0, 0.0);

    // Without a logged pose the search tries what a flight over a plant can be.
    let mut settings = OutlineSettings::default();
    settings.module_m = [1.13, 2.28];
    let found = find_from_pose(thermogram.celsius.view(), &lens, &LoggedPose::default(), &Array::default(), &settings);
    for (number, table) in found.tables.iter().enumerate() {
        for cell in &table.cells {
            println!("table {number}, course {}, position {}: {:.1?}", cell.line, cell.column, cell.corners);
        }
    }
    Ok(())
}

/// A flight of one frame over an invented plant.
fn drawn() -> Result<PathBuf> {
    let folder = std::env::temp_dir().join(format!("thermal-example-{}", std::process::id()));
    let mut spec = scene::demo_spec();
    spec.flight.frames = 1;
    scene::render(&spec, &folder)?;
    Ok(folder.join("frames/frame_0001.tif"))
}
