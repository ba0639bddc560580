//! What the outlines of a frame lack is put in by the layout: from a rendered flight some outlines are taken out, moved
//! beside their module or laid onto the ground, and the flight as it was is the measure.
#![allow(missing_docs)]

use std::path::Path;
use std::sync::atomic::AtomicBool;

use thermal_core::finding::ModuleRecord;
use thermal_core::frame::FrameSettings;
use thermal_core::inspection::{
    FrameReport, Inputs, Journal, Options, Placed, Records, Start, analyse_frames, complete, conclude, write,
};
use thermal_core::run_record::RunRecord;
use thermal_core::scene;
use thermal_core::shelf::Shelf;

/// The frames of a short flight over the demo plant as they are outlined.
fn flown(place: &Path) -> (Inputs, Vec<FrameReport>) {
    let (inputs, reports, journal) = analysed(place);
    journal.remove().unwrap();
    (inputs, reports)
}

/// The same with the journal that holds the records.
fn analysed(place: &Path) -> (Inputs, Vec<FrameReport>, Journal) {
    let folder = place.join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 3;
    scene::render(&spec, &folder).unwrap();
    let inputs = Inputs::read(&folder).unwrap();
    let journal = Journal::open(&place.join("run"), &inputs, Start::New).unwrap();
    let settings = FrameSettings::of(&inputs.settings);
    let stop = AtomicBool::new(false);
    let reports = analyse_frames(&inputs, &inputs.frames, &settings, &journal, 2, &stop, &|| ()).unwrap();
    (inputs, reports, journal)
}

fn centre(m: &ModuleRecord) -> [f64; 2] {
    [0, 1].map(|k| m.corners.iter().map(|c| c[k]).sum::<f64>() / 4.0)
}

/// Greatest distance of two outlines' corners, px.
fn off_px(a: &ModuleRecord, b: &ModuleRecord) -> f64 {
    (0..4).map(|k| (a.corners[k][0] - b.corners[k][0]).hypot(a.corners[k][1] - b.corners[k][1])).fold(0.0, f64::max)
}

fn records(report: &FrameReport) -> Records {
    report.records.read().unwrap()
}

fn change<T>(report: &mut FrameReport, by: impl FnOnce(&mut Records) -> T) -> T {
    let mut records = records(report);
    let told = by(&mut records);
    (report.outlined, report.records) = (records.modules.len(), records.into());
    told
}

/// [`complete`] with all on disk.
fn completed(inputs: &Inputs, reports: &mut [FrameReport], threads: usize) -> Option<Placed> {
    let place = tempfile::tempdir().unwrap();
    complete(inputs, reports, &Shelf::beside(&place.path().join("run")).unwrap(), threads).unwrap()
}

fn take_out(report: &mut FrameReport, number: usize) -> ModuleRecord {
    change(report, |records| {
        records.lattice.remove(number);
        records.spots.remove(number);
        records.modules.remove(number)
    })
}

/// Numbers of the whole modules of a frame that have a whole one to either side in their course.
fn inner(report: &FrameReport) -> Vec<usize> {
    let report = records(report);
    let beside = |k: usize, step: i64| {
        report.lattice.iter().zip(&report.modules).any(|(at, m)| {
            let of = report.lattice[k];
            m.whole && (at.table, at.line) == (of.table, of.line) && i64::from(at.column) == i64::from(of.column) + step
        })
    };
    (0..report.modules.len()).filter(|&k| report.modules[k].whole && beside(k, 1) && beside(k, -1)).collect()
}

#[test]
fn a_sound_flight_stays_as_it_is() {
    let place = tempfile::tempdir().unwrap();
    let (inputs, reports) = flown(place.path());
    let mut done = reports.clone();
    assert!(completed(&inputs, &mut done, 2).is_some());
    for (a, b) in done.iter().zip(&reports) {
        assert_eq!(records(a).modules, records(b).modules, "{}", a.file);
    }
}

#[test]
fn what_was_taken_out_comes_back_with_its_pattern() {
    let place = tempfile::tempdir().unwrap();
    let (inputs, reports) = flown(place.path());
    let mut spoiled = reports.clone();
    let mut taken = Vec::new();
    for k in inner(&reports[1]).into_iter().rev().step_by(5) {
        taken.push(take_out(&mut spoiled[1], k));
    }
    assert!(taken.len() >= 4, "{} taken out", taken.len());
    let mut once = spoiled.clone();
    assert!(completed(&inputs, &mut once, 1).is_some());
    let modules = records(&once[1]).modules;
    for was in &taken {
        let back = modules.iter().min_by(|a, b| off_px(a, was).total_cmp(&off_px(b, was))).unwrap();
        assert!(off_px(back, was) < 1.5, "{} px off at {:?}", off_px(back, was), centre(was));
        assert_eq!(back.pattern, was.pattern, "at {:?}", centre(was));
        assert!((back.t_median_c - was.t_median_c).abs() < 0.2, "{} against {}", back.t_median_c, was.t_median_c);
        assert!(back.reasons.iter().any(|r| r.contains("layout")), "{:?}", back.reasons);
    }
    assert_eq!((modules.len(), once[1].outlined), (reports[1].outlined, reports[1].outlined));
    // The same for any number of threads.
    let mut again = spoiled.clone();
    completed(&inputs, &mut again, 3).unwrap();
    assert!(again.iter().zip(&once).all(|(a, b)| records(a).modules == records(b).modules));
    // Without a layout nothing is known of what is missing.
    let bare = Inputs { layout: None, ..inputs };
    let mut left = spoiled.clone();
    completed(&bare, &mut left, 1).unwrap();
    assert!(left.iter().zip(&spoiled).all(|(a, b)| records(a).modules == records(b).modules));
}

#[test]
fn what_lies_beside_its_module_or_on_the_ground_gives_way() {
    let place = tempfile::tempdir().unwrap();
    let (inputs, reports) = flown(place.path());
    let mut spoiled = reports.clone();
    // One is moved by half a module along the row, and another laid onto the ground between two rows.
    let moved = inner(&reports[1])[3];
    let sound = records(&reports[1]);
    let was = sound.modules[moved].clone();
    let along = [0, 1].map(|k| was.corners[1][k] - was.corners[0][k]);
    change(&mut spoiled[1], |records| {
        for corner in &mut records.modules[moved].corners {
            *corner = [0, 1].map(|k| corner[k] + 0.45 * along[k]);
        }
    });
    let up = [0, 1].map(|k| was.corners[0][k] - was.corners[3][k]);
    let laid =
        |steps: f64| ModuleRecord { corners: was.corners.map(|c| [0, 1].map(|k| c[k] + steps * up[k])), ..was.clone() };
    let free = |m: &ModuleRecord| {
        let far = |o: &ModuleRecord| (0..2).map(|k| (centre(o)[k] - centre(m)[k]).powi(2)).sum::<f64>().sqrt();
        let inside = m.corners.iter().all(|c| c[0] > 0.0 && c[1] > 0.0 && c[0] < 640.0 && c[1] < 512.0);
        // The ground between the rows is a little narrower than a module is long; by 0.9 it would lie on one by a tenth.
        inside && sound.modules.iter().all(|o| far(o) > 0.93 * up[0].hypot(up[1]))
    };
    let ground = (-60..60).map(|n| laid(0.05 * f64::from(n))).find(free).expect("there is ground between the rows");
    let table = sound.lattice.iter().map(|at| at.table).max().unwrap() + 1;
    let at = thermal_core::outline::LatticePlace { table, line: 0, column: 0, confidence: 0.9 };
    change(&mut spoiled[1], |records| {
        records.modules.push(ground.clone());
        records.lattice.push(at);
        records.spots.push(None);
    });
    let registration = completed(&inputs, &mut spoiled, 1).unwrap().registration;
    let done = records(&spoiled[1]).modules;
    let near = |m: &ModuleRecord| done.iter().map(|o| off_px(o, m)).fold(f64::INFINITY, f64::min);
    assert!(near(&was) < 1.5, "the moved outline is {} px off", near(&was));
    assert!(near(&ground) > 10.0, "the outline on the ground is still there");
    assert_eq!(done.len(), sound.modules.len());
    assert!(registration.problems.iter().any(|p| p.to_string().contains("left out")), "{:?}", registration.problems);
}

#[test]
fn a_whole_table_that_was_taken_out_or_lies_aside_comes_back() {
    let place = tempfile::tempdir().unwrap();
    let (inputs, reports) = flown(place.path());
    let sound = records(&reports[1]);
    let of = |table: u32| {
        let list = sound.lattice.iter().zip(&sound.modules);
        list.filter(|(at, _)| at.table == table).map(|(_, m)| m.clone()).collect::<Vec<_>>()
    };
    let whole = |table: u32| of(table).iter().filter(|m| m.whole).count();
    let tables = sound.lattice.iter().map(|at| at.table).max().unwrap() + 1;
    // The others must be enough to tell where the camera stood.
    let table = (0..tables).filter(|t| whole(*t) >= 6).min_by_key(|t| whole(*t)).expect("a table of six modules");
    let comes_back = |spoiled: &[FrameReport], most_px: f64| {
        let mut done = spoiled.to_vec();
        completed(&inputs, &mut done, 1).unwrap();
        let modules = records(&done[1]).modules;
        for was in of(table).iter().filter(|m| m.whole) {
            let back = modules.iter().min_by(|a, b| off_px(a, was).total_cmp(&off_px(b, was))).unwrap();
            assert!(off_px(back, was) < most_px, "{} px off at {:?}", off_px(back, was), centre(was));
            assert_eq!(back.pattern, was.pattern, "at {:?}", centre(was));
        }
        modules.iter().filter(|m| m.whole).count()
    };
    let all = sound.modules.iter().filter(|m| m.whole).count();
    let mut without = reports.clone();
    for k in (0..sound.modules.len()).rev().filter(|&k| sound.lattice[k].table == table) {
        take_out(&mut without[1], k);
    }
    assert_eq!(comes_back(&without, 1.5), all);
    // All of it a third of a module aside, which its own outlines bear each other out in.
    let mut aside = reports.clone();
    change(&mut aside[1], |records| {
        for (_, module) in records.lattice.iter().zip(&mut records.modules).filter(|(at, _)| at.table == table) {
            let along = [0, 1].map(|k| module.corners[1][k] - module.corners[0][k]);
            module.corners = module.corners.map(|c| [0, 1].map(|k| c[k] + 0.33 * along[k]));
        }
    });
    assert_eq!(comes_back(&aside, 1.5), all);
}

/// A disk that fails after the frames were analysed ends the run with its reason; no table is short of what it lost.
#[test]
fn records_that_cannot_be_read_back_end_the_run() {
    let place = tempfile::tempdir().unwrap();
    let (inputs, mut reports, _) = analysed(place.path());
    let path = place.path().join(".run.journal");
    let sound = std::fs::read(&path).unwrap();
    let out = place.path().join("out");
    let shelf = Shelf::beside(&out).unwrap();
    let placed = complete(&inputs, &mut reports, &shelf, 1).unwrap();
    let mut conclusion = conclude(&inputs, &reports, placed, &shelf).unwrap();
    assert_eq!(conclusion.records(&reports).map(Result::unwrap).count(), conclusion.outlines);
    let lost: Vec<u8> = sound.iter().map(|byte| !byte).collect();
    let mut write_over = |bytes: &[u8]| {
        std::fs::write(&path, bytes).unwrap();
        let options = Options { no_evidence: true, ..Options::default() };
        write(&inputs, &reports, &mut conclusion, RunRecord::begin(Vec::new()), &out, &options)
    };
    for damaged in [&lost[..], &sound[..sound.len() - 1], &[]] {
        let message = write_over(damaged).unwrap_err().to_string();
        assert!(message.contains(".run.journal: entry at byte ") && message.contains("disk checked"), "{message}");
        assert!(!out.exists(), "{message}");
        let message = complete(&inputs, &mut reports.clone(), &shelf, 2).unwrap_err().to_string();
        assert!(message.contains(".run.journal: entry at byte "), "{message}");
    }
    write_over(&sound).unwrap();
    assert!(out.join("modules.csv").exists());
}
