//! The stated 95 % intervals against the truth of rendered flights, by Monte Carlo: every input that has an uncertainty is
//! drawn anew for each flight (noise, modules' and cells' own scatter, emissivity, irradiance, distance, focus), and the
//! share of findings whose truth lies in the interval is counted.
//!
//! `THERMAL_FLIGHTS=30` flies so many; the default is a sample.
#![allow(missing_docs)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use thermal_core::scene::{self, Scene, spec::Kind};
use thermal_tests::plant::Rng;
use thermal_tests::program::{rows, thermal};

/// Standard uncertainties that the draws follow: what `uncertainty.rs` states for them.
const IRRADIANCE_SHARE: f64 = 0.03;
const EMISSIVITY: f64 = 0.02;

/// Counts of a pattern: findings, truth in the interval as measured, and at 1000 W/m2.
#[derive(Default, Clone, Copy)]
struct Count {
    findings: usize,
    measured: usize,
    scaled: usize,
}

fn word(kind: Kind) -> &'static str {
    match kind {
        Kind::Hotspot => "hotspot",
        Kind::Cell | Kind::Cells => "cell",
        Kind::Substring | Kind::Substring2 | Kind::Sixth => "substring",
        Kind::Module => "module",
        Kind::String => "string",
    }
}

#[test]
fn the_stated_interval_holds_the_truth() {
    let flights: usize = std::env::var("THERMAL_FLIGHTS").ok().and_then(|n| n.parse().ok()).unwrap_or(3);
    let dump = std::env::var_os("THERMAL_DUMP");
    let mut lines = String::new();
    let mut counts: BTreeMap<String, Count> = BTreeMap::new();
    let (mut unmatched, mut rng) = (0, Rng(41));
    for flight in 0..flights {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().join("plant");
        let mut spec = scene::demo_spec();
        // Seeds 500 to 513 and draws from another start set the figures of `uncertainty.rs`.
        spec.seed = 900 + flight as u64;
        spec.flight.frames = 4;
        spec.faults.share = 0.3;
        spec.ground.objects.clear();
        spec.weather.weeds = 0;
        spec.flight.distance_m = rng.within(18.0, 29.0);
        spec.camera.psf_px = rng.within(0.5, 0.75);
        spec.camera.netd_k = rng.within(0.03, 0.1);
        spec.weather.module_spread_k = rng.within(0.25, 0.6);
        let g = rng.within(650.0, 980.0);
        spec.weather.g = [g, g];
        let emissivity = 0.88;
        spec.storage.apparent = Some([emissivity, -5.0]);
        let truth = Scene::new(&spec).unwrap().faults();
        scene::render(&spec, &folder).unwrap();
        // What the thermographer believes: emissivity and pyranometer are off by their uncertainty.
        let believed = (emissivity + EMISSIVITY * rng.normal()).min(1.0);
        let toml = fs::read_to_string(folder.join("inspection.toml")).unwrap();
        assert!(toml.contains("emissivity = 0.88"), "{toml}");
        fs::write(
            folder.join("inspection.toml"),
            toml.replace("emissivity = 0.88", &format!("emissivity = {believed:.4}")),
        )
        .unwrap();
        let gain = 1.0 + IRRADIANCE_SHARE * rng.normal();
        let log = fs::read_to_string(folder.join("irradiance.csv")).unwrap();
        let log: Vec<String> = log
            .lines()
            .map(|line| {
                let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
                if let Ok(value) = cells[1].parse::<f64>() {
                    cells[1] = format!("{:.1}", value * gain);
                }
                cells.join(",")
            })
            .collect();
        fs::write(folder.join("irradiance.csv"), log.join("\n") + "\n").unwrap();
        let out = place.path().join("out");
        let words = ["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--no-evidence", "--quiet"];
        let output = thermal(words);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        for row in rows(&out.join("findings.csv")) {
            let faults = truth.get(&row["asset_id"]).map(Vec::as_slice).unwrap_or_default();
            let Some(fault) = faults.iter().find(|fault| word(fault.kind) == row["pattern"]) else {
                unmatched += 1;
                continue;
            };
            let number = |name: &str| row[name].parse::<f64>().unwrap();
            let count = counts.entry(row["pattern"].clone()).or_default();
            count.findings += 1;
            let measured = number("delta_t_k") - fault.amp * g / 1000.0;
            let scaled = number("delta_t_ref_k") - fault.amp;
            count.measured += usize::from(measured.abs() <= number("delta_t_u95_k"));
            count.scaled += usize::from(scaled.abs() <= number("delta_t_ref_u95_k"));
            if dump.is_some() {
                writeln!(
                    lines,
                    "{},{measured:.3},{scaled:.3},{},{},{},{},{},{},{flight}",
                    row["pattern"],
                    row["delta_t_k"],
                    row["delta_t_u95_k"],
                    row["delta_t_ref_k"],
                    row["delta_t_ref_u95_k"],
                    row["frames_confirmed"],
                    row["flags"],
                )
                .unwrap();
            }
        }
    }
    if let Some(path) = dump {
        fs::write(path, lines).unwrap();
    }
    let all = counts.values().fold(Count::default(), |a, c| Count {
        findings: a.findings + c.findings,
        measured: a.measured + c.measured,
        scaled: a.scaled + c.scaled,
    });
    let share = |k: usize, n: usize| 100.0 * k as f64 / n.max(1) as f64;
    let mut table = String::new();
    for (name, c) in counts.iter().map(|(name, c)| (name.as_str(), *c)).chain([("all", all)]) {
        writeln!(
            table,
            "{name:10} {:5} findings: {:5.1} % as measured, {:5.1} % at 1000 W/m2",
            c.findings,
            share(c.measured, c.findings),
            share(c.scaled, c.findings)
        )
        .unwrap();
    }
    eprintln!("{flights} flights, {unmatched} findings of another pattern than the truth\n{table}");
    assert!(all.findings >= 12 * flights, "{table}");
    // 93 to 97 %, and three standard deviations of a binomial count of 95 % on each side; findings of one flight share
    // their emissivity and irradiance, so that only half of them count as independent.
    let slack = 300.0 * (0.95 * 0.05 / (0.5 * all.findings as f64)).sqrt();
    for k in [all.measured, all.scaled] {
        let held = share(k, all.findings);
        assert!((93.0 - slack..=(97.0 + slack).min(99.9)).contains(&held), "{held} with {slack} to spare\n{table}");
    }
}
