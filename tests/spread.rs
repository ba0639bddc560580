//! The worked example of `docs/examples`: a flight spread over workers of an engine from outside, workers killed meanwhile.
#![allow(missing_docs)]
#![cfg(unix)]

use thermal_core::scene;
use thermal_tests::program::thermal_path;
use thermal_tests::python_check;

#[test]
fn workers_of_a_dask_cluster_give_the_single_run() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 15;
    scene::render(&spec, &folder).unwrap();
    python_check("check_spread.py", &["distributed", "psutil"], &[&thermal_path(), &folder, place.path()]);
}
