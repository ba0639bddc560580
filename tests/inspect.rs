//! The main job against the truth of rendered flights, through the real binary.
#![allow(missing_docs)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use thermal_core::scene::{self, Spec};
use thermal_tests::program::{contents, rows, thermal};

type Quad = [[f64; 2]; 4];

fn area(q: &[[f64; 2]]) -> f64 {
    (0..q.len()).map(|i| (q[i], q[(i + 1) % q.len()])).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>() * 0.5
}

/// Intersection over union of two convex quadrilaterals, by clipping after Sutherland and Hodgman (1974).
fn iou(a: &Quad, b: &Quad) -> f64 {
    let mut window = b.to_vec();
    if area(&window) < 0.0 {
        window.reverse();
    }
    let mut part = a.to_vec();
    for i in 0..4 {
        let (p, q) = (window[i], window[(i + 1) % 4]);
        let side = |v: [f64; 2]| (q[0] - p[0]) * (v[1] - p[1]) - (q[1] - p[1]) * (v[0] - p[0]);
        let mut next = Vec::new();
        for j in 0..part.len() {
            let (s, e) = (part[j], part[(j + 1) % part.len()]);
            let (ds, de) = (side(s), side(e));
            if ds >= 0.0 {
                next.push(s);
            }
            if (ds >= 0.0) != (de >= 0.0) {
                let t = ds / (ds - de);
                next.push([s[0] + t * (e[0] - s[0]), s[1] + t * (e[1] - s[1])]);
            }
        }
        part = next;
        if part.len() < 3 {
            return 0.0;
        }
    }
    let inner = area(&part).abs();
    inner / (area(a).abs() + area(b).abs() - inner)
}

fn quad(row: &BTreeMap<String, String>) -> Quad {
    std::array::from_fn(|k| [row[&format!("x{k}")].parse().unwrap(), row[&format!("y{k}")].parse().unwrap()])
}

/// Outlines of a run against the truth: (found of the whole modules, all whole modules, outlines on nothing).
fn compare(folder: &Path, run: &Path) -> (usize, usize, usize) {
    let truth: serde_json::Value = serde_json::from_slice(&std::fs::read(folder.join("truth.json")).unwrap()).unwrap();
    let said = rows(&run.join("modules.csv"));
    let (mut found, mut all, mut wild) = (0, 0, 0);
    for (name, frame) in truth["frames"].as_object().unwrap() {
        let outlines: Vec<Quad> = said.iter().filter(|r| r["frame"] == *name).map(quad).collect();
        let modules: Vec<(Quad, bool)> = frame["modules"]
            .as_array()
            .unwrap()
            .iter()
            .map(|m| {
                let c = &m["corners"];
                let corner = |k: usize, a: usize| c[k][a].as_f64().unwrap();
                (std::array::from_fn(|k| [corner(k, 0), corner(k, 1)]), m["whole"].as_bool().unwrap())
            })
            .collect();
        for (corners, _) in modules.iter().filter(|m| m.1) {
            all += 1;
            found += usize::from(outlines.iter().any(|o| iou(o, corners) >= 0.85));
        }
        wild += outlines.iter().filter(|o| !modules.iter().any(|m| iou(o, &m.0) >= 0.3)).count();
    }
    (found, all, wild)
}

/// The demo plant with fewer frames.
fn short(frames: usize) -> Spec {
    let mut spec = scene::demo_spec();
    spec.flight.frames = frames;
    spec
}

#[test]
fn demo_finds_what_was_put_in() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let output = thermal([std::ffi::OsStr::new("demo"), folder.as_os_str()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(text.contains("findings, gravest first") && text.contains("findings.csv"), "{text}");
    let run = folder.join("run");
    assert!(text.contains(&format!("Pictures: {}", run.join("evidence").display())), "{text}");
    let (found, all, wild) = compare(&folder, &run);
    assert!(all > 100 && found * 100 >= all * 98 && wild == 0, "{found} of {all}, {wild} on nothing");
    // Every pattern stands in the plant, and each finding names its module.
    let truth: serde_json::Value = serde_json::from_slice(&std::fs::read(folder.join("truth.json")).unwrap()).unwrap();
    let faulty: BTreeSet<&str> = truth["modules"].as_object().unwrap().keys().map(String::as_str).collect();
    let findings = rows(&run.join("findings.csv"));
    let named: BTreeSet<&str> = findings.iter().map(|f| f["asset_id"].as_str()).collect();
    assert_eq!(named.len(), findings.len(), "a module has one finding");
    assert!(named.iter().all(|id| faulty.contains(id)), "{named:?} against {faulty:?}");
    let patterns: BTreeSet<&str> = findings.iter().map(|f| f["pattern"].as_str()).collect();
    assert_eq!(patterns, BTreeSet::from(["hotspot", "cell", "substring", "module", "string"]));
    for finding in &findings {
        assert!(run.join(&finding["evidence"]).is_file(), "{finding:?}");
        // Scaled to 1000 W/m2 in proportion to the irradiance, as the default exponent of 1 says.
        let [dt, reference, g] =
            ["delta_t_k", "delta_t_ref_k", "irradiance_w_m2"].map(|c| finding[c].parse::<f64>().unwrap());
        assert!((reference - dt * 1000.0 / g).abs() < 0.1, "{finding:?}");
    }
}

#[test]
fn same_bytes_for_any_number_of_threads_and_no_overwriting() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("a plant");
    let spec = short(3);
    scene::render(&spec, &folder).unwrap();
    let mut runs = Vec::new();
    for threads in ["1", "2", "5"] {
        let out = place.path().join(format!("run {threads}"));
        let output =
            thermal(["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--threads", threads]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let mut files = contents(&out);
        assert!(files.remove(Path::new("run.json")).is_some());
        runs.push(files);
    }
    assert!(runs[0].len() >= 8 && runs[0] == runs[1] && runs[1] == runs[2]);
    let out = place.path().join("run 1");
    let again = thermal(["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("--force"));
}

#[test]
fn bad_input_is_named_and_the_rest_is_done() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let spec = short(3);
    scene::render(&spec, &folder).unwrap();
    let frames = folder.join("frames");
    let mut names: Vec<_> = std::fs::read_dir(&frames).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    let bytes = std::fs::read(&names[0]).unwrap();
    std::fs::write(&names[0], &bytes[..bytes.len() / 2]).unwrap();
    std::fs::write(frames.join("zz.tif"), b"not a frame at all").unwrap();
    let out = place.path().join("run");
    let run = |args: &[&str]| {
        let base = ["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--no-evidence"];
        let output = thermal(base.iter().chain(args));
        // Pictures were not asked for, so their folder is not named.
        assert!(!String::from_utf8_lossy(&output.stdout).contains("Pictures:"), "{output:?}");
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (code, said) = run(&[]);
    assert_eq!(code, Some(3), "{said}");
    let skipped = rows(&out.join("skipped.csv"));
    assert_eq!(skipped.len(), 2, "{skipped:?}");
    assert!(skipped.iter().all(|s| !s["reason"].is_empty() && !s["remedy"].is_empty()));
    assert!(rows(&out.join("modules.csv")).len() > 20);
    // A key that does not exist, a width in millimetres, a log of another day.
    let toml = folder.join("inspection.toml");
    let text = std::fs::read_to_string(&toml).unwrap();
    std::fs::write(&toml, format!("{text}\n[extra]\nkey = 1\n")).unwrap();
    let (code, said) = run(&["--force"]);
    assert!(code == Some(1) && said.contains("inspection.toml") && said.contains("extra"), "{said}");
    let in_mm = |line: &str| if line.starts_with("width_m") { "width_m = 1040".to_owned() } else { line.to_owned() };
    std::fs::write(&toml, text.lines().map(in_mm).collect::<Vec<_>>().join("\n")).unwrap();
    let (code, said) = run(&["--force"]);
    assert!(code == Some(1) && said.contains("width_m"), "{said}");
    std::fs::write(&toml, &text).unwrap();
    std::fs::write(
        folder.join("irradiance.csv"),
        "time,poa_w_m2\n2020-01-01T10:00:00Z,800\n2020-01-01T10:20:00Z,810\n",
    )
    .unwrap();
    let (_, said) = run(&["--force"]);
    assert!(said.contains("irradiance.csv") && said.contains("do not reach the captures"), "{said}");
    for finding in rows(&out.join("findings.csv")) {
        assert!(finding["flags"].contains("unscaled") && finding["delta_t_ref_k"].is_empty(), "{finding:?}");
    }
    let missing = thermal(["inspect", "/nowhere/at/all", "--out", out.to_str().unwrap(), "--force"]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(out.join("findings.csv").is_file(), "the old run stands where the new one failed");
}

/// A frame turned by a half turn shows the same modules and the same patterns; a constant on top changes no difference.
#[test]
fn half_turn_and_offset_change_no_verdict() {
    use thermal_core::frame::{FrameSettings, analyse};
    use thermal_core::outline::LoggedPose;
    let spec = short(1);
    let (frame, _) = scene::render_frame(&spec, 0).unwrap();
    let folder = tempfile::tempdir().unwrap();
    scene::render(&spec, folder.path()).unwrap();
    let settings = thermal_core::settings::Settings::read(folder.path().join("inspection.toml")).unwrap();
    let (poses, _) = thermal_core::capture::read_sidecar(folder.path().join("frames.csv"), None).unwrap();
    let pose = poses.first().unwrap();
    let lens = thermal_core::optics::Lens::new(
        frame.ncols(),
        frame.nrows(),
        settings.camera.focal_length_mm.unwrap(),
        settings.camera.pixel_pitch_um,
        settings.camera.k1,
    );
    // A camera turned by half a turn about its axis takes the turned frame.
    let logged = |roll: f64| LoggedPose {
        attitude_deg: Some([pose.yaw_deg.unwrap(), pose.pitch_deg.unwrap(), pose.roll_deg.unwrap() + roll]),
        height_m: pose.height_above_takeoff_m,
    };
    let settings = FrameSettings::of(&settings);
    let look =
        |image: &ndarray::Array2<f32>, roll: f64| analyse("f", image.view(), &lens, &logged(roll), &settings).modules;
    let plain = look(&frame, 0.0);
    assert!(plain.len() > 20);
    let warmer = look(&frame.mapv(|v| v + 7.0), 0.0);
    assert_eq!(plain.len(), warmer.len());
    for (a, b) in plain.iter().zip(&warmer) {
        assert_eq!(a.pattern, b.pattern);
        assert!((a.delta_t_k - b.delta_t_k).abs() < 0.02 && (a.delta_row_k - b.delta_row_k).abs() < 0.02);
    }
    let mut turned = frame.clone();
    turned.invert_axis(ndarray::Axis(0));
    turned.invert_axis(ndarray::Axis(1));
    let turned = look(&turned, 180.0);
    let (w, h) = (lens.width as f64, lens.height as f64);
    let mut same = 0;
    for a in plain.iter().filter(|m| m.whole) {
        let back: Quad = a.corners.map(|c| [w - c[0], h - c[1]]);
        if let Some(b) = turned.iter().find(|b| iou(&back, &b.corners) > 0.85) {
            same += usize::from(a.pattern == b.pattern);
        }
    }
    let whole = plain.iter().filter(|m| m.whole).count();
    assert!(same * 100 >= whole * 97, "{same} of {whole} alike");
}
