//! The plant on the local plane: each module's centre, axes and size, and a spatial index over them.

use rstar::{AABB, RTree, primitives::GeomWithData};

/// A module of the plant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slot {
    /// East and north, m.
    pub(super) centre: [f64; 2],
    /// Unit vector along the row, to the right as seen from the front.
    pub(super) along: [f64; 2],
    /// Size along the row and across it on the ground, m.
    pub(super) size: [f64; 2],
}

impl Slot {
    /// A slot from its four corners in any order around it; `along` is near `hint`.
    pub(super) fn from_ring(ring: &[[f64; 2]; 4], hint: [f64; 2]) -> Self {
        let centre = [0, 1].map(|k| ring.iter().map(|p| p[k]).sum::<f64>() / 4.0);
        let side = |i: usize, j: usize| [0, 1].map(|k| ring[j][k] - ring[i][k]);
        let mean = |a: [f64; 2], b: [f64; 2]| [0.5 * (a[0] - b[0]), 0.5 * (a[1] - b[1])];
        let (p, q) = (mean(side(0, 1), side(2, 3)), mean(side(1, 2), side(3, 0)));
        let length = |v: [f64; 2]| v[0].hypot(v[1]);
        let cosine = |v: [f64; 2]| (v[0] * hint[0] + v[1] * hint[1]) / length(v).max(1e-9);
        let (a, b) = if cosine(p).abs() >= cosine(q).abs() { (p, q) } else { (q, p) };
        let sign = if cosine(a) < 0.0 { -1.0 } else { 1.0 };
        let n = length(a).max(1e-9);
        Self { centre, along: [sign * a[0] / n, sign * a[1] / n], size: [length(a), length(b)] }
    }

    /// A slot from corners in order: upper left, upper right, lower right, lower left.
    pub(super) fn from_corners(c: &[[f64; 2]; 4]) -> Self {
        let right = [0, 1].map(|k| c[1][k] - c[0][k] + c[2][k] - c[3][k]);
        Self::from_ring(c, right)
    }

    /// A place relative to the centre, in shares of the module's size along and across (away from the upper edge).
    pub(super) fn share(&self, place: [f64; 2]) -> [f64; 2] {
        let d = [place[0] - self.centre[0], place[1] - self.centre[1]];
        let [a, b] = self.along;
        [(d[0] * a + d[1] * b) / self.size[0].max(1e-9), (d[0] * b - d[1] * a) / self.size[1].max(1e-9)]
    }
}

/// Index of the slots by their centres.
#[derive(Debug, Clone)]
pub(super) struct Map {
    pub(super) slots: Vec<Slot>,
    tree: RTree<GeomWithData<[f64; 2], u32>>,
}

impl Map {
    pub(super) fn new(slots: Vec<Slot>) -> Self {
        let points = slots
            .iter()
            .enumerate()
            .filter(|(_, s)| s.centre.iter().all(|v| v.is_finite()))
            .map(|(i, s)| GeomWithData::new(s.centre, i as u32))
            .collect();
        Self { slots, tree: RTree::bulk_load(points) }
    }

    /// Slots with their centre in a box, in the order of their number.
    pub(super) fn within(&self, low: [f64; 2], high: [f64; 2]) -> Vec<u32> {
        let mut found: Vec<u32> = self.tree.locate_in_envelope(AABB::from_corners(low, high)).map(|g| g.data).collect();
        found.sort_unstable();
        found
    }

    /// The nearest slot.
    pub(super) fn nearest(&self, place: [f64; 2]) -> Option<u32> {
        self.tree.nearest_neighbor(place).map(|g| g.data)
    }
}
