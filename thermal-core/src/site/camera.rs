//! Where a frame's camera stood over the plant, from the modules that are known in it: so it can be told where the frame
//! shows any other module, of whatever row.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

/// How far the rotation found by the frame's edges may be off, rad, and how steep the ground.
const TURN_SIGMA: f64 = 0.01;
const SLOPE_SIGMA: f64 = 0.03;
/// Beyond this a corner counts less, px: at first, since some may be of tables that lie beside their places, and in the end.
const GATES_PX: [f64; 6] = [16.0, 8.0, 4.0, 3.0, 2.5, 2.5];
/// Corners that tell the camera's place: of six modules.
const LEAST: usize = 24;

/// A place of the plant, and where the frame shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sight {
    /// East, north, up from a place near the frame, m.
    pub(super) at: [f64; 3],
    /// On the plane parallel to the array at unit distance.
    pub(super) uv: [f64; 2],
}

/// A camera over the plant.
#[derive(Debug, Clone)]
pub(super) struct Camera {
    /// East, north, up to the axes of the array: along the row, down the slope, away from the viewer.
    to_array: Matrix3<f64>,
    /// Place, in these axes and with the sign changed, m.
    shift: Vector3<f64>,
    /// Rise of the ground to the east and to the north.
    slope: [f64; 2],
    /// Small turns about the axes of the array, rad.
    turn: Vector3<f64>,
}

impl Camera {
    /// Gauss-Newton on the sights of a frame, redescending. `to_array`: rotation from east, north, up to the axes in which
    /// `uv` is told; `px`: a pixel at unit distance. `None` where there are too few or they tell nothing.
    pub(super) fn fit(to_array: Matrix3<f64>, sights: &[Sight], px: f64) -> Option<Self> {
        if sights.len() < LEAST {
            return None;
        }
        let mut camera = Self { shift: start(&to_array, sights)?, to_array, slope: [0.0; 2], turn: Vector3::zeros() };
        for gate in GATES_PX {
            camera.step(sights, gate * px)?;
        }
        Some(camera)
    }

    /// In the axes of the array from the camera, before the small turns, m.
    fn place(&self, [east, north, up]: [f64; 3]) -> Vector3<f64> {
        let up = up + self.slope[0] * east + self.slope[1] * north;
        self.to_array * Vector3::new(east, north, up) + self.shift
    }

    /// Where the frame shows a place; `None` behind the camera.
    pub(super) fn uv(&self, at: [f64; 3]) -> Option<[f64; 2]> {
        let x = self.place(at);
        let x = x + self.turn.cross(&x);
        (x.z > 1e-6).then(|| [x.x / x.z, x.y / x.z])
    }

    fn step(&mut self, sights: &[Sight], gate: f64) -> Option<()> {
        let mut normal = SMatrix::<f64, 8, 8>::zeros();
        let mut right = SVector::<f64, 8>::zeros();
        for sight in sights {
            let x0 = self.place(sight.at);
            let x = x0 + self.turn.cross(&x0);
            if x.z <= 1e-6 {
                continue;
            }
            let uv = [x.x / x.z, x.y / x.z];
            let miss = [0, 1].map(|k| sight.uv[k] - uv[k]);
            let weight = (1.0 + (miss[0] * miss[0] + miss[1] * miss[1]) / (gate * gate)).powi(-2);
            let rise = self.to_array.column(2).into_owned();
            let unit = |k: usize| Vector3::ith(k, 1.0);
            let moves = [
                unit(0),
                unit(1),
                unit(2),
                rise * sight.at[0],
                rise * sight.at[1],
                unit(0).cross(&x0),
                unit(1).cross(&x0),
                unit(2).cross(&x0),
            ];
            for k in 0..2 {
                let row = SVector::<f64, 8>::from_fn(|j, _| (moves[j][k] - uv[k] * moves[j].z) / x.z);
                normal += row * row.transpose() * weight;
                right += row * (miss[k] * weight);
            }
        }
        // What the corners leave open stays level and as the edges turned it; a corner is worth a pixel or so.
        let hold = |sigma: f64| (0.4 * gate / sigma).powi(2);
        for (k, (sigma, now)) in [
            (SLOPE_SIGMA, self.slope[0]),
            (SLOPE_SIGMA, self.slope[1]),
            (TURN_SIGMA, self.turn.x),
            (TURN_SIGMA, self.turn.y),
            (TURN_SIGMA, self.turn.z),
        ]
        .into_iter()
        .enumerate()
        {
            normal[(3 + k, 3 + k)] += hold(sigma);
            right[3 + k] -= hold(sigma) * now;
        }
        let step = normal.cholesky()?.solve(&right);
        self.shift += Vector3::new(step[0], step[1], step[2]);
        self.slope = [self.slope[0] + step[3], self.slope[1] + step[4]];
        self.turn += Vector3::new(step[5], step[6], step[7]);
        step.iter().all(|v| v.is_finite()).then_some(())
    }
}

/// The camera's place on level ground, linear in the sights.
fn start(to_array: &Matrix3<f64>, sights: &[Sight]) -> Option<Vector3<f64>> {
    let mut normal = Matrix3::<f64>::zeros();
    let mut right = Vector3::zeros();
    for sight in sights {
        let x = to_array * Vector3::from(sight.at);
        for k in 0..2 {
            // (x_k + t_k) = uv_k (x_z + t_z)
            let mut row = Vector3::ith(k, 1.0);
            row.z = -sight.uv[k];
            normal += row * row.transpose();
            right += row * (sight.uv[k] * x.z - x[k]);
        }
    }
    let shift = normal.cholesky()?.solve(&right);
    shift.iter().all(|v| v.is_finite()).then_some(shift)
}

#[cfg(test)]
mod tests {
    use nalgebra::Rotation3;

    use super::*;
    use crate::optics::array_to_enu;

    /// Two rows of tilted modules on rising ground, seen from 25 m by a camera whose rotation is told half a degree wrong; a
    /// third row is told where it is to a fifth of a pixel. Some corners lie 20 px beside their places.
    #[test]
    fn a_row_that_told_nothing_is_foretold_by_the_others() {
        let to_array = array_to_enu(20.0, 170.0).transpose();
        let off = Rotation3::from_scaled_axis(Vector3::new(0.006, -0.005, 0.008));
        let eye = Vector3::new(2.0, -3.0, 25.0);
        let truly = |[e, n, up]: [f64; 3]| {
            let x = off * (to_array * (Vector3::new(e, n, up + 0.02 * e - 0.03 * n) - eye));
            [x.x / x.z, x.y / x.z]
        };
        let row = |north: f64| {
            (0..12).flat_map(move |k| {
                let east = 1.02 * f64::from(k) - 6.0;
                [(-0.9, 0.33), (0.9, -0.33)].map(|(down, up)| [east, north - down, up])
            })
        };
        let px = 1.0 / 800.0;
        let mut sights: Vec<Sight> = row(-6.0).chain(row(0.0)).map(|at| Sight { at, uv: truly(at) }).collect();
        for sight in sights.iter_mut().take(8) {
            sight.uv[0] += 20.0 * px;
        }
        let camera = Camera::fit(to_array, &sights, px).expect("enough to tell");
        for at in row(6.0) {
            let (told, true_uv) = (camera.uv(at).expect("in front"), truly(at));
            let miss_px = (told[0] - true_uv[0]).hypot(told[1] - true_uv[1]) / px;
            assert!(miss_px < 1.0, "{miss_px} px");
        }
        assert!(Camera::fit(to_array, &sights[..20], px).is_none());
    }
}
