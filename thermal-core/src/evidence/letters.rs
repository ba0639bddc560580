//! Text in an embedded font. A letter is drawn once for each size and quarter of a pixel, then copied.

use std::cell::RefCell;
use std::collections::HashMap;

use ab_glyph::{Font, FontRef, GlyphId, ScaleFont, point};

use super::palette::COVERS;
use crate::{Error, Result};

/// The fonts; see `assets/README.md`.
pub(super) const REGULAR: &[u8] = include_bytes!("../../assets/DejaVuSans-subset.ttf");
pub(super) const BOLD: &[u8] = include_bytes!("../../assets/DejaVuSans-Bold-subset.ttf");

/// Thickness of the letters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// How much of each pixel a letter covers.
struct Letter {
    /// The upper left pixel from where the line of text begins.
    left: i32,
    top: i32,
    width: usize,
    /// Row by row, 0 to [`COVERS`] - 1.
    cover: Vec<u8>,
}

/// Weight, size in thousandths of a pixel, glyph, quarter of a pixel.
type Key = (Weight, u32, GlyphId, u8);

thread_local! {
    /// The fonts hold some hundred letters, the page six sizes: what is kept stays under a megabyte or two.
    static LETTERS: RefCell<HashMap<Key, Option<Letter>>> = RefCell::default();
}

/// The two fonts.
pub(super) struct Fonts {
    regular: FontRef<'static>,
    bold: FontRef<'static>,
}

impl Fonts {
    pub(super) fn new() -> Result<Self> {
        let font = |bytes| {
            FontRef::try_from_slice(bytes)
                .map_err(|error| Error::argument("font", error.to_string(), "report this as a fault of the program"))
        };
        Ok(Self { regular: font(REGULAR)?, bold: font(BOLD)? })
    }

    fn font(&self, weight: Weight) -> &FontRef<'static> {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Calls `place` with each glyph and where it begins, px; returns the width of the line.
    fn lay(&self, text: &str, size: f32, weight: Weight, mut place: impl FnMut(GlyphId, f32)) -> f32 {
        let font = self.font(weight).as_scaled(size);
        let (mut x, mut before) = (0.0, None);
        for letter in text.chars() {
            let glyph = font.glyph_id(letter);
            x += before.map_or(0.0, |before| font.kern(before, glyph));
            place(glyph, x);
            x += font.h_advance(glyph);
            before = Some(glyph);
        }
        x
    }

    /// Width of a line of text, px.
    pub(super) fn width(&self, text: &str, size: f32, weight: Weight) -> f32 {
        self.lay(text, size, weight, |_, _| {})
    }

    /// Calls `row` with the left pixel, the pixel's row and the covers of each row of each letter, from the upper left
    /// corner of the line of text.
    pub(super) fn draw(&self, text: &str, size: f32, weight: Weight, mut row: impl FnMut(i32, i32, &[u8])) {
        LETTERS.with_borrow_mut(|letters| {
            self.lay(text, size, weight, |glyph, x| {
                let quarters = (4.0 * x).round() as i32;
                let key = (weight, (1000.0 * size) as u32, glyph, quarters.rem_euclid(4) as u8);
                let Some(letter) = letters.entry(key).or_insert_with(|| self.letter(key, size)) else { return };
                for (y, cover) in (letter.top..).zip(letter.cover.chunks_exact(letter.width)) {
                    row(quarters.div_euclid(4) + letter.left, y, cover);
                }
            });
        });
    }

    /// `None` for what leaves no mark, as a blank.
    fn letter(&self, (weight, _, glyph, quarter): Key, size: f32) -> Option<Letter> {
        let font = self.font(weight);
        let at = point(0.25 * f32::from(quarter), font.as_scaled(size).ascent());
        let outlined = font.outline_glyph(glyph.with_scale_and_position(size, at))?;
        let bounds = outlined.px_bounds();
        let (width, height) = (bounds.width() as usize, bounds.height() as usize);
        let mut cover = vec![0; width * height];
        outlined.draw(|x, y, share| {
            if let Some(pixel) = cover.get_mut(y as usize * width + x as usize) {
                *pixel = (share.clamp(0.0, 1.0) * (COVERS - 1) as f32).round() as u8;
            }
        });
        (width > 0).then_some(Letter { left: bounds.min.x as i32, top: bounds.min.y as i32, width, cover })
    }
}
