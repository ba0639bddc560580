//! A plain grey image over a slice, for the inner loops.

use crate::buffer::Buffer;

/// Values of [`Grey::along`] whose places are worked out together.
const LANES: usize = 8;
/// From here on an f32 holds whole numbers only, and the number itself stands in its lowest bits: adding it rounds.
const WHOLE: f32 = 8_388_608.0;

/// Row-major values; the first pixel's centre is at (0.5, 0.5).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Grey<'a> {
    pub(crate) data: &'a [f32],
    pub(crate) width: usize,
    pub(crate) height: usize,
}

impl Grey<'_> {
    /// Bilinear value at a position, clamped to the image.
    #[inline]
    pub(crate) fn sample(&self, x: f32, y: f32) -> f32 {
        let x = (x - 0.5).max(0.0).min(self.width as f32 - 1.001);
        let y = (y - 0.5).max(0.0).min(self.height as f32 - 1.001);
        // By way of 32 bits, which the processor converts in one step each way.
        let (i, j) = (x as i32, y as i32);
        let (fx, fy) = (x - i as f32, y - j as f32);
        let k = j as usize * self.width + i as usize;
        let Some([a, b, c, d]) = self.square(k) else { return self.data.get(k).copied().unwrap_or(f32::NAN) };
        let top = a + fx * (b - a);
        let low = c + fx * (d - c);
        top + fy * (low - top)
    }

    /// The four pixels of the square whose upper left one has the number `k`.
    #[inline]
    fn square(&self, k: usize) -> Option<[f32; 4]> {
        let of_both_rows = self.data.get(k..k + self.width + 2)?;
        Some([of_both_rows[0], of_both_rows[1], of_both_rows[self.width], of_both_rows[self.width + 1]])
    }

    /// Values as [`Self::sample`] gives them along a straight line: the first at `from`, each next one `step` further.
    pub(crate) fn along(&self, from: [f32; 2], step: [f32; 2], out: &mut [f32]) {
        let place = |n: i32| [from[0] + n as f32 * step[0], from[1] + n as f32 * step[1]];
        let (w, h) = (self.width as f32 - 1.0, self.height as f32 - 1.0);
        let is_inner = |[x, y]: [f32; 2]| x > 1.0 && y > 1.0 && x < w && y < h;
        if !(is_inner(from) && is_inner(place(out.len() as i32 - 1)) && w.max(h) < WHOLE) {
            for (n, value) in (0..).zip(out) {
                let [x, y] = place(n);
                *value = self.sample(x, y);
            }
            return;
        }
        // Nothing to clamp: the places of several values at once, which the compiler turns into vectors.
        let (mut column, mut line) = ([0u32; LANES], [0u32; LANES]);
        let (mut across, mut down) = ([0f32; LANES], [0f32; LANES]);
        for (first, out) in (0..).step_by(LANES).zip(out.chunks_mut(LANES)) {
            for lane in 0..LANES {
                let [x, y] = place(first + lane as i32).map(|v| v - 0.5);
                let (i, j) = (x - 0.5 + WHOLE, y - 0.5 + WHOLE);
                // Of the last few places some may lie beyond the line's end and outside the image; they are not read.
                (column[lane], line[lane]) =
                    (i.to_bits().wrapping_sub(WHOLE.to_bits()), j.to_bits().wrapping_sub(WHOLE.to_bits()));
                (across[lane], down[lane]) = (x - (i - WHOLE), y - (j - WHOLE));
            }
            for (lane, value) in out.iter_mut().enumerate() {
                let k = line[lane] as usize * self.width + column[lane] as usize;
                let Some([a, b, c, d]) = self.square(k) else { continue };
                let top = a + across[lane] * (b - a);
                let low = c + across[lane] * (d - c);
                *value = top + down[lane] * (low - top);
            }
        }
    }

    /// The image at half the size: means of two by two.
    pub(crate) fn halved(&self) -> (Buffer, usize, usize) {
        let (w, h) = (self.width / 2, self.height / 2);
        let mut out = Buffer::any(w * h);
        for (y, line) in out.chunks_exact_mut(w.max(1)).enumerate() {
            let a = &self.data[2 * y * self.width..][..2 * w];
            let b = &self.data[(2 * y + 1) * self.width..][..2 * w];
            for (value, (a, b)) in line.iter_mut().zip(a.chunks_exact(2).zip(b.chunks_exact(2))) {
                *value = 0.25 * ((a[0] + a[1]) + (b[0] + b[1]));
            }
        }
        (out, w, h)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_along_a_line_are_those_at_its_places() {
        let (width, height) = (40, 30);
        let data: Vec<f32> = (0..width * height).map(|k| ((k * 7919) % 1009) as f32 * 0.1).collect();
        let image = Grey { data: &data, width, height };
        // The second one ends a little before the image's upper edge, the third begins outside.
        for (from, step) in [([3.0, 4.0], [1.0, 0.25]), ([5.3, 20.7], [0.37, -1.09]), ([-2.0, 1.0], [2.5, 1.5])] {
            let mut values = [0.0; 19];
            image.along(from, step, &mut values);
            for (n, value) in values.into_iter().enumerate() {
                let expected = image.sample(from[0] + n as f32 * step[0], from[1] + n as f32 * step[1]);
                assert!((value - expected).abs() < 1e-4, "{from:?} {n}: {value} {expected}");
            }
        }
    }
}
