//! A plain grey image over a slice, for the inner loops.

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
        const LANES: usize = 8;
        // Numbers of 32 bits, which the processor converts many at a time.
        let place = |n: i32| [from[0] + n as f32 * step[0], from[1] + n as f32 * step[1]];
        let (w, h) = (self.width as f32 - 1.0, self.height as f32 - 1.0);
        let is_inner = |[x, y]: [f32; 2]| x > 1.0 && y > 1.0 && x < w && y < h;
        if !(is_inner(from) && is_inner(place(out.len() as i32 - 1))) {
            for (n, value) in (0..).zip(out) {
                let [x, y] = place(n);
                *value = self.sample(x, y);
            }
            return;
        }
        // Nothing to clamp: several values at once, which the compiler turns into vectors.
        let (mut number, mut across, mut down) = ([0i32; LANES], [0f32; LANES], [0f32; LANES]);
        let (mut corners, mut values) = ([[0f32; LANES]; 4], [0f32; LANES]);
        for (first, out) in (0..).step_by(LANES).zip(out.chunks_mut(LANES)) {
            for (lane, n) in (first..first + LANES as i32).enumerate() {
                let [x, y] = place(n);
                let (x, y) = (x - 0.5, y - 0.5);
                let (i, j) = (x as i32, y as i32);
                (across[lane], down[lane]) = (x - i as f32, y - j as f32);
                number[lane] = j * self.width as i32 + i;
            }
            for (lane, k) in number[..out.len()].iter().enumerate() {
                let square = self.square(*k as usize).unwrap_or([f32::NAN; 4]);
                (0..4).for_each(|k| corners[k][lane] = square[k]);
            }
            let [a, b, c, d] = &corners;
            for lane in 0..LANES {
                let top = a[lane] + across[lane] * (b[lane] - a[lane]);
                let low = c[lane] + across[lane] * (d[lane] - c[lane]);
                values[lane] = top + down[lane] * (low - top);
            }
            out.copy_from_slice(&values[..out.len()]);
        }
    }

    /// The image at half the size: means of two by two.
    pub(crate) fn halved(&self) -> (Vec<f32>, usize, usize) {
        let (w, h) = (self.width / 2, self.height / 2);
        let mut out = Vec::with_capacity(w * h);
        for y in 0..h {
            let a = &self.data[2 * y * self.width..][..2 * w];
            let b = &self.data[(2 * y + 1) * self.width..][..2 * w];
            out.extend(a.chunks_exact(2).zip(b.chunks_exact(2)).map(|(a, b)| 0.25 * ((a[0] + a[1]) + (b[0] + b[1]))));
        }
        (out, w, h)
    }
}
