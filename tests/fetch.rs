//! Input from an object store, against a server of this machine. The feature is off by default: `THERMAL_RELEASE` names a
//! build with it, as `test.sh` makes it.
#![allow(missing_docs)]

use std::path::PathBuf;

use thermal_core::scene;
use thermal_tests::python_check;

#[test]
fn a_flight_comes_from_an_object_store() {
    let Some(program) = std::env::var_os("THERMAL_RELEASE") else {
        eprintln!("skipped: THERMAL_RELEASE names no build with `--features thermal-cli/object-store`");
        return;
    };
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    scene::render(&spec, &folder).unwrap();
    python_check("check_fetch.py", &["boto3", "moto"], &[&PathBuf::from(program), &folder, place.path()]);
}
