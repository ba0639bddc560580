//! What the camera makes of the ideal image: blur, vignetting, noise.

use ndarray::Array2;

use super::random::Random;
use super::spec::Camera;

/// Blurs an image of `samples` a pixel side by focus and motion, then sums the samples to pixels.
pub(super) fn expose(ideal: &mut Vec<f32>, camera: &Camera) -> Array2<f32> {
    let n = camera.samples;
    let (width, height) = (camera.width * n, camera.height * n);
    let mut other = vec![0.0; ideal.len()];
    if camera.psf_px > 0.0 {
        let kernel = gaussian(camera.psf_px * n as f64);
        for y in 0..height {
            let line = y * width..(y + 1) * width;
            filter(&ideal[line.clone()], &mut other[line], &kernel);
        }
        down_columns(&other, ideal, width, &kernel);
    }
    if camera.motion_px > 0.0 {
        smear(ideal, &mut other, width, camera.motion_px * n as f64, camera.motion_deg);
        std::mem::swap(ideal, &mut other);
    }
    let share = 1.0 / (n * n) as f32;
    Array2::from_shape_fn((camera.height, camera.width), |(y, x)| {
        let rows = (y * n..(y + 1) * n).map(|row| row * width + x * n);
        share * rows.map(|at| ideal[at..at + n].iter().sum::<f32>()).sum::<f32>()
    })
}

fn gaussian(sigma: f64) -> Vec<f32> {
    let reach = (4.0 * sigma).ceil() as i32;
    let raw: Vec<f64> = (-reach..=reach).map(|i| (-0.5 * (f64::from(i) / sigma).powi(2)).exp()).collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|v| (v / sum) as f32).collect()
}

/// Convolves a line; beyond its ends the last value goes on.
fn filter(line: &[f32], out: &mut [f32], kernel: &[f32]) {
    let reach = kernel.len() / 2;
    let (Some(first), Some(last)) = (line.first(), line.last()) else { return };
    let mut padded = vec![*first; reach];
    padded.extend_from_slice(line);
    padded.extend(std::iter::repeat_n(*last, reach));
    out.fill(0.0);
    for (k, weight) in kernel.iter().enumerate() {
        for (value, source) in out.iter_mut().zip(&padded[k..]) {
            *value += weight * source;
        }
    }
}

/// The same down the columns, a whole line at a time.
fn down_columns(from: &[f32], to: &mut [f32], width: usize, kernel: &[f32]) {
    let height = from.len() / width;
    let reach = kernel.len() / 2;
    for (y, out) in to.chunks_exact_mut(width).enumerate() {
        out.fill(0.0);
        for (k, weight) in kernel.iter().enumerate() {
            let row = (y + k).saturating_sub(reach).min(height - 1) * width;
            for (value, source) in out.iter_mut().zip(&from[row..row + width]) {
                *value += weight * source;
            }
        }
    }
}

/// Averages along a trail of `length` samples, centred on each sample.
fn smear(from: &[f32], to: &mut [f32], width: usize, length: f64, direction_deg: f64) {
    let height = from.len() / width;
    let steps = (2.0 * length).ceil().max(2.0) as i32;
    let (sin, cos) = direction_deg.to_radians().sin_cos();
    let offsets: Vec<(f64, f64)> = (0..steps)
        .map(|k| ((f64::from(k) + 0.5) / f64::from(steps) - 0.5) * length)
        .map(|t| (t * cos, t * sin))
        .collect();
    let share = 1.0 / steps as f32;
    to.fill(0.0);
    for (dx, dy) in offsets {
        let (fx, fy) = (dx.floor(), dy.floor());
        let (tx, ty) = ((dx - fx) as f32, (dy - fy) as f32);
        let (ix, iy) = (fx as isize, fy as isize);
        for y in 0..height {
            let row = |d: isize| (y as isize + iy + d).clamp(0, height as isize - 1) as usize * width;
            let (r0, r1) = (row(0), row(1));
            for x in 0..width {
                let column = |d: isize| (x as isize + ix + d).clamp(0, width as isize - 1) as usize;
                let (c0, c1) = (column(0), column(1));
                let upper = from[r0 + c0] * (1.0 - tx) + from[r0 + c1] * tx;
                let lower = from[r1 + c0] * (1.0 - tx) + from[r1 + c1] * tx;
                to[y * width + x] += share * (upper * (1.0 - ty) + lower * ty);
            }
        }
    }
}

/// Adds the detector's own: vignetting, offset of the frame, fixed columns and rows, noise.
pub(super) fn detect(image: &mut Array2<f32>, camera: &Camera, seed: u64, frame: usize) {
    // Columns and rows keep their offsets from frame to frame, as a fixed pattern does.
    let mut fixed = Random::new(seed, 20);
    let columns: Vec<f32> = (0..camera.width).map(|_| (camera.column_k * fixed.normal()) as f32).collect();
    let rows: Vec<f32> = (0..camera.height).map(|_| (camera.row_k * fixed.normal()) as f32).collect();
    let mut wander = Random::new(seed, 21);
    // A random walk that forgets: its spread stays at `offset_k`.
    let offset = (0..=frame).fold(0.0, |o, _| 0.8 * o + 0.6 * camera.offset_k * wander.normal()) as f32;
    let mut noise = Random::new(seed, 1000 + frame as u64);
    let (cx, cy) = (camera.width as f32 / 2.0, camera.height as f32 / 2.0);
    let corner = cx * cx + cy * cy;
    for ((y, x), value) in image.indexed_iter_mut() {
        let r2 = ((x as f32 + 0.5 - cx).powi(2) + (y as f32 + 0.5 - cy).powi(2)) / corner;
        *value += offset + columns[x] + rows[y] - camera.vignette_k as f32 * r2;
        *value += (camera.netd_k * noise.normal()) as f32;
    }
}
