//! Registration of synthetic flights of outlines: how the time grows with the number of frames, with and without a
//! layout; and, once, the seconds of 1,000 frames and the memory of 20,000.
//!
//! `cargo bench -p thermal-benches --bench site`; the large flights: `... --bench site -- large`.

use std::hint::black_box;
use std::path::Path;
use std::time::{Duration, Instant};

use criterion::{BenchmarkId, Criterion, Throughput};
use thermal_benches::{forget_peak, peak_mb};
use thermal_core::site::{Layout, register};
use thermal_tests::flight::{Flight, FlightSpec, fly, score_identity, score_named};
use thermal_tests::plant::{Plant, PlantSpec};

/// A plant over which a flight has about this many frames.
fn flown(frames: usize) -> (Plant, Flight) {
    // A table of 18 modules is 20 m: four frames of 5 m; a row is a strip.
    let rows = ((frames as f64).sqrt() * 0.6).ceil().max(4.0) as usize;
    let tables = (frames as f64 / (rows as f64 * 4.0)).ceil().max(1.0) as usize;
    let plant = Plant::new(&PlantSpec { rows, tables, ..PlantSpec::default() });
    let flight = FlightSpec { bias_m: [1.2, -1.0], drift_m_per_min: 0.2, ..FlightSpec::default() };
    let flight = fly(&plant, &flight);
    (plant, flight)
}

fn layout_of(plant: &Plant) -> Layout {
    parse(&plant.layout_geojson())
}

fn parse(text: &str) -> Layout {
    Layout::parse(text, Path::new("layout.geojson")).unwrap_or_default()
}

fn growth(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("site");
    group.sample_size(10).warm_up_time(Duration::from_secs(1));
    for frames in [50, 200, 800] {
        let (plant, flight) = flown(frames);
        let layout = layout_of(&plant);
        group.throughput(Throughput::Elements(flight.frames.len() as u64));
        group.bench_with_input(BenchmarkId::new("with_layout", flight.frames.len()), &flight, |b, f| {
            b.iter(|| black_box(register(&f.frames, &plant.settings, Some(&layout)).unwrap()));
        });
        group.bench_with_input(BenchmarkId::new("without_layout", flight.frames.len()), &flight, |b, f| {
            b.iter(|| black_box(register(&f.frames, &plant.settings, None).unwrap()));
        });
    }
    group.finish();
}

fn large() {
    for frames in [1000, 20_000] {
        let (plant, flight) = flown(frames);
        let text = plant.layout_geojson();
        forget_peak();
        let before = peak_mb();
        let start = Instant::now();
        let layout = parse(&text);
        println!(
            "layout of {:.0} MB read in {:.1} s, peak {:.0} MB over what was there",
            text.len() as f64 / 1e6,
            start.elapsed().as_secs_f64(),
            peak_mb() - before
        );
        drop(text);
        forget_peak();
        let before = peak_mb();
        let outlines: usize = flight.truth.iter().map(Vec::len).sum();
        for layout in [Some(&layout), None] {
            forget_peak();
            let start = Instant::now();
            let registration = register(&flight.frames, &plant.settings, layout).unwrap();
            let seconds = start.elapsed().as_secs_f64();
            let score = match layout {
                Some(_) => score_named(&plant, &flight, &registration),
                None => score_identity(&flight, &registration),
            };
            println!(
                "{} frames, {outlines} outlines, {} modules, layout {}: {seconds:.1} s, peak {:.0} MB (outlines and layout alone {before:.0} MB), \
                 right {:.5}, wrong {}, wrong but flagged {}, unnamed {}",
                flight.frames.len(),
                plant.modules.len(),
                layout.is_some(),
                peak_mb(),
                score.share(score.right),
                score.wrong,
                score.wrong_flagged,
                score.unnamed,
            );
        }
    }
}

fn main() {
    if std::env::args().any(|a| a == "large") {
        return large();
    }
    let mut criterion = Criterion::default().configure_from_args();
    growth(&mut criterion);
    criterion.final_summary();
}
