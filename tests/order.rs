//! A file system lists a folder in whatever order it likes; the results are the same bytes.
//!
//! `shim/order.c`, preloaded into the real binary, gives the entries of each folder backwards or dealt by a seed.
#![allow(missing_docs)]
#![cfg(target_os = "linux")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use thermal_core::scene;
use thermal_tests::program::{contents, shim, thermal_path};

/// Each job that lists a folder, in an order in which each finds what it needs, and its exit code.
const JOBS: [(&str, i32); 9] = [
    ("prepare bare --no-questions", 0),
    ("fieldcheck plant --out check", 3),
    ("inspect plant --out run", 3),
    ("inspect plant --part 1/2 --out part1", 0),
    ("inspect plant --part 2/2 --out part2", 0),
    ("gather whole part2 part1 --no-evidence", 3),
    ("readings meter --values read.csv --out log.csv --utc-offset +02:00", 3),
    ("deliver done --out bundle", 0),
    ("compare done whole --out changes", 0),
];

/// A flight of two frames and two that cannot be used, the same without settings, and photographs of a meter.
fn lay_down(place: &Path) {
    let folder = place.join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    scene::render(&spec, &folder).unwrap();
    for name in ["a.tif", "z.tif"] {
        fs::write(folder.join("frames").join(name), name).unwrap();
    }
    copy(&folder, &place.join("bare"));
    fs::remove_file(place.join("bare/inspection.toml")).unwrap();
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/meter"), &place.join("meter"));
    fs::write(place.join("read.csv"), "photo,poa_w_m2\nm1.jpg,812\nm2.jpg,795\nm3.jpg,905\n").unwrap();
}

fn copy(from: &Path, to: &Path) {
    assert!(Command::new("cp").arg("-r").arg(from).arg(to).status().unwrap().success());
}

fn command(job: &str, place: &Path) -> Command {
    let mut command = Command::new(thermal_path());
    command.args(job.split(' ')).arg("--quiet").current_dir(place);
    command
}

/// What all jobs leave behind, and what they say, without the times of day.
fn all_jobs(place: &Path, seed: Option<u32>) -> BTreeMap<PathBuf, Vec<u8>> {
    let count = place.join("count");
    let mut told = BTreeMap::new();
    for (job, code) in JOBS {
        let mut command = command(job, place);
        if let Some(seed) = seed {
            command.env("LD_PRELOAD", shim("order")).env("ORDER_SEED", seed.to_string()).env("ORDER_COUNT", &count);
        }
        let output = command.output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{job}: {}", String::from_utf8_lossy(&output.stderr));
        if seed.is_some() {
            let listed: u32 = fs::read_to_string(&count).unwrap().parse().unwrap();
            assert!(listed > 0, "{job}: no folder was listed");
            fs::remove_file(&count).unwrap();
        }
        told.insert(PathBuf::from(job), output.stderr);
    }
    let mut files = contents(place);
    // Holds when each frame was copied.
    files.remove(Path::new("check/fieldcheck.cache")).unwrap();
    for (name, bytes) in &mut files {
        if name.ends_with("run.json") || name.ends_with("part.json") {
            let mut record: serde_json::Value = serde_json::from_slice(bytes).unwrap();
            let fields = record.as_object_mut().unwrap();
            fields.retain(|key, _| key != "started_at" && key != "finished_at");
            *bytes = serde_json::to_vec(&record).unwrap();
        }
    }
    files.extend(told);
    files
}

#[test]
fn the_same_bytes_whatever_the_order_of_a_folder() {
    let place = tempfile::tempdir().unwrap();
    let (start, here) = (place.path().join("start"), place.path().join("here"));
    fs::create_dir(&start).unwrap();
    lay_down(&start);
    assert_eq!(command("inspect plant --out done", &start).output().unwrap().status.code(), Some(3));
    let run = |seed: Option<u32>| {
        copy(&start, &here);
        let files = all_jobs(&here, seed);
        fs::remove_dir_all(&here).unwrap();
        files
    };
    let expected = run(None);
    assert!(expected.len() > 80, "{:?}", expected.keys());
    for seed in [1, 7] {
        let found = run(Some(seed));
        let other: Vec<_> =
            expected.iter().filter(|(name, bytes)| found.get(*name) != Some(*bytes)).map(|e| e.0).collect();
        assert!(other.is_empty() && found.len() == expected.len(), "{seed}: {other:?}, {} files", found.len());
    }
}
