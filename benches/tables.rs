//! Tables, settings and layouts of a million lines: seconds (median of five) and peak memory of their readers.
//!
//! `cargo bench --workspace --bench tables`; a word after `--` names the files to try.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::time::Instant;

use thermal_benches::{forget_peak, peak_mb};
use thermal_core::capture::read_sidecar;
use thermal_core::finding::{FINDINGS, Finding, MODULES, ModuleRecord};
use thermal_core::irradiance::Log;
use thermal_core::plan::read_obstacles;
use thermal_core::readings::read_values;
use thermal_core::settings::{Irradiance, Settings};
use thermal_core::site::Layout;

const ROWS: usize = 1_000_000;

/// What is read, the text of the file, and its reader: how much it found.
type Case = (&'static str, fn() -> String, fn(&Path) -> String);

const CASES: [Case; 13] = [
    ("frames.csv", || poses(","), sidecar),
    ("frames.csv, semicolons and decimal commas", || poses(";").replace('.', ",").replace(",tif", ".tif"), sidecar),
    ("frames.csv, each row at fault", faulty, sidecar),
    ("frames.csv, lines that are no header", || "\n".repeat(ROWS), sidecar),
    ("irradiance.csv", || readings(false), log),
    ("irradiance.csv, two sensors", || readings(true), log),
    ("irradiance.csv, and the conditions of 100 frames", || readings(false), conditions),
    ("values.csv", values, |path| told(read_values(path).map(|(values, problems)| (values.len(), problems.len())))),
    ("obstacles.csv", obstacles, |path| told(read_obstacles(path).map(|found| (found.len(), 0)))),
    ("modules.csv", modules, |path| told(MODULES.read_csv(path).map(|found| (found.len(), 0)))),
    ("findings.csv", findings, |path| told(FINDINGS.read_csv(path).map(|found| (found.len(), 0)))),
    ("inspection.toml", settings, |path| told(Settings::read(path).map(|_| (1, 0)))),
    ("layout.geojson", layout, |path| {
        told(Layout::read(path).map(|found| (found.modules.len(), found.problems.len())))
    }),
];

fn told(read: thermal_core::Result<(usize, usize)>) -> String {
    match read {
        Ok((found, problems)) => format!("{found} found, {problems} problems"),
        Err(error) => error.to_string(),
    }
}

fn sidecar(path: &Path) -> String {
    told(read_sidecar(path, None).map(|(rows, problems)| (rows.len(), problems.len())))
}

fn log(path: &Path) -> String {
    told(Log::read(path, None).map(|(log, problems)| (log.rows().len(), problems.len())))
}

fn conditions(path: &Path) -> String {
    let limits = Irradiance::default();
    told(Log::read(path, None).map(|(log, _)| {
        let frames = log.rows().iter().step_by(ROWS / 100);
        (frames.filter_map(|row| log.at(row.time, &limits)).filter(|reading| reading.flags.is_empty()).count(), 0)
    }))
}

fn lines(header: &str, line: impl Fn(&mut String, usize)) -> String {
    let mut text = format!("{header}\n");
    for k in 0..ROWS {
        line(&mut text, k);
        text.push('\n');
    }
    text
}

/// A text of a million lines; writing to a string cannot fail.
macro_rules! line {
    ($text:expr, $($words:tt)*) => { { let _ = write!($text, $($words)*); } };
}

fn poses(s: &str) -> String {
    let names = [
        "file",
        "captured_at",
        "lat",
        "lon",
        "altitude_m",
        "height_above_takeoff_m",
        "yaw_deg",
        "pitch_deg",
        "roll_deg",
    ];
    lines(&names.join(s), |text, k| {
        let (h, m, sec) = (8 + k / 360_000, k / 6000 % 60, k / 100 % 60);
        let (lat, lon) = (48.0 + k as f64 * 1e-7, 11.0 + k as f64 * 1e-7);
        line!(
            text,
            "f_{k:07}.tif{s}2026-06-18T{h:02}:{m:02}:{sec:02}+02:00{s}{lat:.8}{s}{lon:.8}{s}540.12{s}25.10{s}180.25{s}-90.00{s}0.10"
        );
    })
}

fn faulty() -> String {
    let header = "file,captured_at,lat,lon,altitude_m,height_above_takeoff_m,yaw_deg,pitch_deg,roll_deg";
    lines(header, |text, k| line!(text, "f_{k:07}.tif,no time,{k}x,{k}x,1e9,25.0,180.0,-90.0,0"))
}

fn readings(two: bool) -> String {
    let header = format!("time,poa_w_m2,air_temp_c,wind_m_s,cloud_okta{}", if two { ",sensor" } else { "" });
    lines(&header, |text, k| {
        let t = if two { k / 2 } else { k };
        let (h, m, s, ms) = (9 + t / 90_000, t / 1500 % 60, t / 25 % 60, t % 25 * 40);
        line!(text, "2026-06-18T{h:02}:{m:02}:{s:02}.{ms:03}+02:00,{}.5,25.1,1.5,1", 700 + t % 100);
        if two {
            text.push_str([",A", ",B"][k % 2]);
        }
    })
}

fn values() -> String {
    lines("photo,poa_w_m2,air_temp_c,wind_m_s,cloud_okta", |text, k| {
        line!(text, "p_{k:07}.jpg,{}.5,25.1,1.5,1", 700 + k % 100);
    })
}

fn obstacles() -> String {
    lines("name,lat,lon,height_m", |text, k| {
        line!(text, "tree {k},{:.8},{:.8},12.5", 48.0 + k as f64 * 1e-7, 11.0 + k as f64 * 1e-7);
    })
}

fn module(k: usize) -> ModuleRecord {
    let x = (k % 600) as f64;
    let corners = [[x, 10.25], [x + 40.0, 10.25], [x + 40.0, 90.5], [x, 90.5]];
    ModuleRecord {
        frame: format!("frame_{:05}.tif", k / 60).into(),
        row: 1 + (k % 60 / 20) as u32,
        course: 1,
        position: 1 + (k % 20) as u32,
        corners,
        whole: true,
        t_median_c: 41.25,
        row_median_c: 41.0,
        delta_row_k: 0.25,
        delta_t_k: 0.5,
        confidence: 0.987,
        asset_id: format!("01-{:03}-{:03}", k / 1000, k % 1000),
        ..ModuleRecord::default()
    }
}

fn csv<R: Default>(table: &thermal_core::finding::Table<R>, record: impl Fn(usize) -> R) -> String {
    let mut writer = table.writer(Vec::new()).expect("memory takes it");
    for k in 0..ROWS {
        writer.write(&record(k)).expect("memory takes it");
    }
    String::from_utf8(writer.finish().expect("memory takes it")).expect("UTF-8 was written")
}

fn modules() -> String {
    csv(&MODULES, module)
}

fn findings() -> String {
    csv(&FINDINGS, |k| Finding {
        finding: format!("F{k:07}"),
        module: module(k),
        severity: "watch".into(),
        captured_at: Some("2026-06-18T11:40:00+01:00".into()),
        lat: Some(48.123),
        lon: Some(11.456),
        note: "seen from both sides".into(),
        ..Finding::default()
    })
}

/// As a program might write them that knows every table of a plant: most lines are comments and names of no key.
fn settings() -> String {
    lines("[module]\nwidth_m = 1.04\nlength_m = 2.0\n# further", |text, k| line!(text, "# table {k}: 540 W, 25 deg"))
}

/// A line for each point: as many modules as fit into a million lines.
fn layout() -> String {
    let mut text = String::from("{\"type\":\"FeatureCollection\",\"features\":[\n");
    for k in 0..ROWS / 8 {
        let (w, s) = (11.0 + (k % 400) as f64 * 2e-5, 48.0 + (k / 400) as f64 * 4e-5);
        let (e, n) = (w + 1.4e-5, s + 1.8e-5);
        let comma = if k > 0 { "," } else { "" };
        line!(
            text,
            "{comma}{{\"type\":\"Feature\",\"properties\":{{\"id\":\"M{k:06}\",\"row\":\"{}\",\"table\":\"{}\"}},\n\
             \"geometry\":{{\"type\":\"Polygon\",\"coordinates\":[[\n[{w:.9},{s:.9}],\n[{e:.9},{s:.9}],\n[{e:.9},{n:.9}],\n\
             [{w:.9},{n:.9}],\n[{w:.9},{s:.9}]]]}}\n}}\n",
            k / 400,
            k / 20
        );
    }
    text + "]}\n"
}

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let folder = std::env::temp_dir().join(format!("thermal-tables-{}", std::process::id()));
    fs::create_dir_all(&folder).expect("the folder for temporary files can be written to");
    for (what, text, read) in CASES.iter().filter(|case| wanted.is_empty() || wanted.iter().any(|w| case.0.contains(w)))
    {
        let path = folder.join(what.split(',').next().unwrap_or(what));
        fs::write(&path, text()).expect("the folder for temporary files can be written to");
        let megabytes = fs::metadata(&path).map_or(0, |meta| meta.len()) as f64 / 1e6;
        forget_peak();
        let before = peak_mb();
        let mut found = String::new();
        let mut seconds: Vec<f64> = (0..5)
            .map(|_| {
                let began = Instant::now();
                found = read(&path);
                began.elapsed().as_secs_f64()
            })
            .collect();
        let peak = peak_mb() - before;
        seconds.sort_by(f64::total_cmp);
        println!("{what} ({megabytes:.0} MB): {:.2} s, {peak:.0} MB more; {found}", seconds[2]);
        let _ = fs::remove_file(&path);
    }
    let _ = fs::remove_dir(&folder);
}
