//! The files of `testdata/rasters.zip`; `testdata/make_rasters.py` tells what is in it and how it was checked.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use thermal_core::raster::Pixels;

/// All files of the archive by name.
///
/// # Panics
/// Where the archive cannot be read.
pub fn archive() -> BTreeMap<String, Vec<u8>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/rasters.zip");
    let mut zip = zip::ZipArchive::new(std::fs::File::open(path).unwrap()).unwrap();
    (0..zip.len())
        .map(|index| {
            let mut file = zip.by_index(index).unwrap();
            let mut bytes = Vec::new();
            file.read_to_end(&mut bytes).unwrap();
            (file.name().unwrap().into_owned(), bytes)
        })
        .collect()
}

/// The stored bits, little-endian, row by row: what the archive's `.raw` files hold.
pub fn bits(pixels: &Pixels) -> Vec<u8> {
    match pixels {
        Pixels::U16(a) => a.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Pixels::F32(a) => a.iter().flat_map(|v| v.to_bits().to_le_bytes()).collect(),
    }
}
