//! What a quadrilateral looks like in the frame, so that a place where a module should be can be held against the modules
//! beside it.

use ndarray::ArrayView2;

use crate::measure::{place, temperature};
use crate::median::median;

/// Places along a side at which its line is measured.
const PLACES: usize = 15;
/// How far to either side of a line the surface beside it is read, px: outside the blur of a usual line.
const BESIDE_PX: f64 = 3.0;
/// Share of the usual strength of a module's lines from which a side counts as seen.
const LINE_SHARE: f64 = 0.4;
/// A weaker line counts as seen where it stands out of the roughness inside by this factor: a string as warm as the soil
/// between its modules.
const OVER_ROUGH: f64 = 1.0;
/// Sides that must be seen.
const LINES_NEEDED: usize = 3;
/// How much colder than the coldest of the others, and how much warmer than the warmest, a module may be, K: strings
/// without load, whole modules that run hot.
const COLDER_K: f64 = 3.0;
const WARMER_K: f64 = 15.0;
/// Lines of the eight inside that make a third, less what lies at its border.
const THIRD: usize = 2;
/// How many times rougher than the roughest of the others the inside may be, and how rough it may be in any case, K.
const ROUGHER: f64 = 3.0;
const ROUGH_K: f64 = 0.5;
/// Rougher still it may be, by faults, where all its sides are as strong as this share of the usual, and stand out of the
/// roughness by this factor.
const CLEAR_SHARE: f64 = 0.7;
const CLEAR_OVER_ROUGH: f64 = 1.5;

/// How a quadrilateral looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Look {
    /// Strength of each side's line or step, K.
    sides_k: [f64; 4],
    /// Median inside, deg C.
    level_c: f64,
    /// Median difference of places side by side inside, K: a step between two halves of it counts for little.
    rough_k: f64,
    /// The same in the smoothest third of it along or across: what is sound of a module with warm sections is as smooth as
    /// any other.
    smooth_k: f64,
}

impl Look {
    /// Measures a quadrilateral (px of the stored frame, in order around it) in a frame of temperatures.
    pub(crate) fn of(frame: &ArrayView2<'_, f32>, corners: &[[f64; 2]; 4]) -> Self {
        let sides_k = sides_k(frame, corners);
        // Line by line, so that neighbours in the list lie side by side.
        let inside: [f64; 64] = std::array::from_fn(|n| {
            let [s, t] = [n % 8, n / 8].map(|k| 0.15 + 0.1 * k as f64);
            f64::from(temperature(frame, place(corners, s, t)))
        });
        let mut steps: Vec<f64> = inside.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|v| v.is_finite()).collect();
        // From place to place along the lines of a third; one line lies `across` behind the other.
        let third = |first: usize, along: usize, across: usize| {
            let places = (first..first + THIRD).flat_map(|line| (0..7).map(move |k| line * across + k * along));
            let mut steps: Vec<f64> =
                places.map(|k| (inside[k + along] - inside[k]).abs()).filter(|v| v.is_finite()).collect();
            median(&mut steps)
        };
        let thirds = [0, 8 - THIRD].map(|first| third(first, 1, 8).min(third(first, 8, 1)));
        let mut levels: Vec<f64> = inside.into_iter().filter(|v| v.is_finite()).collect();
        Self { sides_k, level_c: median(&mut levels), rough_k: median(&mut steps), smooth_k: thirds[0].min(thirds[1]) }
    }

    /// Strength of its lines together, K; a line counts for no more than is usual among the `others`.
    pub(crate) fn lines_k(&self, others: &[Self]) -> f64 {
        let usual = usual_k(others);
        self.sides_k.iter().map(|k| k.min(usual)).sum()
    }

    /// Sum of the square roots of its lines' strengths: sides against soil or shadow, far stronger than lines between modules,
    /// do not decide alone.
    pub(crate) fn clearness(&self) -> f64 {
        clearness(&self.sides_k)
    }

    /// [`Self::clearness`] of a quadrilateral of which nothing else is asked.
    pub(super) fn clearness_of(frame: &ArrayView2<'_, f32>, corners: &[[f64; 2]; 4]) -> f64 {
        clearness(&sides_k(frame, corners))
    }

    /// Whether it may be a module like the `others`: its lines are there, its inside is as smooth, its temperature one
    /// that modules in this frame have.
    pub(crate) fn is_like(&self, others: &[Self]) -> bool {
        if others.is_empty() || !self.level_c.is_finite() {
            return false;
        }
        let usual = usual_k(others);
        let seen = self.sides_k.iter().filter(|k| **k >= (LINE_SHARE * usual).min(OVER_ROUGH * self.rough_k)).count();
        let coldest = others.iter().map(|o| o.level_c).fold(f64::INFINITY, f64::min);
        let warmest = others.iter().map(|o| o.level_c).fold(f64::NEG_INFINITY, f64::max);
        let roughest = others.iter().map(|o| o.rough_k).fold(0.0, f64::max);
        let clear = (CLEAR_SHARE * usual).max(CLEAR_OVER_ROUGH * self.rough_k);
        seen >= LINES_NEEDED
            && (coldest - COLDER_K..=warmest + WARMER_K).contains(&self.level_c)
            && (self.smooth_k <= (ROUGHER * roughest).max(ROUGH_K) || self.sides_k.iter().all(|k| *k >= clear))
    }
}

/// Median strength of the sides of some modules, K.
fn usual_k(looks: &[Look]) -> f64 {
    let mut lines: Vec<f64> = looks.iter().flat_map(|o| o.sides_k).collect();
    median(&mut lines)
}

fn clearness(sides_k: &[f64; 4]) -> f64 {
    sides_k.iter().map(|k| k.sqrt()).sum()
}

/// Strength of each side's line or step, K.
fn sides_k(frame: &ArrayView2<'_, f32>, corners: &[[f64; 2]; 4]) -> [f64; 4] {
    let centre = place(corners, 0.5, 0.5);
    std::array::from_fn(|k| side_k(frame, corners[k], corners[(k + 1) % 4], centre))
}

/// Strength of the line or step along a side, K: the mean over the side, so that noise and texture cancel.
fn side_k(frame: &ArrayView2<'_, f32>, from: [f64; 2], to: [f64; 2], centre: [f64; 2]) -> f64 {
    let along = [to[0] - from[0], to[1] - from[1]];
    let length = along[0].hypot(along[1]).max(1e-9);
    let mut inward = [-along[1] / length, along[0] / length];
    if (centre[0] - from[0]) * inward[0] + (centre[1] - from[1]) * inward[1] < 0.0 {
        inward = inward.map(|v| -v);
    }
    let (mut line, mut step, mut n) = (0.0, 0.0, 0.0);
    for k in 0..PLACES {
        let t = 0.12 + 0.76 * k as f64 / (PLACES - 1) as f64;
        let at = |off: f64| f64::from(temperature(frame, [0, 1].map(|a| from[a] + t * along[a] + off * inward[a])));
        // The corners stand on the modules' edges: the line between two modules lies just outside.
        let (inside, on, outside) = (at(BESIDE_PX), f64::midpoint(at(-1.0), at(0.0)), at(-BESIDE_PX));
        let (l, s) = (on - 0.5 * (inside + outside), inside - outside);
        if l.is_finite() && s.is_finite() {
            line += l;
            step += s;
            n += 1.0;
        }
    }
    if n == 0.0 { 0.0 } else { (line / n).abs().max(0.5 * (step / n).abs()) }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Modules of 30 x 50 px in a course, with lines of 2 px between them that are 1 K colder; soil of the modules' own
    /// temperature about them, and nothing at the third place.
    fn course() -> Array2<f32> {
        Array2::from_shape_fn((100, 200), |(y, x)| {
            let module = x / 32;
            let inside = (20..70).contains(&y) && x % 32 >= 2 && module != 2 && module < 5;
            let line = (18..72).contains(&y) && module != 2 && module < 5 && !inside;
            // A weave of 0.1 K stands for noise.
            30.0 + 0.1 * ((x * 7 + y * 13) % 5) as f32 - if line { 1.0 } else { 0.0 }
        })
    }

    fn outline(module: usize) -> [[f64; 2]; 4] {
        let x = 32.0 * module as f64 + 2.0;
        [[x, 20.0], [x + 30.0, 20.0], [x + 30.0, 70.0], [x, 70.0]]
    }

    #[test]
    fn a_module_is_like_its_neighbours_and_bare_soil_is_not() {
        let frame = course();
        let look = |k| Look::of(&frame.view(), &outline(k));
        let others = [look(0), look(3)];
        assert!(look(1).is_like(&others), "{:?}", look(1));
        assert!(look(4).is_like(&others), "{:?}", look(4));
        assert!(!look(2).is_like(&others), "{:?}", look(2));
        assert!(!look(1).is_like(&[]), "nothing to be like");
    }

    #[test]
    fn a_module_of_which_two_thirds_are_hot_and_uneven_is_like_its_neighbours() {
        let mut frame = course();
        // Cells of 5 px that differ by some kelvin, as warm as nothing else in the frame, and the last third sound.
        for ((y, x), value) in frame.indexed_iter_mut() {
            if (20..70).contains(&y) && (34..54).contains(&x) {
                *value += 10.0 + 2.0 * ((x / 5 + 3 * (y / 5)) % 4) as f32;
            }
        }
        let look = |k| Look::of(&frame.view(), &outline(k));
        assert!(look(1).rough_k > ROUGH_K, "{:?}", look(1));
        assert!(look(1).is_like(&[look(0), look(3)]), "{:?}", look(1));
    }

    #[test]
    fn half_a_module_beside_its_place_is_not_like_one() {
        let frame = course();
        let others = [0, 1].map(|k| Look::of(&frame.view(), &outline(k)));
        let beside = outline(3).map(|[x, y]| [x + 15.0, y]);
        assert!(!Look::of(&frame.view(), &beside).is_like(&others));
    }

    #[test]
    fn outside_the_frame_there_is_nothing_to_be_like() {
        let frame = course();
        let others = [Look::of(&frame.view(), &outline(0))];
        let away = outline(0).map(|[x, y]| [x - 400.0, y]);
        assert!(!Look::of(&frame.view(), &away).is_like(&others));
    }
}
