//! A table looked for where it should lie: moved over the frame until its modules' boundaries fall on lines, then fitted to them.

use std::collections::BTreeMap;

use ndarray::ArrayView2;

use super::evidence::Look;
use super::rectify::PlaneMap;
use super::{OutlineSettings, refine, with_grey};
use crate::measure::side_px;
use crate::median::median;

/// How far a table may lie from where it should, in short sides of a module: less than half, or it would be another place in
/// its own lattice.
const REACH: f64 = 0.42;
/// Steps of the search: of the short side, but at most so many px, since lines are narrow.
const STEP: f64 = 1.0 / 12.0;
const STEP_PX: f64 = 2.0;
/// Modules at most by which the place is searched.
const MOST: usize = 24;

/// Corners (px of the stored frame) of the modules of a table in the order of their places (line, column). `cells`: where they
/// should lie at unit distance, upper left corner first; `None` where the place shows
/// no lattice.
pub(crate) fn locate(
    frame: &ArrayView2<'_, f32>,
    map: &PlaneMap,
    cells: &BTreeMap<(i32, i32), [[f64; 2]; 4]>,
    settings: &OutlineSettings,
) -> Option<Vec<[[f64; 2]; 4]>> {
    let shift = best_shift(frame, map, cells)?;
    let moved = |uv: [f64; 2]| {
        let [x, y] = map.pixel(uv);
        map.plane([x + shift[0], y + shift[1]])
    };
    let cells = cells.iter().map(|(place, corners)| (*place, corners.map(moved))).collect();
    with_grey(frame, |grey| refine::refit(grey, map, &cells, settings))?
}

/// The shift, px, under which the boundaries are strongest together.
fn best_shift(
    frame: &ArrayView2<'_, f32>,
    map: &PlaneMap,
    cells: &BTreeMap<(i32, i32), [[f64; 2]; 4]>,
) -> Option<[f64; 2]> {
    let every = cells.len().div_ceil(MOST).max(1);
    let corners: Vec<[[f64; 2]; 4]> = cells.values().step_by(every).map(|cell| cell.map(|uv| map.pixel(uv))).collect();
    let mut short: Vec<f64> = corners.iter().map(|c| side_px(c).into_iter().fold(f64::INFINITY, f64::min)).collect();
    let short = median(&mut short);
    let step = (STEP * short).min(STEP_PX);
    let n = (REACH * short / step) as i32;
    if !(step > 0.0 && n < 100) {
        return None;
    }
    let score = |shift: [f64; 2]| -> f64 {
        let moved = corners.iter().map(|c| c.map(|p| [p[0] + shift[0], p[1] + shift[1]]));
        moved.map(|c| Look::clearness_of(frame, &c)).sum()
    };
    let places = (-n..=n).flat_map(|j| (-n..=n).map(move |i| [f64::from(i) * step, f64::from(j) * step]));
    let within = places.filter(|[x, y]| x.hypot(*y) <= REACH * short);
    within.map(|shift| (score(shift), shift)).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, shift)| shift)
}
