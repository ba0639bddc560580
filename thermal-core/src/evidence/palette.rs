//! The 256 colours of a picture: a byte a pixel is a third of the memory to paint and to pack. Colours between two of them,
//! at the rims of lines and letters, are the nearest that the palette holds.

use std::sync::OnceLock;

use super::colour::ColourMap;

/// The page, and the heart of a line in the panel. The packer of PNG is at its best with runs of 0.
pub(super) const WHITE: u8 = 0;
/// What explains; 7:1 against white, the contrast that WCAG 2.2 (1.4.6) asks of text.
pub(super) const QUIET: u8 = 1;
/// What matters.
pub(super) const INK: u8 = 2;
/// The rim of a line in the panel.
pub(super) const BLACK: u8 = 3;
/// Thin lines in the panel.
pub(super) const THIN: u8 = 4;
/// Rules between parts of the page.
pub(super) const RULE: u8 = 5;
/// Stripes outside the frame.
pub(super) const STRIPE: u8 = 6;
/// Between the stripes.
pub(super) const BETWEEN: u8 = 7;
/// The shades above by their numbers, sRGB.
const SHADES: [[u8; 3]; 8] =
    [[255; 3], [84, 88, 96], [24, 26, 31], [0; 3], [190; 3], [205, 208, 214], [150; 3], [225; 3]];
/// The first of these are drawn with smooth rims.
const SMOOTH: usize = 5;
/// Greys from black and from ink to white, for those rims.
const GREYS: usize = 36;
/// The steps of the colour map come after them.
const FIRST_STEP: usize = SHADES.len() + 2 * GREYS;
/// Steps of the colour map.
pub(super) const STEPS: usize = 256 - FIRST_STEP;
/// Steps from nothing to full cover.
pub(super) const COVERS: usize = 16;

/// The colours and what comes of laying one over another.
pub(super) struct Palette {
    pub(super) colours: [[u8; 3]; 256],
    /// For each shade with smooth rims and each cover, by what lies under it.
    mixed: Vec<[u8; 256]>,
}

impl Palette {
    /// The palette of a colour map, worked out once.
    pub(super) fn of(map: ColourMap) -> &'static Self {
        static PALETTES: [OnceLock<Palette>; 4] = [const { OnceLock::new() }; 4];
        PALETTES[map as usize].get_or_init(|| Self::new(map))
    }

    fn new(map: ColourMap) -> Self {
        let mut colours = [[0; 3]; 256];
        colours[..SHADES.len()].copy_from_slice(&SHADES);
        for i in 0..GREYS {
            let share = (i + 1) as f64 / (GREYS + 1) as f64;
            colours[SHADES.len() + i] = mix(SHADES[usize::from(BLACK)], [255; 3], share);
            colours[SHADES.len() + GREYS + i] = mix(SHADES[usize::from(INK)], [255; 3], share);
        }
        for (i, colour) in colours[FIRST_STEP..].iter_mut().enumerate() {
            *colour = map.at(i as f64 / (STEPS - 1) as f64);
        }
        let nearest = |wanted: [u8; 3]| {
            let distance = |colour: &[u8; 3]| -> i32 {
                (0..3).map(|k| (i32::from(colour[k]) - i32::from(wanted[k])).pow(2)).sum()
            };
            (0..=255_u8).min_by_key(|i| distance(&colours[usize::from(*i)])).unwrap_or_default()
        };
        let mixed = (0..SMOOTH * COVERS)
            .map(|k| {
                let share = (k % COVERS) as f64 / (COVERS - 1) as f64;
                std::array::from_fn(|under| {
                    if k % COVERS == 0 { under as u8 } else { nearest(mix(colours[under], SHADES[k / COVERS], share)) }
                })
            })
            .collect();
        Self { colours, mixed }
    }

    /// What comes of covering a colour by a shade with smooth rims; `cover` is below [`COVERS`].
    pub(super) fn over(&self, shade: u8, cover: u8) -> &[u8; 256] {
        &self.mixed[usize::from(shade) * COVERS + usize::from(cover)]
    }

    /// The colour of the nearest step of the colour map, the first or the last for all that is beyond it.
    pub(super) fn step(step: f32) -> u8 {
        // Added to a power of two, a number stands rounded in the lowest bits.
        (step.clamp(0.0, (STEPS - 1) as f32) + ((1 << 23) + FIRST_STEP) as f32).to_bits() as u8
    }
}

/// A colour on the way from one to another.
fn mix(from: [u8; 3], to: [u8; 3], share: f64) -> [u8; 3] {
    std::array::from_fn(|k| (f64::from(from[k]) * (1.0 - share) + f64::from(to[k]) * share).round() as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_cover_is_the_shade_itself_and_none_leaves_what_is_there() {
        for map in [ColourMap::Inferno, ColourMap::Magma, ColourMap::Viridis, ColourMap::Cividis] {
            let palette = Palette::of(map);
            for shade in [INK, QUIET, WHITE, BLACK, THIN] {
                for under in 0..=255_u8 {
                    assert_eq!(palette.over(shade, 0)[usize::from(under)], under);
                    let full = palette.over(shade, COVERS as u8 - 1)[usize::from(under)];
                    assert_eq!(palette.colours[usize::from(full)], SHADES[usize::from(shade)]);
                }
            }
        }
    }

    #[test]
    fn rims_of_letters_are_as_good_as_true() {
        // Half of what an eye tells apart on a page: some 2 % of the span between ink and white.
        let palette = Palette::of(ColourMap::Inferno);
        for shade in [INK, QUIET] {
            for cover in 0..COVERS as u8 {
                let got = palette.colours[usize::from(palette.over(shade, cover)[usize::from(WHITE)])];
                let wanted = mix([255; 3], SHADES[usize::from(shade)], f64::from(cover) / (COVERS - 1) as f64);
                assert!(got.iter().zip(wanted).all(|(a, b)| a.abs_diff(b) <= 8), "{shade} {cover}: {got:?} {wanted:?}");
            }
        }
    }

    #[test]
    fn black_over_any_step_grows_darker_with_the_cover() {
        let palette = Palette::of(ColourMap::Inferno);
        let light = |index: u8| palette.colours[usize::from(index)].map(u32::from).iter().sum::<u32>();
        for step in 0..STEPS {
            let under = Palette::step(step as f32);
            let row: Vec<_> = (0..COVERS as u8).map(|c| light(palette.over(BLACK, c)[usize::from(under)])).collect();
            // The nearest colour may be lighter by a grey's step than the one before.
            assert!(row.windows(2).all(|pair| pair[1] <= pair[0] + 24), "{step}: {row:?}");
        }
    }
}
