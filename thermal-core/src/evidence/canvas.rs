//! A white page to draw on: text, filled rectangles, smooth lines.

use super::colour::ColourMap;
use super::letters::{Fonts, Weight};
use super::palette::{COVERS, Palette, WHITE};
use super::picture::Picture;
use crate::Result;

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

/// The page.
pub(super) struct Canvas {
    width: usize,
    /// Indices into the palette, row by row.
    pixels: Vec<u8>,
    palette: &'static Palette,
    fonts: Fonts,
}

impl Canvas {
    pub(super) fn new(width: u32, height: u32, map: ColourMap) -> Result<Self> {
        let pixels = vec![WHITE; width as usize * height as usize];
        Ok(Self { width: width as usize, pixels, palette: Palette::of(map), fonts: Fonts::new()? })
    }

    /// What has been drawn.
    pub(super) fn finish(self) -> Picture {
        Picture { width: self.width as u32, pixels: self.pixels, palette: self.palette }
    }

    /// The pixels of a row from `x` on, at most `width`; none outside the page.
    pub(super) fn row(&mut self, x: u32, y: u32, width: u32) -> &mut [u8] {
        let (from, to) = ((x as usize).min(self.width), ((x + width) as usize).min(self.width));
        let start = y as usize * self.width;
        self.pixels.get_mut(start + from..start + to).unwrap_or_default()
    }

    /// Width of a line of text, px.
    pub(super) fn text_width(&self, text: &str, size: f32, weight: Weight) -> f32 {
        self.fonts.width(text, size, weight)
    }

    /// Draws a line of text with its upper left corner at `x`, `y`.
    pub(super) fn text(&mut self, x: f32, y: f32, size: f32, weight: Weight, shade: u8, text: &str) {
        let Self { width, pixels, palette, fonts } = self;
        let (x, y) = (x.round() as i32, y.round() as i32);
        fonts.draw(text, size, weight, |left, top, cover| {
            let Ok(row) = usize::try_from(y + top) else { return };
            let Some(row) = pixels.chunks_exact_mut(*width).nth(row) else { return };
            let (outside, left) = ((-x - left).max(0) as usize, (x + left).max(0) as usize);
            for (pixel, cover) in row.iter_mut().skip(left).zip(cover.iter().skip(outside)).filter(|(_, c)| **c > 0) {
                *pixel = palette.over(shade, *cover)[usize::from(*pixel)];
            }
        });
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
    pub(super) fn fill(&mut self, area: Rectangle, colour: u8) {
        for y in area.y..area.bottom() {
            self.row(area.x, y, area.width).fill(colour);
        }
    }

    /// Draws the closed outline of a polygon with round joints, within `clip`.
    pub(super) fn outline(&mut self, corners: &[[f64; 2]], width: f64, shade: u8, clip: Rectangle) {
        for (i, &from) in corners.iter().enumerate() {
            let to = corners[(i + 1) % corners.len()];
            self.line(from, to, width, shade, clip);
        }
    }

    /// A line with round ends: each pixel is covered by what its distance from the line leaves.
    fn line(&mut self, from: [f64; 2], to: [f64; 2], width: f64, shade: u8, clip: Rectangle) {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy);
        if !length.is_finite() || length < 1e-9 {
            return;
        }
        let (dx, dy) = (dx / length, dy / length);
        // Casting saturates, so a line far outside leaves an empty range. The outermost pixels have their middles half a pixel
        // beyond the line's rim.
        let range = |a: f64, b: f64, low: u32, high: u32| {
            let first = (a.min(b) - 0.5 * width - 1.0).ceil() as u32;
            let last = (a.max(b) + 0.5 * width + 1.0).floor() as u32;
            first.max(low)..last.min(high)
        };
        let palette = self.palette;
        let columns = range(from[0], to[0], clip.x, clip.right());
        for y in range(from[1], to[1], clip.y, clip.bottom()) {
            let row = self.row(columns.start, y, columns.end.saturating_sub(columns.start));
            for (x, pixel) in columns.clone().zip(row) {
                let (px, py) = (f64::from(x) + 0.5 - from[0], f64::from(y) + 0.5 - from[1]);
                let along = (px * dx + py * dy).clamp(0.0, length);
                let (rest_x, rest_y) = (px - along * dx, py - along * dy);
                let distance = (rest_x * rest_x + rest_y * rest_y).sqrt();
                let cover = ((0.5 * width + 0.5 - distance).clamp(0.0, 1.0) * (COVERS - 1) as f64 + 0.5) as u8;
                if cover > 0 {
                    *pixel = palette.over(shade, cover)[usize::from(*pixel)];
                }
            }
        }
    }

    /// Adds white at the foot of the page until it is `height` tall.
    pub(super) fn grow(&mut self, height: u32) {
        let enough = height as usize * self.width;
        if enough > self.pixels.len() {
            self.pixels.resize(enough, WHITE);
        }
    }
}

/// The text in one line of characters that take space: a line break in a name must not spoil the page.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
