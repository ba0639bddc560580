//! One cell of a lattice in the working image: how its sides, its inside, and what runs through it are measured.

use super::energy::Energy;
use super::rectify::WorkImage;

/// One cell while growing, in work coordinates.
#[derive(Debug, Clone, Copy)]
pub(super) struct GrownCell {
    /// Left and right side, x at mid height.
    pub x: [f64; 2],
    /// Upper and lower side, y at mid width.
    pub y: [f64; 2],
    /// Strength of left, right, upper, lower side, K; negative: outside the frame, not measured.
    pub sides: [f32; 4],
    /// Median temperature inside, deg C.
    pub level: f32,
    /// Median boundary strength inside, K: what texture alone makes.
    pub texture: f32,
    /// Share of the cell inside the frame.
    pub visible: f64,
    /// Strongest upright and level boundary that runs through the whole cell, K, and its place as a share of the cell.
    pub through: [(f32, f64); 2],
}

/// Work pixels on either side of a boundary that must lie in the frame for it to be measured.
const REACH_PX: f64 = 2.2;

/// How far a boundary reaches into the cells beside it at most, work px.
const FLANK_PX: usize = 5;
/// As far at least, work px.
const INSET_PX: usize = 3;
/// What growing looks at.
pub(super) struct Scene<'a> {
    pub(super) image: &'a WorkImage,
    pub(super) energy: &'a Energy,
    /// Work pixels that a lattice has.
    pub(super) taken: Vec<bool>,
}

/// The place a share of the way from one side to the other.
#[inline]
fn at(share: f64, sides: [f64; 2]) -> f64 {
    sides[0] + share * (sides[1] - sides[0])
}

/// Strength of a side from three places along it, and its position: median of both.
fn side([mut a, mut b, mut c]: [(f32, f64); 3]) -> (f32, f64) {
    for _ in 0..2 {
        if b.0 > a.0 {
            (a, b) = (b, a);
        }
        if c.0 > b.0 {
            (b, c) = (c, b);
        }
    }
    // Positions of the two stronger places agree better than a weak third.
    (b.0, 0.5 * (a.1 + b.1))
}

/// Where the inside of a cell begins, px from its side: behind what only falls off from the side's own boundary.
fn inner_end(strength: impl Fn(usize) -> f32, most: usize) -> usize {
    let mut before = strength(0);
    let rises = |k: &usize| {
        let now = strength(*k);
        let rises = now > before;
        before = now;
        rises
    };
    (1..=most).find(rises).unwrap_or(FLANK_PX + 1).max(INSET_PX)
}

impl Scene<'_> {
    pub(super) fn inside(&self, x: f64, y: f64) -> bool {
        // By way of 32 bits, which the processor converts in one step.
        let (i, j) = (x as i32 as usize, y as i32 as usize);
        x >= 0.0
            && y >= 0.0
            && self.image.seen.get(j).is_some_and(|[first, end]| (*first as usize..*end as usize).contains(&i))
    }

    pub(super) fn value(&self, x: f64, y: f64) -> f32 {
        let place = |v: f64, n: usize| (v as i32).clamp(0, n as i32 - 1) as usize;
        self.image.data[place(y, self.image.height) * self.image.width + place(x, self.image.width)]
    }

    /// Looks at a predicted rectangle: measures its sides within `reach` px and its inside.
    pub(super) fn look(&self, x: [f64; 2], y: [f64; 2], reach: isize) -> Option<GrownCell> {
        let (level, visible) = self.level(x, y)?;
        let texture = self.texture(x, y);
        let mut cell = GrownCell { x, y, sides: [-1.0; 4], level, texture, visible, through: [(0.0, 0.5); 2] };
        self.find_sides(&mut cell, reach);
        cell.through = self.through(&cell);
        Some(cell)
    }

    /// A cell to grow a lattice from, if all sides of the rectangle but one are found within a pixel, at least `least` K
    /// strong and out of its texture, and it lies in the frame. Most rectangles fail: what is cheap to measure comes first,
    /// and what runs through a cell is not asked of the first one.
    pub(super) fn start(&self, x: [f64; 2], y: [f64; 2], least: f32) -> Option<GrownCell> {
        let mut cell =
            GrownCell { x, y, sides: [-1.0; 4], level: f32::NAN, texture: 0.0, visible: 0.0, through: [(0.0, 0.5); 2] };
        self.find_sides(&mut cell, 1);
        // A module near the frame's edge may have one side too close to it to be measured again.
        let weakest = cell.sides.into_iter().filter(|s| *s >= 0.0).fold(f32::MAX, f32::min);
        if weakest < least || cell.sides.iter().filter(|s| **s < 0.0).count() > 1 {
            return None;
        }
        (cell.level, cell.visible) = self.level(x, y)?;
        cell.texture = self.texture(x, y);
        (cell.visible >= 0.95 && weakest >= 2.0 * cell.texture).then_some(cell)
    }

    /// Median temperature inside a rectangle, deg C, and the share of it inside the frame, if that is enough to tell.
    fn level(&self, x: [f64; 2], y: [f64; 2]) -> Option<(f32, f64)> {
        let mut levels = [0f32; 25];
        let mut seen = 0;
        for j in 0..5 {
            for i in 0..5 {
                let (px, py) = (at(0.14 + 0.18 * f64::from(i), x), at(0.14 + 0.18 * f64::from(j), y));
                if self.inside(px, py) {
                    levels[seen] = self.value(px, py);
                    seen += 1;
                }
            }
        }
        let visible = seen as f64 / 25.0;
        (visible >= 0.3).then(|| (*levels[..seen].select_nth_unstable_by(seen / 2, f32::total_cmp).1, visible))
    }

    /// Median boundary strength inside a rectangle, K.
    fn texture(&self, x: [f64; 2], y: [f64; 2]) -> f32 {
        let mut inner = [0f32; 30];
        for (k, pair) in inner.chunks_exact_mut(2).enumerate() {
            let (t, s) = (0.3 + 0.1 * (k / 3) as f64, 0.3 + 0.2 * (k % 3) as f64);
            pair[0] = self.energy.upright_at(at(t, x), at(s, y));
            pair[1] = self.energy.level_at(at(s, x), at(t, y));
        }
        *inner.select_nth_unstable_by(15, f32::total_cmp).1
    }

    /// Measures a cell's sides within `reach` px of where it has them.
    fn find_sides(&self, cell: &mut GrownCell, reach: isize) {
        let (x, y) = (cell.x, cell.y);
        let places = [0.22, 0.5, 0.78];
        for (k, px) in x.into_iter().enumerate() {
            let points = places.map(|t| at(t, y));
            if points.iter().filter(|py| self.inside(px - REACH_PX, **py) && self.inside(px + REACH_PX, **py)).count()
                >= 2
            {
                let (s, p) = side(points.map(|py| self.energy.upright_near(px, py, reach)));
                cell.sides[k] = s;
                cell.x[k] = p;
            }
        }
        for (k, py) in y.into_iter().enumerate() {
            let points = places.map(|t| at(t, x));
            if points.iter().filter(|px| self.inside(**px, py - REACH_PX) && self.inside(**px, py + REACH_PX)).count()
                >= 2
            {
                let (s, p) = side(points.map(|px| self.energy.level_near(px, py, reach)));
                cell.sides[2 + k] = s;
                cell.y[k] = p;
            }
        }
    }

    /// Where a stronger boundary beside (the edge of a shadow or of a beam) has drawn a side away so far that the cell has no
    /// module's size any more, the side is measured again where it was predicted.
    pub(super) fn hold_size(&self, cell: &mut GrownCell, predicted: [[f64; 2]; 2], size: [f64; 2]) {
        let places = [0.22, 0.5, 0.78];
        if !size_fits(cell.x, size[0]) {
            let k = usize::from((cell.x[1] - predicted[0][1]).abs() > (cell.x[0] - predicted[0][0]).abs());
            if cell.sides[k] >= 0.0 {
                cell.x[k] = predicted[0][k];
                cell.sides[k] = side(places.map(|t| self.energy.upright_near(cell.x[k], at(t, cell.y), 0))).0;
            }
        }
        if !size_fits(cell.y, size[1]) {
            let k = usize::from((cell.y[1] - predicted[1][1]).abs() > (cell.y[0] - predicted[1][0]).abs());
            if cell.sides[2 + k] >= 0.0 {
                cell.y[k] = predicted[1][k];
                cell.sides[2 + k] = side(places.map(|t| self.energy.level_near(at(t, cell.x), cell.y[k], 0))).0;
            }
        }
    }

    /// Strongest boundaries that cross the cell from side to side away from its edges; what only falls off from an edge is
    /// that edge's own flank.
    fn through(&self, cell: &GrownCell) -> [(f32, f64); 2] {
        let weakest = |e: [f32; 3]| e[0].min(e[1]).min(e[2]);
        let places = [0.2, 0.5, 0.8];
        let mut best = [(0f32, 0.5f64); 2];
        for (axis, size) in [cell.x[1] - cell.x[0], cell.y[1] - cell.y[0]].into_iter().enumerate() {
            let share = |k: usize| (k as f64 + 0.5) / size;
            let strength = |k: usize| {
                if axis == 0 {
                    weakest(places.map(|t| self.energy.upright_at(at(share(k), cell.x), at(t, cell.y))))
                } else {
                    weakest(places.map(|t| self.energy.level_at(at(t, cell.x), at(share(k), cell.y))))
                }
            };
            let last = (size - 1.0).max(0.0) as usize;
            let from = inner_end(strength, FLANK_PX);
            let inset = inner_end(|k| strength(last - k), FLANK_PX.min(last));
            let to = (size - inset as f64).max(3.0) as usize;
            for k in from..to {
                let e = strength(k);
                if e > best[axis].0 {
                    best[axis] = (e, share(k));
                }
            }
        }
        best
    }

    /// Whether a good part of a rectangle is marked.
    pub(super) fn covers(&self, mask: &[bool], x: [f64; 2], y: [f64; 2]) -> bool {
        let mut hits = 0;
        for t in [0.2, 0.5, 0.8] {
            for s in [0.2, 0.5, 0.8] {
                let i = at(t, x).clamp(0.0, self.image.width as f64 - 1.0) as i32 as usize;
                let j = at(s, y).clamp(0.0, self.image.height as f64 - 1.0) as i32 as usize;
                hits += i32::from(mask[j * self.image.width + i]);
            }
        }
        hits >= 3
    }
}

/// Whether the distance of two sides is a module's.
pub(super) fn size_fits(sides: [f64; 2], size: f64) -> bool {
    (sides[1] - sides[0] - size).abs() < 0.04 * size + 1.2
}
