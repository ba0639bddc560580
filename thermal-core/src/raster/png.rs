//! 16-bit grey PNG.

use png::{BitDepth, ColorType, Decoder, Transformations};

use super::{COPY_AGAIN, EXPORT_VALUES, Limits, Pixels, Raster, Source, checked_size};
use crate::Result;

/// Decodes a PNG whose signature has been seen.
pub(super) fn decode(source: Source<'_>, limits: &Limits) -> Result<Raster> {
    let damaged = |e: png::DecodingError| {
        let reason = format!("{e}; the file holds {} bytes", source.bytes.len());
        source.error("PNG data", reason, COPY_AGAIN)
    };
    // No chunk is larger than the file; with two rows and some tables this is all that the decoder needs for itself.
    let allowed = source.bytes.len().saturating_add(1 << 20);
    let mut decoder = Decoder::new_with_limits(std::io::Cursor::new(source.bytes), png::Limits { bytes: allowed });
    decoder.set_transformations(Transformations::IDENTITY);
    decoder.set_ignore_text_chunk(true);
    decoder.set_ignore_iccp_chunk(true);

    let info = decoder.read_header_info().map_err(damaged)?;
    let kind = match info.color_type {
        ColorType::Grayscale => "grey",
        ColorType::GrayscaleAlpha => "grey and opacity",
        ColorType::Indexed => "palette",
        ColorType::Rgb | ColorType::Rgba => "RGB",
    };
    if (info.color_type, info.bit_depth) != (ColorType::Grayscale, BitDepth::Sixteen) {
        let bits = info.bit_depth as u8;
        let reason = format!("the file holds a picture ({bits}-bit {kind}), not measured values");
        return Err(source.error("PNG header", reason, EXPORT_VALUES));
    }
    let (width, height) = checked_size(&source, "PNG header", info.width.into(), info.height.into(), limits)?;

    let mut reader = decoder.read_info().map_err(damaged)?;
    let mut bytes = vec![0; width * height * 2];
    let frame = reader.next_frame(&mut bytes).map_err(damaged)?;
    if (frame.width as usize, frame.height as usize) != (width, height) {
        let reason = format!("its first frame is {} x {} of {width} x {height} pixels", frame.width, frame.height);
        return Err(source.error("PNG data", reason, EXPORT_VALUES));
    }
    let values = bytes.as_chunks().0.iter().map(|b| u16::from_be_bytes(*b)).collect();
    Ok(Raster { pixels: Pixels::U16(super::array(&source, (height, width), values)?), white_is_zero: false })
}
