//! What a layout tells of the modules: their size on the ground, the rows' direction, courses, and rows back to back.

use std::collections::BTreeMap;

use super::lattice::mode;
use crate::median::median;
use crate::site::Layout;

/// The modules of a layout, measured.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ground {
    /// Modules measured.
    pub(super) modules: usize,
    /// Extent along the row, m.
    pub(super) along_m: f64,
    /// Extent up the slope as seen from above, m.
    pub(super) depth_m: f64,
    /// One of the two ways across the rows, from north, clockwise, deg.
    pub(super) across_deg: f64,
    /// Courses in a row.
    pub(super) courses: u32,
    /// Rows stand in pairs, ridge and valley in turn.
    pub(super) paired: bool,
}

/// Neighbouring rows closer than this are not walked between, m.
const CLOSE_M: f64 = 1.5;
/// A ridge is so much narrower than a valley.
const RIDGE_OVER_VALLEY: f64 = 0.65;

impl Ground {
    /// Measures a layout.
    pub(super) fn of(layout: &Layout) -> Option<Self> {
        let plane = layout.plane();
        let mut groups: BTreeMap<&str, Vec<[[f64; 2]; 4]>> = BTreeMap::new();
        for module in &layout.modules {
            let name = if module.row.is_empty() { &module.table } else { &module.row };
            groups.entry(name).or_default().push(module.corners.map(|c| plane.to_local(c[1], c[0])));
        }
        let rings = || groups.values().flatten();
        // The directions of the two pairs of sides; north as the first coordinate's partner, so an angle from east.
        let angle = |q: &[[f64; 2]; 4], k: usize| (q[(k + 1) % 4][1] - q[k][1]).atan2(q[(k + 1) % 4][0] - q[k][0]);
        // Sides differ by right angles: the mean of four times the angle knows no corner to begin with.
        let (sin, cos) = rings().fold((0.0, 0.0), |sum: (f64, f64), q| {
            let a = 4.0 * angle(q, 0);
            (sum.0 + a.sin(), sum.1 + a.cos())
        });
        let first = 0.25 * sin.atan2(cos);
        let choices = [first, first + std::f64::consts::FRAC_PI_2];
        // Along the row there are more places than up the slope.
        let places = |direction: f64| -> Vec<usize> {
            groups.values().map(|group| distinct(&centres(group, direction), extent(&group[0], direction))).collect()
        };
        let (a, b) = (places(choices[0]), places(choices[1]));
        let row_is_first = a.iter().sum::<usize>() >= b.iter().sum::<usize>();
        let [row, across] = if row_is_first { choices } else { [choices[1], choices[0]] };
        let mut along: Vec<f64> = rings().map(|q| extent(q, row)).collect();
        let mut depth: Vec<f64> = rings().map(|q| extent(q, across)).collect();
        Some(Self {
            modules: along.len(),
            along_m: median(&mut along),
            depth_m: median(&mut depth),
            across_deg: (90.0 - across.to_degrees()).rem_euclid(180.0),
            courses: mode(if row_is_first { &b } else { &a })? as u32,
            paired: paired(groups.values(), across),
        })
    }
}

/// Extent of a module along a direction, m: the mean of the two sides that run that way.
fn extent(q: &[[f64; 2]; 4], direction: f64) -> f64 {
    let along = |k: usize| {
        let d = [q[(k + 1) % 4][0] - q[k][0], q[(k + 1) % 4][1] - q[k][1]];
        (d[0] * direction.cos() + d[1] * direction.sin()).abs()
    };
    let (even, odd) = (0.5 * (along(0) + along(2)), 0.5 * (along(1) + along(3)));
    even.max(odd)
}

fn project(q: &[[f64; 2]; 4], direction: f64) -> [f64; 4] {
    q.map(|p| p[0] * direction.cos() + p[1] * direction.sin())
}

fn centres(group: &[[[f64; 2]; 4]], direction: f64) -> Vec<f64> {
    group.iter().map(|q| project(q, direction).iter().sum::<f64>() / 4.0).collect()
}

/// How many places there are along a direction, those within half a module being one.
fn distinct(values: &[f64], module_m: f64) -> usize {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    1 + sorted.windows(2).filter(|pair| pair[1] - pair[0] > 0.5 * module_m).count()
}

/// Narrow and wide spaces between the rows take turns, and none is wide enough for a row of its own tilt.
fn paired<'a>(groups: impl Iterator<Item = &'a Vec<[[f64; 2]; 4]>>, across: f64) -> bool {
    let mut spans: Vec<[f64; 2]> = groups
        .map(|group| {
            let all = || group.iter().flat_map(|q| project(q, across));
            [all().fold(f64::MAX, f64::min), all().fold(f64::MIN, f64::max)]
        })
        .collect();
    spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let spaces: Vec<f64> = spans.windows(2).map(|pair| pair[1][0] - pair[0][1]).collect();
    spaces.len() >= 3 && take_turns(&spaces)
}

/// Whether two spaces and more between neighbouring rows, m, are narrow and wide in turn and none is walked through.
pub(super) fn take_turns(spaces: &[f64]) -> bool {
    if spaces.len() < 2 || spaces.iter().any(|s| *s > CLOSE_M) {
        return false;
    }
    let every_second = |from: usize| median(&mut spaces.iter().copied().skip(from).step_by(2).collect::<Vec<_>>());
    let (even, odd) = (every_second(0), every_second(1));
    even.min(odd) < RIDGE_OVER_VALLEY * even.max(odd)
}
