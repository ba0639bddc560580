//! Counts to temperature of a 640 x 512 frame: `cargo bench -p thermal-benches --bench radiometry`.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use ndarray::Array2;
use thermal_core::radiometry::{Converter, Model};
use thermal_core::raster::Pixels;
use thermal_core::settings::{Encoding, Radiometry};

fn radiometry(c: &mut Criterion) {
    // 20 to 60 deg C, in no order.
    let celsius = Array2::from_shape_fn((512, 640), |(y, x)| 20.0 + ((x * 7919 + y * 104_729) % 4000) as f32 * 0.01);
    let counts = Pixels::U16(celsius.mapv(|t| ((t + 273.15) * 100.0) as u16));
    let values = Pixels::F32(celsius);
    let plain = Radiometry::default();
    let corrected = Radiometry { emissivity: 0.85, reflected_c: -20.0, ..Radiometry::default() };
    let float = Radiometry { encoding: Encoding::Celsius, ..corrected.clone() };
    let model = |radiometry| Model { radiometry, from_metadata: false };

    c.bench_function("converter_new", |b| b.iter(|| Converter::new(model(black_box(corrected.clone())))));
    for (name, radiometry, pixels) in [
        ("thermogram_u16_linear", plain, &counts),
        ("thermogram_u16_emissivity", corrected.clone(), &counts),
        ("thermogram_f32_emissivity", float, &values),
    ] {
        let Ok(converter) = Converter::new(model(radiometry)) else { continue };
        c.bench_function(name, |b| b.iter(|| converter.thermogram(black_box(pixels), "frame_0001")));
    }
}

criterion_group!(benches, radiometry);
criterion_main!(benches);
