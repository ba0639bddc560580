//! The whole of the analysis of one frame: bytes, metadata, temperatures, outlines, patterns.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use thermal_core::capture::Capture;
use thermal_core::frame::{FrameSettings, analyse};
use thermal_core::optics::Lens;
use thermal_core::outline::LoggedPose;
use thermal_core::radiometry::{Converter, Model};
use thermal_core::raster::{Limits, decode};
use thermal_core::settings::Settings;

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("f");
    let settings = Settings::default();
    let Ok(raster) = decode(bytes, path, &Limits { max_pixels: 1 << 14, ..Limits::default() }) else { return };
    let capture = Capture::from_bytes(bytes, "f", None);
    let Ok(model) = Model::of_frame(settings.radiometry.as_ref(), &capture, &raster.pixels) else { return };
    let Ok(converter) = Converter::new(model) else { return };
    let Ok(thermogram) = converter.thermogram(&raster.pixels, path) else { return };
    let focal = capture.focal_length_mm.unwrap_or(13.0);
    let lens = Lens::new(raster.width(), raster.height(), focal, settings.camera.pixel_pitch_um, settings.camera.k1);
    let pose = LoggedPose {
        attitude_deg: capture.yaw_deg.zip(capture.pitch_deg).map(|(yaw, pitch)| [yaw, pitch, 0.0]),
        height_m: capture.height_above_takeoff_m,
    };
    let _ = analyse("f", thermogram.celsius.view(), &lens, &pose, &FrameSettings::of(&settings));
});
