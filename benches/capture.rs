//! Reading EXIF and XMP of a frame in memory: `cargo bench -p thermal-benches --bench capture`.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use thermal_core::capture::Capture;

fn capture(c: &mut Criterion) {
    // A 640 x 512 frame has its pixels behind the directories.
    for (name, bytes) in [
        ("tiff", &include_bytes!("../testdata/capture/elements.tif")[..]),
        ("png", &include_bytes!("../testdata/capture/compressed_xmp.png")[..]),
    ] {
        let mut frame = bytes.to_vec();
        frame.resize(frame.len() + 2 * 640 * 512, 0);
        c.bench_function(&format!("capture_{name}"), |b| {
            b.iter(|| Capture::from_bytes(black_box(&frame), "frame_0001", None));
        });
    }
}

criterion_group!(benches, capture);
criterion_main!(benches);
