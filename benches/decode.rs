//! Decoding one 640 x 512 frame of counts from memory, and reading it from disk; the peer is the `tiff` crate.

use std::hint::black_box;
use std::io::Cursor;
use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use thermal_core::raster::{Limits, decode, read};
use tiff::encoder::{Compression, DeflateLevel, TiffEncoder, colortype::Gray16};

const WIDTH: u32 = 640;
const HEIGHT: u32 = 512;

/// A slope with some counts of noise, in kelvin / 100: about as compressible as a real frame.
fn frame() -> Vec<u16> {
    let mut state = 1u32;
    (0..WIDTH * HEIGHT)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (30_000 + i / WIDTH + 2 * (i % WIDTH) + (state >> 29)) as u16
        })
        .collect()
}

fn tiff_file(compression: Compression) -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut file).unwrap().with_compression(compression);
    encoder.write_image::<Gray16>(WIDTH, HEIGHT, &frame()).unwrap();
    file.into_inner()
}

fn bench(c: &mut Criterion) {
    let mut group = c.benchmark_group("decode_640x512_u16");
    group.throughput(Throughput::Elements(u64::from(WIDTH * HEIGHT)));
    let limits = Limits::default();
    for (name, compression) in
        [("uncompressed", Compression::Uncompressed), ("deflate", Compression::Deflate(DeflateLevel::Balanced))]
    {
        let bytes = tiff_file(compression);
        let path = std::env::temp_dir().join(format!("thermal-bench-{}-{name}.tif", std::process::id()));
        std::fs::write(&path, &bytes).unwrap();
        group.bench_function(name, |b| b.iter(|| decode(black_box(&bytes), Path::new("f"), &limits).unwrap()));
        group.bench_function(format!("{name}_from_disk"), |b| b.iter(|| read(black_box(&path), &limits).unwrap()));
        group.bench_function(format!("{name}_tiff_crate"), |b| {
            b.iter(|| tiff::decoder::Decoder::new(Cursor::new(black_box(&bytes))).unwrap().read_image().unwrap());
        });
        std::fs::remove_file(&path).unwrap();
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
