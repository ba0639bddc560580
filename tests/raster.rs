//! Rasters against `tifffile`, libtiff and libpng (through `testdata/make_rasters.py`), and what is said of bad files.

use std::path::Path;

use thermal_core::Error;
use thermal_core::raster::{Limits, Pixels, Raster, decode, read};
use thermal_tests::rasters::{archive, bits};

fn decode_named(bytes: &[u8], name: &str) -> thermal_core::Result<Raster> {
    decode(bytes, Path::new(name), &Limits::default())
}

/// Every file of the matrix gives the values that tifffile (PNG: libpng) reads from it, bit for bit; a file that says
/// `WhiteIsZero` is marked and its values are as stored, as tifffile and libtiff give them.
#[test]
fn pixels_equal_those_of_tifffile() {
    let files = archive();
    let manifest: serde_json::Value = serde_json::from_slice(&files["manifest.json"]).unwrap();
    let lines = manifest.as_array().unwrap();
    for line in lines {
        let (name, pixels) = (line["file"].as_str().unwrap(), line["pixels"].as_str().unwrap());
        let raster = decode_named(&files[&format!("good/{name}")], name).unwrap();
        assert_eq!((raster.height(), raster.width()), (29, 37), "{name}");
        assert_eq!(matches!(raster.pixels, Pixels::F32(_)), name.starts_with("f32"), "{name}");
        assert_eq!(raster.white_is_zero, name.contains("white"), "{name}");
        assert!(bits(&raster.pixels) == files[pixels], "{name}: other values than {}", line["equal_in"]);
    }
    assert_eq!(lines.len(), files.keys().filter(|name| name.starts_with("good/")).count());
    // 22 ways of packing a sample type, 4 layouts, 2 byte orders, 2 offset sizes, and 9 more.
    assert_eq!(lines.len(), 22 * 4 * 2 * 2 + 9);
}

/// Each file that must be refused is, with the reason.
#[test]
fn what_holds_no_values_is_refused_with_the_reason() {
    let reasons = [
        ("grey8.tif", "page 1, tag BitsPerSample (258): the page holds a picture (8-bit), not measured values"),
        ("rgb8.tif", "page 1, tag PhotometricInterpretation (262): the page holds a picture (RGB)"),
        ("rgb16.tif", "picture (RGB)"),
        ("palette8.tif", "picture (palette)"),
        ("bands_contiguous.tif", "each pixel has 2 values"),
        ("bands_planar.tif", "each pixel has 4 values"),
        ("grey_and_opacity.tif", "each pixel has 2 values"),
        ("float16.tif", "16-bit floating-point numbers"),
        ("float64.tif", "64-bit floating-point numbers"),
        ("signed16.tif", "16-bit signed whole numbers"),
        ("unsigned32.tif", "32-bit unsigned whole numbers"),
        ("signed32.tif", "32-bit signed whole numbers"),
        ("jpeg.tif", "picture (8-bit)"),
        ("lzma.tif", "tag Compression (259): 34925, LZMA, is not read"),
        ("only_reduced.tif", "a reduced copy or a mask"),
        ("predictor_3_on_u16.tif", "predictor 3 is not defined for 16-bit samples"),
        ("predictor_9.tif", "predictor 9 is not defined"),
        ("predictor_uncompressed.tif", "a predictor without compression"),
        ("left_out_strip.tif", "page 1, strip 1 of 1: it is left out of the file"),
        ("grey8.png", "PNG header: the file holds a picture (8-bit grey), not measured values"),
        ("rgb8.png", "8-bit RGB"),
        ("rgb16.png", "16-bit RGB"),
        ("grey_and_opacity.png", "16-bit grey and opacity"),
        ("palette.png", "8-bit palette"),
    ];
    let files = archive();
    for (name, reason) in reasons {
        let error = decode_named(&files[&format!("bad/{name}")], name).unwrap_err();
        assert!(matches!(error, Error::Input { .. }), "{error}");
        let message = error.to_string();
        assert!(message.starts_with(&format!("{name}: ")) && message.contains(reason), "{message}");
        assert!(message.contains("export"), "{message}");
    }
    assert_eq!(reasons.len(), files.keys().filter(|name| name.starts_with("bad/")).count());
}

#[test]
fn what_is_no_raster_is_refused_with_the_reason() {
    for (bytes, reason) in [
        (&b""[..], "it is empty, 0 bytes"),
        (b"\xFF\xD8\xFF\xE1 and so on", "it is a JPEG, a picture"),
        (b"hello, world", "it is neither TIFF nor PNG"),
        (b"II", "it ends after 2 bytes"),
        (b"II*\0\x08", "header: the file ends after 5 bytes"),
        (b"II*\0\0\0\0\0", "it has no page"),
        (b"MM\0*\0\0\x10\0", "page 1: its directory at byte 4096 goes beyond the file's 8 bytes"),
    ] {
        let message = decode_named(bytes, "f").unwrap_err().to_string();
        assert!(message.contains(reason), "{message}");
    }
}

/// The message names the strip and the bytes; the remedy is another copy.
#[test]
fn a_file_cut_short_is_told_by_strip_and_bytes() {
    let files = archive();
    let whole = &files["good/u16_none_p1_strips5white_le.tif"];
    let cut = &whole[..whole.len() - 500];
    let message = decode_named(cut, "f.tif").unwrap_err().to_string();
    let expected = format!("f.tif: page 1, strip 5 of 6: it ends at byte {} of {}", whole.len() - 4 * 74, cut.len());
    assert!(message.starts_with(&expected) && message.contains("copy the file again"), "{message}");

    let whole = &files["good/u16.png"];
    let message = decode_named(&whole[..900], "f.png").unwrap_err().to_string();
    assert!(message.contains("PNG data") && message.contains("the file holds 900 bytes"), "{message}");
}

#[test]
fn limits_are_kept() {
    let files = archive();
    let tight = Limits { max_pixels: 29 * 37 - 1, ..Limits::default() };
    for name in ["u16_zstd_p2_strips5white_be.tif", "f32_none_p1_onestrip_le.tif", "u16.png"] {
        let bytes = &files[&format!("good/{name}")];
        let message = decode(bytes, Path::new(name), &tight).unwrap_err().to_string();
        assert!(message.contains("it is 37 x 29 pixels; 1 to 1072 pixels are read"), "{message}");
        decode(bytes, Path::new(name), &Limits { max_pixels: 29 * 37, ..tight.clone() }).unwrap();
    }
    // A tile counts as well: 64 x 64 for an image of 37 x 29.
    let tile = Limits { max_pixels: 64 * 64 - 1, ..Limits::default() };
    let name = "u16_lzw_p1_onetile64white_le.tif";
    let message = decode(&files[&format!("good/{name}")], Path::new(name), &tile).unwrap_err().to_string();
    assert!(message.contains("tile size: it is 64 x 64 pixels"), "{message}");
    // The values are on page 2, behind a picture.
    let one_page = Limits { max_pages: 1, ..Limits::default() };
    let message = decode(&files["good/u16_after_picture.tif"], Path::new("f"), &one_page).unwrap_err().to_string();
    assert!(message.contains("picture (RGB)"), "{message}");
    // A limit without limit is no way to overflow.
    let none = Limits { max_pixels: usize::MAX, ..Limits::default() };
    decode(&files["good/u16.png"], Path::new("f"), &none).unwrap();
}

#[test]
fn files_are_read_from_disk() {
    let folder = tempfile::tempdir().unwrap();
    let files = archive();
    let path = folder.path().join("f.tif");
    let bytes = &files["good/f32_deflate_p3_tiles16x32_be_big.tif"];
    std::fs::write(&path, bytes).unwrap();
    let raster = read(&path, &Limits::default()).unwrap();
    assert!(bits(&raster.pixels) == files["f32.raw"]);

    let small = Limits { max_file_bytes: bytes.len() as u64 - 1, ..Limits::default() };
    let message = read(&path, &small).unwrap_err().to_string();
    assert!(message.contains("bytes allowed for a frame"), "{message}");

    let missing = folder.path().join("none.tif");
    assert!(matches!(read(&missing, &Limits::default()), Err(Error::Io { .. })));
    let message = read(folder.path(), &Limits::default()).unwrap_err().to_string();
    assert!(message.contains("it is no ordinary file"), "{message}");
}
