//! What is given to the program under a name that it reads or writes: tables of a million rows, and pipes, folders, devices
//! and links that lead nowhere or back. It ends soon, within its memory, and names file, reason and remedy.
#![allow(missing_docs)]
#![cfg(target_os = "linux")]

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use thermal_core::scene;
use thermal_tests::program::{thermal, thermal_path};

/// Bound for a table of a million rows, kilobytes.
const MAX_KB: u64 = 512 << 10;
const MAX_TIME: Duration = Duration::from_secs(60);

/// What a run of the program came to.
struct Came {
    code: Option<i32>,
    said: String,
    peak_kb: u64,
}

/// Runs the program to its end, or kills it where it does not come to one.
fn run(words: &[&str], place: &Path) -> Came {
    let errors = place.join("said");
    let mut command = Command::new(thermal_path());
    command.args(words).current_dir(place).stdin(Stdio::null());
    let said = fs::File::create(&errors).unwrap();
    command.stdout(said.try_clone().unwrap()).stderr(said);
    let mut child = command.spawn().unwrap();
    let (status, began, mut peak_kb) = (format!("/proc/{}/status", child.id()), Instant::now(), 0);
    let code = loop {
        // The high-water mark only rises, so that the last look misses little.
        let text = fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|line| line.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB")?.parse().ok());
        peak_kb = peak_kb.max(mark.unwrap_or(0));
        if let Some(status) = child.try_wait().unwrap() {
            break status.code();
        }
        if began.elapsed() > MAX_TIME {
            child.kill().unwrap();
            child.wait().unwrap();
            panic!("{words:?} did not end");
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let said = String::from_utf8_lossy(&fs::read(&errors).unwrap()).into_owned();
    assert!(!said.contains("panicked"), "{words:?}: {said}");
    Came { code, said, peak_kb }
}

/// A plant of one frame, and its run.
fn plant(place: &Path) -> (PathBuf, PathBuf) {
    let (folder, out) = (place.join("plant"), place.join("run"));
    let mut spec = scene::demo_spec();
    spec.flight.frames = 1;
    scene::render(&spec, &folder).unwrap();
    let words = ["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--quiet"];
    assert!(thermal(words).status.success());
    (folder, out)
}

fn million(header: &str, row: impl Fn(&mut String, usize)) -> String {
    let mut text = format!("{header}\n");
    for k in 0..1_000_000 {
        row(&mut text, k);
        text.push('\n');
    }
    text
}

#[test]
fn a_million_rows_stay_within_the_memory() {
    let place = tempfile::tempdir().unwrap();
    let (folder, out) = plant(place.path());
    let again = place.path().join("again");
    let words = ["inspect", folder.to_str().unwrap(), "--out", again.to_str().unwrap(), "--quiet", "--no-evidence"];
    let header = "file,captured_at,lat,lon,altitude_m,height_above_takeoff_m,yaw_deg,pitch_deg,roll_deg";
    let poses = million(header, |text, k| {
        write!(text, "f_{k:07}.tif,2026-06-18T11:10:00Z,48.1{k:07},11.6{k:07},540.1,25.0,180.0,-90.0,0.1").unwrap();
    });
    let faulty = million(header, |text, k| {
        write!(text, "frame_0001.tif,no time,{k},{k}x,1e9,25.0,180.0,-90.0").unwrap();
    });
    let readings = million("time,poa_w_m2,air_temp_c,wind_m_s,cloud_okta", |text, k| {
        let (h, m, s, ms) = (9 + k / 90_000, k / 1500 % 60, k / 25 % 60, k % 25 * 40);
        write!(text, "2026-06-18T{h:02}:{m:02}:{s:02}.{ms:03}+02:00,{}.5,25.1,1.5,1", 700 + k % 100).unwrap();
    });
    let cases = [
        ("frames.csv", poses, "more rows name files that are not there"),
        ("frames.csv", faulty, "more values or rows are not used"),
        ("irradiance.csv", readings, ""),
    ];
    for (name, text, word) in cases {
        let path = folder.join(name);
        let kept = fs::read(&path).unwrap();
        fs::write(&path, text).unwrap();
        let came = run(&words, place.path());
        eprintln!("{name}: {} MB", came.peak_kb >> 10);
        assert!(came.code == Some(0) && came.said.contains(word), "{name}: {}", came.said);
        assert!(came.said.lines().count() <= 50, "{name}: {}", came.said);
        assert!((1..=MAX_KB).contains(&came.peak_kb), "{name}: {} kB", came.peak_kb);
        fs::write(&path, kept).unwrap();
        fs::remove_dir_all(&again).unwrap();
    }
    let table = place.path().join("decisions.csv");
    let decisions = million("finding,decision,note,reviewer", |text, k| {
        write!(text, "X{k:07},confirmed,all is well,Ada").unwrap();
    });
    fs::write(&table, decisions).unwrap();
    let came = run(&["review", out.to_str().unwrap(), "--apply", table.to_str().unwrap()], place.path());
    eprintln!("decisions.csv: {} MB", came.peak_kb >> 10);
    assert!(came.code == Some(3) && came.said.contains("999950 more lines"), "{}", came.said);
    assert!((1..=MAX_KB).contains(&came.peak_kb), "{} kB", came.peak_kb);
    let refused = fs::read_to_string(out.join("decisions-not-applied.csv")).unwrap();
    assert_eq!(refused.lines().count(), 1_000_001);
}

/// Length of a value without end, bytes.
const LENGTH: usize = 60 << 20;

/// Puts something under a name that is no ordinary file.
fn put(kind: &str, path: &Path) {
    match kind {
        "pipe" => assert!(Command::new("mkfifo").arg(path).status().unwrap().success()),
        "folder" => fs::create_dir(path).unwrap(),
        "link to nothing" => symlink("/nowhere/at/all", path).unwrap(),
        "circle" => symlink(path.file_name().unwrap(), path).unwrap(),
        "device" => symlink("/dev/zero", path).unwrap(),
        _ => unreachable!("{kind}"),
    }
}

const KINDS: [&str; 5] = ["pipe", "folder", "link to nothing", "circle", "device"];

/// Takes away what [`put`] laid down.
fn take(path: &Path) {
    let meta = fs::symlink_metadata(path).unwrap();
    if meta.is_dir() { fs::remove_dir(path) } else { fs::remove_file(path) }.unwrap();
}

/// Runs a command with each kind under a name in the place of the file there: it is refused and left as it is.
fn under_the_name(path: &Path, kinds: &[&str], words: &[&str], place: &Path) {
    let kept = fs::read(path).ok();
    let name = path.file_name().unwrap().to_str().unwrap();
    for kind in kinds {
        let _ = fs::remove_file(path);
        put(kind, path);
        let before = fs::symlink_metadata(path).unwrap().file_type();
        let came = run(words, place);
        let what = format!("{kind} as {name}, {words:?}: {}", came.said);
        assert!(came.code == Some(1) || came.code == Some(2), "{:?} {what}", came.code);
        assert!(came.said.contains(name) && came.said.contains("; "), "{what}");
        assert_eq!(fs::symlink_metadata(path).unwrap().file_type(), before, "{what}");
        take(path);
    }
    if let Some(bytes) = kept {
        fs::write(path, bytes).unwrap();
    }
}

#[test]
fn what_is_no_file_under_the_name_of_one_is_refused() {
    let place = tempfile::tempdir().unwrap();
    let at = place.path();
    let (folder, _) = plant(at);
    let (plant, out) = (folder.to_str().unwrap(), at.join("never"));
    let inspect = ["inspect", plant, "--out", out.to_str().unwrap(), "--quiet"];
    for name in ["frames.csv", "irradiance.csv", "layout.geojson", "inspection.toml"] {
        under_the_name(&folder.join(name), &KINDS, &inspect, at);
    }
    assert!(!out.exists());
    under_the_name(&folder.join("frames.csv"), &KINDS, &["fieldcheck", plant, "--out", out.to_str().unwrap()], at);
}

/// The names of results and of what the program writes beside them, and of tables that options name.
#[test]
fn what_stands_where_a_result_goes_is_refused_and_left() {
    let place = tempfile::tempdir().unwrap();
    let at = place.path();
    plant(at);
    let done = |words: &str| assert_eq!(run(&words.split(' ').collect::<Vec<_>>(), at).code, Some(0), "{words}");
    done("inspect plant --part 1/1 --out part --quiet");
    done("deliver run --out bundle --no-zip");
    fs::create_dir(at.join(".held.part")).unwrap();
    let meter = Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/meter");
    symlink(meter, at.join("meter")).unwrap();
    for (name, text) in [
        ("values.csv", "photo,poa_w_m2\nm1.jpg,812\n"),
        ("decisions.csv", "finding,decision,reason\nF0001,dismissed,dirt\n"),
        ("obstacles.csv", "name,lat,lon,height_m\nmast,39.5,-3.5,12\n"),
    ] {
        fs::write(at.join(name), text).unwrap();
    }
    // An empty folder is taken for the result.
    let no_folder: Vec<&str> = KINDS.into_iter().filter(|kind| *kind != "folder").collect();
    let refused = [
        ("out", false, "inspect plant --out out --quiet"),
        (".out.journal", true, "inspect plant --out out --quiet"),
        (".out.journal", true, "inspect plant --out out --quiet --resume"),
        (".out.part", false, "inspect plant --out out --quiet --resume"),
        (".held.part/.lock", true, "inspect plant --out held --quiet --resume"),
        ("whole", false, "gather whole part"),
        ("delivery", false, "deliver run --out delivery"),
        ("changes", false, "compare run run --out changes"),
        ("check", false, "fieldcheck plant --out check"),
        ("flight", true, "plan --area plant/layout.geojson --date 2026-06-18 --out flight"),
        ("toy", false, "demo toy --render-only"),
        ("log.csv", true, "readings meter --values values.csv --out log.csv --utc-offset +02:00"),
        ("values.csv", true, "readings meter --values values.csv --out log.csv --utc-offset +02:00"),
        ("obstacles.csv", true, "plan --area plant/layout.geojson --date 2026-06-18 --obstacles obstacles.csv"),
        ("area.geojson", true, "plan --area area.geojson --date 2026-06-18"),
        ("decisions.csv", true, "review run --apply decisions.csv --reviewer Ada"),
        ("run/decisions.jsonl", true, "review run --apply decisions.csv --reviewer Ada"),
        ("run/run.json", true, "deliver run --out delivery"),
        ("run/findings.csv", true, "deliver run --out delivery"),
        ("run/modules.geojson", true, "deliver run --out delivery"),
        ("run/evidence/F0001.png", true, "deliver run --out delivery"),
        ("bundle/SHA256SUMS", true, "deliver --verify bundle"),
        ("bundle/findings.csv", false, "deliver --verify bundle"),
    ];
    for (name, folder_too, words) in refused {
        let kinds: &[&str] = if folder_too { &KINDS } else { &no_folder };
        under_the_name(&at.join(name), kinds, &words.split(' ').collect::<Vec<_>>(), at);
    }
    // A zip file's name is looked at before the work; a link to nothing there holds nothing that could be lost.
    under_the_name(
        &at.join("delivery.zip"),
        &["pipe", "folder", "device"],
        &["deliver", "run", "--out", "delivery"],
        at,
    );
    fs::remove_file(at.join("bundle/findings.csv")).unwrap();
    fs::create_dir(at.join("bundle/findings.csv")).unwrap();
    let came = run(&["deliver", "--verify", "bundle"], at);
    assert!(came.code == Some(3) && came.said.contains("missing: findings.csv"), "{}", came.said);
    for name in ["out", "whole", "delivery", "changes", "held"] {
        assert!(!at.join(name).exists(), "{name}");
    }
}

/// One value as long as a file may be, where the program keeps values: what is too long to be of a plant is not unfolded.
#[test]
fn one_endless_value_stays_within_the_memory() {
    let place = tempfile::tempdir().unwrap();
    let (folder, _) = plant(place.path());
    let many = |piece: &str, length: usize| piece.repeat(length / piece.len());
    let [toml, map] = ["inspection.toml", "layout.geojson"].map(|name| fs::read_to_string(folder.join(name)).unwrap());
    let before_first = map.find('[').unwrap() + 1;
    let feature = |geometry: &str, properties: &str| {
        let feature = format!("{{\"type\":\"Feature\",\"properties\":{properties},\"geometry\":{geometry}}},");
        format!("{}{feature}{}", &map[..before_first], &map[before_first..])
    };
    let ring = |length| format!("{{\"type\":\"Polygon\",\"coordinates\":[[{}[0,0]]]}}", many("[0,0],", length));
    let crs = format!("{{\"crs\":[{}0],{}", many("0,", LENGTH), &map[1..]);
    let inspect = "inspect plant --out again --quiet --no-evidence";
    let area = "plan --area plant/layout.geojson --date 2026-06-18";
    let cases = [
        (
            "inspection.toml",
            format!("{toml}\nmany = [{}]\n", many("1,", LENGTH)),
            inspect,
            1,
            "bytes allowed for settings",
        ),
        ("layout.geojson", crs, inspect, 1, "member crs"),
        ("layout.geojson", feature(&ring(LENGTH), "{\"id\":\"x\"}"), inspect, 0, "feature 1: its text is longer than"),
        (
            "layout.geojson",
            feature("null", &format!("[{}0]", many("0,", LENGTH))),
            inspect,
            0,
            "feature 1: its text is",
        ),
        ("layout.geojson", feature(&ring(LENGTH), "null"), area, 1, "allowed for a polygon"),
        ("layout.geojson", many("[", LENGTH), inspect, 1, "more than 64 brackets are open"),
    ];
    for (name, text, words, code, said) in cases {
        let path = folder.join(name);
        let kept = fs::read(&path).unwrap();
        fs::write(&path, text).unwrap();
        let came = run(&words.split(' ').collect::<Vec<_>>(), place.path());
        eprintln!("{name}, {said}: {} MB", came.peak_kb >> 10);
        assert!(
            came.code == Some(code) && came.said.contains(said) && came.said.contains(name),
            "{name}: {}",
            came.said
        );
        assert!((1..=MAX_KB).contains(&came.peak_kb), "{name}, {said}: {} kB", came.peak_kb);
        fs::write(&path, kept).unwrap();
        let _ = fs::remove_dir_all(place.path().join("again"));
    }
}

/// Polygons that all lie near all others are not held against each other one by one.
#[test]
fn a_layout_drawn_upon_itself_is_read_in_time() {
    let place = tempfile::tempdir().unwrap();
    let (folder, _) = plant(place.path());
    for (west, east, code, said) in [
        ("-3.5", "-3.499987", 0, "199999 polygons lie on another"),
        ("-3.9", "-3.1", 1, "200000 polygons are not of a module's size"),
    ] {
        let mut text = String::from("{\"type\":\"FeatureCollection\",\"features\":[");
        for k in 0..200_000 {
            let comma = if k > 0 { "," } else { "" };
            write!(
                text,
                "{comma}{{\"type\":\"Feature\",\"properties\":{{\"id\":{k}}},\"geometry\":{{\"type\":\"Polygon\",\"coordinates\":\
                 [[[{west},39.5],[{east},39.5],[{east},39.500018],[{west},39.500018],[{west},39.5]]]}}}}"
            )
            .unwrap();
        }
        fs::write(folder.join("layout.geojson"), text + "]}").unwrap();
        let came = run(&["inspect", "plant", "--out", "again", "--quiet", "--no-evidence"], place.path());
        assert!(came.code == Some(code) && came.said.contains(said), "{said}: {:?} {}", came.code, came.said);
        assert!((1..=MAX_KB).contains(&came.peak_kb), "{said}: {} kB", came.peak_kb);
    }
}
