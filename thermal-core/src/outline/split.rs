//! Lattices that ran over the gap between two tables: a narrow gap is bridged by two cells that each give way a little, and
//! from there on every line lies aside. Such a lattice is taken apart where its upright lines make a step.

use nalgebra::{SMatrix, SVector};

use super::cell::GrownCell;
use super::lattice::Lattice;

/// Narrowest gap that is told, work px: less is within what a grown side is off.
const LEAST_GAP_PX: f64 = 1.0;
/// Least gap in its own standard deviations.
const LEAST_SURE: f64 = 6.0;
/// Columns on either side of a place that tell whether there is a gap: many tell a narrow one, among few there is no other.
const REACHES: [i32; 2] = [30, 8];
/// Least number of measured sides on either side of a gap.
const LEAST_SIDES: usize = 3;

/// A measured upright side: the column of its cell, its line of the lattice, its course, and its x, work px.
#[derive(Debug, Clone, Copy)]
struct Side {
    column: i32,
    line: f64,
    course: f64,
    x: f64,
}

/// The lattice, or the lattices that it is made of, from left to right.
pub(super) fn at_gaps(lattice: Lattice) -> Vec<Lattice> {
    let Some(first_right) = gap(&sides(&lattice)) else { return vec![lattice] };
    let (right, left) = lattice.cells.into_iter().partition(|((_, column), _)| *column >= first_right);
    [left, right].into_iter().flat_map(|cells| at_gaps(Lattice { cells })).collect()
}

fn sides(lattice: &Lattice) -> Vec<Side> {
    let of_cell = |(&(course, column), cell): (&(i32, i32), &GrownCell)| {
        let (x, measured) = (cell.x, cell.sides);
        [0, 1].into_iter().filter(move |k| measured[*k] >= 0.0).map(move |k| Side {
            column,
            line: f64::from(column) + k as f64,
            course: f64::from(course),
            x: x[k],
        })
    };
    lattice.cells.iter().flat_map(of_cell).collect()
}

/// The first column behind the clearest gap.
fn gap(sides: &[Side]) -> Option<i32> {
    let columns = || sides.iter().map(|side| side.column);
    let (first, last) = (columns().min()?, columns().max()?);
    REACHES.into_iter().find_map(|reach| {
        let near = |column: i32| -> Vec<Side> {
            sides.iter().filter(|side| (column - reach..column + reach).contains(&side.column)).copied().collect()
        };
        let places = (first + 1..=last).filter_map(|column| Some((column, step_at(&near(column), column)?)));
        places.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(column, _)| column)
    })
}

/// How sure a gap before a column is, in its standard deviations; `None` where there is none.
///
/// The lines lie at even steps, with what is left of perspective and turn; behind a gap all of them are further off.
fn step_at(sides: &[Side], column: i32) -> Option<f64> {
    let behind = sides.iter().filter(|side| side.column >= column).count();
    if behind < LEAST_SIDES || sides.len() - behind < LEAST_SIDES {
        return None;
    }
    let (mut normal, mut right, mut squares) = (SMatrix::<f64, 5, 5>::zeros(), SVector::<f64, 5>::zeros(), 0.0);
    let origin = sides.first()?.x;
    for side in sides {
        let line = side.line - f64::from(column);
        let terms = SVector::<f64, 5>::new(
            1.0,
            line,
            side.course,
            0.1 * line * line,
            if side.column >= column { 1.0 } else { 0.0 },
        );
        let x = side.x - origin;
        normal += terms * terms.transpose();
        right += terms * x;
        squares += x * x;
    }
    // Few lines tell no perspective, one course no turn: both are held at nothing by a little.
    normal[(2, 2)] += 1e-3;
    normal[(3, 3)] += 10.0;
    let inverse = normal.try_inverse()?;
    let found = inverse * right;
    let left_over = (squares - found.dot(&right)).max(0.0) / (sides.len() as f64 - 4.0).max(1.0);
    // No side is measured better than to a tenth of a pixel.
    let deviation = (left_over.max(0.01) * inverse[(4, 4)]).sqrt();
    (found[4] >= LEAST_GAP_PX && found[4] >= LEAST_SURE * deviation).then(|| found[4] / deviation)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two courses of modules of 22.4 work px, the lines seen by perspective and each side off by up to 0.8 px; `gap_px` wide
    /// gaps stand before the columns `behind`, bridged by the two cells beside, which give way by half of it.
    fn grown(columns: i32, behind: &[i32], gap_px: f64) -> Lattice {
        let mut lattice = Lattice::default();
        for (course, column) in (0..2).flat_map(|course| (0..columns).map(move |column| (course, column))) {
            let gaps = |column: i32| behind.iter().filter(|first| **first <= column).count() as f64 * gap_px;
            let x = [0, 1].map(|k| {
                let line = f64::from(column + k);
                let off = 0.8 * (f64::from((column * 7 + k * 5 + course * 3) % 9) / 4.0 - 1.0);
                let bridged = if behind.contains(&(column + k)) { gap_px * (0.5 - f64::from(1 - k)) } else { 0.0 };
                40.0 + 22.4 * line + 0.01 * line * line + 0.3 * f64::from(course) + gaps(column) + bridged + off
            });
            let cell = GrownCell {
                x,
                y: [0.0, 40.0],
                sides: [1.0; 4],
                level: 40.0,
                texture: 0.1,
                visible: 1.0,
                through: [(0.0, 0.5); 2],
            };
            lattice.cells.insert((course, column), cell);
        }
        lattice
    }

    fn columns(lattices: &[Lattice]) -> Vec<[i32; 2]> {
        let span = |lattice: &Lattice| {
            let columns = || lattice.cells.keys().map(|(_, column)| *column);
            [columns().min().unwrap(), columns().max().unwrap()]
        };
        lattices.iter().map(span).collect()
    }

    #[test]
    fn a_table_stays_whole() {
        for count in [1, 2, 3, 7, 22] {
            assert_eq!(columns(&at_gaps(grown(count, &[], 0.0))), [[0, count - 1]]);
        }
    }

    #[test]
    fn tables_that_a_narrow_gap_divides_are_taken_apart_at_it() {
        for gap_px in [2.5, 4.0] {
            assert_eq!(columns(&at_gaps(grown(18, &[7], gap_px))), [[0, 6], [7, 17]], "{gap_px}");
        }
        // Each of several hides the others, but where few columns are looked at.
        assert_eq!(columns(&at_gaps(grown(22, &[6, 15], 4.0))), [[0, 5], [6, 14], [15, 21]]);
    }
}
