//! The layout of a plant: what is read, what is refused with which words, what is written; and its geodesy.

use std::path::Path;

use thermal_core::Error;
use thermal_core::site::{Layout, LocalPlane, register};
use thermal_tests::flight::{FlightSpec, fly, score_identity};
use thermal_tests::plant::{Plant, PlantSpec};
use thermal_tests::program::{rows, thermal};

fn parse(text: &str) -> Result<Layout, Error> {
    Layout::parse(text, Path::new("layout.geojson"))
}

/// Against PROJ's azimuthal equidistant projection (testdata/site/make.py): 1 mm at 6 km.
#[test]
fn local_plane_agrees_with_proj() {
    let text = include_str!("../testdata/site/local_plane.csv");
    let mut rows = 0;
    for line in text.lines().skip(1) {
        let v: Vec<f64> = line.split(',').map(|v| v.parse().expect("a number")).collect();
        let plane = LocalPlane::new(v[0], v[1]);
        let [east, north] = plane.to_local(v[2], v[3]);
        assert!((east - v[4]).hypot(north - v[5]) < 0.001, "{line}: {east} {north}");
        let [lon, lat] = plane.to_lon_lat([v[4], v[5]]);
        // One millimetre is 9e-9 degrees of latitude.
        let off = (lon - v[3] + 540.0).rem_euclid(360.0) - 180.0;
        assert!((lat - v[2]).abs() < 9e-9 && (off * v[2].to_radians().cos()).abs() < 9e-9, "{line}: {lat} {lon}");
        rows += 1;
    }
    assert_eq!(rows, 120);
}

/// A feature of a rectangle at a place in metres about 47.3 N, 9.87 E.
fn feature(id: &str, at: [f64; 2], size: [f64; 2]) -> String {
    let plane = LocalPlane::new(47.3, 9.87);
    let ring: Vec<String> = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [0.0, 0.0]]
        .iter()
        .map(|c| plane.to_lon_lat([at[0] + c[0] * size[0], at[1] + c[1] * size[1]]))
        .map(|[lon, lat]| format!("[{lon:.9},{lat:.9}]"))
        .collect();
    raw(id, &format!("[{}]", ring.join(",")))
}

fn raw(id: &str, ring: &str) -> String {
    format!(r#"{{"type":"Feature","properties":{{"id":{id}}},"geometry":{{"type":"Polygon","coordinates":[{ring}]}}}}"#)
}

fn row(n: usize) -> Vec<String> {
    (0..n).map(|i| feature(&format!("\"m{i}\""), [1.06 * i as f64, 0.0], [1.04, 1.9])).collect()
}

fn collection(features: &[String]) -> String {
    format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, features.join(","))
}

/// Each fault is named with its place and a remedy; the sound modules beside it are used.
#[test]
fn bad_polygons_are_named_and_the_rest_is_used() {
    let cases: Vec<(String, &str, usize)> = vec![
        (feature("\"m3\"", [40.0, 0.0], [1.04, 1.9]), "stands more than once", 12),
        (feature("\"big\"", [40.0, 0.0], [9.0, 30.0]), "not of a module's size", 12),
        (feature("\"twin\"", [1.1, 0.1], [1.04, 1.9]), "lie on another", 12),
        (feature("\"close\"", [12.0 * 1.06 - 0.25, 0.0], [1.04, 1.9]), "overlap a neighbour", 13),
        (
            raw("\"bow\"", "[[9.87,47.3],[9.87001,47.30001],[9.87001,47.3],[9.87,47.30001],[9.87,47.3]]"),
            "crosses itself",
            12,
        ),
        (raw("\"tri\"", "[[9.87,47.3],[9.87001,47.3],[9.87001,47.30001],[9.87,47.3]]"), "four corners", 12),
        (
            raw("null", "[[9.87,47.3],[9.87001,47.3],[9.87001,47.30001],[9.87,47.30001],[9.87,47.3]]"),
            "no property id",
            12,
        ),
        (
            raw("\"utm\"", "[[545000,5238000],[545001,5238000],[545001,5238002],[545000,5238002],[545000,5238000]]"),
            "beyond longitude",
            12,
        ),
        (
            r#"{"type":"Feature","properties":{"id":"p"},"geometry":{"type":"Point","coordinates":[9.87,47.3]}}"#
                .into(),
            "no polygon",
            12,
        ),
        (
            r#"{"type":"Feature","properties":{"id":"q"},"geometry":{"type":"Polygon","coordinates":"x"}}"#.into(),
            "not a GeoJSON feature",
            12,
        ),
        ("17".into(), "not a GeoJSON feature", 12),
    ];
    for (bad, word, used) in cases {
        let mut features = row(12);
        features.push(bad.clone());
        let layout = parse(&collection(&features)).unwrap_or_else(|e| panic!("{bad}: {e}"));
        assert_eq!(layout.modules.len(), used, "{bad}");
        assert_eq!(layout.problems.len(), 1, "{bad}: {:?}", layout.problems);
        let said = layout.problems[0].to_string();
        assert!(said.contains(word) && said.contains("layout.geojson"), "{said}");
    }
}

#[test]
fn files_that_hold_no_layout_are_refused_with_the_remedy() {
    let projected: Vec<String> = (0..6)
        .map(|i| {
            raw(
                &format!("\"u{i}\""),
                &format!("[[{0},52],[{1},52],[{1},54],[{0},54],[{0},52]]", 500_000 + 2 * i, 500_001 + 2 * i),
            )
        })
        .collect();
    let crs = collection(&row(3)).replacen(
        '{',
        r#"{"crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::25832"}},"#,
        1,
    );
    for (text, words) in [
        ("{\"type\":", ["not JSON", "line 1"]),
        ("{\"type\":\"Feature\"}", ["FeatureCollection", "layout.geojson"]),
        (&collection(&projected), ["projected", "EPSG:4326"]),
        (&crs, ["EPSG::25832", "EPSG:4326"]),
        (&collection(&[]), ["usable module", "property id"]),
    ] {
        let said = parse(text).expect_err("refused").to_string();
        assert!(words.iter().all(|w| said.contains(w)), "{said}");
    }
}

/// Closed over points on the sides, three dimensions, numbers for ids: other programs write layouts so.
#[test]
fn other_ways_to_write_a_module_are_read() {
    let mut features = row(3);
    features.push(raw(
        "4711",
        "[[9.88,47.3,5],[9.880007,47.3,5],[9.880014,47.3,5],[9.880014,47.300017,5],[9.88,47.300017,5],[9.88,47.3,5]]",
    ));
    let layout = parse(&collection(&features)).expect("sound");
    assert_eq!((layout.modules.len(), layout.problems.len()), (4, 0), "{:?}", layout.problems);
    assert_eq!(layout.modules[3].id, "4711");
}

#[test]
fn the_layout_of_another_plant_is_named() {
    let plant = Plant::new(&PlantSpec { rows: 3, tables: 1, ..PlantSpec::default() });
    let flight = fly(&plant, &FlightSpec::default());
    let far = parse(&plant.layout_geojson().replace("[9.", "[11.")).expect("sound");
    let near = Plant::new(&PlantSpec {
        rows: 3,
        tables: 1,
        across: 7,
        row_pitch_m: 9.1,
        tilt_deg: 45.0,
        ..PlantSpec::default()
    });
    let near = parse(&near.layout_geojson()).expect("sound");
    for layout in [far, near] {
        let registration = register(&flight.frames, &plant.settings, Some(&layout)).unwrap();
        let said: Vec<String> = registration.problems.iter().map(ToString::to_string).collect();
        assert!(said.iter().any(|p| p.contains("the plant that was flown")), "{said:?}");
        // No name of the other plant is used; the flight's own numbers are right among themselves.
        assert!(registration.reconstructed && registration.assets.iter().all(|a| a.id.starts_with('R')));
        let score = score_identity(&flight, &registration);
        assert!(score.share(score.right) >= 0.995, "{score:?}");
    }
}

/// The layout written from one flight serves the next, flown the other way round: the same ids, numbers and places.
#[test]
fn a_reconstructed_layout_serves_the_next_flight() {
    let plant = Plant::new(&PlantSpec { rows: 4, tables: 2, ..PlantSpec::default() });
    let first = fly(&plant, &FlightSpec::default());
    let there = register(&first.frames, &plant.settings, None).unwrap();
    let text = there.layout().to_geojson();
    let layout = parse(&text).expect("what we write we read");
    assert!(layout.problems.is_empty(), "{:?}", layout.problems);
    assert_eq!(layout.to_geojson(), text);
    assert_eq!(layout.modules.len(), there.assets.len());
    // RFC 7946: exterior rings run counterclockwise.
    let ring = &layout.modules[0].corners;
    let twice: f64 = (1..3)
        .map(|i| {
            let d = |k: usize| [ring[k][0] - ring[0][0], ring[k][1] - ring[0][1]];
            d(i)[0] * d(i + 1)[1] - d(i + 1)[0] * d(i)[1]
        })
        .sum();
    assert!(twice > 0.0);

    let second = fly(&plant, &FlightSpec { reversed: true, bias_m: [1.0, 0.8], seed: 9, ..FlightSpec::default() });
    let back = register(&second.frames, &plant.settings, Some(&layout)).unwrap();
    let alone = register(&second.frames, &plant.settings, None).unwrap();
    let name = |r: &thermal_core::site::Registration, f: usize, m: usize| {
        r.frames[f].places.read().unwrap()[m].asset.map(|a| r.assets[a as usize].id.clone())
    };
    // The first flight's name of each module of the plant.
    let mut names: std::collections::HashMap<usize, String> = std::collections::HashMap::new();
    for (f, ids) in first.truth.iter().enumerate() {
        for (m, id) in ids.iter().enumerate() {
            if let Some(n) = name(&there, f, m) {
                names.insert(*id, n);
            }
        }
    }
    let (mut all, mut same, mut same_alone) = (0u32, 0u32, 0u32);
    for (f, ids) in second.truth.iter().enumerate() {
        for (m, id) in ids.iter().enumerate() {
            if let Some(n) = names.get(id) {
                all += 1;
                same += u32::from(name(&back, f, m).as_ref() == Some(n));
                same_alone += u32::from(name(&alone, f, m).as_ref() == Some(n));
            }
        }
    }
    assert!(all > 1000);
    assert!(f64::from(same) >= 0.995 * f64::from(all), "{same} of {all}");
    assert!(f64::from(same_alone) >= 0.995 * f64::from(all), "{same_alone} of {all}");
}

/// A flight's outlines as the program finds them on rendered frames, each with the name that the run gave it and the
/// module that the truth has at its place.
fn named_outlines(folder: &Path, out: &Path) -> Vec<(String, String)> {
    let truth: serde_json::Value =
        serde_json::from_slice(&std::fs::read(folder.join("truth.json")).expect("truth")).expect("JSON");
    let mut named = Vec::new();
    for row in rows(&out.join("modules.csv")) {
        let at = |name: &str| {
            (0..4).map(|k| row[&format!("{name}{k}")].parse::<f64>().expect("a number")).sum::<f64>() / 4.0
        };
        let centre = [at("x"), at("y")];
        let modules = truth["frames"][&row["frame"]]["modules"].as_array().expect("modules");
        let nearest = modules
            .iter()
            .map(|m| {
                let mean = |a: usize| (0..4).map(|k| m["corners"][k][a].as_f64().expect("a number")).sum::<f64>() / 4.0;
                ((mean(0) - centre[0]).hypot(mean(1) - centre[1]), m["module"].as_str().expect("a name"))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        // A module is some 45 px wide: an outline further off is on none.
        if let Some((_, module)) = nearest.filter(|n| n.0 < 12.0) {
            named.push((module.to_owned(), row["asset_id"].clone()));
        }
    }
    named
}

/// Rendered frames, no layout: each physical module has one identity and each identity one module, the same numbers when
/// flown the other way round, and the layout that the first run wrote names the second flight's modules alike.
#[test]
fn rendered_flight_without_a_layout_has_one_identity_for_each_module_both_ways() {
    let place = tempfile::tempdir().expect("a folder");
    let mut spec = thermal_core::scene::demo_spec();
    let mut names: Vec<std::collections::BTreeMap<String, String>> = Vec::new();
    let run = |folder: &Path, out: &Path| {
        let output = thermal([Path::new("inspect"), folder, Path::new("--out"), out, Path::new("--no-evidence")]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    for (way, bias) in [("there", [0.9, -0.6, 0.2]), ("back", [-1.1, 0.8, 0.2])] {
        let (folder, out) = (place.path().join(way), place.path().join(format!("{way} run")));
        spec.flight.receiver_bias_m = bias;
        thermal_core::scene::render(&spec, &folder).expect("rendered");
        std::fs::remove_file(folder.join("layout.geojson")).expect("the scene has a layout");
        if way == "back" {
            reverse_times(&folder);
        }
        run(&folder, &out);
        let named = named_outlines(&folder, &out);
        assert!(named.len() > 200, "{}", named.len());
        let mut of_module: std::collections::BTreeMap<&str, Vec<&str>> = std::collections::BTreeMap::new();
        let mut of_name: std::collections::BTreeMap<&str, Vec<&str>> = std::collections::BTreeMap::new();
        for (module, name) in &named {
            of_module.entry(module).or_default().push(name);
            of_name.entry(name).or_default().push(module);
        }
        let most = |list: &[&str], one: &str| 2 * list.iter().filter(|o| **o == one).count() > list.len();
        let right = named
            .iter()
            .filter(|(m, n)| !n.is_empty() && most(&of_module[m.as_str()], n) && most(&of_name[n.as_str()], m))
            .count();
        assert!(right as f64 >= 0.995 * named.len() as f64, "{way}: {right} of {}", named.len());
        let unique = of_module.iter().filter_map(|(m, list)| {
            let name = list.iter().find(|n| most(list, n))?;
            Some(((*m).to_owned(), (*name).to_owned()))
        });
        names.push(unique.collect());
    }
    let same = |a: &std::collections::BTreeMap<String, String>, b: &std::collections::BTreeMap<String, String>| {
        let both: Vec<bool> = a.iter().filter_map(|(m, n)| Some(b.get(m)? == n)).collect();
        assert!(
            both.len() > 50 && both.iter().all(|s| *s),
            "{} of {}",
            both.iter().filter(|s| **s).count(),
            both.len()
        );
    };
    same(&names[0], &names[1]);
    // With the layout of the first run.
    let (folder, out) = (place.path().join("back"), place.path().join("back again"));
    std::fs::copy(place.path().join("there run/layout.geojson"), folder.join("layout.geojson")).expect("written");
    run(&folder, &out);
    assert!(!out.join("layout.geojson").exists());
    same(&names[0], &named_outlines(&folder, &out).into_iter().filter(|(_, n)| !n.is_empty()).collect());
}

/// The last frame becomes the first: times mirrored, as if the same stops were flown from the other end.
fn reverse_times(folder: &Path) {
    let path = folder.join("frames.csv");
    let text = std::fs::read_to_string(&path).expect("a sidecar");
    let mut lines: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
    let at = lines[0].iter().position(|c| *c == "captured_at").expect("the column");
    let times: Vec<&str> = lines[1..].iter().map(|l| l[at]).collect();
    for (line, time) in lines[1..].iter_mut().zip(times.into_iter().rev()) {
        line[at] = time;
    }
    let text: String = lines.iter().map(|l| l.join(",") + "\n").collect();
    std::fs::write(&path, text).expect("written");
}
