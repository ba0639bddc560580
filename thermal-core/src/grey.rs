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
        let (Some(a), Some(b)) = (self.data.get(k..k + 2), self.data.get(k + self.width..k + self.width + 2)) else {
            return self.data.get(k).copied().unwrap_or(f32::NAN);
        };
        let top = a[0] + fx * (a[1] - a[0]);
        let low = b[0] + fx * (b[1] - b[0]);
        top + fy * (low - top)
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
