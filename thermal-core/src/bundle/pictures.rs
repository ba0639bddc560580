//! Small pictures for the page and the sheet.

use std::io::Cursor;

use image::codecs::jpeg::JpegEncoder;
use image::imageops::FilterType;
use image::{ExtendedColorType, ImageReader};

use crate::evidence::PICTURE_PART;
use crate::{Error, Result};

/// Width on the page, px: 85 mm at 165 dots an inch.
pub(super) const PAGE_WIDTH: u32 = 560;
/// Good enough that the lines stay clean.
const QUALITY: u8 = 82;

/// The part of an evidence picture (PNG) without its words, as JPEG of a width.
///
/// # Errors
/// The bytes are no such picture.
pub(crate) fn small(png: &[u8], width: u32) -> Result<Vec<u8>> {
    let fault =
        |e: image::ImageError| Error::argument("picture", e.to_string(), "run the inspection again to draw it anew");
    let mut reader = ImageReader::with_format(Cursor::new(png), image::ImageFormat::Png);
    let mut limits = image::Limits::default();
    (limits.max_image_width, limits.max_image_height) = (Some(4096), Some(4096));
    reader.limits(limits);
    let picture = reader.decode().map_err(fault)?.into_rgb8();
    let [x, y, w, h] = PICTURE_PART;
    let (w, h) = (w.min(picture.width().saturating_sub(x)), h.min(picture.height().saturating_sub(y)));
    if w < 16 || h < 16 {
        return Err(Error::argument(
            "picture",
            "it is not of this program",
            "run the inspection again to draw it anew",
        ));
    }
    let part = image::imageops::crop_imm(&picture, x, y, w, h).to_image();
    let height = (f64::from(width) * f64::from(h) / f64::from(w)).round() as u32;
    let small = image::imageops::resize(&part, width, height, FilterType::CatmullRom);
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY)
        .encode(small.as_raw(), small.width(), small.height(), ExtendedColorType::Rgb8)
        .map_err(fault)?;
    Ok(bytes)
}
