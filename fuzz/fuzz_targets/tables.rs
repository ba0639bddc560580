//! Every table: poses, irradiance, findings, modules.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use thermal_core::capture::read_sidecar;
use thermal_core::finding::{FINDINGS, MODULES};
use thermal_core::irradiance::Log;

fuzz_target!(|bytes: &[u8]| {
    let folder = tempfile::tempdir_in("/dev/shm").unwrap();
    let path = folder.path().join("t.csv");
    std::fs::write(&path, bytes).unwrap();
    let _ = read_sidecar(&path, None);
    let _ = Log::read(&path, None);
    let _ = FINDINGS.read_csv_from(Path::new("t"), bytes);
    let _ = MODULES.read_csv_from(Path::new("t"), bytes);
});
