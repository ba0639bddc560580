//! `thermal fieldcheck` on a flight that is spoiled on purpose, one fault at a time: each is found with its reason, in the
//! frames concerned and in no other. The sound flight is drawn by the project's own renderer.
#![allow(missing_docs)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use jiff::{SignedDuration, Timestamp};
use ndarray::Array2;
use thermal_core::fieldcheck::{Cache, Card, FieldCheck, Limits, Verdict, judge, look};
use thermal_core::raster::{self, Pixels};
use thermal_core::scene::spec::{self, Spec};
use thermal_core::scene::{render, render_frame};
use thermal_tests::program::thermal;

/// Two tables, flown in passes of frames that overlap by 60 %.
fn spec() -> Spec {
    let base = Spec::default();
    Spec {
        name: "Fallow Bank".into(),
        seed: 11,
        camera: spec::Camera { width: 320, height: 256, focal_mm: 9.0, ..base.camera },
        plant: spec::Plant { rows: 2, tables: 1, across: 8, ..base.plant },
        flight: spec::Flight {
            distance_m: 18.0,
            frames: 0,
            overlap: 0.6,
            sway_m: 0.1,
            sway_deg: 0.3,
            receiver_bias_m: [0.2, -0.2, 0.1],
            receiver_drift_m_min: [0.0, 0.0],
            ..base.flight
        },
        ..base
    }
}

/// Time of the first frame.
const START: &str = "2026-06-18T11:40:00+01:00";

/// The sound flight, drawn once.
fn sound() -> &'static Path {
    static FLIGHT: OnceLock<tempfile::TempDir> = OnceLock::new();
    FLIGHT
        .get_or_init(|| {
            let folder = tempfile::tempdir().expect("a folder");
            render(&spec(), folder.path()).expect("drawn");
            folder
        })
        .path()
}

/// A copy of the sound flight to be spoiled.
struct Flight {
    folder: tempfile::TempDir,
    /// Lines of `frames.csv` after the header.
    poses: Vec<Vec<String>>,
}

impl Flight {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::create_dir(folder.path().join("frames")).expect("made");
        for (file, bytes) in thermal_tests::program::contents(sound()) {
            std::fs::write(folder.path().join(file), bytes).expect("copied");
        }
        let text = std::fs::read_to_string(folder.path().join("frames.csv")).expect("poses");
        let poses = text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect();
        Self { folder, poses }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn frame(&self, number: usize) -> PathBuf {
        self.path(&format!("frames/{}", name(number)))
    }

    fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        std::fs::write(self.path(name), content).expect("written");
    }

    fn remove(&self, name: &str) {
        std::fs::remove_file(self.path(name)).expect("there");
    }

    /// Changes the counts of a frame.
    fn change(&self, number: usize, change: impl Fn(usize, usize, u16) -> u16) {
        let path = self.frame(number);
        let raster = raster::read(&path, &raster::Limits::default()).expect("a frame");
        let Pixels::U16(counts) = raster.pixels else { panic!("counts") };
        let new = Array2::from_shape_fn(counts.dim(), |(y, x)| change(x, y, counts[[y, x]]));
        std::fs::write(path, tiff(&new)).expect("written");
    }

    /// Draws a frame anew with another camera.
    fn redraw(&self, number: usize, change: impl Fn(&mut spec::Camera)) {
        let mut spec = spec();
        change(&mut spec.camera);
        let (celsius, _) = render_frame(&spec, number - 1).expect("drawn");
        let counts = celsius.mapv(|t| ((t + 273.15) * 100.0).round() as u16);
        std::fs::write(self.frame(number), tiff(&counts)).expect("written");
    }

    /// Changes a column of `frames.csv`: 1 time, 5 height, 6 yaw, 7 pitch.
    fn pose(&mut self, column: usize, change: impl Fn(usize, &str) -> String) {
        for (k, line) in self.poses.iter_mut().enumerate() {
            line[column] = change(k + 1, &line[column]);
        }
        let lines: Vec<String> = self.poses.iter().map(|line| line.join(",")).collect();
        let header = "file,captured_at,lat,lon,altitude_m,height_above_takeoff_m,yaw_deg,pitch_deg,roll_deg\n";
        self.write("frames.csv", header.to_owned() + &lines.join("\n") + "\n");
    }

    /// Takes all frames at another time, 2 s apart, and writes a steady log around it.
    fn at(&mut self, start: &str, poa_w_m2: f64) {
        self.pose(1, |k, _| later(start, 2 * (k as i64 - 1)));
        self.log(start, |_| format!("{poa_w_m2:.1},26,2,1"));
    }

    /// A reading a minute from ten minutes before the flight to fifteen after its start.
    fn log(&self, start: &str, reading: impl Fn(i64) -> String) {
        let lines: Vec<String> =
            (-10..=15).map(|minute| format!("{},{}\n", later(start, 60 * minute), reading(minute))).collect();
        self.write("irradiance.csv", "time,poa_w_m2,air_temp_c,wind_m_s,cloud_okta\n".to_owned() + &lines.concat());
    }

    fn drop_frame(&mut self, number: usize) {
        std::fs::remove_file(self.frame(number)).expect("there");
        self.poses.retain(|line| line[0] != name(number));
        self.pose(1, |_, time| time.to_owned());
    }

    fn check(&self) -> FieldCheck {
        let card = Card::read(self.folder.path()).expect("a card");
        let looked = look(&card, &mut Cache::default(), 2, &|| ());
        judge(&card, &looked, &Limits::default(), 2).expect("judged")
    }
}

fn name(number: usize) -> String {
    format!("frame_{number:04}.tif")
}

fn later(start: &str, seconds: i64) -> String {
    let time: Timestamp = start.parse().expect("a time");
    time.checked_add(SignedDuration::from_secs(seconds)).expect("in range").to_string()
}

/// A TIFF of one strip.
fn tiff(counts: &Array2<u16>) -> Vec<u8> {
    let (height, width) = (counts.nrows() as u32, counts.ncols() as u32);
    let tags = [(256, width), (257, height), (258, 16), (259, 1), (262, 1), (273, 122), (277, 1), (278, height)];
    let mut out = b"II\x2A\0\x08\0\0\0".to_vec();
    out.extend(9u16.to_le_bytes());
    for (tag, value) in tags.into_iter().chain([(279, 2 * width * height)]) {
        out.extend([&(tag as u16).to_le_bytes()[..], &[4, 0, 1, 0, 0, 0], &value.to_le_bytes()].concat());
    }
    out.extend([0; 4]);
    assert_eq!(out.len(), 122);
    out.extend(counts.iter().flat_map(|v| v.to_le_bytes()));
    out
}

/// Codes of each frame that is not fit.
fn unfit(check: &FieldCheck) -> Vec<(String, Vec<&'static str>)> {
    let frames = check.frames.iter().filter(|frame| !frame.fit);
    frames.map(|f| (f.file.clone(), f.reasons.iter().map(|r| r.code.info().name).collect())).collect()
}

fn conditions(check: &FieldCheck) -> Vec<&'static str> {
    check.conditions.iter().map(|condition| condition.reason.code.info().name).collect()
}

#[test]
fn the_sound_flight_is_fit() {
    let check = Flight::new().check();
    assert!(check.frames.len() >= 12, "{}", check.frames.len());
    assert_eq!(unfit(&check), []);
    assert_eq!(conditions(&check), [""; 0], "{:?}", check.conditions);
    assert_eq!((check.coverage.modules, check.coverage.seen_whole), (32, 32), "{:?}", check.coverage);
    assert!(check.verdict == Verdict::Fit && check.positions.is_empty());
}

/// The receiver is off by more than the margin at the rim: what the poses alone would call unseen was seen, and what was not
/// seen is said still. The truth is the renderer's own list of what each frame shows whole.
#[test]
fn a_receiver_that_is_off_hides_no_module() {
    let truth: serde_json::Value =
        serde_json::from_slice(&std::fs::read(sound().join("truth.json")).expect("truth")).expect("JSON");
    let whole = |file: &str| -> BTreeSet<String> {
        let modules = truth["frames"][file]["modules"].as_array().expect("modules");
        let whole = modules.iter().filter(|m| m["whole"].as_bool().expect("a word"));
        whole.map(|m| m["module"].as_str().expect("an id").to_owned()).collect()
    };
    for (east_m, north_m, dropped) in [(1.8, -1.2, 0), (-2.0, 1.5, 0), (1.8, -1.2, 3), (-1.5, -1.8, 3)] {
        let mut flight = Flight::new();
        let last = flight.poses.len();
        (last - dropped + 1..=last).for_each(|k| flight.drop_frame(k));
        flight.pose(2, |_, lat| format!("{:.9}", lat.parse::<f64>().expect("degrees") + north_m / 111_200.0));
        let metre = 1.0 / (111_320.0 * flight.poses[0][2].parse::<f64>().expect("degrees").to_radians().cos());
        flight.pose(3, |_, lon| format!("{:.9}", lon.parse::<f64>().expect("degrees") + east_m * metre));
        let seen: BTreeSet<String> = flight.poses.iter().flat_map(|line| whole(&line[0])).collect();
        let check = flight.check();
        let case = format!("{east_m} {north_m} {dropped}: {:?}", check.coverage);
        assert_eq!(check.coverage.seen_whole, seen.len(), "{case}");
        assert!(check.coverage.unseen.iter().all(|id| !seen.contains(id)), "{case}");
        assert_eq!(check.verdict == Verdict::Fit, seen.len() == 32, "{case}");
    }
}

/// A fault of one frame: its code there, every other frame fit.
#[test]
fn spoiled_frames() {
    type Spoil = fn(&mut Flight);
    let cases: [(&str, &str, Spoil); 15] = [
        ("unreadable", "no image at all", |f| f.write("frames/frame_0005.tif", [7u8; 5000])),
        ("cut-short", "half a file", |f| {
            let bytes = std::fs::read(f.frame(5)).expect("a frame");
            f.write("frames/frame_0005.tif", &bytes[..bytes.len() / 2]);
        }),
        ("cut-short", "an empty file", |f| f.write("frames/frame_0005.tif", [])),
        ("picture", "a JPEG under the name", |f| {
            f.write("frames/frame_0005.tif", [&[0xFF, 0xD8, 0xFF, 0xE0][..], &[0; 3000]].concat());
        }),
        ("picture", "8 bits in 16", |f| f.change(5, |_, _, v| (v - 28000) / 40 % 256)),
        ("no-temperature", "counts of another encoding", |f| f.change(5, |_, _, v| v / 10)),
        ("duplicate", "a copy", |f| {
            std::fs::copy(f.frame(4), f.frame(5)).expect("copied");
        }),
        ("clipped", "the warmest at the end of the range", |f| f.change(5, |_, _, v| v.min(32300))),
        ("flat", "the shutter", |f| f.change(5, |x, y, _| 30000 + ((x * 31 + y * 17) % 9) as u16)),
        ("soft", "out of focus", |f| f.redraw(5, |c| c.psf_px = 2.0)),
        ("motion-blur", "too fast", |f| f.redraw(5, |c| c.motion_px = 5.0)),
        ("noise", "a noisy detector", |f| f.redraw(5, |c| c.netd_k = 0.25)),
        ("coarse-steps", "the wide range", |f| f.change(5, |_, _, v| v / 40 * 40)),
        ("other-settings", "another size", |f| {
            let raster = raster::read(&f.frame(5), &raster::Limits::default()).expect("a frame");
            let Pixels::U16(counts) = raster.pixels else { panic!("counts") };
            let part = Array2::from_shape_fn((240, 300), |(y, x)| counts[[y, x]]);
            std::fs::write(f.frame(5), tiff(&part)).expect("written");
        }),
        ("no-pose", "no place", |f| f.pose(6, |k, yaw| if k == 5 { String::new() } else { yaw.to_owned() })),
    ];
    for (code, what, spoil) in cases {
        let mut flight = Flight::new();
        spoil(&mut flight);
        let check = flight.check();
        let found = unfit(&check);
        assert!(found.len() == 1 && found[0].0 == name(5) && found[0].1.contains(&code), "{what}: {found:?}");
        assert_eq!(conditions(&check), [""; 0], "{what}");
        let reason = check.frames.iter().flat_map(|f| &f.reasons).find(|r| r.code.info().name == code).expect("it");
        assert!(reason.text.len() > 20, "{what}: {reason:?}");
        if let (Some(value), Some(limit)) = (reason.value, reason.limit) {
            assert!(value != limit, "{what}: {reason:?}");
        }
    }
}

/// A fault of how all frames were taken.
#[test]
fn spoiled_views() {
    type Spoil = fn(&mut Flight);
    let cases: [(&str, &str, Spoil); 5] = [
        ("oblique", "the camera looks the other way", |f| f.pose(6, |_, _| "180".into())),
        ("resolution", "7 m too high", |f| {
            f.pose(5, |_, h| (h.parse::<f64>().expect("metres") + 7.0).to_string());
        }),
        ("height", "counted from the ground, not the roof", |f| {
            let toml = std::fs::read_to_string(f.path("inspection.toml")).expect("settings");
            let toml = toml.replace("surface_above_takeoff_m = 0.0", "surface_above_takeoff_m = 17.0");
            f.write("inspection.toml", toml);
        }),
        // At noon the sun stands 9 deg off the modules' perpendicular, along which the camera looks.
        ("glare-predicted", "the sun behind the drone", |f| f.at("2026-06-18T13:15:00+01:00", 950.0)),
        ("glare-seen", "a reflection that goes along", |f| {
            for k in 1..=f.poses.len() {
                f.change(k, |x, y, v| {
                    let d2 = (x as f64 - 210.0).powi(2) + (y as f64 - 100.0).powi(2);
                    v + (2000.0 * (-d2 / (2.0 * 18.0 * 18.0)).exp()) as u16
                });
            }
        }),
    ];
    for (code, what, spoil) in cases {
        let mut flight = Flight::new();
        spoil(&mut flight);
        let check = flight.check();
        let found = unfit(&check);
        assert!(2 * found.len() > check.frames.len(), "{what}: {found:?}");
        assert!(found.iter().all(|(_, codes)| codes[0] == code), "{what}: {found:?}");
        assert_eq!(check.verdict, Verdict::FlyAgain, "{what}");
    }
}

#[test]
fn spoiled_conditions() {
    type Spoil = fn(&mut Flight);
    let cases: [(&str, &str, Spoil); 12] = [
        ("no-log", "no log", |f| f.remove("irradiance.csv")),
        ("no-log", "a log in another unit", |f| f.log(START, |_| "0.88,26,2,1".into())),
        ("stale-irradiance", "no reading for 25 minutes", |f| {
            f.log("2026-06-18T11:00:00+01:00", |_| "880,26,2,1".into());
        }),
        ("low-irradiance", "haze", |f| f.log(START, |_| "560,26,2,1".into())),
        ("unsteady-irradiance", "a cloud two minutes before", |f| {
            f.log(START, |m| format!("{},26,2,1", if m == -2 { 700 } else { 880 }));
        }),
        ("log-elsewhere", "the log of the day before", |f| f.log("2026-06-17T11:40:00+01:00", |_| "880,26,2,1".into())),
        ("log-elsewhere", "another zone", |f| f.log("2026-06-18T13:40:00+01:00", |_| "880,26,2,1".into())),
        ("wind", "too much wind", |f| f.log(START, |_| "880,26,8.5,1".into())),
        ("cloud", "too much cloud", |f| f.log(START, |_| "880,26,2,4".into())),
        ("above-clear-sky", "a misread meter", |f| f.log(START, |_| "1290,26,2,1".into())),
        // In March the level plane gets a quarter less at noon.
        ("level-sensor", "the sensor lay on the ground", |f| f.at("2026-03-10T13:20:00+01:00", 740.0)),
        ("clock-off", "the camera's clock in the night", |f| f.at("2026-06-18T23:40:00+01:00", 0.0)),
    ];
    for (code, what, spoil) in cases {
        let mut flight = Flight::new();
        spoil(&mut flight);
        let check = flight.check();
        assert_eq!(unfit(&check), [], "{what}");
        let found = conditions(&check);
        assert_eq!(found.first(), Some(&code), "{what}: {:?}", check.conditions);
        // The night has neither light nor a sound log.
        assert!(found.len() == 1 || code == "clock-off", "{what}: {found:?}");
        assert_eq!(check.verdict, Verdict::FlyAgain, "{what}");
    }
    // Over common practice, within the standard: a caution.
    let flight = Flight::new();
    flight.log(START, |_| "880,26,7.2,1".into());
    let check = flight.check();
    assert_eq!((conditions(&check), check.verdict), (vec!["wind"], Verdict::Fit));
}

#[test]
fn what_was_missed_is_told_with_the_places_to_fly_to() {
    // With the layout: the frames over the far row are gone.
    let mut flight = Flight::new();
    let all = flight.poses.len();
    for number in all / 2..=all {
        flight.drop_frame(number);
    }
    let check = flight.check();
    assert_eq!(check.verdict, Verdict::FlyAgain);
    assert!(!check.coverage.unseen.is_empty() && check.coverage.unseen.iter().all(|id| id.starts_with("02")));
    assert_eq!(check.coverage.seen_whole + check.coverage.unseen.len(), 32);
    let served: std::collections::BTreeSet<&String> = check.positions.iter().flat_map(|p| &p.modules).collect();
    assert!(check.coverage.unseen.iter().all(|id| served.contains(id)), "{:?}", check.positions);
    assert!(check.positions.len() < check.coverage.unseen.len());

    // A lost frame costs only what no two others show.
    let flight = Flight::new();
    flight.write("frames/frame_0001.tif", [7u8; 100]);
    let check = flight.check();
    assert!(check.coverage.seen_whole >= 28, "{:?}", check.coverage);
    assert!(check.positions.iter().all(|p| !p.modules.is_empty()));
    assert_eq!(check.verdict == Verdict::FlyAgain, !check.positions.is_empty());

    // Without a layout: a hole where a frame and its neighbours are gone.
    let mut flight = Flight::new();
    flight.remove("layout.geojson");
    assert_eq!(flight.check().verdict, Verdict::Fit);
    let middle = flight.check().frames.len() / 2;
    for number in middle - 3..=middle + 4 {
        flight.drop_frame(number);
    }
    let check = flight.check();
    assert_eq!(check.verdict, Verdict::FlyAgain);
    assert!(
        conditions(&check).iter().any(|c| ["hole", "overlap-across", "time-gap"].contains(c)),
        "{:?}",
        check.conditions
    );
}

/// The frames' own places are judged: lines set too far apart, and a pause in a line.
#[test]
fn gaps_between_frames_and_lines() {
    let mut flight = Flight::new();
    flight.remove("layout.geojson");
    // One line of six frames along the row, 3 m apart; the fourth is gone.
    let (lat, lon) = (flight.poses[0][2].clone(), flight.poses[0][3].parse::<f64>().expect("degrees"));
    let metre = 1.0 / (111_320.0 * 39.5f64.to_radians().cos());
    let line = |flight: &mut Flight, step_m: f64| {
        let lat = lat.clone();
        flight.pose(2, |_, _| lat.clone());
        flight.pose(3, |k, _| format!("{:.9}", lon + (k - 1) as f64 * step_m * metre));
    };
    line(&mut flight, 3.0);
    assert_eq!(conditions(&flight.check()), [""; 0]);
    for number in 5..=7 {
        flight.drop_frame(number);
    }
    let check = flight.check();
    assert_eq!(conditions(&check), ["time-gap"], "{:?}", check.conditions);
    assert_eq!(check.conditions[0].frames, [name(4), name(8)]);
    let mut flight = Flight::new();
    flight.remove("layout.geojson");
    line(&mut flight, 7.5);
    assert!(conditions(&flight.check()).contains(&"overlap-along"));
    // Two lines, 8 m apart, of frames that cover about 7 m across.
    let mut flight = Flight::new();
    flight.remove("layout.geojson");
    let half = flight.poses.len() / 2;
    let south = flight.poses[0][2].parse::<f64>().expect("degrees");
    flight.pose(2, |k, _| format!("{:.9}", if k <= half { south } else { south + 8.0 / 111_030.0 }));
    flight.pose(3, |k, _| format!("{:.9}", lon + ((k - 1) % half) as f64 * 3.0 * metre));
    let check = flight.check();
    assert!(conditions(&check).contains(&"overlap-across"), "{:?}", check.conditions);
}

#[test]
fn json_page_and_exit_codes_through_the_program() {
    let flight = Flight::new();
    let folder = flight.folder.path().to_str().expect("a name").to_owned();
    let run = |more: &[&str]| thermal(["fieldcheck", &folder, "--json", "--quiet"].iter().chain(more));
    let out = run(&[]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let keys: Vec<&String> = json.as_object().expect("an object").keys().collect();
    assert_eq!(keys, ["conditions", "coverage", "frames", "verdict"]);
    assert_eq!(json["verdict"], "fit");
    assert_eq!(json["coverage"], serde_json::json!({"modules": 32, "seen_whole": 32, "unseen": []}));
    let page = std::fs::read_to_string(flight.path("fieldcheck.html")).expect("the page");
    assert!(page.contains("<svg") && page.trim_end().ends_with("</html>") && !page.contains("http"), "{page}");

    // The second run reads nothing again, and says the same to the byte.
    let again = run(&[]);
    assert_eq!(again.stdout, out.stdout);
    let cache = std::fs::read_to_string(flight.path("fieldcheck.cache")).expect("the cache");
    assert!(cache.contains("frame_0005.tif"));
    assert_eq!(run(&["--fresh"]).stdout, out.stdout);

    // The card grows by a bad frame.
    flight.write("frames/frame_9999.tif", [0u8; 10]);
    let out = run(&[]);
    assert_eq!(out.status.code(), Some(3));
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!(json["verdict"], "fly-again");
    let bad = json["frames"].as_array().expect("frames").iter().find(|f| f["file"] == "frame_9999.tif").expect("it");
    assert_eq!(bad["fit"], false);
    let reason = &bad["reasons"][0];
    for key in ["code", "value", "limit", "text"] {
        assert!(reason.get(key).is_some(), "{key}: {reason}");
    }
    let geojson = std::fs::read_to_string(flight.path("fly-again.geojson")).expect("positions");
    assert!(geojson.starts_with("{\"features\":"), "{geojson}");

    // Bad input is told with its remedy.
    let empty = tempfile::tempdir().expect("a folder");
    let out = thermal(["fieldcheck", empty.path().to_str().expect("a name")]);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("it holds no *.tif"));
    let out = thermal(["fieldcheck", "/no/such/folder"]);
    assert!(out.status.code() == Some(1) && String::from_utf8_lossy(&out.stderr).contains("no such folder"));
}
