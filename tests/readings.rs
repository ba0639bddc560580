//! `thermal readings` through the real binary, on photos that Pillow wrote (`testdata/make_meter.py`).
#![allow(missing_docs)]

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use thermal_tests::program::{rows, thermal, thermal_path};

fn photos(folder: &Path) -> PathBuf {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/meter");
    let to = folder.join("meter");
    std::fs::create_dir(&to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("testdata/meter") {
        let path = entry.expect("an entry").path();
        std::fs::copy(&path, to.join(path.file_name().expect("a name"))).expect("copied");
    }
    to
}

/// Runs with answers typed on standard input.
fn typed(folder: &Path, answers: &str, more: &[&str]) -> Output {
    let mut child = Command::new(thermal_path())
        .arg("readings")
        .arg(folder)
        .args(["--utc-offset", "+02:00", "--elevation", "520", "--tilt", "25"])
        .args(more)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    child.stdin.take().expect("a pipe").write_all(answers.as_bytes()).expect("typed");
    child.wait_with_output().expect("it ends")
}

#[test]
fn asks_checks_and_goes_on_where_it_was() {
    let folder = tempfile::tempdir().expect("a folder");
    let photos = photos(folder.path());
    // The second value is a slip of the finger, over any sky; then the person stops.
    let out = typed(&photos, "812 W/m2\n1510\nq\n", &[]);
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(3), "{said}");
    assert!(said.contains("m4.jpg") && said.contains("the time of the photo is not known"), "{said}");
    assert!(said.contains("1510 W/m2 are over the"), "{said}");
    let log = rows(&photos.join("irradiance.csv"));
    assert_eq!(log.len(), 1);
    assert_eq!((log[0]["time"].as_str(), log[0]["poa_w_m2"].as_str()), ("2026-06-21T10:20:00+02:00", "812"));

    // Again: only what is left is asked, and the same value twice is meant.
    let out = typed(&photos, "1200\n1200\n\n-\n905,5\n", &[]);
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(said.contains("1 readings are in the log; 2 photos are left"), "{said}");
    assert!(said.contains("`-` is no number"), "{said}");
    let log = rows(&photos.join("irradiance.csv"));
    let values: Vec<&str> = log.iter().map(|row| row["poa_w_m2"].as_str()).collect();
    assert_eq!(values, ["812", "1200", "905.5"]);
    // The photo without a zone got the one given.
    assert_eq!(log[2]["time"], "2026-06-21T11:00:00+02:00");
}

#[test]
fn takes_the_values_from_a_table() {
    let folder = tempfile::tempdir().expect("a folder");
    let photos = photos(folder.path());
    let values = folder.path().join("read.csv");
    std::fs::write(&values, "photo,poa_w_m2,air_temp_c,wind_m_s\nm1.jpg,812,24,1.5\nm2.jpg,95,24,\nm3.jpg,,,\n")
        .expect("written");
    let log = folder.path().join("irradiance.csv");
    let run = || {
        let out = thermal([
            "readings",
            photos.to_str().expect("a name"),
            "--values",
            values.to_str().expect("a name"),
            "--out",
            log.to_str().expect("a name"),
            "--utc-offset",
            "+02:00",
        ]);
        (out.status.code(), String::from_utf8_lossy(&out.stderr).into_owned())
    };
    let (code, said) = run();
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("m2.jpg: kept, but 95 W/m2 are less than a third"), "{said}");
    assert!(said.contains("m3.jpg"), "{said}");
    assert_eq!(rows(&log).len(), 2);
    let first = std::fs::read(&log).expect("read");
    // What was missing is filled in; what is there stays.
    std::fs::write(&values, "photo,poa_w_m2\nm1.jpg,1\nm3.jpg,905\n").expect("written");
    let (_, said) = run();
    assert!(said.contains("2 readings are in the log"), "{said}");
    let log_now = std::fs::read(&log).expect("read");
    assert!(log_now.starts_with(&first) && rows(&log).len() == 3);
}

#[test]
fn bad_input_is_told_with_its_remedy() {
    let folder = tempfile::tempdir().expect("a folder");
    let empty = folder.path().join("empty");
    std::fs::create_dir(&empty).expect("a folder");
    let out = thermal(["readings", empty.to_str().expect("a name")]);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("there is no photo in it"));
    let out = thermal(["readings", "/no/such/folder"]);
    assert_eq!(out.status.code(), Some(1));
    // A logger's file is not written over.
    let photos = photos(folder.path());
    let log = photos.join("irradiance.csv");
    std::fs::write(&log, "time,poa_w_m2\n2026-06-21T10:20:00+02:00,812\n").expect("written");
    let before = std::fs::read(&log).expect("read");
    let out = typed(&photos, "812\n", &[]);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("--out"));
    assert_eq!(std::fs::read(&log).expect("read"), before);
    assert!(!log.with_extension("csv.part").exists());
}
