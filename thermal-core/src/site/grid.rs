//! Squares of the ground, each with the modules that reach into it.

use super::map::Slot;

/// Side of a square, m: less than a module, so that a square holds one or two.
const SIDE: f64 = 0.75;

/// The modules by place.
pub(super) struct Grid {
    low: [f64; 2],
    across: usize,
    down: usize,
    /// Where each square's modules begin in `items`; one more at the end.
    starts: Vec<u32>,
    items: Vec<u32>,
}

impl Grid {
    /// Every module in the squares that its middle part touches: what lies within `share` of its size of its centre, along
    /// and across.
    pub(super) fn new(slots: &[Slot], share: f64) -> Self {
        let boxes: Vec<[[f64; 2]; 2]> = slots.iter().map(|slot| middle_part(slot, share)).collect();
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for [from, to] in &boxes {
            for k in 0..2 {
                low[k] = low[k].min(from[k]);
                high[k] = high[k].max(to[k]);
            }
        }
        if low[0] > high[0] {
            return Self { low: [0.0; 2], across: 0, down: 0, starts: vec![0], items: Vec::new() };
        }
        let count = |k: usize| ((high[k] - low[k]) / SIDE) as usize + 1;
        let (across, down) = (count(0), count(1));
        let squares = |[from, to]: &[[f64; 2]; 2]| {
            let cell = |v: f64, k: usize| ((v - low[k]) / SIDE) as usize;
            let columns = cell(from[0], 0)..=cell(to[0], 0);
            (cell(from[1], 1)..=cell(to[1], 1)).flat_map(move |y| columns.clone().map(move |x| y * across + x))
        };
        let mut starts = vec![0u32; across * down + 1];
        for square in boxes.iter().flat_map(squares) {
            starts[square + 1] += 1;
        }
        for square in 0..across * down {
            starts[square + 1] += starts[square];
        }
        let mut next = starts.clone();
        let mut items = vec![0; starts[across * down] as usize];
        for (slot, part) in boxes.iter().enumerate() {
            for square in squares(part) {
                items[next[square] as usize] = slot as u32;
                next[square] += 1;
            }
        }
        Self { low, across, down, starts, items }
    }

    /// The modules that may have a place in their middle part.
    pub(super) fn at(&self, place: [f64; 2]) -> &[u32] {
        let [x, y] = [0, 1].map(|k| (place[k] - self.low[k]) / SIDE);
        // Negative and what is no number become 0 or fail here.
        if !(x >= 0.0 && y >= 0.0 && x < self.across as f64 && y < self.down as f64) {
            return &[];
        }
        let square = y as usize * self.across + x as usize;
        &self.items[self.starts[square] as usize..self.starts[square + 1] as usize]
    }
}

/// The box about the middle part of a module.
fn middle_part(slot: &Slot, share: f64) -> [[f64; 2]; 2] {
    let [a, b] = slot.along.map(f64::abs);
    let [along, across] = slot.size.map(|size| share * size);
    let half = [a * along + b * across, b * along + a * across];
    [[0, 1].map(|k| slot.centre[k] - half[k]), [0, 1].map(|k| slot.centre[k] + half[k])]
}
