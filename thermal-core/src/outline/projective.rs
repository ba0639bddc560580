//! A projective lattice of known module size, fitted to measured boundaries by least squares.

use nalgebra::{SMatrix, SVector};

/// A measured boundary: lattice coordinates (m), the plane coordinate across it, weight.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    pub(super) at: [f64; 2],
    /// 0: `u` of an upright boundary; 1: `v` of a level one.
    pub(super) axis: usize,
    pub(super) value: f64,
    pub(super) weight: f64,
    /// Number of its line among those of its axis.
    pub(super) line: i32,
}

/// The eight terms of a projective map from the lattice, m, to the plane at unit distance.
pub(super) type Projective = SVector<f64, 8>;

/// How a lattice may lie against the working plane: what its depth changes by along either axis, for a step as long as the
/// distance, is thought to be `tilt`, give or take `free`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lie {
    pub(super) tilt: [f64; 2],
    pub(super) free: f64,
}

/// The working plane is parallel to the tables up to a degree, but for what all tables of the frame have in common.
const FREE_OF_COMMON: f64 = 0.02;
/// Three degrees, while it is not known what they have in common: attitudes are logged that well, and rows follow the ground.
pub(super) const FREE_AT_FIRST: f64 = 0.05;

impl Lie {
    /// Before anything is known of the frame's tables.
    pub(super) const fn unknown() -> Self {
        Self { tilt: [0.0; 2], free: FREE_AT_FIRST }
    }

    /// About what the tables of the frame have in common.
    pub(super) const fn about(tilt: [f64; 2]) -> Self {
        Self { tilt, free: FREE_OF_COMMON }
    }
}

/// A place of the lattice in the plane.
pub(super) fn apply(h: &Projective, p: [f64; 2]) -> [f64; 2] {
    let z = 1.0 + h[6] * p[0] + h[7] * p[1];
    [(h[0] * p[0] + h[1] * p[1] + h[2]) / z, (h[3] * p[0] + h[4] * p[1] + h[5]) / z]
}

/// A fitted lattice.
pub(super) struct Fit {
    pub(super) h: Projective,
    /// Matrix of the normal equations, and what in it holds either term of the projective part.
    normal: SMatrix<f64, 8, 8>,
    hold: f64,
}

impl Fit {
    /// How well the marks alone tell the two terms of the projective part: one over their variances.
    pub(super) fn tilt_known(&self) -> Option<[f64; 2]> {
        let inverse = self.normal.try_inverse()?;
        Some([6, 7].map(|k| (1.0 / inverse[(k, k)] - self.hold).max(0.0)))
    }
}

/// Least squares of a projective lattice, redescending on the residual; the projective part is held near where it is thought
/// to lie, up to the lean of the tables.
pub(super) fn fit(marks: &[Mark], start: &Projective, px: f64, lie: Lie, lean_deg: f64) -> Option<Fit> {
    let mut h = *start;
    let scale = h[0].abs().max(1e-9);
    let hold = 1.0 / ((lie.free + lean_deg.to_radians().sin()) * scale).powi(2);
    let mut normal = SMatrix::<f64, 8, 8>::zeros();
    for gate_px in [3.0, 2.0, 1.2, 0.8, 0.8] {
        let gate = gate_px * px;
        let mut n = SMatrix::<f64, 8, 8>::zeros();
        let mut r = Projective::zeros();
        for m in marks {
            let z = 1.0 + h[6] * m.at[0] + h[7] * m.at[1];
            let now = apply(&h, m.at)[m.axis];
            let e = (m.value - now) / gate;
            let weight = m.weight / (1.0 + e * e).powi(2) / (z * z * px * px);
            let k = 3 * m.axis;
            let (place, row) =
                ([k, k + 1, k + 2, 6, 7], [m.at[0], m.at[1], 1.0, -m.value * m.at[0], -m.value * m.at[1]]);
            for (i, a) in place.into_iter().zip(row) {
                for (j, b) in place.into_iter().zip(row) {
                    n[(i, j)] += weight * a * b;
                }
                r[i] += weight * m.value * a;
            }
        }
        for (k, tilt) in [6, 7].into_iter().zip(lie.tilt) {
            n[(k, k)] += hold;
            r[k] += hold * tilt * scale;
        }
        // Square lattice: equal scale both ways and no shear, within 1 %.
        let square = 1.0 / (0.01 * scale).powi(2);
        for (i, j, sign) in [(0usize, 4usize, -1.0), (1, 3, 1.0)] {
            n[(i, i)] += square;
            n[(j, j)] += square;
            n[(i, j)] += sign * square;
            n[(j, i)] += sign * square;
        }
        // A module cut by the frame, with one upright side in view, would turn and shrink freely: tables are turned against
        // each other by a degree or two, and the size is known from growing.
        let turn = 1.0 / (0.06 * scale).powi(2);
        let size = 1.0 / (0.2 * scale).powi(2);
        for (k, weight) in [(1, turn), (3, turn), (0, size), (4, size)] {
            n[(k, k)] += weight;
        }
        r[0] += size * start[0];
        r[4] += size * start[4];
        h = n.lu().solve(&r)?;
        if h.iter().any(|v| !v.is_finite()) {
            return None;
        }
        normal = n;
    }
    Some(Fit { h, normal, hold })
}
