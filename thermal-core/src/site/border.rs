//! The border of a frame's view on the ground: whether a module lies wholly in it.

use nalgebra::Vector3;

use super::attitude::Sighting;
use super::map::Slot;
use crate::optics::Lens;

/// Corners of the border: the frame's corners and the middles of its sides, which a lens bends.
const SIDES: usize = 8;
/// A module counts as in view from this depth, m: the place of the border is no better known.
const LEAST_DEPTH_M: f64 = 0.15;

/// A convex border, clockwise seen from above.
#[derive(Debug, Clone)]
pub(super) struct Border {
    /// East and north, m.
    pub(super) corners: [[f64; 2]; SIDES],
    /// Unit normals of the sides, inwards.
    normals: [[f64; 2]; SIDES],
}

/// How far a module lies within each side, m; negative beyond it.
pub(super) type Depths = [f64; SIDES];

impl Border {
    /// The border of a frame on the level of the modules whose camera is at `camera`, m.
    pub(super) fn of_view(lens: &Lens, sight: &Sighting, camera: [f64; 2]) -> Self {
        let (w, h) = (lens.width as f64, lens.height as f64);
        let frame =
            [[0.0, 0.0], [0.5 * w, 0.0], [w, 0.0], [w, 0.5 * h], [w, h], [0.5 * w, h], [0.0, h], [0.0, 0.5 * h]];
        Self::new(frame.map(|px| {
            let [x, y] = lens.direction(px);
            let ray = sight.rotation * Vector3::new(x, y, 1.0);
            let depth = sight.height_m / (-ray.z).max(0.1);
            [depth * ray.x + camera[0], depth * ray.y + camera[1]]
        }))
    }

    fn new(corners: [[f64; 2]; SIDES]) -> Self {
        let normals = std::array::from_fn(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % SIDES]);
            let side = [b[0] - a[0], b[1] - a[1]];
            let length = side[0].hypot(side[1]).max(1e-9);
            [side[1] / length, -side[0] / length]
        });
        Self { corners, normals }
    }

    /// How far the whole of a module lies within each side.
    pub(super) fn depths(&self, slot: &Slot) -> Depths {
        std::array::from_fn(|i| {
            let (corner, normal) = (self.corners[i], self.normals[i]);
            let centre = (slot.centre[0] - corner[0]) * normal[0] + (slot.centre[1] - corner[1]) * normal[1];
            let along = (normal[0] * slot.along[0] + normal[1] * slot.along[1]).abs();
            let across = (1.0 - along * along).max(0.0).sqrt();
            centre - 0.5 * (along * slot.size[0] + across * slot.size[1])
        })
    }

    /// What a shift of the module adds to its depths.
    pub(super) fn moved(&self, shift: [f64; 2]) -> Depths {
        self.normals.map(|normal| shift[0] * normal[0] + shift[1] * normal[1])
    }

    /// A module of these depths, moved, is in view.
    pub(super) fn holds(depths: &Depths, moved: &Depths) -> bool {
        depths.iter().zip(moved).all(|(depth, by)| depth + by > LEAST_DEPTH_M)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An octagon with its sides 10 m from the middle: how deep a module lies is worked out by hand.
    #[test]
    fn a_module_is_in_view_where_all_of_it_is() {
        let side = 10.0 * (std::f64::consts::PI / 8.0).tan();
        let border = Border::new([
            [-side, 10.0],
            [side, 10.0],
            [10.0, side],
            [10.0, -side],
            [side, -10.0],
            [-side, -10.0],
            [-10.0, -side],
            [-10.0, side],
        ]);
        let slot = Slot { centre: [0.0, 0.0], along: [1.0, 0.0], size: [1.0, 2.0] };
        let depths = border.depths(&slot);
        // Northern side: half of the two metres across; eastern: half of the metre along.
        assert!((depths[0] - 9.0).abs() < 1e-9 && (depths[2] - 9.5).abs() < 1e-9, "{depths:?}");
        let seen = |shift| Border::holds(&depths, &border.moved(shift));
        assert!(seen([0.0, 8.8]) && !seen([0.0, 8.9]));
        assert!(seen([-9.3, 0.0]) && !seen([-9.4, 0.0]));
        assert!(!seen([7.0, 7.0]), "beyond the slanting side");
    }
}
