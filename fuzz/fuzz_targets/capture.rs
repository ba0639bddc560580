//! EXIF and XMP in TIFF, PNG and JPEG.
#![no_main]

use libfuzzer_sys::fuzz_target;
use thermal_core::capture::Capture;

fuzz_target!(|bytes: &[u8]| {
    let _ = Capture::from_bytes(bytes, "f", None);
});
