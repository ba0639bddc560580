//! A white page to draw on: text in an embedded font, filled rectangles, smooth lines.

use ab_glyph::FontRef;
use image::{Rgb, RgbImage};
use imageproc::drawing::{draw_text_mut, text_size};

use crate::{Error, Result};

/// Colour of what matters.
pub(super) const INK: [u8; 3] = [24, 26, 31];
/// Colour of what explains; 7:1 against white, the contrast that WCAG 2.2 (1.4.6) asks of text.
pub(super) const QUIET: [u8; 3] = [84, 88, 96];
/// Colour of rules.
pub(super) const RULE: [u8; 3] = [205, 208, 214];

/// The fonts; see `assets/README.md`.
pub(super) const REGULAR: &[u8] = include_bytes!("../../assets/DejaVuSans-subset.ttf");
pub(super) const BOLD: &[u8] = include_bytes!("../../assets/DejaVuSans-Bold-subset.ttf");

/// A rectangle of pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Rectangle {
    pub(super) x: u32,
    pub(super) y: u32,
    pub(super) width: u32,
    pub(super) height: u32,
}

impl Rectangle {
    pub(super) fn right(self) -> u32 {
        self.x + self.width
    }

    pub(super) fn bottom(self) -> u32 {
        self.y + self.height
    }
}

/// Thickness of the letters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// The page.
pub(super) struct Canvas {
    pub(super) image: RgbImage,
    regular: FontRef<'static>,
    bold: FontRef<'static>,
}

impl Canvas {
    pub(super) fn new(width: u32, height: u32) -> Result<Self> {
        let font = |bytes| {
            FontRef::try_from_slice(bytes)
                .map_err(|error| Error::argument("font", error.to_string(), "report this as a fault of the program"))
        };
        let image = RgbImage::from_pixel(width, height, Rgb([255; 3]));
        Ok(Self { image, regular: font(REGULAR)?, bold: font(BOLD)? })
    }

    fn font(&self, weight: Weight) -> &FontRef<'static> {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Width of a line of text, px.
    pub(super) fn text_width(&self, text: &str, size: f32, weight: Weight) -> f32 {
        if text.is_empty() { 0.0 } else { text_size(size, self.font(weight), text).0 as f32 }
    }

    /// Draws a line of text with its upper left corner at `x`, `y`.
    pub(super) fn text(&mut self, x: f32, y: f32, size: f32, weight: Weight, colour: [u8; 3], text: &str) {
        let Self { image, regular, bold } = self;
        let font = if weight == Weight::Bold { bold } else { regular };
        draw_text_mut(image, Rgb(colour), x.round() as i32, y.round() as i32, size, &*font, text);
    }

    /// The text, cut with an ellipsis where it is wider than `width`.
    pub(super) fn fit(&self, text: &str, size: f32, weight: Weight, width: f32) -> String {
        let text = printable(text);
        if self.text_width(&text, size, weight) <= width {
            return text;
        }
        let mut cut = text;
        while cut.pop().is_some() {
            let shorter = format!("{}\u{2026}", cut.trim_end());
            if self.text_width(&shorter, size, weight) <= width {
                return shorter;
            }
        }
        cut
    }

    /// The text in lines no wider than `width`.
    pub(super) fn wrap(&self, text: &str, size: f32, weight: Weight, width: f32) -> Vec<String> {
        let text = printable(text);
        let mut lines: Vec<String> = vec![];
        for word in text.split(' ').filter(|word| !word.is_empty()) {
            match lines.last_mut() {
                Some(line) if self.text_width(&format!("{line} {word}"), size, weight) <= width => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(self.fit(word, size, weight, width)),
            }
        }
        lines
    }

    /// Fills a rectangle.
    pub(super) fn fill(&mut self, area: Rectangle, colour: [u8; 3]) {
        for y in area.y..area.bottom().min(self.image.height()) {
            for x in area.x..area.right().min(self.image.width()) {
                self.image.put_pixel(x, y, Rgb(colour));
            }
        }
    }

    /// Draws the closed outline of a polygon with round joints, within `clip`.
    pub(super) fn outline(&mut self, corners: &[[f64; 2]], width: f64, colour: [u8; 3], clip: Rectangle) {
        for (i, &from) in corners.iter().enumerate() {
            let to = corners[(i + 1) % corners.len()];
            self.line(from, to, width, colour, clip);
        }
    }

    /// A line with round ends: each pixel is covered by what its distance from the line leaves.
    fn line(&mut self, from: [f64; 2], to: [f64; 2], width: f64, colour: [u8; 3], clip: Rectangle) {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy);
        if !length.is_finite() || length < 1e-9 {
            return;
        }
        let reach = 0.5 * width + 1.0;
        // Casting saturates, so a line far outside leaves an empty range.
        let range = |a: f64, b: f64, low: u32, high: u32| {
            let first = (a.min(b) - reach).floor() as u32;
            let last = (a.max(b) + reach).ceil() as u32;
            first.max(low)..last.min(high)
        };
        for y in range(from[1], to[1], clip.y, clip.bottom().min(self.image.height())) {
            for x in range(from[0], to[0], clip.x, clip.right().min(self.image.width())) {
                let (px, py) = (f64::from(x) + 0.5 - from[0], f64::from(y) + 0.5 - from[1]);
                let along = ((px * dx + py * dy) / length).clamp(0.0, length);
                let distance = (px - along * dx / length).hypot(py - along * dy / length);
                let cover = (0.5 * width + 0.5 - distance).clamp(0.0, 1.0);
                if cover > 0.0 {
                    let pixel = self.image.get_pixel_mut(x, y);
                    for (under, over) in pixel.0.iter_mut().zip(colour) {
                        *under = (f64::from(*under) * (1.0 - cover) + f64::from(over) * cover).round() as u8;
                    }
                }
            }
        }
    }

    /// Adds white at the foot of the page until it is `height` tall.
    pub(super) fn grow(&mut self, height: u32) {
        if height > self.image.height() {
            let mut taller = RgbImage::from_pixel(self.image.width(), height, Rgb([255; 3]));
            image::imageops::replace(&mut taller, &self.image, 0, 0);
            self.image = taller;
        }
    }
}

/// The text in one line of characters that take space: a line break in a name must not spoil the page.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
