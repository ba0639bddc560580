//! Which outlines form a row, and where in it each stands: tables whose courses run on into each other.

use std::collections::BTreeSet;

use crate::outline::Outlines;
use crate::outline::Placed;

/// A module's place within its frame, each from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct RowPlace {
    /// Row, from the upper edge of the array.
    pub row: u32,
    /// Course within the row, from its upper edge.
    pub course: u32,
    /// Position along the course, from the left as seen with the upper edge up.
    pub position: u32,
}

/// Assigns rows, courses and positions to all cells of a frame: a list a table, in the order of its cells.
///
/// `courses`: courses in a row of this plant; a row is never taller.
pub(crate) fn assign(outlines: &Outlines, courses: usize) -> Vec<Vec<RowPlace>> {
    let placed: Vec<Placed> = outlines.placed();
    let n = placed.len();
    // Union of tables whose courses align: same slope position modulo the pitch, together not taller than a row.
    let mut shift = vec![0i64; n];
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| placed[*a].left.total_cmp(&placed[*b].left));
    let mut rows: Vec<(usize, i64, i64)> = Vec::new(); // (last table, lowest line, highest line) relative to the first
    let mut row_of = vec![0usize; n];
    for &k in &order {
        let table = &placed[k];
        let lines = table.lines as i64;
        let mut best: Option<(usize, i64, f64)> = None;
        for (r, &(last, low, high)) in rows.iter().enumerate() {
            let other = &placed[last];
            let pitch = 0.5 * (table.pitch + other.pitch);
            let steps = (table.top - other.top) / pitch;
            let whole = steps.round();
            let off = (steps - whole).abs();
            let from = shift[last] + whole as i64;
            let (l, h) = (low.min(from), high.max(from + lines));
            if off < 0.35 && h - l <= courses as i64 && best.is_none_or(|b| off < b.2) {
                best = Some((r, from, off));
            }
        }
        if let Some((r, from, _)) = best {
            let row = &mut rows[r];
            *row = (k, row.1.min(from), row.2.max(from + lines));
            shift[k] = from;
            row_of[k] = r;
        } else {
            rows.push((k, 0, lines));
            row_of[k] = rows.len() - 1;
        }
    }
    // Rows from the top: by the middle of their uppermost line at the frame's centre line.
    let mut rank: Vec<usize> = (0..rows.len()).collect();
    let middle = |r: usize| {
        let members: Vec<f64> =
            (0..n).filter(|k| row_of[*k] == r).map(|k| placed[k].top - shift[k] as f64 * placed[k].pitch).collect();
        members.iter().sum::<f64>() / members.len().max(1) as f64
    };
    rank.sort_by(|a, b| middle(*a).total_cmp(&middle(*b)));
    let mut number = vec![0u32; rows.len()];
    for (k, r) in rank.iter().enumerate() {
        number[*r] = k as u32 + 1;
    }
    // A row is cut where any of its tables is: a leaning table may touch the frame's edge alone.
    let mut cut_above = vec![false; rows.len()];
    for k in 0..n {
        cut_above[row_of[k]] |= placed[k].cut_above;
    }
    // The columns of each row so far, by their middle: a lattice within another's reach shares its positions.
    let mut columns: Vec<Vec<(f64, i64)>> = vec![Vec::new(); rows.len()];
    let mut out = vec![Vec::new(); n];
    for &k in &order {
        let r = row_of[k];
        let (_, low, high) = rows[r];
        // A row cut by the frame's upper edge is counted from its lower edge, which is in view.
        let missing = courses as i64 - (high - low);
        let upper = if missing > 0 && cut_above[r] { missing } else { 0 };
        let cells = &outlines.tables[k].cells;
        let own: BTreeSet<usize> = cells.iter().map(|c| c.column).collect();
        let middle = |column: usize| placed[k].left + (column as f64 + 0.5) * placed[k].step;
        let near = |column: usize| {
            let shared = columns[r].iter().find(|(u, _)| (u - middle(column)).abs() < 0.4 * placed[k].step);
            shared.map(|(_, position)| position - column as i64)
        };
        let last = columns[r].iter().map(|c| c.1).max().unwrap_or(0);
        let first = own.iter().copied().find_map(near).unwrap_or(last + 1);
        columns[r].extend(own.iter().map(|c| (middle(*c), first + *c as i64)));
        out[k] = cells
            .iter()
            .map(|c| RowPlace {
                row: number[r],
                course: (shift[k] - low + upper + c.line as i64 + 1).max(1) as u32,
                position: (first + c.column as i64).max(1) as u32,
            })
            .collect();
    }
    out
}

#[cfg(test)]
mod tests {
    use nalgebra::Matrix3;

    use super::*;
    use crate::optics::Lens;
    use crate::outline::{Cell, Table};

    /// A table of modules of 40 x 80 px seen straight on, its upper left corner at `at`, px.
    fn table(at: [f64; 2], lines: usize, columns: usize) -> Table {
        let cell = |line: usize, column: usize| {
            let (x, y) = (at[0] + 42.0 * column as f64, at[1] + 82.0 * line as f64);
            let corners = [[x, y], [x + 40.0, y], [x + 40.0, y + 80.0], [x, y + 80.0]];
            Cell { column, line, corners, whole: true, confidence: 1.0 }
        };
        let cells = (0..lines).flat_map(|l| (0..columns).map(move |c| cell(l, c))).collect();
        Table { cells, ..Table::default() }
    }

    fn places(tables: Vec<Table>) -> Vec<Vec<[u32; 3]>> {
        let lens = Lens { width: 640, height: 512, focal_px: 1000.0, k1: 0.0 };
        let outlines = Outlines { tables, view: Some((lens, Matrix3::identity())) };
        let list = |t: Vec<RowPlace>| t.into_iter().map(|p| [p.row, p.course, p.position]).collect();
        assign(&outlines, 2).into_iter().map(list).collect()
    }

    #[test]
    fn a_row_cut_by_the_frame_is_numbered_alike_over_its_tables() {
        // Only the left table leans over the frame's upper edge; both show the lower of two courses.
        let found = places(vec![table([10.0, 1.0], 1, 2), table([120.0, 5.0], 1, 2)]);
        assert_eq!(found, [[[1, 2, 1], [1, 2, 2]], [[1, 2, 3], [1, 2, 4]]]);
    }

    #[test]
    fn lattices_over_the_same_columns_share_positions() {
        // The lower course of a table was found as a lattice of its own, one column further in.
        let found = places(vec![table([10.0, 100.0], 1, 4), table([52.5, 183.0], 1, 3), table([200.0, 100.0], 2, 1)]);
        assert_eq!(found[0], [[1, 1, 1], [1, 1, 2], [1, 1, 3], [1, 1, 4]]);
        assert_eq!(found[1], [[1, 2, 2], [1, 2, 3], [1, 2, 4]]);
        assert_eq!(found[2], [[1, 1, 5], [1, 2, 5]]);
    }
}
