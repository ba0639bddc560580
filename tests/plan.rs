//! `thermal plan` through the real binary: options, exit codes, files, JSON keys.
#![allow(missing_docs)]

use std::path::Path;
use std::process::Output;

use serde_json::Value;
use thermal_tests::program::{contents, thermal};

const SITE: [&str; 8] = ["--lat", "48.10", "--lon", "11.60", "--elevation", "520", "--utc-offset", "+02:00"];

fn plan(more: &[&str]) -> Output {
    thermal(["plan"].iter().chain(&SITE).chain(more))
}

fn json(more: &[&str]) -> Value {
    let out = plan(&[more, &["--json", "--quiet"]].concat());
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).expect("JSON")
}

#[test]
fn json_has_the_keys_of_the_contract() {
    let plan = json(&["--date", "2026-06-21", "--tilt", "20", "--azimuth", "180"]);
    for key in [
        "gsd_m",
        "px_per_cell",
        "height_above_modules_m",
        "height_above_takeoff_m",
        "camera_pitch_deg",
        "heading_deg",
        "max_speed_m_s",
        "line_spacing_m",
        "trigger_m",
        "return_height_m",
        "frames",
        "flight_min",
    ] {
        assert!(plan[key].is_number(), "{key}: {}", plan[key]);
    }
    let hours = plan["hours"].as_array().expect("hours");
    assert_eq!(hours.len(), 24);
    for hour in hours {
        for key in ["sun_elevation_deg", "sun_azimuth_deg", "incidence_deg", "poa_w_m2"] {
            assert!(hour[key].is_number(), "{key}: {hour}");
        }
        assert!(hour["time"].as_str().is_some_and(|time| time.ends_with("+02:00")), "{hour}");
        assert!(hour["fit"].is_boolean() && hour["reasons"].is_array(), "{hour}");
        assert!(hour.get("glare_deg").is_some(), "{hour}");
    }
}

/// Row of `testdata/sun.csv` reached through the program: pvlib 0.16.1, 0.01 deg and 1 %.
#[test]
fn hours_agree_with_pvlib_through_the_program() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/sun.csv");
    let mut checked = 0;
    for row in thermal_tests::program::rows(&file) {
        // A full hour has a row of its own in the plan.
        if !row["time"].ends_with(":00:00Z") || checked == 5 {
            continue;
        }
        let out = thermal([
            "plan",
            "--json",
            "--lat",
            &row["lat"],
            "--lon",
            &row["lon"],
            "--elevation",
            &row["elevation_m"],
            "--tilt",
            &row["tilt_deg"],
            "--azimuth",
            &row["azimuth_deg"],
            "--turbidity",
            &row["turbidity"],
            "--utc-offset",
            "Z",
            "--date",
            &row["time"][..10],
            "--min-height",
            "1",
            "--pitch",
            "-90",
        ]);
        // A steep plane cannot be seen from straight above: then there is no plan to compare.
        if !out.status.success() {
            continue;
        }
        let plan: Value = serde_json::from_slice(&out.stdout).expect("JSON");
        let hours = plan["hours"].as_array().expect("hours");
        let stamp = &row["time"][..16];
        let hour = hours.iter().find(|hour| hour["time"].as_str().is_some_and(|t| t.starts_with(stamp))).expect("it");
        let number = |name: &str| row[name].parse::<f64>().expect("a number");
        let own = |name: &str| hour[name].as_f64().expect("a number");
        for name in ["sun_elevation_deg", "sun_azimuth_deg", "incidence_deg"] {
            assert!((own(name) - number(name)).abs() < 0.01, "{name} {row:?}");
        }
        assert!((own("poa_w_m2") - number("poa_w_m2")).abs() <= 0.01 * number("poa_w_m2").max(1.0), "{row:?}");
        checked += 1;
    }
    assert!(checked >= 3, "{checked}");
}

#[test]
fn files_are_whole_the_same_each_time_and_not_written_over() {
    let folder = tempfile::tempdir().expect("a folder");
    let (one, two) = (folder.path().join("one"), folder.path().join("two"));
    let area = folder.path().join("area.geojson");
    std::fs::write(
        &area,
        r#"{"type":"Polygon","coordinates":[[[11.6,48.1],[11.601,48.1],[11.601,48.1005],[11.6,48.1005],[11.6,48.1]]]}"#,
    )
    .expect("written");
    let area = area.to_str().expect("a name");
    let write = |place: &Path, more: &[&str]| {
        let place = place.to_str().expect("a name");
        plan(&[&["--date", "2026-06-21", "--area", area, "--out", place], more].concat())
    };
    assert!(write(&one, &[]).status.success());
    assert!(write(&two, &[]).status.success());
    let files = contents(&one);
    assert_eq!(files, contents(&two));
    let names: Vec<_> = files.keys().map(|name| name.to_string_lossy().into_owned()).collect();
    assert_eq!(names, ["briefing.html", "chart.svg", "lines.geojson", "lines.kml", "plan.json"]);
    let again = write(&one, &[]);
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("--force"));
    assert!(write(&one, &["--force"]).status.success());
    // In a pipe there is neither progress nor colour, and quiet says nothing on stderr.
    let quiet = write(&one, &["--force", "--quiet"]);
    assert!(quiet.stderr.is_empty() && !quiet.stdout.contains(&0x1b));
}

/// `--site` takes what the folder says; options go before it.
#[test]
fn the_site_folder_gives_what_the_options_leave_out() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(
        folder.path().join("inspection.toml"),
        "[site]\nname = \"Hill\"\nutc_offset = \"+03:00\"\n[array]\ntilt_deg = 10.0\nazimuth_deg = 200.0\n\
         surface_above_takeoff_m = 7.0\n[camera]\nfocal_length_mm = 19.0\n",
    )
    .expect("written");
    let site = folder.path().to_str().expect("a name");
    let run = |more: &[&str]| {
        let args = [&["plan", "--site", site, "--date", "2026-06-21", "--lat", "48", "--lon", "11", "--json"], more];
        let out = thermal(args.concat());
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        serde_json::from_slice::<Value>(&out.stdout).expect("JSON")
    };
    let plan = run(&[]);
    assert_eq!(plan["site"], "Hill");
    assert_eq!(plan["heading_deg"], 20.0);
    assert!(plan["hours"][0]["time"].as_str().is_some_and(|time| time.ends_with("+03:00")));
    let over = plan["height_above_takeoff_m"].as_f64().expect("a number");
    let above = plan["height_above_modules_m"].as_f64().expect("a number");
    assert!((over - above - 7.0).abs() < 0.011);
    assert_eq!(run(&["--azimuth", "90"])["heading_deg"], 270.0);
}

#[test]
fn bad_input_is_told_with_its_remedy() {
    for (more, code, parts) in [
        (&["--date", "2026-12-21", "--lat", "70"][..], 2, ["does not rise", "the next day with"]),
        (&["--date", "2026-06-21", "--tilt", "91"], 2, ["tilt", "between 0 and 90"]),
        (&["--date", "2026-06-21", "--azimuth", "720"], 2, ["azimuth", "between 0 and 360"]),
        (&["--date", "2026-06-21", "--focal-mm", "0"], 2, ["focal length", "between"]),
        (&["--date", "2026-06-21", "--focal-mm", "1"], 2, ["focal length", "take a lens"]),
        (&["--date", "2026-06-21", "--gsd", "0.0005"], 2, ["focal length", "take a lens"]),
        (&["--date", "2026-02-30"], 2, ["is no date", "2026-06-21"]),
        (&["--date", "2500-02-20"], 2, ["no data", "1950 to 2100"]),
        (&["--date", "2026-06-21", "--site", "/no/such/place"], 2, ["no folder", "inspection.toml"]),
        (&["--date", "2026-06-21", "--area", "/no/such/file"], 1, ["/no/such/file", "open the file for reading"]),
        (&["--date", "2026-06-21", "--utc-offset", "two"], 2, ["is no offset", "+02:00"]),
        (&[], 2, ["--date", "required"]),
    ] {
        let base: &[&str] = if more.contains(&"--lat") { &["--lon", "20"] } else { &["--lat", "48", "--lon", "11"] };
        let out = thermal(["plan"].iter().chain(base).chain(more));
        let said = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(code), "{more:?}: {said}");
        assert!(parts.iter().all(|part| said.contains(part)), "{more:?}: {said}");
        assert!(out.stdout.is_empty() && !said.contains("panicked"), "{more:?}");
    }
    // A sun that rises and never suffices: a table, and the reason.
    let out = plan(&["--date", "2026-12-21", "--tilt", "0"]);
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(out.status.success() && said.contains("No hour is fit to fly") && said.contains("the next day"), "{said}");
}
