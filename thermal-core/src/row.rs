//! Which outlines form a row, and where in it each stands: tables whose courses run on into each other.

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
pub fn assign(outlines: &Outlines, courses: usize) -> Vec<Vec<RowPlace>> {
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
    let mut next_position = vec![1u32; rows.len()];
    let mut out = vec![Vec::new(); n];
    for &k in &order {
        let r = row_of[k];
        let (_, low, high) = rows[r];
        // A row cut by the frame's upper edge is counted from its lower edge, which is in view.
        let missing = courses as i64 - (high - low);
        let upper = if missing > 0 && placed[k].cut_above { missing } else { 0 };
        let first = next_position[r];
        let cells = &outlines.tables[k].cells;
        out[k] = cells
            .iter()
            .map(|c| RowPlace {
                row: number[r],
                course: (shift[k] - low + upper + c.line as i64 + 1).max(1) as u32,
                position: first + c.column as u32,
            })
            .collect();
        next_position[r] = first + cells.iter().map(|c| c.column as u32 + 1).max().unwrap_or(0);
    }
    out
}
