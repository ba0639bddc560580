//! Damaged and malicious rasters: no panic, memory within the documented bound, no wrong value from a sound part.
//!
//! One test, for the memory of the process is measured. Mutations are drawn from a fixed seed.

use std::path::Path;

use peak_alloc::PeakAlloc;
use thermal_core::raster::{Limits, Pixels, Raster, decode};
use thermal_tests::rasters::{archive, bits};

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// Images and tiles up to 256 x 256.
const MAX_PIXELS: usize = 1 << 16;
/// What the unpackers need for themselves, and the message.
const UNPACKER_BYTES: usize = 512 << 10;

/// Decodes and checks the memory taken meanwhile.
fn bounded(bytes: &[u8], what: &str) -> Option<Raster> {
    let limits = Limits { max_pixels: MAX_PIXELS, ..Limits::default() };
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage();
    let result = decode(bytes, Path::new("f"), &limits);
    let taken = MEMORY.peak_usage() - before;
    // The image and one buffer of as much; a PNG decoder may hold one chunk of the file.
    assert!(taken <= 2 * 4 * MAX_PIXELS + bytes.len() + UNPACKER_BYTES, "{what}: {taken} bytes");
    let raster = result.ok()?;
    assert!(raster.width() * raster.height() <= MAX_PIXELS, "{what}");
    Some(raster)
}

/// Marsaglia's xorshift, from a fixed seed.
struct Draw(u64);

impl Draw {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n as u64) as usize
    }
}

fn u16_values(raster: &Raster) -> Vec<u16> {
    match &raster.pixels {
        Pixels::U16(a) => a.iter().copied().collect(),
        Pixels::F32(_) => panic!("a file of u16"),
    }
}

/// A little-endian TIFF from entries (tag, type, count, value) and what follows the directory.
fn tiff(entries: &[(u16, u16, u32, u32)], next: u32, tail: &[u8]) -> Vec<u8> {
    let mut bytes = b"II*\0\x08\0\0\0".to_vec();
    bytes.extend((entries.len() as u16).to_le_bytes());
    for (tag, kind, count, value) in entries {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(value.to_le_bytes());
    }
    bytes.extend(next.to_le_bytes());
    bytes.extend(tail);
    bytes
}

#[test]
fn no_bytes_bring_the_decoder_down() {
    let files = archive();
    let good: Vec<_> = files.iter().filter(|(name, _)| name.starts_with("good/")).collect();
    let mut draw = Draw(0x5EED);

    // Cut short at every 64 bytes: an error, or the whole image where only trailing bytes are gone.
    for (name, bytes) in &good {
        let whole = bounded(bytes, name).unwrap();
        for length in (0..bytes.len()).step_by(64) {
            if let Some(cut) = bounded(&bytes[..length], name) {
                assert!(bits(&cut.pixels) == bits(&whole.pixels), "{name} cut to {length}");
            }
        }
    }

    // Flipped bits and extreme numbers anywhere, most often where the structure is.
    for (name, bytes) in good.iter().chain(&files.iter().filter(|(n, _)| n.starts_with("bad/")).collect::<Vec<_>>()) {
        for round in 0..60 {
            let mut bytes = (*bytes).clone();
            let region = if round % 3 == 0 { bytes.len() } else { bytes.len().min(420) };
            for _ in 0..=draw.below(3) {
                let at = draw.below(region);
                match draw.below(3) {
                    0 => bytes[at] ^= 1 << draw.below(8),
                    1 => bytes[at] = [0, 1, 0x7F, 0x80, 0xFF][draw.below(5)],
                    _ => {
                        let extreme = [0, 1, 255, 256, u32::MAX, i32::MAX as u32, bytes.len() as u32][draw.below(7)];
                        bytes.iter_mut().skip(at).zip(extreme.to_le_bytes()).for_each(|(to, from)| *to = from);
                    }
                }
            }
            bounded(&bytes, &format!("{name} changed in round {round}"));
        }
    }

    // A flipped bit among uncompressed values touches that value alone; deflate's checksum tells of it.
    let name = "good/u16_none_p1_strips5white_be.tif";
    let stored = &files[name];
    let sound = u16_values(&bounded(stored, name).unwrap());
    for _ in 0..200 {
        let mut bytes = stored.clone();
        let at = bytes.len() - 1 - draw.below(29 * 37 * 2);
        bytes[at] ^= 1 << draw.below(8);
        let hit = u16_values(&bounded(&bytes, name).unwrap());
        assert_eq!(sound.iter().zip(&hit).filter(|(a, b)| a != b).count(), 1);
    }
    let name = "good/u16_deflate_p2_onestrip_le.tif";
    let stored = &files[name];
    for _ in 0..200 {
        let mut bytes = stored.clone();
        let at = bytes.len() - 1 - draw.below(1000);
        bytes[at] ^= 1 << draw.below(8);
        if let Some(raster) = bounded(&bytes, name) {
            assert_eq!(u16_values(&raster), sound, "byte {at}");
        }
    }

    // Small files that unpack to 64 MiB.
    for (name, bytes) in files.iter().filter(|(name, _)| name.starts_with("bombs/")) {
        if let Some(raster) = bounded(bytes, name) {
            assert_eq!(u16_values(&raster), vec![0; 29 * 37], "{name}");
        }
    }

    // Structures made to mislead: each must be refused.
    let grey16 = |width, height| [(256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 16), (262, 3, 1, 1)];
    let with = |size: [(u16, u16, u32, u32); 4], more: &[(u16, u16, u32, u32)]| [&size[..], more].concat();
    let picture = [(256, 4, 1, 8), (257, 4, 1, 8), (258, 3, 1, 8), (262, 3, 1, 1)];
    let big_tiff_entries = [&b"II+\0\x08\0\0\0\x10\0\0\0\0\0\0\0"[..], &[0xFF; 8], &[0; 4096]].concat();
    let refused = [
        ("pages in a circle", tiff(&picture, 8, &[]), "the pages run in a circle"),
        ("size overflows", tiff(&grey16(u32::MAX, u32::MAX), 0, &[]), "4294967295 x 4294967295 pixels"),
        ("no pixels", tiff(&grey16(0, 8), 0, &[]), "0 x 8 pixels"),
        ("a size of no number type", tiff(&[(256, 2, 1, 8), (257, 4, 1, 8), (258, 3, 1, 16)], 0, &[]), "type 2"),
        ("empty tag", tiff(&with(grey16(8, 8), &[(278, 4, 0, 0)]), 0, &[]), "it holds no value"),
        ("no rows in a strip", tiff(&with(grey16(8, 8), &[(278, 4, 1, 0)]), 0, &[]), "RowsPerStrip (278): it is 0"),
        (
            "more strips than listed",
            tiff(&with(grey16(8, 8), &[(273, 4, 1, 8), (278, 4, 1, 1), (279, 4, 1, 16)]), 0, &[0; 256]),
            "it lists 1 of the 8 strips",
        ),
        (
            "list of strips beyond the file",
            tiff(&with(grey16(8, 8), &[(273, 4, u32::MAX, 8), (279, 4, 1, 16)]), 0, &[]),
            "its values end at byte 17179869188 of",
        ),
        (
            "strip at the end of all numbers",
            tiff(&with(grey16(8, 8), &[(273, 4, 1, u32::MAX), (279, 4, 1, u32::MAX)]), 0, &[]),
            "it ends at byte 4294967423 of",
        ),
        (
            "tile of 2^62 pixels",
            tiff(
                &with(grey16(8, 8), &[(322, 4, 1, 1 << 31), (323, 4, 1, 1 << 31), (324, 4, 1, 8), (325, 4, 1, 8)]),
                0,
                &[],
            ),
            "tile size: it is 2147483648 x 2147483648 pixels",
        ),
        ("entries without number", big_tiff_entries, "claims 18446744073709551615 entries"),
    ];
    for (what, bytes, reason) in refused {
        assert!(bounded(&bytes, what).is_none(), "{what}");
        let limits = Limits { max_pixels: MAX_PIXELS, ..Limits::default() };
        let message = decode(&bytes, Path::new("f"), &limits).unwrap_err().to_string();
        assert!(message.contains(reason), "{what}: {message}");
    }

    // Every strip of 256 names the same megabyte of deflate data that unpacks to one row: work must not multiply.
    let (rows, nothing) = (256u32, 1 << 20);
    let lists = 8 + 2 + 8 * 12 + 4u32;
    // RFC 1951, section 3.2.4: many empty stored blocks, then one of 512 bytes, the last.
    let mut packed = vec![0x78, 0x01];
    packed.extend([0x00, 0x00, 0x00, 0xFF, 0xFF].iter().cycle().take(5 * (nothing / 5)));
    packed.extend([0x01, 0x00, 0x02, 0xFF, 0xFD]);
    packed.extend([0; 512]);
    // Adler-32 of 512 zeros, RFC 1950.
    packed.extend([0x02, 0x00, 0x00, 0x01]);
    let strips = |rows: u32| {
        let mut tail = Vec::new();
        (0..rows).for_each(|_| tail.extend((lists + 8 * rows).to_le_bytes()));
        (0..rows).for_each(|_| tail.extend((packed.len() as u32).to_le_bytes()));
        tail.extend(&packed);
        let more = [(259, 3, 1, 8), (273, 4, rows, lists), (278, 4, 1, 1), (279, 4, rows, lists + 4 * rows)];
        tiff(&with(grey16(256, rows), &more), 0, &tail)
    };
    let message = decode(&strips(rows), Path::new("f"), &Limits::default()).unwrap_err().to_string();
    assert!(message.contains("strip 2 of 256: the strips overlap many times over"), "{message}");
}
