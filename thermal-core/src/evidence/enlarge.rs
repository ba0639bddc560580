//! A part of a frame and its enlargement by bicubic convolution (Catmull-Rom).

use ndarray::ArrayView2;

/// Pixels kept around a part on each side, so that every point inside has its 16 pixels.
const PAD: isize = 2;

/// A part of a frame with what lies around it; beyond the frame its edge is repeated.
pub(super) struct Patch {
    /// The frame's column and row of the first pixel kept.
    left: isize,
    top: isize,
    width: usize,
    height: usize,
    /// deg C, row by row.
    celsius: Vec<f32>,
}

impl Patch {
    /// The part that holds these points, each x and y in the frame's pixels.
    pub(super) fn around(celsius: &ArrayView2<'_, f32>, points: &[[f64; 2]]) -> Self {
        let span = |k: usize, count: usize| {
            let inside = |x: f64| (x as isize).clamp(0, count as isize - 1);
            let low = points.iter().map(|p| inside(p[k].floor())).min().unwrap_or(0);
            let high = points.iter().map(|p| inside(p[k].ceil())).max().unwrap_or(0);
            (low - PAD, (high - low + 1 + 2 * PAD) as usize)
        };
        let (rows, columns) = celsius.dim();
        let ((left, width), (top, height)) = (span(0, columns), span(1, rows));
        let held = |i: isize, count: usize| i.clamp(0, count as isize - 1) as usize;
        let mut kept = Vec::with_capacity(width * height);
        for y in 0..height {
            let row = celsius.row(held(top + y as isize, rows));
            kept.extend((0..width).map(|x| row[held(left + x as isize, columns)]));
        }
        Self { left, top, width, height, celsius: kept }
    }

    /// The temperature at a point of the frame between the pixels; never outside what the 16 pixels around it hold, `None`
    /// outside the part or where a pixel has no value.
    pub(super) fn temperature(&self, at: [f64; 2]) -> Option<f64> {
        let [x, y] = self.among_centres(at);
        if x < 1.0 || y < 1.0 {
            return None;
        }
        let (weights_x, weights_y) = (weights(x.fract() as f32), weights(y.fract() as f32));
        let start = (y as usize - 1) * self.width + x as usize - 1;
        let mut lines = [0.0; 4];
        let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
        for (j, sum) in lines.iter_mut().enumerate() {
            let line: &[f32; 4] = self.celsius.get(start + j * self.width..)?.first_chunk()?;
            *sum = weighed(line, &weights_x);
            low = line.iter().copied().fold(low, f32::min);
            high = line.iter().copied().fold(high, f32::max);
        }
        let sum = weighed(&lines, &weights_y);
        sum.is_finite().then(|| f64::from(sum.clamp(low, high)))
    }

    /// The frame's pixels between two columns and two rows: of each row the centre of the first, and the values.
    pub(super) fn rows(&self, x: [f64; 2], y: [f64; 2]) -> impl Iterator<Item = ([f64; 2], &[f32])> {
        let span = |[low, high]: [f64; 2], first: isize, count: usize| {
            let inside = |x: f64| (x as isize).saturating_sub(first).clamp(PAD, count as isize - PAD) as usize;
            inside(low.floor())..inside(high.ceil())
        };
        let columns = span(x, self.left, self.width);
        let left = (self.left + columns.start as isize) as f64 + 0.5;
        span(y, self.top, self.height).filter_map(move |j| {
            let row = self.celsius.get(j * self.width + columns.start..j * self.width + columns.end)?;
            Some(([left, (self.top + j as isize) as f64 + 0.5], row))
        })
    }

    /// A point of the frame among the centres of the pixels kept: whole numbers are centres.
    fn among_centres(&self, at: [f64; 2]) -> [f64; 2] {
        [at[0] - 0.5 - self.left as f64, at[1] - 0.5 - self.top as f64]
    }
}

/// A part of a frame on a finer grid, in which a straight line from one value to the next is as good as the curve. Whole
/// numbers throughout: a picture asks for some hundred thousand points.
pub(super) struct Enlarged {
    width: usize,
    /// Values for a pixel of the frame along either axis.
    times: usize,
    /// Temperatures in parts of a step, [`GAP`] where there is none.
    levels: Vec<i32>,
    /// Some are [`GAP`].
    gaps: bool,
}

/// Parts of a step.
const PARTS: f32 = 64.0;
/// Steps beyond the last that are told apart, either way; what is farther off counts as so far.
const REACH: f32 = 64.0;
/// No temperature.
pub(super) const GAP: i32 = i32::MIN;
/// Bits behind the point of a place in the grid.
const BITS: u32 = 16;

impl Enlarged {
    /// `times` values for each pixel along either axis, rows first, then columns; neither leaves the span of its four
    /// values. A temperature is told in steps of 1 / `per_kelvin` from `low` to `steps`, at most 256.
    pub(super) fn new(patch: &Patch, times: usize, low: f32, per_kelvin: f32, steps: usize) -> Self {
        let taps: Vec<_> = (0..times).map(|k| weights(k as f32 / times as f32)).collect();
        let (width, height) = ((patch.width - 3) * times, (patch.height - 3) * times);
        let mut wide = vec![0.0; width * patch.height];
        for (to, from) in wide.chunks_exact_mut(width).zip(patch.celsius.chunks_exact(patch.width)) {
            for (to, four) in to.chunks_exact_mut(times).zip(from.windows(4)) {
                for (to, weights) in to.iter_mut().zip(&taps) {
                    *to = between([four[0], four[1], four[2], four[3]], weights);
                }
            }
        }
        let mut levels = vec![0; width * height];
        for (i, to) in levels.chunks_exact_mut(width).enumerate() {
            let mut lines = wide.chunks_exact(width).skip(i / times);
            let mut next = || lines.next().unwrap_or_default();
            let (a, b, c, d) = (next(), next(), next(), next());
            for ((((to, a), b), c), d) in to.iter_mut().zip(a).zip(b).zip(c).zip(d) {
                let step = (between([*a, *b, *c, *d], &taps[i % times]) - low) * per_kelvin;
                let held = (PARTS * step.clamp(-REACH, steps as f32 + REACH)) as i32;
                *to = if step.is_finite() { held } else { GAP };
            }
        }
        let gaps = levels.contains(&GAP);
        Self { width, times, levels, gaps }
    }

    /// A point of the frame in this grid, in parts of 2^-16; `patch` is what it was made of.
    pub(super) fn place(&self, patch: &Patch, at: [f64; 2]) -> [i64; 2] {
        patch.among_centres(at).map(|x| ((x - 1.0) * (self.times << BITS) as f64) as i64)
    }

    /// The steps nearest to the temperatures at points of this grid that lie `stride` apart, from `at` on: below 0 or above
    /// the last where it is beyond them, [`GAP`] where a pixel around a point has no value, anything outside the grid.
    pub(super) fn steps(&self, mut at: [i64; 2], stride: [i64; 2], to: &mut [i32]) {
        let (levels, width) = (self.levels.as_slice(), self.width as i64);
        // What lies before the first becomes a number that is beyond the last.
        let two =
            |start: i64| levels.get(start as usize..).and_then(|l| l.first_chunk::<2>()).copied().unwrap_or([0; 2]);
        let part = |x: i64| ((x >> (BITS - 8)) & 255) as i32;
        for step in to {
            let start = (at[1] >> BITS) * width + (at[0] >> BITS);
            let (above, below) = (two(start), two(start + width));
            *step = if self.gaps && (above.contains(&GAP) || below.contains(&GAP)) {
                GAP
            } else {
                let between = |[a, b]: [i32; 2]| (a << 8) + part(at[0]) * (b - a);
                let (high, low) = (between(above), between(below));
                let level = high + ((part(at[1]) * ((low - high) >> 4)) >> 4);
                (level + (1 << 13)) >> 14
            };
            at = [at[0] + stride[0], at[1] + stride[1]];
        }
    }
}

/// The weights of the four values around a point between the second and the third (Keys 1981, a = -1/2).
fn weights(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (2.0 * t2 - t - t3), 0.5 * (2.0 - 5.0 * t2 + 3.0 * t3), 0.5 * (t + 4.0 * t2 - 3.0 * t3), 0.5 * (t3 - t2)]
}

fn weighed(values: &[f32; 4], weights: &[f32; 4]) -> f32 {
    values[0] * weights[0] + values[1] * weights[1] + values[2] * weights[2] + values[3] * weights[3]
}

/// Four values weighed, kept within their span; no number where one of them is none.
fn between(values: [f32; 4], weights: &[f32; 4]) -> f32 {
    let [a, b, c, d] = values;
    let sum = weighed(&values, weights);
    // Comparisons that let what is no number pass in the sum: faster than those of the language that do not.
    let lower = |a: f32, b: f32| if a < b { a } else { b };
    let higher = |a: f32, b: f32| if a > b { a } else { b };
    let (low, high) = (lower(lower(a, b), lower(c, d)), higher(higher(a, b), higher(c, d)));
    let held = if sum < low { low } else { sum };
    if held > high { high } else { held }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Steps of 0.2 K from 20 deg C.
    fn enlarged(patch: &Patch, times: usize) -> Enlarged {
        Enlarged::new(patch, times, 20.0, 5.0, 250)
    }

    fn step(enlarged: &Enlarged, patch: &Patch, at: [f64; 2]) -> Option<i32> {
        let mut steps = [0];
        enlarged.steps(enlarged.place(patch, at), [0; 2], &mut steps);
        Some(steps[0]).filter(|step| *step != GAP)
    }

    /// The temperature that a step stands for, deg C.
    fn celsius(enlarged: &Enlarged, patch: &Patch, at: [f64; 2]) -> Option<f64> {
        step(enlarged, patch, at).map(|step| 20.0 + f64::from(step) / 5.0)
    }

    /// Half a step and what the parts of a step leave out.
    const NEAR_K: f64 = 0.1 + 0.01;

    #[test]
    fn the_finer_grid_holds_the_pixels_and_lies_close_to_the_curve() {
        let frame = Array2::from_shape_fn((20, 30), |(i, j)| 40.0 + ((i * 7 + j * 13) % 11) as f32);
        let patch = Patch::around(&frame.view(), &[[0.0, 0.0], [30.0, 20.0]]);
        let enlarged = enlarged(&patch, 4);
        for (x, y) in (1..28).flat_map(|x| (1..18).map(move |y| (f64::from(x) + 0.5, f64::from(y) + 0.5))) {
            let pixel = f64::from(frame[[y as usize, x as usize]]);
            assert!((celsius(&enlarged, &patch, [x, y]).unwrap() - pixel).abs() < NEAR_K);
            assert!((patch.temperature([x, y]).unwrap() - pixel).abs() < 1e-5);
            let at = [x + 0.25, y + 0.75];
            let (curve, grid) = (patch.temperature(at).unwrap(), celsius(&enlarged, &patch, at).unwrap());
            // Each of the two passes is held within its four values, the curve only within all sixteen.
            assert!((curve - grid).abs() < 1.5, "{at:?}: {curve} {grid}");
        }
    }

    #[test]
    fn a_smooth_surface_is_met_between_the_values_of_the_finer_grid() {
        // Keys (1981): exact for a second-degree polynomial.
        let surface = |x: f64, y: f64| 40.0 + 0.02 * x * x - 0.01 * y * y + 0.03 * x * y;
        let frame = Array2::from_shape_fn((30, 30), |(i, j)| surface(j as f64 + 0.5, i as f64 + 0.5) as f32);
        let patch = Patch::around(&frame.view(), &[[5.0, 5.0], [25.0, 25.0]]);
        for times in 1..=4 {
            let enlarged = enlarged(&patch, times);
            for at in [[5.0, 5.0], [20.31, 7.77], [24.9, 20.1], [12.125, 24.999]] {
                let t = celsius(&enlarged, &patch, at).unwrap();
                assert!((t - surface(at[0], at[1])).abs() < NEAR_K, "{times} {at:?}: {t}");
            }
        }
    }

    #[test]
    fn what_is_beyond_the_steps_or_has_no_value_is_told() {
        let mut frame = Array2::from_elem((20, 20), 50.0);
        frame[[10, 10]] = f32::NAN;
        (frame[[4, 4]], frame[[15, 15]]) = (1e9, -273.0);
        let patch = Patch::around(&frame.view(), &[[0.0, 0.0], [20.0, 20.0]]);
        let enlarged = enlarged(&patch, 3);
        let step = |at| step(&enlarged, &patch, at);
        assert_eq!([step([10.6, 10.4]), patch.temperature([10.6, 10.4]).map(|_| 0)], [None; 2]);
        assert_eq!([step([8.0, 4.5]), step([0.1, 19.9])], [Some(150); 2]);
        assert!(step([4.5, 4.5]) > Some(250) && step([15.5, 15.5]) < Some(0));
    }
}
