//! Frames of 640 x 512 px, uncompressed, on one thread: `cargo bench -p thermal-benches --bench fieldcheck`.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use thermal_core::fieldcheck::{Cache, Card, Limits, judge, look};
use thermal_core::scene::{Spec, render, spec};

/// Frames in the folder.
const FRAMES: usize = 40;

fn check(c: &mut Criterion) {
    let folder = std::env::temp_dir().join(format!("thermal-bench-fieldcheck-{}", std::process::id()));
    let base = Spec::default();
    let spec = Spec { flight: spec::Flight { frames: 1, ..base.flight }, ..base };
    render(&spec, &folder).expect("drawn");
    let frames = folder.join("frames");
    for k in 2..=FRAMES {
        std::fs::copy(frames.join("frame_0001.tif"), frames.join(format!("frame_{k:04}.tif"))).expect("copied");
    }
    let card = Card::read(&folder).expect("a card");
    let mut group = c.benchmark_group("fieldcheck");
    group.throughput(Throughput::Elements(FRAMES as u64)).sample_size(10);
    group.bench_function("640x512", |b| {
        b.iter(|| {
            let looked = look(&card, &mut Cache::default(), 1, &|| ());
            judge(&card, &looked, &Limits::default(), 1)
        });
    });
    group.finish();
    let _ = std::fs::remove_dir_all(&folder);
}

criterion_group!(benches, check);
criterion_main!(benches);
