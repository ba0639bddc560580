//! What the pixels of a frame say, whatever it shows: range, clipping, noise, sharpness, and a small picture of it.

use std::hash::Hasher;

use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};

use super::{Code, Limits, Reason, Sharpness, edge_width_px};
use crate::raster::{Pixels, Raster};

/// Columns of the small picture.
pub const MAP_COLUMNS: usize = 20;
/// Rows of the small picture.
pub const MAP_ROWS: usize = 16;

/// Levels beside the last one that it is compared with.
const NEIGHBOURS: usize = 8;
/// The last level is a pile when it holds this many times what the levels beside it hold.
const PILE: usize = 4;
/// Every this many pixels one is taken for the percentiles.
const STEP: usize = 11;
/// Side of a block whose noise is taken, px.
const BLOCK: usize = 16;

/// What was measured of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PixelMeasures {
    /// Columns and rows, px.
    pub size: [usize; 2],
    /// 16-bit counts; else float32.
    pub counts: bool,
    /// A number that equal pixels share.
    pub digest: u64,
    /// Median, deg C.
    pub median_c: f64,
    /// From the 1st to the 99th percentile, K.
    pub spread_k: f64,
    /// Pixels piled up at the lowest and at the highest value; 0 where the ends are thin.
    pub piled_px: [usize; 2],
    /// Pixels without a temperature.
    pub invalid_px: usize,
    /// Mean step between the values that occur, K; `None` for float32.
    pub step_k: Option<f64>,
    /// Noise from pixel to pixel, K.
    pub noise_k: f64,
    /// Edges.
    pub sharpness: Sharpness,
    /// Means of the blocks of a grid of [`MAP_COLUMNS`] by [`MAP_ROWS`] less the median, hundredths of a kelvin.
    pub map_ck: Vec<i16>,
}

/// Measures a frame. `celsius` is what the raster's values became; `line_px` see [`Sharpness::of`].
pub fn measure(raster: &Raster, celsius: ArrayView2<'_, f32>, line_px: Option<f64>) -> PixelMeasures {
    let levels = match &raster.pixels {
        Pixels::U16(counts) => Levels::of_counts(counts.as_slice().unwrap_or_default()),
        Pixels::F32(values) => Levels::of_floats(values.as_slice().unwrap_or_default()),
    };
    let mut sample: Vec<f32> = celsius.iter().copied().step_by(STEP).filter(|t| t.is_finite()).collect();
    let [low, low_5, median, high_95, high] = percentiles(&mut sample);
    let occupied = levels.between_tails;
    PixelMeasures {
        size: [raster.width(), raster.height()],
        counts: matches!(raster.pixels, Pixels::U16(_)),
        digest: levels.digest,
        median_c: f64::from(median),
        spread_k: f64::from(high - low),
        piled_px: levels.piled,
        invalid_px: celsius.iter().map(|t| u32::from(!t.is_finite())).sum::<u32>() as usize,
        step_k: (occupied > 1).then(|| f64::from(high_95 - low_5) / (occupied - 1) as f64),
        noise_k: noise(&celsius),
        sharpness: Sharpness::of(&celsius, line_px),
        map_ck: map(&celsius, median),
    }
}

/// The values have 8 bits only: all under 256, or all the same high and low byte, or no low byte.
pub(crate) fn is_eight_bit(raster: &Raster) -> bool {
    let Pixels::U16(counts) = &raster.pixels else { return false };
    let (mut top, mut low, mut twin) = (0, 0, 0);
    for count in counts {
        top |= count >> 8;
        low |= count & 0xFF;
        twin |= (count >> 8) ^ (count & 0xFF);
    }
    (top == 0 || low == 0 || twin == 0) && (top | low) != 0
}

impl PixelMeasures {
    /// What makes the frame unfit, whatever it shows.
    pub fn reasons(&self, limits: &Limits) -> Vec<Reason> {
        let mut out = Vec::new();
        if self.spread_k < limits.flat_k {
            let text = format!(
                "nothing to be seen: {:.1} K from the coldest to the warmest percent, at least {:.1}; lens cap, or the \
                 shutter was closed for a correction",
                self.spread_k, limits.flat_k
            );
            out.push(Reason::new(Code::Flat, self.spread_k, limits.flat_k, text));
            // Edges and noise of nothing mean nothing.
            return out;
        }
        for (piled, end) in self.piled_px.into_iter().zip(["lowest", "highest"]) {
            if piled >= limits.clipped_px {
                let text = format!("{piled} pixels stand at the {end} value: beyond the camera's range");
                out.push(Reason::new(Code::Clipped, piled as f64, limits.clipped_px as f64, text));
            }
        }
        if self.invalid_px >= limits.clipped_px {
            let text = format!("{} pixels have no temperature", self.invalid_px);
            out.push(Reason::new(Code::Clipped, self.invalid_px as f64, limits.clipped_px as f64, text));
        }
        if let Some(step) = self.step_k.filter(|step| *step > limits.step_k) {
            let text = format!(
                "the values come in steps of {step:.2} K, at most {:.2}: set the camera to its fine range",
                limits.step_k
            );
            out.push(Reason::new(Code::CoarseSteps, step, limits.step_k, text));
        }
        if self.noise_k > limits.noise_k {
            let text = format!("noise of {:.2} K, at most {:.2}", self.noise_k, limits.noise_k);
            out.push(Reason::new(Code::Noise, self.noise_k, limits.noise_k, text));
        }
        self.blur(limits, &mut out);
        out
    }

    fn blur(&self, limits: &Limits, out: &mut Vec<Reason>) {
        let sharp = &self.sharpness;
        let trail = sharp.trail_px().filter(|trail| *trail > limits.trail_px);
        if let Some(trail) = trail {
            let text = format!(
                "edges of modules are smeared over {trail:.1} px in one direction, at most {:.1}: fly slower",
                limits.trail_px
            );
            out.push(Reason::new(Code::MotionBlur, trail, limits.trail_px, text));
        }
        // A trail explains the wider direction; the other one tells the focus.
        let width = if trail.is_some() { sharp.sigma_px[0].map(edge_width_px) } else { sharp.width_px() };
        if let Some(width) = width.filter(|width| *width > limits.edge_px) {
            let text = format!(
                "edges of modules are {width:.1} px wide (10 to 90 %), at most {:.1}: focus, or dirt on the lens",
                limits.edge_px
            );
            out.push(Reason::new(Code::Soft, width, limits.edge_px, text));
        }
    }
}

/// What the stored values say.
struct Levels {
    digest: u64,
    piled: [usize; 2],
    /// Values that occur between the 5th and the 95th percentile.
    between_tails: usize,
}

impl Levels {
    fn of_counts(counts: &[u16]) -> Self {
        let mut bins = vec![0u32; 1 << 16];
        let mut digest = Digest::default();
        for run in counts.chunks(4) {
            let mut word = 0;
            for count in run {
                word = word << 16 | u64::from(*count);
                bins[usize::from(*count)] += 1;
            }
            digest.add(word);
        }
        let occupied: Vec<(usize, u32)> = bins.iter().copied().enumerate().filter(|(_, n)| *n > 0).collect();
        let total = counts.len() as u64;
        let (mut sum, mut between_tails) = (0u64, 0);
        for (_, n) in &occupied {
            let before = sum;
            sum += u64::from(*n);
            between_tails += usize::from(sum * 20 >= total && before * 20 <= 19 * total);
        }
        let heights: Vec<usize> = occupied.iter().map(|(_, n)| *n as usize).collect();
        let reversed: Vec<usize> = heights.iter().rev().copied().collect();
        Self { digest: digest.finish(), piled: [piled(&heights), piled(&reversed)], between_tails }
    }

    fn of_floats(values: &[f32]) -> Self {
        let mut digest = Digest::default();
        let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
        for value in values {
            digest.add(u64::from(value.to_bits()));
            low = low.min(*value);
            high = high.max(*value);
        }
        // Measured floats seldom repeat; clipped ones all bear the limit's value.
        let mut at = [0usize; 2];
        for value in values {
            at[0] += usize::from(*value == low);
            at[1] += usize::from(*value == high);
        }
        if low >= high {
            at = [0; 2];
        }
        Self { digest: digest.finish(), piled: at, between_tails: 0 }
    }
}

/// Pixels of the first level where it towers over the levels after it.
fn piled(levels: &[usize]) -> usize {
    let Some((first, rest)) = levels.split_first() else { return 0 };
    let beside = &rest[..rest.len().min(NEIGHBOURS)];
    let mean = beside.iter().sum::<usize>().div_ceil(beside.len().max(1));
    if beside.is_empty() || *first < PILE * mean { 0 } else { *first }
}

/// Folded multiplication, one step a word: fast, and equal pixels give equal numbers.
#[derive(Default)]
struct Digest(u64);

impl Digest {
    fn add(&mut self, word: u64) {
        let product = u128::from(self.0 ^ word ^ 0x9E37_79B9_7F4A_7C15) * 0xD6E8_FEB8_6659_FD93;
        self.0 = (product as u64) ^ (product >> 64) as u64;
    }

    fn finish(self) -> u64 {
        let mut hasher = std::hash::DefaultHasher::new();
        hasher.write_u64(self.0);
        // JSON holds whole numbers up to 2^53 exactly.
        hasher.finish() >> 11
    }
}

/// 1st, 5th, 50th, 95th and 99th percentile; zeros where there is nothing.
fn percentiles(sample: &mut [f32]) -> [f32; 5] {
    if sample.is_empty() {
        return [0.0; 5];
    }
    let n = sample.len() - 1;
    [1, 5, 50, 95, 99].map(|percent| *sample.select_nth_unstable_by(n * percent / 100, f32::total_cmp).1)
}

/// Noise after Immerkaer, "Fast noise variance estimation" (1996): the mask takes out every slope, and with it the fixed
/// offsets of columns and rows. The quarter of the blocks with the least says it, since texture only adds.
fn noise(celsius: &ArrayView2<'_, f32>) -> f64 {
    let (height, width) = celsius.dim();
    let Some(pixels) = celsius.to_slice() else { return 0.0 };
    let mut blocks = Vec::new();
    for top in (1..height.saturating_sub(BLOCK + 1)).step_by(2 * BLOCK) {
        for left in (1..width.saturating_sub(BLOCK + 1)).step_by(2 * BLOCK) {
            let mut sum = 0f32;
            for y in top..top + BLOCK {
                let [a, b, c] = [y - 1, y, y + 1].map(|row| &pixels[row * width + left - 1..][..BLOCK + 2]);
                for x in 1..=BLOCK {
                    let outer = a[x - 1] + a[x + 1] + c[x - 1] + c[x + 1];
                    let inner = a[x] + b[x - 1] + b[x + 1] + c[x];
                    sum += (outer - 2.0 * inner + 4.0 * b[x]).abs();
                }
            }
            if sum.is_finite() {
                blocks.push(f64::from(sum) / (BLOCK * BLOCK) as f64);
            }
        }
    }
    if blocks.is_empty() {
        return 0.0;
    }
    let quarter = blocks.len() / 4;
    // The mask's weights have a root sum of squares of 6.
    (std::f64::consts::FRAC_PI_2).sqrt() / 6.0 * *blocks.select_nth_unstable_by(quarter, f64::total_cmp).1
}

fn map(celsius: &ArrayView2<'_, f32>, median: f32) -> Vec<i16> {
    let (height, width) = celsius.dim();
    let Some(pixels) = celsius.to_slice() else { return vec![0; MAP_COLUMNS * MAP_ROWS] };
    let mut sums = vec![(0f32, 0u32); MAP_COLUMNS * MAP_ROWS];
    for (y, line) in pixels.chunks_exact(width.max(1)).enumerate() {
        let row = &mut sums[y * MAP_ROWS / height * MAP_COLUMNS..][..MAP_COLUMNS];
        for (column, (sum, count)) in row.iter_mut().enumerate() {
            let part = &line[column * width / MAP_COLUMNS..(column + 1) * width / MAP_COLUMNS];
            *sum += part.iter().sum::<f32>();
            *count += part.len() as u32;
        }
    }
    sums.into_iter()
        .map(|(sum, count)| 100.0 * (sum / count.max(1) as f32 - median))
        .map(|mean| if mean.is_finite() { mean.round().clamp(-32000.0, 32000.0) as i16 } else { 0 })
        .collect()
}
