//! Rectangles of a module's size whose four sides are boundaries: the starting points of lattices.

use super::energy::Energy;

/// A rectangle in work coordinates: left, top, right, bottom, and the weakest side's strength, K.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seed {
    pub x: [f64; 2],
    pub y: [f64; 2],
    pub strength: f32,
}

/// How far a local maximum `b` over `floor` lies from its pixel's middle, by a parabola; `None` where it is none.
#[inline]
fn peak(a: f32, b: f32, c: f32, floor: f32) -> Option<f64> {
    if !(b > floor && b > a && b >= c) {
        return None;
    }
    let bend = a - 2.0 * b + c;
    Some(if bend < 0.0 { f64::from(0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 })
}

/// Peaks of the level boundaries in every second column: place down the column and strength.
struct Columns {
    /// Where each column begins in `peaks`; one more at the end.
    starts: Vec<usize>,
    peaks: Vec<(f32, f32)>,
}

impl Columns {
    fn of_level_peaks(energy: &Energy, floor: f32) -> Self {
        let (w, h) = (energy.width, energy.height);
        let mut starts = vec![0; w.div_ceil(2) + 1];
        let mut found: Vec<(u32, (f32, f32))> = Vec::with_capacity(w * h / 16);
        // Row by row, as the values lie in memory; then each to its column.
        for y in 1..h.saturating_sub(1) {
            let row = |k: usize| energy.level[(y + k - 1) * w..][..w].chunks(2);
            for (column, ((a, b), c)) in row(0).zip(row(1)).zip(row(2)).enumerate() {
                if let Some(shift) = peak(a[0], b[0], c[0], floor) {
                    found.push((column as u32, (y as f32 + 0.5 + shift as f32, b[0])));
                    starts[column + 1] += 1;
                }
            }
        }
        for column in 1..starts.len() {
            starts[column] += starts[column - 1];
        }
        let mut next = starts.clone();
        let mut peaks = vec![(0.0, 0.0); found.len()];
        for (column, peak) in found {
            let next = &mut next[column as usize];
            peaks[*next] = peak;
            *next += 1;
        }
        Self { starts, peaks }
    }

    /// The peaks of the column nearest to `x`, downwards.
    fn at(&self, x: f64) -> &[(f32, f32)] {
        let column = (x as usize / 2).min(self.starts.len() - 2);
        &self.peaks[self.starts[column]..self.starts[column + 1]]
    }
}

/// The peaks of a column from one place to another.
fn between(list: &[(f32, f32)], from: f64, to: f64) -> &[(f32, f32)] {
    let first = list.partition_point(|peak| f64::from(peak.0) < from);
    let count = list[first..].iter().take_while(|peak| f64::from(peak.0) <= to).count();
    &list[first..first + count]
}

/// All rectangles of size `size_at(y)` (along, up; work px, within `tolerance` of it) with boundary strength over `floor` K on all
/// four sides, strongest first.
pub(super) fn seeds(energy: &Energy, size_at: impl Fn(f64) -> [f64; 2], tolerance: f64, floor: f32) -> Vec<Seed> {
    let (w, h) = (energy.width, energy.height);
    let middle = size_at(0.5 * h as f64);
    let aspect = middle[1] / middle[0];
    let level = Columns::of_level_peaks(energy, floor);
    let stride = ((middle[1] / 5.0) as usize).max(2);
    let mut upright = Vec::new();
    let mut out: Vec<Seed> = Vec::new();
    for y in (stride / 2..h).step_by(stride) {
        let size = size_at(y as f64);
        let row = &energy.upright[y * w..][..w];
        upright.clear();
        for (x, v) in row.windows(3).enumerate() {
            if let Some(shift) = peak(v[0], v[1], v[2], floor) {
                upright.push((x as f64 + 1.5 + shift, v[1]));
            }
        }
        for (i, &(xa, ea)) in upright.iter().enumerate() {
            for &(xb, eb) in &upright[i + 1..] {
                let across = xb - xa;
                if across > size[0] * (1.0 + tolerance) {
                    break;
                }
                if across < size[0] * (1.0 - tolerance) {
                    continue;
                }
                let want = across * aspect;
                let slack = want * 0.04 + 1.0;
                let list = level.at(0.5 * (xa + xb));
                // The scan line runs through the middle half of the rectangle.
                for &(ya, ec) in between(list, y as f64 - 0.75 * want - slack, y as f64 - 0.25 * want) {
                    for &(yb, ed) in between(list, f64::from(ya) + want - slack, f64::from(ya) + want + slack) {
                        let [ya, yb] = [ya, yb].map(f64::from);
                        out.push(Seed { x: [xa, xb], y: [ya, yb], strength: ea.min(eb).min(ec).min(ed) });
                    }
                }
            }
        }
    }
    // Strengths and places are positive, so their bits order as they do; rectangles that share their weakest side go by place.
    let key = |seed: &Seed| [!seed.strength.to_bits(), (seed.x[0] as f32).to_bits(), (seed.y[0] as f32).to_bits()];
    let mut order: Vec<([u32; 3], u32)> = (0..).zip(&out).map(|(k, seed)| (key(seed), k)).collect();
    order.sort_unstable();
    order.into_iter().map(|(_, k)| out[k as usize]).collect()
}
