//! How wide the edges of modules are, in pixels, in the two directions of the rows: focus and motion together.
//!
//! Blur is a kernel, and its equivalent width, area over height, shows in two ways: in a step as height over greatest slope,
//! in a thin line as area over height. A Gaussian of standard deviation s has s sqrt(2 pi), an even trail its length. Profiles
//! are taken across the strongest edges of the frame, which are the modules'.

use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};

use crate::median::median;

/// Half the length of a profile, px.
const REACH: i32 = 7;
/// Samples a pixel along a profile.
const FINE: i32 = 2;
/// Pixels at the frame's edge that no profile starts in: its length and half its width, at any angle.
const MARGIN: usize = 11;
/// Side of the cells that give one edge each, px.
const CELL: usize = 16;
/// Edges looked at of those nearer to upright and of those nearer to level.
const EDGES: usize = 100;
/// Weakest edge looked at, K a pixel.
const LEAST_SLOPE: f32 = 0.15;
/// Least height of a step and of a line, K: the noise of a profile is about 0.03 K.
const LEAST_STEP_K: f32 = 3.0;
const LEAST_LINE_K: f32 = 1.0;
/// Edges of one direction that make a measure.
const LEAST_EDGES: usize = 6;
/// The two directions are alike within this ratio: each is measured within a tenth.
const LEAST_RATIO: f64 = 1.2;
/// Equivalent width of a Gaussian in standard deviations.
const EQUIVALENT: f64 = 2.506_628;
/// From a standard deviation to the width from 10 to 90 % of the rise.
const RISE: f64 = 2.563_103;

/// Width of edges.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Sharpness {
    /// Standard deviation of the spread across the edges of two directions at right angles, px, in rising order; the second
    /// is missing where the frame has edges of one direction only.
    pub sigma_px: [Option<f64>; 2],
}

/// Width from 10 to 90 % of the rise for a standard deviation.
pub(crate) fn edge_width_px(sigma_px: f64) -> f64 {
    RISE * sigma_px
}

impl Sharpness {
    /// Measures a frame (deg C). `line_px`: width of the gaps between modules with their frames, px, where known.
    pub fn of(celsius: &ArrayView2<'_, f32>, line_px: Option<f64>) -> Self {
        let edges = strongest(celsius);
        let profiles: Vec<Profile> = edges.iter().filter_map(|edge| Profile::across(celsius, edge)).collect();
        let Some(main) = main_direction(&profiles) else { return Self::default() };
        let mut sigma: Vec<f64> =
            [main, main + 90.0].into_iter().filter_map(|direction| spread(&profiles, direction, line_px)).collect();
        sigma.sort_by(f64::total_cmp);
        Self { sigma_px: [sigma.first().copied(), sigma.get(1).copied()] }
    }

    /// The widest edges, 10 to 90 % of the rise, px.
    pub fn width_px(&self) -> Option<f64> {
        self.sigma_px[1].or(self.sigma_px[0]).map(edge_width_px)
    }

    /// Beyond the limits, by focus or by motion.
    pub fn is_soft(&self, limits: &super::Limits) -> bool {
        self.width_px().is_some_and(|width| width > limits.edge_px)
            || self.trail_px().is_some_and(|trail| trail > limits.trail_px)
    }

    /// Length of the trail that makes the one direction wider than the other, px; 0 where both are alike.
    pub(crate) fn trail_px(&self) -> Option<f64> {
        let [Some(sharp), Some(smeared)] = self.sigma_px else { return None };
        if smeared < LEAST_RATIO * sharp {
            return Some(0.0);
        }
        // Height over slope of a step through the sharper Gaussian and an even trail of length L is
        // L / erf(L / (2 sqrt 2 s)); it grows with L.
        let (mut low, mut high) = (0.0, EQUIVALENT * smeared);
        for _ in 0..40 {
            let length: f64 = 0.5 * (low + high);
            let seen = length / statrs::function::erf::erf(length / (8f64.sqrt() * sharp));
            if seen < EQUIVALENT * smeared { low = length } else { high = length }
        }
        Some(0.5 * (low + high))
    }
}

/// The strongest gradient of a cell.
#[derive(Debug, Clone, Copy)]
struct Edge {
    x: usize,
    y: usize,
    gradient: [f32; 2],
    squared: f32,
}

/// Two edges a cell, one nearer to upright and one nearer to level; the strongest of each kind, the strongest first.
fn strongest(celsius: &ArrayView2<'_, f32>) -> Vec<Edge> {
    let (height, width) = celsius.dim();
    let Some(pixels) = celsius.to_slice() else { return Vec::new() };
    if width < 4 * MARGIN || height < 4 * MARGIN {
        return Vec::new();
    }
    let columns = width.div_ceil(CELL);
    // Squares are kept as their bits, which order alike: the largest of whole numbers is found many at a time.
    let mut best = [(); 2].map(|()| vec![(0i32, 0, 0); columns * height.div_ceil(CELL)]);
    let mut squared = [vec![0i32; width], vec![0i32; width]];
    let bits = |square: f32| square.to_bits().cast_signed();
    let gradient = |x: usize, y: usize| -> [f32; 2] {
        let [a, b, c] = [y - 1, y, y + 1].map(|row| &pixels[row * width + x - 1..][..3]);
        [
            ((a[2] - a[0]) + 2.0 * (b[2] - b[0]) + (c[2] - c[0])) * 0.125,
            ((c[0] - a[0]) + 2.0 * (c[1] - a[1]) + (c[2] - a[2])) * 0.125,
        ]
    };
    // Every second row: an edge of more than a pixel's length crosses one, a level one is blurred over two.
    for y in (MARGIN..height - MARGIN).step_by(2) {
        let [a, b, c] = [y - 1, y, y + 1].map(|row| &pixels[row * width..][..width]);
        let [upright, level] = &mut squared;
        for x in 1..width - 1 {
            let gx = ((a[x + 1] - a[x - 1]) + 2.0 * (b[x + 1] - b[x - 1]) + (c[x + 1] - c[x - 1])) * 0.125;
            let gy = ((c[x - 1] - a[x - 1]) + 2.0 * (c[x] - a[x]) + (c[x + 1] - a[x + 1])) * 0.125;
            let (x2, y2) = (gx * gx, gy * gy);
            upright[x] = if x2 >= y2 { bits(x2 + y2) } else { 0 };
            level[x] = if x2 < y2 { bits(x2 + y2) } else { 0 };
        }
        for (best, squared) in best.iter_mut().zip(&squared) {
            let row = &mut best[y / CELL * columns..][..columns];
            for (column, values) in squared[MARGIN..width - MARGIN].chunks(CELL).enumerate() {
                let top = values.iter().copied().fold(0, i32::max);
                if top > row[column].0
                    && let Some(k) = values.iter().position(|v| *v == top)
                {
                    row[column] = (top, MARGIN + column * CELL + k, y);
                }
            }
        }
    }
    let mut out = Vec::with_capacity(2 * EDGES);
    for mut best in best {
        best.retain(|(squared, ..)| *squared > bits(LEAST_SLOPE * LEAST_SLOPE));
        best.sort_by(|a, b| b.0.cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
        best.truncate(EDGES);
        out.extend(best.into_iter().map(|(squared, x, y)| Edge {
            x,
            y,
            gradient: gradient(x, y),
            squared: f32::from_bits(squared.cast_unsigned()),
        }));
    }
    out
}

/// What a profile across an edge shows.
#[derive(Debug, Clone, Copy)]
struct Profile {
    /// Direction of the gradient, deg, 0 to 180.
    direction_deg: f64,
    /// Height of the monotone rise, K.
    rise_k: f32,
    /// Equivalent width of the blur where this is a step, and where it is a line, px.
    step_px: f64,
    line_px: f64,
    /// Difference of the far ends over the rise: 1 for a step, 0 for a line.
    lasting: f32,
}

impl Profile {
    fn across(celsius: &ArrayView2<'_, f32>, edge: &Edge) -> Option<Self> {
        const SAMPLES: usize = (2 * REACH * FINE + 1) as usize;
        let width = celsius.ncols();
        let pixels = celsius.to_slice()?;
        let norm = edge.squared.sqrt();
        let [nx, ny] = edge.gradient.map(|g| g / norm);
        let mut line = [0f32; SAMPLES];
        for side in -2..=2i32 {
            for (value, k) in line.iter_mut().zip(-REACH * FINE..) {
                let t = k as f32 / FINE as f32;
                let x = edge.x as f32 + t * nx - side as f32 * ny;
                let y = edge.y as f32 + t * ny + side as f32 * nx;
                let (left, top) = (x as i32, y as i32);
                let (u, v) = (x - left as f32, y - top as f32);
                let at = top as usize * width + left as usize;
                let (upper, lower) = (pixels.get(at..at + 2)?, pixels.get(at + width..at + width + 2)?);
                let (a, b) = (upper[0] + u * (upper[1] - upper[0]), lower[0] + u * (lower[1] - lower[0]));
                *value += 0.2 * (a + v * (b - a));
            }
        }
        if !line.iter().all(|v| v.is_finite()) {
            return None;
        }
        let slope: Vec<f32> = line.windows(2).map(|pair| (pair[1] - pair[0]) * FINE as f32).collect();
        let middle = slope.len() / 2;
        let top = (middle - 3..middle + 3).max_by(|a, b| slope[*a].total_cmp(&slope[*b]))?;
        let least = 0.03 * slope[top];
        let (mut from, mut to) = (top, top);
        while from > 0 && slope[from - 1] > least {
            from -= 1;
        }
        while to + 1 < slope.len() && slope[to + 1] > least {
            to += 1;
        }
        let rise = line[to + 1] - line[from];
        let far = 0.5 * (line[SAMPLES - 1] + line[SAMPLES - 2] - line[0] - line[1]);
        (rise > 0.0 && slope[top] > 0.0).then(|| Self {
            direction_deg: f64::from(ny.atan2(nx).to_degrees()).rem_euclid(180.0),
            rise_k: rise,
            step_px: f64::from(rise / slope[top]),
            line_px: equivalent_width_px(&line),
            lasting: far / rise,
        })
    }

    fn is_step(&self) -> bool {
        self.lasting > 0.6 && self.rise_k > LEAST_STEP_K
    }

    fn is_line(&self) -> bool {
        self.lasting.abs() < 0.4 && self.rise_k > LEAST_LINE_K
    }
}

/// Area over height of a line over the straight between the profile's ends, px.
fn equivalent_width_px(line: &[f32]) -> f64 {
    let (Some(first), Some(last)) = (line.first_chunk::<3>(), line.last_chunk::<3>()) else { return 0.0 };
    let (from, to) = (first.iter().sum::<f32>() / 3.0, last.iter().sum::<f32>() / 3.0);
    let over = |k: usize| line[k] - (from + (to - from) * k as f32 / (line.len() - 1) as f32);
    let (mut area, mut height) = (0f32, 0f32);
    for k in 0..line.len() {
        area += over(k) / FINE as f32;
        if over(k).abs() > height.abs() {
            height = over(k);
        }
    }
    f64::from(area / height)
}

/// The direction, deg, that most edges share, alike or at right angles.
fn main_direction(profiles: &[Profile]) -> Option<f64> {
    let mut bins = [0u32; 18];
    for profile in profiles.iter().filter(|p| p.is_step() || p.is_line()) {
        bins[((profile.direction_deg % 90.0) / 5.0) as usize % 18] += 1;
    }
    let smooth = |k: usize| bins[(k + 17) % 18] + 2 * bins[k] + bins[(k + 1) % 18];
    let best = (0..18).max_by_key(|k| (smooth(*k), std::cmp::Reverse(*k)))?;
    (smooth(best) > 0).then_some(5.0 * best as f64 + 2.5)
}

/// Standard deviation across the edges of a direction, from steps or from thin lines, whichever there are more of: a few of
/// the one among many of the other are corners and ground.
fn spread(profiles: &[Profile], direction_deg: f64, line_px: Option<f64>) -> Option<f64> {
    let near = |p: &&Profile| ((p.direction_deg - direction_deg + 90.0).rem_euclid(180.0) - 90.0).abs() < 25.0;
    let mut steps: Vec<f64> = profiles.iter().filter(near).filter(|p| p.is_step()).map(|p| p.step_px).collect();
    let mut lines: Vec<f64> =
        profiles.iter().filter(near).filter(|p| p.is_line() && p.line_px > 0.0).map(|p| p.line_px).collect();
    if steps.len() >= LEAST_EDGES && (steps.len() >= lines.len() || line_px.is_none()) {
        return Some(median(&mut steps) / EQUIVALENT);
    }
    let own = line_px?.powi(2) / 12.0;
    (lines.len() >= LEAST_EDGES).then(|| ((median(&mut lines) / EQUIVALENT).powi(2) - own).max(0.09).sqrt())
}
