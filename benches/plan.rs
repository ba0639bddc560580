//! A year of the hourly plan: `cargo bench -p thermal-benches --bench plan`.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use jiff::{civil::date, tz::Offset};
use thermal_core::plan::{PlanInput, plan};
use thermal_core::settings::Mounting;
use thermal_core::sun::Place;

fn year(c: &mut Criterion) {
    let place = Place { lat_deg: 48.1, lon_deg: 11.6, elevation_m: 520.0 };
    let mut input = PlanInput::new(place, date(2026, 1, 1), Offset::constant(1));
    input.dates[1] = date(2026, 12, 31);
    let mut group = c.benchmark_group("plan");
    group.sample_size(10);
    for (name, mounting) in [("year_fixed", Mounting::Fixed), ("year_tracker", Mounting::Tracker)] {
        input.array.mounting = mounting;
        group.bench_function(name, |b| b.iter(|| plan(black_box(&input))));
    }
    group.finish();
}

criterion_group!(benches, year);
criterion_main!(benches);
