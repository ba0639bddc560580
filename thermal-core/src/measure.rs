//! Temperatures inside an outline: the module resampled to its own cell grid, and robust statistics of it.

use ndarray::ArrayView2;

use crate::grey::Grey;

/// Cells and electrical parts of a module as seen in its row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CellPlan {
    /// Cells along the row and up the slope; 1 where the module has no cells that way.
    pub cells: [usize; 2],
    /// Substrings.
    pub substrings: usize,
    /// The axis that the substrings divide: 0 along the row (portrait), 1 up the slope (landscape).
    pub split_axis: usize,
    /// Two halves in parallel along the other axis.
    pub half_cut: bool,
    /// The module has cells at all; without, the grid is only one of measurement.
    pub has_cells: bool,
}

/// Cells of the measuring grid for modules without cells: about 17 cm, the size of a full cell.
const FILM_CELL_M: f64 = 0.17;

impl CellPlan {
    /// The plan of a module as the settings describe it.
    pub fn of(module: &crate::settings::Module) -> Self {
        let has_cells = module.cells[0] > 1 && module.cells[1] > 1;
        let [across, along] = if has_cells {
            module.cells.map(|c| c as usize)
        } else {
            [module.width_m, module.length_m].map(|m| ((m / FILM_CELL_M).round() as usize).max(2))
        };
        let portrait = module.orientation == crate::settings::Orientation::Portrait;
        Self {
            cells: if portrait { [across, along] } else { [along, across] },
            substrings: (module.substrings as usize).clamp(1, 6),
            split_axis: usize::from(!portrait),
            half_cut: module.half_cut(),
            has_cells,
        }
    }
}

/// Temperatures of one module on a grid of its own: `per_cell` samples a cell each way.
#[derive(Debug, Clone)]
pub struct Field {
    /// Row-major samples, deg C, from the module's upper left as seen in its row; NaN outside the frame.
    pub samples: Vec<f32>,
    /// Samples along the row and up the slope.
    pub size: [usize; 2],
    /// Samples a cell along the row and up the slope.
    pub per_cell: [usize; 2],
    /// Temperature at the middle of each cell (mean of its inner samples), deg C, row-major; NaN outside the frame.
    pub centres: Vec<f32>,
    /// Median over the module without its rim, deg C.
    pub median_c: f32,
}

/// The place of a point of the module, `s` along the row and `t` down the slope, both 0 to 1, in pixels.
#[inline]
pub fn place(corners: &[[f64; 2]; 4], s: f64, t: f64) -> [f64; 2] {
    let [a, b, c, d] = corners;
    [0, 1].map(|k| (1.0 - t) * ((1.0 - s) * a[k] + s * b[k]) + t * ((1.0 - s) * d[k] + s * c[k]))
}

/// Whether a point lies in an outline, by the count of edges to its right.
pub fn contains(corners: &[[f64; 2]; 4], at: [f64; 2]) -> bool {
    let mut inside = false;
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % 4];
        if (a[1] > at[1]) != (b[1] > at[1]) && at[0] < a[0] + (at[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]) {
            inside = !inside;
        }
    }
    inside
}

/// Lengths of an outline's sides along the row and up the slope, px.
pub fn side_px(corners: &[[f64; 2]; 4]) -> [f64; 2] {
    let len = |a: [f64; 2], b: [f64; 2]| ((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2)).sqrt();
    [
        0.5 * (len(corners[0], corners[1]) + len(corners[3], corners[2])),
        0.5 * (len(corners[0], corners[3]) + len(corners[1], corners[2])),
    ]
}

/// Bilinear temperature at a pixel position (first pixel's centre at 0.5, 0.5); NaN outside the frame.
#[inline]
pub fn temperature(frame: &ArrayView2<'_, f32>, px: [f64; 2]) -> f32 {
    let (x, y) = (px[0] - 0.5, px[1] - 0.5);
    let (w, h) = (frame.ncols(), frame.nrows());
    if !(x >= -0.5 && y >= -0.5 && x <= w as f64 - 0.5 && y <= h as f64 - 0.5) {
        return f32::NAN;
    }
    let (x, y) = (x.clamp(0.0, w as f64 - 1.0), y.clamp(0.0, h as f64 - 1.0));
    let (i, j) = (x as usize, y as usize);
    let (i1, j1) = ((i + 1).min(w - 1), (j + 1).min(h - 1));
    let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
    let top = frame[[j, i]] + fx * (frame[[j, i1]] - frame[[j, i]]);
    let low = frame[[j1, i]] + fx * (frame[[j1, i1]] - frame[[j1, i]]);
    top + fy * (low - top)
}

/// Median of the finite values; NaN where there are none. Reorders `values`.
pub fn median(values: &mut Vec<f32>) -> f32 {
    values.retain(|v| v.is_finite());
    if values.is_empty() {
        return f32::NAN;
    }
    let k = values.len() / 2;
    let (low, upper, _) = values.select_nth_unstable_by(k, f32::total_cmp);
    let upper = *upper;
    if low.len() == k && values.len().is_multiple_of(2) {
        let lower = values[..k].iter().copied().fold(f32::MIN, f32::max);
        0.5 * (lower + upper)
    } else {
        upper
    }
}

/// More samples a cell than this, each way, tell no more of it; what is smaller is measured on the pixels themselves.
const MAX_PER_CELL: usize = 4;

/// Resamples a module to its cell grid.
pub fn field(frame: &ArrayView2<'_, f32>, corners: &[[f64; 2]; 4], plan: &CellPlan) -> Field {
    let px = side_px(corners);
    let per_cell = [0, 1].map(|a| ((px[a] / plan.cells[a] as f64).round() as usize).clamp(2, MAX_PER_CELL));
    let size = [plan.cells[0] * per_cell[0], plan.cells[1] * per_cell[1]];
    let mut samples = vec![f32::NAN; size[0] * size[1]];
    let (w, h) = (frame.ncols() as f64, frame.nrows() as f64);
    let inside = corners.iter().all(|c| c[0] >= 0.5 && c[1] >= 0.5 && c[0] <= w - 0.5 && c[1] <= h - 0.5);
    let grey =
        frame.as_slice().filter(|_| inside).map(|data| Grey { data, width: frame.ncols(), height: frame.nrows() });
    for (j, line) in samples.chunks_exact_mut(size[0]).enumerate() {
        let t = (j as f64 + 0.5) / size[1] as f64;
        let (from, to) = (place(corners, 0.0, t), place(corners, 1.0, t));
        if let Some(grey) = grey {
            let step = [0, 1].map(|k| ((to[k] - from[k]) / size[0] as f64) as f32);
            let start = [0, 1].map(|k| from[k] as f32 + 0.5 * step[k]);
            grey.along(start, step, line);
            continue;
        }
        for (i, sample) in line.iter_mut().enumerate() {
            let s = (i as f64 + 0.5) / size[0] as f64;
            *sample = temperature(frame, [from[0] + s * (to[0] - from[0]), from[1] + s * (to[1] - from[1])]);
        }
    }
    // The rim (frame of the module and its blur) is some two centimetres and a pixel wide: left out of the statistics.
    let rim = [0, 1].map(|a| ((1.2 / px[a] + 0.02) * size[a] as f64).ceil() as usize);
    let mut inner = Vec::with_capacity(samples.len());
    for j in rim[1]..size[1].saturating_sub(rim[1]) {
        inner.extend_from_slice(&samples[j * size[0] + rim[0]..(j + 1) * size[0] - rim[0].min(size[0])]);
    }
    let median_c = median(&mut inner);
    let mut centres = Vec::with_capacity(plan.cells[0] * plan.cells[1]);
    // Inner half of a cell, at least its middle samples.
    let range = |n: usize, cell: usize| {
        let skip = if n >= 4 { n / 4 } else { (n - 1) / 2 };
        cell * n + skip..(cell + 1) * n - skip
    };
    for line in 0..plan.cells[1] {
        for column in 0..plan.cells[0] {
            let (mut sum, mut n) = (0f32, 0);
            for j in range(per_cell[1], line) {
                for i in range(per_cell[0], column) {
                    sum += samples[j * size[0] + i];
                    n += 1;
                }
            }
            centres.push(sum / n as f32);
        }
    }
    Field { samples, size, per_cell, centres, median_c }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_of_even_and_odd_and_empty() {
        assert_eq!(median(&mut vec![3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut vec![4.0, 1.0, 3.0, 2.0, f32::NAN]), 2.5);
        assert!(median(&mut vec![]).is_nan());
    }

    #[test]
    fn field_of_a_ramp_is_the_ramp() {
        let frame = ndarray::Array2::from_shape_fn((60, 80), |(y, x)| 0.5 * x as f32 + 0.25 * y as f32);
        let plan = CellPlan { cells: [6, 10], substrings: 3, split_axis: 0, half_cut: false, has_cells: true };
        let corners = [[10.0, 5.0], [40.0, 5.0], [40.0, 55.0], [10.0, 55.0]];
        let f = field(&frame.view(), &corners, &plan);
        // The ramp's value at the module's middle, (25, 30) px, whose pixel index is half a pixel less.
        assert!((f64::from(f.median_c) - (0.5 * 24.5 + 0.25 * 29.5)).abs() < 1e-3);
        assert_eq!(f.centres.len(), 60);
    }
}
