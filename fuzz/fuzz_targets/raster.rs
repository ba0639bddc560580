//! TIFF and PNG to pixels.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use thermal_core::raster::{Limits, decode};

fuzz_target!(|bytes: &[u8]| {
    let _ = decode(bytes, Path::new("f"), &Limits { max_pixels: 1 << 16, ..Limits::default() });
});
