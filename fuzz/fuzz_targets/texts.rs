//! Settings, layouts, areas and maps.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use thermal_core::finding::FINDINGS;
use thermal_core::plan::Area;
use thermal_core::settings::Settings;
use thermal_core::site::Layout;

fuzz_target!(|bytes: &[u8]| {
    let _ = FINDINGS.read_geojson_from(Path::new("t"), bytes);
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let _ = Layout::parse(text, Path::new("t"));
    let _ = Area::parse(text, Path::new("t"));
    let folder = tempfile::tempdir_in("/dev/shm").unwrap();
    let path = folder.path().join("t.toml");
    std::fs::write(&path, bytes).unwrap();
    let _ = Settings::read(&path);
});
