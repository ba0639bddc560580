//! A drawn picture and its file.

use std::fmt;

use image::{Rgb, RgbImage};

use super::palette::Palette;
use crate::{Error, Result};

/// A picture of at most 256 colours, sRGB.
pub struct Picture {
    pub(super) width: u32,
    /// Indices into the palette, row by row.
    pub(super) pixels: Vec<u8>,
    pub(super) palette: &'static Palette,
}

impl fmt::Debug for Picture {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Picture").field("width", &self.width()).field("height", &self.height()).finish_non_exhaustive()
    }
}

impl Picture {
    /// Width, px.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Height, px.
    pub fn height(&self) -> u32 {
        self.pixels.len() as u32 / self.width
    }

    /// Each pixel in full.
    pub fn to_rgb(&self) -> RgbImage {
        let at = |x, y| self.pixels[(y * self.width + x) as usize];
        RgbImage::from_fn(self.width(), self.height(), |x, y| Rgb(self.palette.colours[usize::from(at(x, y))]))
    }

    /// The picture as a PNG file with a palette (ISO/IEC 15948, colour type 3), written for speed.
    ///
    /// # Errors
    /// None that a picture of this program can cause.
    pub fn png(&self) -> Result<Vec<u8>> {
        let mut bytes = Vec::with_capacity(self.pixels.len() / 4);
        let mut encoder = png::Encoder::new(&mut bytes, self.width(), self.height());
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_palette(self.palette.colours.as_flattened());
        encoder.set_compression(png::Compression::Fast);
        encoder.set_filter(png::Filter::Up);
        encoder
            .write_header()
            .and_then(|mut writer| {
                writer.write_image_data(&self.pixels)?;
                writer.finish()
            })
            .map_err(|error| Error::argument("picture", error.to_string(), "report this as a fault of the program"))?;
        Ok(bytes)
    }
}
