//! Every table: poses, irradiance, values of photographs, obstacles, findings, modules.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use thermal_core::capture::read_sidecar;
use thermal_core::finding::{FINDINGS, MODULES};
use thermal_core::irradiance::Log;
use thermal_core::plan::read_obstacles;
use thermal_core::readings::read_values;

fuzz_target!(|bytes: &[u8]| {
    let folder = tempfile::tempdir_in("/dev/shm").unwrap();
    let path = folder.path().join("t.csv");
    std::fs::write(&path, bytes).unwrap();
    let _ = read_sidecar(&path, None);
    let _ = Log::read(&path, None);
    let _ = read_values(&path);
    let _ = read_obstacles(&path);
    let _ = FINDINGS.read_csv_from(Path::new("t"), bytes);
    let _ = MODULES.read_csv_from(Path::new("t"), bytes);
});
