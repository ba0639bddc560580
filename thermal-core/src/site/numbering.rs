//! Row, table, course and position of each module from the plant's geometry, in an order that does not depend on how the
//! plant was flown.
//!
//! The order, as seen by a person who stands in front of the modules (on the side that they face): row 1 is the row
//! nearest to that person, further rows follow away from them, rows on one line from left to right; tables and
//! positions count from the left, courses from the upper edge. A vacant place inside a table counts as a position, a
//! gap between tables does not. Where the layout names rows by whole numbers, these numbers stand.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use super::map::{Map, Slot};
use crate::median::median;

/// Where a module stands, each from 1.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Numbers {
    pub(super) row: u32,
    pub(super) table: u32,
    pub(super) course: u32,
    pub(super) position: u32,
}

/// A gap between two modules of one row, m: tables of one row stand closer than this, blocks of a plant further apart.
const ROW_GAP_M: f64 = 2.5;
/// A gap between two tables, m, is wider than this.
const TABLE_GAP_M: f64 = 0.2;

/// Numbers all modules. `rows` and `tables` are the layout's names, empty where it gives none; `faces` tells modules that
/// face opposite ways apart (dual tilt).
pub(super) fn number(map: &Map, rows: &[&str], tables: &[&str], faces: &[i8]) -> Vec<Numbers> {
    let n = map.slots.len();
    let mut out = vec![Numbers::default(); n];
    let named = rows.len() == n && rows.iter().all(|r| !r.is_empty());
    let groups: Vec<Vec<usize>> = if named {
        let mut by_name: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (i, r) in rows.iter().enumerate() {
            by_name.entry(r).or_default().push(i);
        }
        by_name.into_values().collect()
    } else {
        connected(map, faces)
    };
    let order = row_order(map, &groups);
    let whole: Option<Vec<u32>> =
        if named { groups.iter().map(|g| rows[g[0]].parse().ok().filter(|v| *v > 0)).collect() } else { None };
    for (rank, &g) in order.iter().enumerate() {
        let row = match &whole {
            // "1" and "01" would be one number for two rows.
            Some(numbers) if numbers.iter().filter(|v| **v == numbers[g]).count() == 1 => numbers[g],
            _ => rank as u32 + 1,
        };
        number_row(map, &groups[g], tables, row, &mut out);
    }
    out
}

/// Sets of modules that touch along the row or across the courses.
fn connected(map: &Map, faces: &[i8]) -> Vec<Vec<usize>> {
    let n = map.slots.len();
    let mut parent: Vec<usize> = (0..n).collect();
    for i in 0..n {
        let s = &map.slots[i];
        let reach = s.size[0] + ROW_GAP_M;
        for j in map.within(s.centre.map(|v| v - reach), s.centre.map(|v| v + reach)) {
            let j = j as usize;
            if j <= i || faces.get(i) != faces.get(j) {
                continue;
            }
            let d = s.share(map.slots[j].centre);
            let beside = d[1].abs() < 0.3 && d[0].abs() * s.size[0] < s.size[0] + ROW_GAP_M;
            let above = d[0].abs() < 0.6 && d[1].abs() * s.size[1] < s.size[1] + 0.3;
            if beside || above {
                let (a, b) = (root(&mut parent, i), root(&mut parent, j));
                parent[a.max(b)] = a.min(b);
            }
        }
    }
    let mut groups: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for i in 0..n {
        groups.entry(root(&mut parent, i)).or_default().push(i);
    }
    groups.into_values().collect()
}

fn root(parent: &mut [usize], mut i: usize) -> usize {
    while parent[i] != i {
        parent[i] = parent[parent[i]];
        i = parent[i];
    }
    i
}

/// The rows from the nearest to the farthest, on one line from left to right.
fn row_order(map: &Map, groups: &[Vec<usize>]) -> Vec<usize> {
    // One direction for the plant, so that the order is a total one.
    let along = mean_along(map, 0..map.slots.len());
    let place = |g: &Vec<usize>| {
        let n = g.len().max(1) as f64;
        let c = [0, 1].map(|k| g.iter().map(|&i| map.slots[i].centre[k]).sum::<f64>() / n);
        // (along, towards the back)
        [c[0] * along[0] + c[1] * along[1], c[1] * along[0] - c[0] * along[1]]
    };
    let places: Vec<[f64; 2]> = groups.iter().map(place).collect();
    let mut order: Vec<usize> = (0..groups.len()).collect();
    order.sort_by(|&a, &b| places[a][1].total_cmp(&places[b][1]).then(places[a][0].total_cmp(&places[b][0])));
    // Rows whose middles lie within half a module of depth of the one before stand on one line.
    let mut depths: Vec<f64> = map.slots.iter().map(|s| s.size[1]).collect();
    let line = 0.5 * median(&mut depths);
    let mut start = 0;
    while start < order.len() {
        let mut end = start + 1;
        while end < order.len() && places[order[end]][1] - places[order[end - 1]][1] < line {
            end += 1;
        }
        order[start..end].sort_by(|&a, &b| places[a][0].total_cmp(&places[b][0]));
        start = end;
    }
    order
}

fn mean_along(map: &Map, members: impl Iterator<Item = usize>) -> [f64; 2] {
    let mut sum = [0.0; 2];
    for i in members {
        sum = [sum[0] + map.slots[i].along[0], sum[1] + map.slots[i].along[1]];
    }
    let n = sum[0].hypot(sum[1]);
    if n > 1e-9 { sum.map(|v| v / n) } else { [1.0, 0.0] }
}

fn number_row(map: &Map, members: &[usize], tables: &[&str], row: u32, out: &mut [Numbers]) {
    let along = mean_along(map, members.iter().copied());
    let u = |i: usize| map.slots[i].centre[0] * along[0] + map.slots[i].centre[1] * along[1];
    // Down the slope, so that the course at the upper edge comes first.
    let v = |i: usize| map.slots[i].centre[0] * along[1] - map.slots[i].centre[1] * along[0];
    let by = |key: &dyn Fn(usize) -> f64, a: usize, b: usize| key(a).total_cmp(&key(b)).then(a.cmp(&b));
    let mut sorted = members.to_vec();
    sorted.sort_by(|&a, &b| by(&u, a, b));
    let width = median(&mut members.iter().map(|&i| map.slots[i].size[0]).collect::<Vec<_>>());
    let depth = median(&mut members.iter().map(|&i| map.slots[i].size[1]).collect::<Vec<_>>());
    let named = |i: usize| tables.get(i).copied().filter(|t| !t.is_empty());
    // Columns from left to right: modules above each other share one.
    let (mut position, mut table) = (1u32, 1u32);
    let mut column_u = sorted.first().map_or(0.0, |&i| u(i));
    let mut last = sorted.first().copied();
    let mut members_of: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for &i in &sorted {
        let step = u(i) - column_u;
        if step > 0.5 * width {
            let pitches = (step / (width + 0.02)).round().max(1.0);
            let (before, here) = (last.and_then(named), named(i));
            let (new_table, vacant) = if before.is_some() && here.is_some() {
                (before != here, if before == here { pitches - 1.0 } else { 0.0 })
            } else {
                // A gap of whole modules is vacant places; any other is a gap between tables.
                let off = step - pitches * (width + 0.02);
                let whole = off.abs() < TABLE_GAP_M;
                (!whole, if whole { pitches - 1.0 } else { 0.0 })
            };
            table += u32::from(new_table);
            position += 1 + vacant as u32;
            column_u = u(i);
        }
        last = Some(i);
        out[i] = Numbers { row, table, course: 1, position };
        members_of.entry(table).or_default().push(i);
    }
    // Courses table by table: tables may stand at different heights and be twisted against each other.
    for group in members_of.values_mut() {
        group.sort_by(|&a, &b| by(&v, a, b));
        let mut course = 1;
        let mut edge = group.first().map_or(0.0, |&i| v(i));
        for &i in group.iter() {
            if v(i) - edge > 0.5 * depth {
                course += 1;
                edge = v(i);
            } else if v(i).partial_cmp(&edge) == Some(Ordering::Greater) {
                // Follow a twisted table.
                edge = 0.5 * (edge + v(i));
            }
            out[i].course = course;
        }
    }
}

/// The direction along the rows that belongs to an azimuth, east and north.
pub(super) fn along_of(azimuth_deg: f64) -> [f64; 2] {
    let (s, c) = azimuth_deg.to_radians().sin_cos();
    [-c, s]
}

/// The azimuth that the modules face from the direction along the rows, deg from north.
pub(super) fn azimuth_of(slot: &Slot) -> f64 {
    let [e, n] = slot.along;
    n.atan2(-e).to_degrees().rem_euclid(360.0)
}
