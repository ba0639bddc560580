//! Boundary strength along the two directions of the lattice, for steps and thin lines alike.
//! A quadrature pair of an odd and an even filter (local energy after Morrone and Owens, 1987) peaks once at either kind;
//! averaging along the boundary beforehand lets a line of a fraction of a kelvin stand out of the noise.

use super::rectify::WorkImage;
use crate::buffer::Buffer;

/// Strength of boundaries, K, at each work pixel.
#[derive(Debug)]
pub(super) struct Energy {
    pub width: usize,
    pub height: usize,
    /// Strength of upright boundaries (between neighbours of a course), row-major.
    pub upright: Buffer,
    /// Strength of level boundaries (between courses), row-major.
    pub level: Buffer,
}

/// Mean over `2 * half + 1` pixels down each column, clamped at the ends.
fn box_down(data: &[f32], width: usize, height: usize, half: usize) -> Buffer {
    let mut out = Buffer::any(data.len());
    let mut sum = vec![0f32; width];
    let clamp = |y: isize| y.clamp(0, height as isize - 1) as usize * width;
    for k in -(half as isize)..=half as isize {
        let row = &data[clamp(k)..][..width];
        for (s, v) in sum.iter_mut().zip(row) {
            *s += v;
        }
    }
    let inv = 1.0 / (2 * half + 1) as f32;
    for y in 0..height {
        for (o, s) in out[y * width..][..width].iter_mut().zip(&sum) {
            *o = s * inv;
        }
        let add = &data[clamp(y as isize + half as isize + 1)..][..width];
        let sub = &data[clamp(y as isize - half as isize)..][..width];
        for ((s, a), b) in sum.iter_mut().zip(add).zip(sub) {
            *s += a - b;
        }
    }
    out
}

/// Mean over `2 * half + 1` pixels along each row, clamped at the ends.
fn box_along(data: &[f32], width: usize, height: usize, half: usize) -> Buffer {
    let mut out = Buffer::any(data.len());
    let inv = 1.0 / (2 * half + 1) as f32;
    let mut padded = vec![0f32; width + 2 * half + 1];
    for (row, out) in data.chunks_exact(width).zip(out.chunks_exact_mut(width)).take(height) {
        padded[..half].fill(row[0]);
        padded[half..half + width].copy_from_slice(row);
        padded[half + width..].fill(row[width - 1]);
        let mut sum: f32 = padded[..=2 * half].iter().sum();
        for ((o, add), sub) in out.iter_mut().zip(&padded[2 * half + 1..]).zip(&padded) {
            *o = sum * inv;
            sum += add - sub;
        }
    }
    out
}

/// Energy of the quadrature pair: odd (-1 -2 0 2 1)/3, even (-1 0 2 0 -1)/2.
#[inline]
fn energy(a: f32, b: f32, c: f32, d: f32, e: f32) -> f32 {
    let odd = (e - a + 2.0 * (d - b)) * (1.0 / 3.0);
    let even = c - 0.5 * (a + e);
    (odd * odd + even * even).sqrt()
}

/// Boundary strengths of a work image; `half_upright`, `half_level`: half lengths of the averaging along the boundary, px.
pub(super) fn energies(image: &WorkImage, half_upright: usize, half_level: usize) -> Energy {
    let (width, height) = (image.width, image.height);
    let smooth = box_down(&image.data, width, height, half_upright);
    let mut upright = Buffer::zeros(width * height);
    for y in 0..height {
        let r = &smooth[y * width..][..width];
        let out = &mut upright[y * width..][..width];
        for (o, s) in out[2..].iter_mut().zip(r.windows(5)) {
            *o = energy(s[0], s[1], s[2], s[3], s[4]);
        }
    }
    let smooth = box_along(&image.data, width, height, half_level);
    let mut level = Buffer::zeros(width * height);
    for y in 2..height.saturating_sub(2) {
        let row = |k: usize| smooth[(y + k - 2) * width..][..width].iter();
        let rows = row(0).zip(row(1)).zip(row(2)).zip(row(3)).zip(row(4));
        for (o, ((((a, b), c), d), e)) in level[y * width..][..width].iter_mut().zip(rows) {
            *o = energy(*a, *b, *c, *d, *e);
        }
    }
    Energy { width, height, upright, level }
}

/// Strongest value of a strided line within `reach` of `centre`: (strength, its place refined by a parabola).
#[inline]
fn strongest(line: impl Fn(usize) -> f32, n: usize, centre: f64, reach: isize) -> (f32, f64) {
    let middle = centre.max(0.0) as i32 as isize;
    let (mut best, mut place) = (-1f32, None);
    for k in (middle - reach).max(0)..=(middle + reach).min(n as isize - 1) {
        let e = line(k as usize);
        if e > best {
            (best, place) = (e, Some(k as usize));
        }
    }
    let Some(k) = place else { return (0.0, centre) };
    let mut shift = 0.0;
    if k > 0 && k + 1 < n {
        let (a, c) = (line(k - 1), line(k + 1));
        let bend = a - 2.0 * best + c;
        if a < best && c < best && bend < 0.0 {
            shift = f64::from(0.5 * (a - c) / bend).clamp(-0.5, 0.5);
        }
    }
    (best, k as f64 + 0.5 + shift)
}

impl Energy {
    /// Strength of an upright boundary at a work position.
    #[inline]
    pub(super) fn upright_at(&self, x: f64, y: f64) -> f32 {
        self.upright.get(self.index(x, y)).copied().unwrap_or(0.0)
    }

    /// Strength of a level boundary at a work position.
    #[inline]
    pub(super) fn level_at(&self, x: f64, y: f64) -> f32 {
        self.level.get(self.index(x, y)).copied().unwrap_or(0.0)
    }

    #[inline]
    fn index(&self, x: f64, y: f64) -> usize {
        // By way of 32 bits, which the processor converts in one step.
        let place = |v: f64, n: usize| (v as i32).clamp(0, n as i32 - 1) as usize;
        place(y, self.height) * self.width + place(x, self.width)
    }

    /// Strongest upright boundary within `reach` px of work position `(x, y)`: (strength, its x).
    #[inline]
    pub(super) fn upright_near(&self, x: f64, y: f64, reach: isize) -> (f32, f64) {
        let row = (y as i32).clamp(0, self.height as i32 - 1) as usize * self.width;
        strongest(|k| self.upright[row + k], self.width, x, reach)
    }

    /// Strongest level boundary within `reach` px of work position `(x, y)`: (strength, its y).
    #[inline]
    pub(super) fn level_near(&self, x: f64, y: f64, reach: isize) -> (f32, f64) {
        let column = (x as i32).clamp(0, self.width as i32 - 1) as usize;
        strongest(|k| self.level[k * self.width + column], self.height, y, reach)
    }
}
