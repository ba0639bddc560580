//! `thermal compare` on rendered flights of one plant a year apart, with changes that are known because they were dealt.
#![allow(missing_docs)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use thermal_core::scene::{self, Spec, spec::Object};
use thermal_tests::program::{rows, thermal};

/// Plants that are compared by default: two; `THERMAL_PLANTS=12` for the table in `benches/README.md`.
fn plants() -> u64 {
    std::env::var("THERMAL_PLANTS").ok().and_then(|n| n.parse().ok()).unwrap_or(2)
}

/// A plant of 168 modules on ground with cables, a trench, a fence, weeds, dirt and poles' shadows; a quarter of the modules
/// carries a fault, of every kind and of the strengths that the renderer draws for them.
fn plant(seed: u64) -> Spec {
    let mut spec = scene::demo_spec();
    spec.seed = 9000 + seed;
    spec.camera.samples = 2;
    (spec.plant.rows, spec.plant.tables, spec.plant.across) = (3, 2, 14);
    if seed % 2 == 1 {
        // Full cells as well as half ones.
        spec.plant.cells = [6, 10];
    }
    spec.ground.objects = vec![Object::Cable, Object::Plate, Object::Trench, Object::Fence, Object::Container];
    (spec.weather.weeds, spec.weather.pole_shadows, spec.weather.dirt_k) = (3, 1, 1.0);
    spec.faults.share = 0.25;
    spec.faults.strings = 0;
    spec
}

fn inspected(spec: &Spec, folder: &Path) -> PathBuf {
    scene::render(spec, folder).unwrap();
    let out = folder.join("run");
    let done = thermal(["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--quiet"]);
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    out
}

/// Another year, sun, air, drone and receiver; faults by module repaired, new, stronger, weaker and left, dealt in turn.
fn a_year_apart(seed: u64, place: &Path) -> (BTreeMap<String, &'static str>, PathBuf, PathBuf) {
    let spec = plant(seed);
    let deal = ["gone", "new", "worse", "better", "same"];
    let all = scene::Scene::new(&spec).unwrap().faults();
    let truth: BTreeMap<String, &str> = all.into_keys().zip(deal.into_iter().cycle()).collect();
    let (mut then, mut now) = (spec.clone(), spec);
    for (id, change) in &truth {
        let (a, b) = match *change {
            "gone" => (1.0, 0.0),
            "new" => (0.0, 1.0),
            "worse" => (1.0, 1.7),
            "better" => (1.7, 1.0),
            _ => (1.0, 1.0),
        };
        then.faults.by_module.insert(id.clone(), a);
        now.faults.by_module.insert(id.clone(), b);
    }
    let k = seed as f64;
    now.weather.g = [[760.0, 745.0], [960.0, 975.0], [690.0, 720.0]][seed as usize % 3];
    now.weather.air_c = 19.0;
    now.flight.receiver_bias_m = [-0.9 + 0.1 * k, 0.7 - 0.1 * k, 0.3];
    now.flight.heading_bias_deg = -0.6;
    now.flight.start = "2027-06-11T12:10:00+01:00".into();
    now.camera.offset_k = 0.3;
    let old = inspected(&then, &place.join("then"));
    (truth, old, inspected(&now, &place.join("now")))
}

/// Each class of change is right for 97 % or more of the modules it was dealt to, and no more than one sound module in fifty is said to have changed.
#[test]
fn each_class_of_change_is_told() {
    let (mut dealt, mut right, mut wrong) =
        (BTreeMap::<&str, usize>::new(), BTreeMap::<&str, usize>::new(), Vec::new());
    let (mut strangers, mut sound_modules) = (Vec::new(), 0);
    for seed in 0..plants() {
        let place = tempfile::tempdir().unwrap();
        let (truth, old, new) = a_year_apart(seed, place.path());
        let out = place.path().join("change");
        let arguments =
            ["compare", old.to_str().unwrap(), new.to_str().unwrap(), "--out", out.to_str().unwrap(), "--quiet"];
        let done = thermal(arguments);
        let text = String::from_utf8_lossy(&done.stdout).into_owned();
        assert!(done.status.success() && text.contains("modules were seen whole both times"), "{text}");
        let changes = rows(&out.join("changes.csv"));
        for (id, change) in &truth {
            let row = changes.iter().find(|row| row["asset_id"] == *id);
            *dealt.entry(change).or_default() += 1;
            if row.is_some_and(|row| row["change"] == *change) {
                *right.entry(change).or_default() += 1;
            } else {
                wrong.push(format!("plant {seed}, {id}: dealt {change}, said {row:?}"));
            }
        }
        sound_modules += 168 - truth.len();
        // What is found on a sound module both times (a weed, a shadow) has not changed.
        let sound = changes.iter().filter(|row| !truth.contains_key(&row["asset_id"]) && row["change"] != "same");
        strangers.extend(sound.map(|row| format!("plant {seed}: {row:?}")));
        let page = fs::read_to_string(out.join("comparison.html")).unwrap();
        let new_ones = changes.iter().filter(|c| c["change"] == "new").count();
        assert!(page.matches("data:image/jpeg").count() >= 2 * changes.len() - new_ones);
        let again = thermal(arguments);
        assert!(again.status.code() == Some(1) && String::from_utf8_lossy(&again.stderr).contains("--force"));
    }
    for (change, n) in &dealt {
        let ok = right.get(change).copied().unwrap_or(0);
        eprintln!("{change:8} {ok:4} of {n:4}  {:.1} %", 100.0 * ok as f64 / *n as f64);
    }
    eprintln!("{} of {sound_modules} sound modules said to have changed", strangers.len());
    let detail = format!("{}\n{}", wrong.join("\n"), strangers.join("\n"));
    eprintln!("{detail}");
    for (change, n) in &dealt {
        // A class of few cases allows the one that three in a hundred would round up to.
        let missed = n - right.get(change).copied().unwrap_or(0);
        assert!(missed as f64 <= (0.03 * *n as f64).ceil(), "{change}: {missed} of {n} wrong\n{detail}");
    }
    // These are false findings of an inspection, not of the comparison: 1 in 100 over eight plants, most of them one run of
    // modules that was called a string.
    assert!(50 * strangers.len() <= sound_modules, "{} of {sound_modules}: {detail}", strangers.len());
}
