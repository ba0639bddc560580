//! Pixels of one frame: unsigned 16-bit or float32 grey, from TIFF, `BigTIFF` or PNG, exactly as stored.
//!
//! After TIFF 6.0 (Adobe, 1992) with its Technical Notes 1 to 3 (tiles, deflate, floating-point predictor), the
//! `BigTIFF` extension and PNG (ISO/IEC 15948). The values equal those of Python's `tifffile` bit for bit. What cannot
//! be read with certainty is an error, never a guess.
//!
//! - **Page**: the first page that is neither a picture (8 bits or fewer, or colour) nor marked as a reduced copy or
//!   a mask.
//! - **`WhiteIsZero`** says how a viewer paints the values (TIFF 6.0, section 8: "0 is *imaged* as white"), not what was
//!   measured, and for float32 it has no inverse at all, since there is no greatest value to subtract from. The stored
//!   values are returned, for both sample types, as `tifffile` and libtiff's own reading functions do;
//!   [`Raster::white_is_zero`] keeps the mark.
//! - **Orientation** and `GDAL_NODATA` are left to the caller: rows are in stored order, not-a-number stays so.
//! - **Memory**: sizes are checked against [`Limits`] before anything of the size they name is allocated; packed data
//!   are unpacked into a buffer of known size and stop where it is full.

mod chunk;
mod codec;
mod ifd;
mod page;
mod png;

use std::path::Path;

use ndarray::Array2;

use crate::{Error, Result};

/// What to do about a file that was damaged or cut short.
pub(crate) const COPY_AGAIN: &str = "copy the file again from the card";
/// What to do about a file that shows colours instead of holding values.
pub(crate) const EXPORT_VALUES: &str = "export the measured values instead: 16-bit grey or float32 grey TIFF, or 16-bit grey PNG, \
                             without palette, scale or overlay";
/// What to do about a file whose way of storing is not served.
const EXPORT_PLAIN: &str = "export it again as 16-bit grey or float32 grey TIFF, uncompressed or with deflate";

/// The values of a frame, rows from the top, `[row, column]`.
#[derive(Debug, Clone, PartialEq)]
pub enum Pixels {
    /// Counts of the sensor, or scaled temperature.
    U16(Array2<u16>),
    /// Temperature or signal as floating point; may hold not-a-number.
    F32(Array2<f32>),
}

/// One frame as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Raster {
    /// The values.
    pub pixels: Pixels,
    /// The file asks viewers to paint small values white; the values are not touched by it.
    pub white_is_zero: bool,
}

impl Raster {
    /// Columns.
    pub fn width(&self) -> usize {
        match &self.pixels {
            Pixels::U16(a) => a.ncols(),
            Pixels::F32(a) => a.ncols(),
        }
    }

    /// Rows.
    pub fn height(&self) -> usize {
        match &self.pixels {
            Pixels::U16(a) => a.nrows(),
            Pixels::F32(a) => a.nrows(),
        }
    }
}

/// How much a file may ask for. With `f` bytes of file and `p` pixels of `s` bytes, [`read`] allocates at most about
/// `f + 2 p s`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Greatest number of pixels of the page that is read; also of one tile.
    pub max_pixels: usize,
    /// Greatest size of the file, bytes.
    pub max_file_bytes: u64,
    /// Pages looked at in search of one that holds values.
    pub max_pages: usize,
}

impl Default for Limits {
    /// Sixteen times the pixels of the largest thermal sensors (1280 x 1024), 256 MiB of file.
    fn default() -> Self {
        Self { max_pixels: 16 * 1280 * 1024, max_file_bytes: 256 << 20, max_pages: 64 }
    }
}

/// Reads a frame from a file.
///
/// Errors: [`Error::Io`] where the system refuses; [`Error::Input`] as [`decode`], and where `path` is no ordinary file
/// or larger than the limit.
pub fn read(path: &Path, limits: &Limits) -> Result<Raster> {
    let bytes = read_bytes(path, limits)?;
    decode(&bytes, path, limits)
}

/// Decodes a frame from the bytes of a file; `path` serves for messages only.
///
/// Errors: [`Error::Input`] where the bytes are neither TIFF nor PNG, hold a picture instead of values, use a way of
/// storing that is not served, go beyond a limit, or are damaged or cut short.
pub fn decode(bytes: &[u8], path: &Path, limits: &Limits) -> Result<Raster> {
    let source = Source { path, bytes };
    match bytes {
        [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => decode_tiff(source, limits),
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1A, b'\n', ..] => png::decode(source, limits),
        [] => Err(source.error("file", "it is empty, 0 bytes", COPY_AGAIN)),
        [0xFF, 0xD8, 0xFF, ..] => {
            Err(source.error("file", "it is a JPEG, a picture and not measured values", EXPORT_VALUES))
        }
        [a, ..] if bytes.len() < 8 && matches!(a, b'I' | b'M' | 0x89) => {
            Err(source.error("file", format!("it ends after {} bytes, within its header", bytes.len()), COPY_AGAIN))
        }
        _ => Err(source.error("file", "it is neither TIFF nor PNG", EXPORT_VALUES)),
    }
}

fn decode_tiff(source: Source<'_>, limits: &Limits) -> Result<Raster> {
    let file = ifd::File::open(source)?;
    let mut page = page::first_with_values(&file, limits)?;
    let size = (page.height, page.width);
    let pixels = match page.sample {
        page::Sample::U16 => Pixels::U16(array(&source, size, chunk::words(&source, &mut page)?)?),
        page::Sample::F32 => {
            // Same size and alignment: the standard library maps such a vector in place.
            let values = chunk::words::<4, u32>(&source, &mut page)?.into_iter().map(f32::from_bits).collect();
            Pixels::F32(array(&source, size, values)?)
        }
    };
    Ok(Raster { pixels, white_is_zero: page.white_is_zero })
}

/// The array of (rows, columns) from its values row by row.
fn array<T>(source: &Source<'_>, size: (usize, usize), values: Vec<T>) -> Result<Array2<T>> {
    Array2::from_shape_vec(size, values).map_err(|e| source.error("image", e.to_string(), COPY_AGAIN))
}

/// The bytes of an ordinary file, no more than the limit.
pub fn read_bytes(path: &Path, limits: &Limits) -> Result<Vec<u8>> {
    let smaller = "give single frames, not mosaics or sequences";
    crate::file::read(path, limits.max_file_bytes, "a frame", "give a TIFF or PNG file", smaller)
}

/// The bytes being decoded and the name they go by in messages.
#[derive(Clone, Copy)]
struct Source<'a> {
    path: &'a Path,
    bytes: &'a [u8],
}

impl Source<'_> {
    fn error(&self, place: impl Into<String>, reason: impl Into<String>, remedy: &str) -> Error {
        Error::input(self.path, place, reason, remedy)
    }
}

/// Checks the size of an image against the limit and returns it as (width, height), px.
fn checked_size(source: &Source<'_>, place: &str, width: u64, height: u64, limits: &Limits) -> Result<(usize, usize)> {
    // Whatever the limit, a few times the bytes of an image must be a number of the machine.
    let most = limits.max_pixels.min(usize::MAX >> 6) as u64;
    let fits = width.checked_mul(height).is_some_and(|n| n > 0 && n <= most);
    match (usize::try_from(width), usize::try_from(height)) {
        (Ok(w), Ok(h)) if fits => Ok((w, h)),
        _ => Err(source.error(
            place,
            format!("it is {width} x {height} pixels; 1 to {most} pixels are read"),
            "give single frames, not mosaics; if this is a frame, copy it again from the card",
        )),
    }
}
