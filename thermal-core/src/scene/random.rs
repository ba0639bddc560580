//! Seeded random numbers (`SplitMix64`, Steele, Lea and Flood 2014) and tiles of fractal noise made from them.

/// A small generator; the same seed gives the same numbers on every machine.
#[derive(Debug, Clone)]
pub(super) struct Random(u64);

impl Random {
    /// A stream of its own for a seed and a purpose.
    pub(super) fn new(seed: u64, purpose: u64) -> Self {
        let mut random = Self(seed ^ purpose.wrapping_mul(0xD1B5_4A32_D192_ED03));
        random.next();
        random
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in `[lo, hi)`.
    pub(super) fn range(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A whole number in `[0, n)`; 0 for n = 0.
    pub(super) fn below(&mut self, n: usize) -> usize {
        (self.range(0.0, n as f64) as usize).min(n.saturating_sub(1))
    }

    /// True with a probability.
    pub(super) fn chance(&mut self, p: f64) -> bool {
        self.range(0.0, 1.0) < p
    }

    /// Standard normal, by the polar form's plain variant (Box and Muller 1958).
    pub(super) fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.range(0.0, 1.0)).ln()).sqrt();
        r * self.range(0.0, std::f64::consts::TAU).cos()
    }
}

/// A square tile of noise that repeats, of mean 0 and standard deviation 1.
#[derive(Debug, Clone)]
pub(super) struct Tile {
    side: usize,
    values: Vec<f32>,
}

impl Tile {
    /// Octaves of smooth noise from `coarsest` cells a side down to single samples, each of amplitude `fall` of the last.
    pub(super) fn fractal(side_log2: u32, coarsest: usize, fall: f32, mut random: Random) -> Self {
        let side = 1usize << side_log2;
        let mut values = vec![0.0f32; side * side];
        let (mut cells, mut amplitude) = (coarsest.max(1), 1.0f32);
        while cells <= side {
            let knots: Vec<f32> = (0..cells * cells).map(|_| random.normal() as f32).collect();
            let octave = Self { side: cells, values: knots };
            let step = cells as f32 / side as f32;
            for (i, value) in values.iter_mut().enumerate() {
                *value += amplitude * octave.smooth((i % side) as f32 * step, (i / side) as f32 * step);
            }
            cells *= 2;
            amplitude *= fall;
        }
        let n = values.len() as f32;
        let mean = values.iter().sum::<f32>() / n;
        let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / n).sqrt().max(1e-6);
        for value in &mut values {
            *value = (*value - mean) / sd;
        }
        Self { side, values }
    }

    /// Value at a place in samples, linear between them.
    pub(super) fn linear(&self, x: f32, y: f32) -> f32 {
        self.blend(x, y, |t| t)
    }

    fn smooth(&self, x: f32, y: f32) -> f32 {
        self.blend(x, y, |t| t * t * (3.0 - 2.0 * t))
    }

    #[inline]
    fn blend(&self, x: f32, y: f32, ease: impl Fn(f32) -> f32) -> f32 {
        let (fx, fy) = (x.floor(), y.floor());
        let (tx, ty) = (ease(x - fx), ease(y - fy));
        let wrap = |v: i64| v.rem_euclid(self.side as i64) as usize;
        let (x0, y0) = (wrap(fx as i64), wrap(fy as i64));
        let (x1, y1) = (wrap(fx as i64 + 1), wrap(fy as i64 + 1));
        let at = |x: usize, y: usize| self.values[y * self.side + x];
        let top = at(x0, y0) + (at(x1, y0) - at(x0, y0)) * tx;
        let low = at(x0, y1) + (at(x1, y1) - at(x0, y1)) * tx;
        top + (low - top) * ty
    }
}
