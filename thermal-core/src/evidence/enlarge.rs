//! A part of a frame and its enlargement by bicubic convolution (Catmull-Rom).

use ndarray::{ArrayView2, ArrayViewMut1, Axis};

use crate::buffer::Buffer;

/// Pixels kept around a part on each side, so that every point inside has its 16 pixels however the picture is turned.
const PAD: isize = 5;

/// A part of a frame with what lies around it; beyond the frame its edge is repeated.
pub(super) struct Patch {
    /// The frame's column and row of the first pixel kept.
    left: isize,
    top: isize,
    width: usize,
    height: usize,
    /// deg C, row by row.
    celsius: Buffer,
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
        let mut kept = Buffer::any(width * height);
        let inside = left.max(0)..(left + width as isize).min(columns as isize);
        let (before, after) = ((inside.start - left) as usize, (inside.end - left) as usize);
        for (y, to) in (top..).zip(kept.chunks_exact_mut(width)) {
            let row = celsius.row(y.clamp(0, rows as isize - 1) as usize);
            let (_, row) = row.split_at(Axis(0), inside.start as usize);
            let (row, _) = row.split_at(Axis(0), after - before);
            ArrayViewMut1::from(&mut to[before..after]).assign(&row);
            let (first, last) = (to[before], to[after - 1]);
            to[..before].fill(first);
            to[after..].fill(last);
        }
        Self { left, top, width, height, celsius: kept }
    }

    /// Rows and columns changed for each other.
    fn transposed(&self) -> Self {
        let mut celsius = Buffer::any(self.celsius.len());
        for (x, to) in celsius.chunks_exact_mut(self.height).enumerate() {
            let column = self.celsius.iter().skip(x).step_by(self.width);
            to.iter_mut().zip(column).for_each(|(to, from)| *to = *from);
        }
        Self { left: self.top, top: self.left, width: self.height, height: self.width, celsius }
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

    /// The frame's rows of which the part holds pixels with centres between two heights.
    pub(super) fn rows(&self, y: [f64; 2]) -> std::ops::Range<isize> {
        let [first, end] = y.map(|y| self.top + held(y, self.top, self.height) as isize);
        first..end
    }

    /// The pixels of one of these rows with centres between two places.
    pub(super) fn pixels(&self, row: isize, x: [f64; 2]) -> &[f32] {
        let start = (row - self.top) as usize * self.width;
        let [first, end] = x.map(|x| start + held(x, self.left, self.width));
        self.celsius.get(first..end).unwrap_or_default()
    }

    /// A point of the frame among the centres of the pixels kept: whole numbers are centres.
    fn among_centres(&self, at: [f64; 2]) -> [f64; 2] {
        [at[0] - 0.5 - self.left as f64, at[1] - 0.5 - self.top as f64]
    }
}

/// The first of `count` pixels, of which the frame has `first` before them, with its centre not before `x`; none of those
/// around the part.
fn held(x: f64, first: isize, count: usize) -> usize {
    ((x - 0.5).ceil() as isize).saturating_sub(first).clamp(PAD, count as isize - PAD) as usize
}

/// A part of a frame as a picture shows it: brought along the frame's rows to where the picture's columns cross them, then
/// along these columns to the pixels (two passes, after Catmull and Smith 1980). No value leaves the span of its four.
pub(super) struct Turned {
    /// Temperatures where the columns cross the rows, row by row.
    crossings: Buffer,
    width: usize,
    /// Place of the picture's first pixel among the rows.
    first: f64,
    /// From one pixel to the next, and to the one below, in rows.
    right: f64,
    below: f64,
}

/// Places told apart between two pixels of a row.
const PHASES: usize = 256;

impl Turned {
    /// The picture is `width` pixels wide; `first` is its first pixel in the frame, and `right` and `below` lead from there to
    /// the next of the line and of the column, at right angles.
    pub(super) fn new(patch: &Patch, first: [f64; 2], [right, below]: [[f64; 2]; 2], width: usize) -> Self {
        // Where the picture's columns run along the rows, rows and columns of the frame change places.
        let across = right[0].abs() < right[1].abs();
        let (turned, swap) =
            (across.then(|| patch.transposed()), |[x, y]: [f64; 2]| if across { [y, x] } else { [x, y] });
        let (first, right, below) = (swap(patch.among_centres(first)), swap(right), swap(below));
        let patch = turned.as_ref().unwrap_or(patch);
        let lean = below[0] / below[1];
        let places = |x: f64| (x * (PHASES << 16) as f64) as i64;
        let stride = places(right[0] - right[1] * lean);
        let taps: Vec<_> = (0..PHASES).map(|k| weights(k as f32 / PHASES as f32)).collect();
        let mut crossings = Buffer::any(width * patch.height);
        let lines = crossings.chunks_exact_mut(width).zip(patch.celsius.chunks_exact(patch.width));
        for (y, (to, from)) in lines.enumerate() {
            // Half a phase more: the nearest is taken.
            let mut place = places(first[0] - 1.0 + lean * (y as f64 - first[1])) + (1 << 15);
            for to in to {
                let x = (place >> 16) as usize;
                // What lies beyond the patch is not asked for.
                let four = from.get(x / PHASES..).and_then(|from| from.first_chunk());
                *to = four.map_or(f32::NAN, |four| between(*four, &taps[x % PHASES]));
                place += stride;
            }
        }
        Self { crossings, width, first: first[1], right: right[1], below: below[1] }
    }

    /// The temperatures of the picture's line `j`; no number where a pixel around has none, or beyond the patch.
    pub(super) fn line(&self, j: usize, to: &mut [f32]) {
        let (mut rest, mut start) = (to, 0);
        while !rest.is_empty() {
            let at = self.first + j as f64 * self.below + start as f64 * self.right;
            let row = at.floor();
            // So many pixels lie between the same two rows.
            let ahead = if self.right < 0.0 { row - at } else { row + 1.0 - at } / self.right;
            let count = (ahead.ceil().max(1.0) as usize).min(rest.len());
            let (these, others) = std::mem::take(&mut rest).split_at_mut(count);
            let line = |k| {
                let from = (row as isize + k) * self.width as isize + start as isize;
                self.crossings.get(from as usize..)?.get(..count)
            };
            if let (Some(a), Some(b), Some(c), Some(d)) = (line(-1), line(0), line(1), line(2)) {
                let (part, stride) = ((at - row) as f32, self.right as f32);
                for (i, ((((to, a), b), c), d)) in these.iter_mut().zip(a).zip(b).zip(c).zip(d).enumerate() {
                    *to = between([*a, *b, *c, *d], &weights(part + i as i32 as f32 * stride));
                }
            } else {
                these.fill(f32::NAN);
            }
            (rest, start) = (others, start + count);
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

    /// The temperature at a point of the frame, in a picture turned by so many degrees, 4 px a pixel of it, deg C.
    fn celsius(patch: &Patch, at: [f64; 2], turned_deg: f64) -> Option<f64> {
        let (s, c) = turned_deg.to_radians().sin_cos();
        let [right, below] = [[0.25 * c, 0.25 * s], [-0.25 * s, 0.25 * c]];
        // The point is the third pixel of the second line.
        let first = [0, 1].map(|k| at[k] - 2.0 * right[k] - below[k]);
        let mut line = [0.0; 5];
        Turned::new(patch, first, [right, below], 5).line(1, &mut line);
        Some(f64::from(line[2])).filter(|t| t.is_finite())
    }

    const TURNS_DEG: [f64; 9] = [0.0, 1.0, 30.0, 44.0, 46.0, 90.0, 179.5, -60.0, -135.0];

    /// What places between pixels that are not told apart leave out.
    const NEAR_K: f64 = 0.02;

    #[test]
    fn the_picture_holds_the_pixels_and_lies_close_to_the_curve() {
        let frame = Array2::from_shape_fn((20, 30), |(i, j)| 40.0 + ((i * 7 + j * 13) % 11) as f32);
        let patch = Patch::around(&frame.view(), &[[0.0, 0.0], [30.0, 20.0]]);
        for (x, y) in (1..28).flat_map(|x| (1..18).map(move |y| (f64::from(x) + 0.5, f64::from(y) + 0.5))) {
            let pixel = f64::from(frame[[y as usize, x as usize]]);
            for turned_deg in TURNS_DEG {
                assert!((celsius(&patch, [x, y], turned_deg).unwrap() - pixel).abs() < NEAR_K);
            }
            assert!((patch.temperature([x, y]).unwrap() - pixel).abs() < 1e-5);
            let at = [x + 0.25, y + 0.75];
            let (curve, picture) = (patch.temperature(at).unwrap(), celsius(&patch, at, 0.0).unwrap());
            // Each of the two passes is held within its four values, the curve only within all sixteen.
            assert!((curve - picture).abs() < 1.5, "{at:?}: {curve} {picture}");
        }
    }

    #[test]
    fn a_smooth_surface_is_met_however_the_picture_is_turned() {
        // Keys (1981): exact for a second-degree polynomial.
        let surface = |x: f64, y: f64| 40.0 + 0.02 * x * x - 0.01 * y * y + 0.03 * x * y;
        let frame = Array2::from_shape_fn((30, 30), |(i, j)| surface(j as f64 + 0.5, i as f64 + 0.5) as f32);
        let patch = Patch::around(&frame.view(), &[[5.0, 5.0], [25.0, 25.0]]);
        for turned_deg in TURNS_DEG {
            for at in [[5.0, 5.0], [20.31, 7.77], [24.9, 20.1], [12.125, 24.999]] {
                let t = celsius(&patch, at, turned_deg).unwrap();
                assert!((t - surface(at[0], at[1])).abs() < NEAR_K, "{turned_deg} {at:?}: {t}");
            }
        }
    }

    #[test]
    fn what_is_far_off_or_has_no_value_is_told() {
        let mut frame = Array2::from_elem((20, 20), 50.0);
        frame[[10, 10]] = f32::NAN;
        (frame[[4, 4]], frame[[15, 15]]) = (1e9, -273.0);
        let patch = Patch::around(&frame.view(), &[[0.0, 0.0], [20.0, 20.0]]);
        for turned_deg in TURNS_DEG {
            let celsius = |at| celsius(&patch, at, turned_deg);
            assert_eq!([celsius([10.6, 10.4]), patch.temperature([10.6, 10.4])], [None; 2]);
            assert_eq!([celsius([8.0, 4.5]), celsius([0.1, 19.9])], [Some(50.0); 2]);
            assert!(celsius([4.5, 4.5]) > Some(70.0) && celsius([15.5, 15.5]) < Some(20.0));
        }
    }
}
