//! Small files that unpack to much, and directories that point at themselves: memory stays that of a sound file.
//! The packings of TIFF are in `raster_hostile.rs`; here PNG, the metadata, and pointers of EXIF.
#![allow(missing_docs)]

use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use peak_alloc::PeakAlloc;
use thermal_core::capture::Capture;
use thermal_core::raster::{Limits, Pixels, decode};

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const WIDTH: u32 = 29;
const HEIGHT: u32 = 37;
const BOMB_BYTES: usize = 64 << 20;
/// What the reading of such a file may take: far less than what is packed in it.
const MAX_BYTES: usize = 4 << 20;

fn zlib(bytes: &[u8]) -> Vec<u8> {
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
    packer.write_all(bytes).unwrap();
    packer.finish().unwrap()
}

/// A chunk of a PNG: length, type, content, CRC-32 (PNG, third edition, 5.3).
fn chunk(kind: [u8; 4], content: &[u8]) -> Vec<u8> {
    let body = [&kind, content].concat();
    let mut sum = crc32fast::Hasher::new();
    sum.update(&body);
    [&(content.len() as u32).to_be_bytes(), body.as_slice(), &sum.finalize().to_be_bytes()].concat()
}

/// A 16-bit grey PNG with chunks before the pixels.
fn png(before: &[Vec<u8>], pixels: &[u8]) -> Vec<u8> {
    let size = [WIDTH.to_be_bytes(), HEIGHT.to_be_bytes()].concat();
    let head = chunk(*b"IHDR", &[size.as_slice(), &[16, 0, 0, 0, 0]].concat());
    [b"\x89PNG\r\n\x1a\n".as_slice(), &head, &before.concat(), &chunk(*b"IDAT", pixels), &chunk(*b"IEND", &[])].concat()
}

/// A TIFF of the size above with an entry more, an EXIF or GPS pointer, at `at`.
fn tiff_pointing(tag: u16, at: u32) -> Vec<u8> {
    let pixels = 2 * WIDTH * HEIGHT;
    let entries: [(u16, u16, u32); 9] = [
        (256, 4, WIDTH),
        (257, 4, HEIGHT),
        (258, 3, 16),
        (259, 3, 1),
        (262, 3, 1),
        (273, 4, 8 + 2 + 9 * 12 + 4),
        (278, 4, HEIGHT),
        (279, 4, pixels),
        (tag, 4, at),
    ];
    let mut bytes = b"II*\0\x08\0\0\0\x09\0".to_vec();
    for (tag, kind, value) in entries {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend(1u32.to_le_bytes());
        bytes.extend(value.to_le_bytes());
    }
    bytes.extend([0; 4]);
    bytes.extend(std::iter::repeat_n([0x10, 0x75], (WIDTH * HEIGHT) as usize).flatten());
    bytes
}

/// Reads pixels and metadata; the pixels, or why there are none.
fn read(what: &str, bytes: &[u8]) -> (Result<Vec<u16>, String>, Capture) {
    MEMORY.reset_peak_usage();
    let (before, began) = (MEMORY.current_usage(), Instant::now());
    let raster = decode(bytes, Path::new("f"), &Limits::default());
    let capture = Capture::from_bytes(bytes, "f", None);
    let taken = MEMORY.peak_usage() - before;
    assert!(taken <= MAX_BYTES + 2 * bytes.len(), "{what}: {taken} bytes for a file of {}", bytes.len());
    assert!(began.elapsed() < Duration::from_secs(2), "{what}: {:?}", began.elapsed());
    let values = raster.map_err(|e| e.to_string()).map(|raster| match raster.pixels {
        Pixels::U16(values) => values.iter().copied().collect(),
        Pixels::F32(_) => panic!("{what}: counts were written"),
    });
    (values, capture)
}

#[test]
fn what_unpacks_to_much_and_what_points_at_itself() {
    let zeros = vec![0; BOMB_BYTES];
    let bomb = zlib(&zeros);
    assert!(bomb.len() < 100_000, "{}", bomb.len());
    // Each line of pixels begins with its filter.
    let lines: Vec<u8> = (0..HEIGHT).flat_map(|_| [vec![0], [0x75, 0x10].repeat(WIDTH as usize)].concat()).collect();
    let (sound, pixels) = (zlib(&lines), vec![0x7510; (WIDTH * HEIGHT) as usize]);
    assert_eq!(read("sound", &png(&[], &sound)).0, Ok(pixels.clone()));

    // More pixels than the header says are not unpacked: the first are what they are, or the file is refused.
    match read("pixels", &png(&[], &bomb)).0 {
        Ok(values) => assert_eq!(values, vec![0; pixels.len()]),
        Err(said) => assert!(said.contains("PNG data") && said.contains("; "), "{said}"),
    }

    // Beside sound pixels: profile, texts, and metadata that is read.
    let packed = |head: &[u8]| [head, &bomb].concat();
    let xmp = packed(b"XML:com.adobe.xmp\0\x01\0\0\0");
    let beside = [
        ("profile", chunk(*b"iCCP", &packed(b"p\0\0"))),
        ("text", chunk(*b"zTXt", &packed(b"Comment\0\0"))),
        ("international text", chunk(*b"iTXt", &packed(b"Comment\0\x01\0\0\0"))),
        ("XMP", chunk(*b"iTXt", &xmp)),
        ("unknown", chunk(*b"boMb", &bomb)),
    ];
    for (what, chunk) in beside {
        assert_eq!(read(what, &png(&[chunk], &sound)).0, Ok(pixels.clone()), "{what}");
    }
    let (_, capture) = read("XMP", &png(&[chunk(*b"iTXt", &xmp)], &sound));
    assert!(capture.notes.iter().any(|note| note.contains("XMP")), "{:?}", capture.notes);

    // EXIF and GPS directories that are the directory that names them, lie in their own middle, or outside the file.
    let good = read("no pointer", &tiff_pointing(305, 0)).0;
    assert_eq!(good, Ok(pixels));
    for tag in [34665, 34853, 40965, 330] {
        for at in [0, 4, 8, 10, 100, 118, u32::MAX - 1, u32::MAX] {
            let what = format!("tag {tag} to {at}");
            let (values, capture) = read(&what, &tiff_pointing(tag, at));
            assert!(values == good || (tag == 330 && values.is_err()), "{what}: {values:?}");
            assert!(capture.lat.is_none() && capture.captured_at.is_none(), "{what}");
        }
    }
}
