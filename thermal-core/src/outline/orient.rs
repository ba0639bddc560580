//! The rotation between the camera and the plane of the array, from the directions of edges in the frame.
//! Each edge element votes for one of the two vanishing points of a rectangular lattice (Gauss-Newton over the rotation
//! with redescending weights; the two vanishing points of one plane are the columns of one rotation).

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::grey::Grey;
use crate::optics::Lens;

/// A piece of edge: an undistorted point, the unit direction of the edge through it, and its weight.
#[derive(Debug, Clone, Copy)]
pub(super) struct EdgeElement {
    point: [f64; 2],
    tangent: [f64; 2],
    weight: f64,
}

/// Edge elements of a frame: local maxima of the smoothed gradient of its reduced image, whose pixels are `reduced` pixels
/// of the frame wide.
pub(super) fn edge_elements(image: &Grey<'_>, reduced: f64, lens: &Lens) -> Vec<EdgeElement> {
    let (h, w) = (image.height, image.width);
    if h < 8 || w < 8 {
        return Vec::new();
    }
    let mut gx = vec![0f32; h * w];
    let mut gy = vec![0f32; h * w];
    let mut squared = vec![0f32; h * w];
    for y in 1..h - 1 {
        let row = |k: usize| &image.data[(y + k - 1) * w..][..w];
        let (a, b, c) = (row(0), row(1), row(2));
        for x in 1..w - 1 {
            let (l, r) = (x - 1, x + 1);
            let i = y * w + x;
            gx[i] = ((a[r] - a[l]) + 2.0 * (b[r] - b[l]) + (c[r] - c[l])) * 0.125;
            gy[i] = ((c[l] - a[l]) + 2.0 * (c[x] - a[x]) + (c[r] - a[r])) * 0.125;
            squared[i] = gx[i] * gx[i] + gy[i] * gy[i];
        }
    }
    let mut sample: Vec<f32> = (0..h * w).step_by(7).map(|i| squared[i]).filter(|m| m.is_finite()).collect();
    if sample.is_empty() {
        return Vec::new();
    }
    let k = sample.len() * 80 / 100;
    let (_, strong, _) = sample.select_nth_unstable_by(k, f32::total_cmp);
    let threshold = strong.max(0.01);
    let mut out = Vec::new();
    for y in 3..h - 3 {
        for x in 3..w - 3 {
            let i = y * w + x;
            let m = squared[i];
            if !(m > threshold) {
                continue;
            }
            // Local maximum across the edge.
            let (a, b) = if gx[i].abs() > gy[i].abs() { (i - 1, i + 1) } else { (i - w, i + w) };
            if squared[a] > m || squared[b] >= m {
                continue;
            }
            // Direction from the structure tensor of the 5 x 5 neighbourhood: steadier than one gradient.
            let (mut xx, mut xy, mut yy) = (0f64, 0f64, 0f64);
            for dy in 0..5 {
                for dx in 0..5 {
                    let j = (y + dy - 2) * w + x + dx - 2;
                    let (u, v) = (f64::from(gx[j]), f64::from(gy[j]));
                    xx += u * u;
                    xy += u * v;
                    yy += v * v;
                }
            }
            let coherence = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt() / (xx + yy).max(1e-12);
            if !(coherence > 0.8) {
                continue;
            }
            let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
            let (s, c) = angle.sin_cos();
            let px = [reduced * (x as f64 + 0.5), reduced * (y as f64 + 0.5)];
            let p0 = lens.direction([px[0] + 4.0 * s, px[1] - 4.0 * c]);
            let p1 = lens.direction([px[0] - 4.0 * s, px[1] + 4.0 * c]);
            let (tx, ty) = (p1[0] - p0[0], p1[1] - p0[1]);
            let n = tx.hypot(ty).max(1e-12);
            out.push(EdgeElement {
                point: [0.5 * (p0[0] + p1[0]), 0.5 * (p0[1] + p1[1])],
                tangent: [tx / n, ty / n],
                weight: f64::from((m / threshold).sqrt().min(4.0)) * coherence.powi(2),
            });
        }
    }
    out
}

/// How well an edge element fits a rotation: residual sines to the two families of lattice lines.
fn residuals(e: &EdgeElement, axes: [Vector3<f64>; 2]) -> [f64; 2] {
    axes.map(|a| {
        let g = [a.x - e.point[0] * a.z, a.y - e.point[1] * a.z];
        (e.tangent[0] * g[1] - e.tangent[1] * g[0]) / (g[0] * g[0] + g[1] * g[1]).sqrt().max(1e-9)
    })
}

/// Refines the rotation from camera to array axes.
///
/// `start`: camera to array. `sigma_deg`: how far the start may be off about each array axis (x, y, normal), standard
/// deviation, deg. Returns the refined rotation and the share of the edges' weight that it explains within 1.5 degrees.
pub(super) fn refine(elements: &[EdgeElement], start: &Matrix3<f64>, sigma_deg: [f64; 3]) -> (Matrix3<f64>, f64) {
    let mut rotation = *start;
    let mut total = Vector3::zeros();
    let weight_sum: f64 = elements.iter().map(|e| e.weight).sum::<f64>().max(1e-9);
    let mut explained = 0.0;
    let start_gate = sigma_deg[2].clamp(2.5, 10.0) * 2.0;
    for gate_deg in [start_gate, start_gate * 0.6, 3.0, 2.0, 1.5, 1.5] {
        let gate = f64::to_radians(gate_deg).sin();
        let axes = [rotation.row(0).transpose(), rotation.row(1).transpose()];
        let mut normal = Matrix3::zeros();
        let mut right = Vector3::zeros();
        explained = 0.0;
        for e in elements {
            let r = residuals(e, axes);
            let family = usize::from(r[1].abs() < r[0].abs());
            let q = r[family] / gate;
            if q.abs() >= 1.0 {
                continue;
            }
            let weight = e.weight * (1.0 - q * q).powi(2);
            explained += e.weight;
            // Small rotation about camera axes: a -> a + omega x a; the residual is linear in omega.
            let p = Vector3::new(e.point[0], e.point[1], 1.0);
            let n = p.cross(&Vector3::new(e.tangent[0], e.tangent[1], 0.0));
            let a = axes[family];
            let j = a.cross(&n);
            normal += weight * j * j.transpose();
            right -= weight * n.dot(&a) * j;
        }
        // One edge element is good to some 3 degrees, and neighbours are not independent.
        let scale = 1.0 / (f64::to_radians(3.0).powi(2) * 8.0);
        normal *= scale;
        right *= scale;
        let to_array = rotation;
        for (k, s) in sigma_deg.iter().enumerate() {
            let axis = to_array.row(k).transpose();
            let weight = 1.0 / f64::to_radians(*s).powi(2);
            normal += weight * axis * axis.transpose();
            right -= weight * axis.dot(&total) * axis;
        }
        let Some(omega) = normal.try_inverse().map(|inv| inv * right) else { break };
        let step = Rotation3::new(omega);
        // Row k of the rotation is the array's axis k in camera axes: rotate each.
        rotation *= step.matrix().transpose();
        total += omega;
    }
    (rotation, explained / weight_sum)
}

/// The angle of the rows against the image's horizontal, rad, within 45 degrees: the strongest direction of edges modulo a
/// right angle. `None` without edges.
pub(super) fn main_direction(elements: &[EdgeElement]) -> Option<f64> {
    const BINS: usize = 90;
    let mut bins = [0f64; BINS];
    for e in elements {
        let angle = e.tangent[1].atan2(e.tangent[0]).to_degrees().rem_euclid(90.0);
        bins[(angle as usize).min(BINS - 1)] += e.weight;
    }
    let smooth = |k: usize| (0..7).map(|d| bins[(k + BINS + d - 3) % BINS]).sum::<f64>();
    let best = (0..BINS).max_by(|a, b| smooth(*a).total_cmp(&smooth(*b)))?;
    if smooth(best) <= 0.0 {
        return None;
    }
    let degrees = best as f64 + 0.5;
    Some(if degrees > 45.0 { degrees - 90.0 } else { degrees }.to_radians())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{array_to_enu, camera_to_enu};

    #[test]
    fn edges_of_a_known_lattice_give_back_its_rotation() {
        let truth = array_to_enu(25.0, 180.0).transpose() * camera_to_enu(4.0, -57.0, 1.0);
        let start = array_to_enu(25.0, 180.0).transpose() * camera_to_enu(1.0, -59.0, 0.0);
        let inverse = truth.transpose();
        let mut elements = Vec::new();
        // As many as a frame of modules gives: each alone says little of the tilt against the view.
        for k in 0..8000 {
            let (u, v) = (f64::from(k % 100) * 0.006 - 0.3, f64::from(k / 100) * 0.00625 - 0.25);
            let at = |u: f64, v: f64| {
                let q = inverse * Vector3::new(u, v, 1.0);
                [q.x / q.z, q.y / q.z]
            };
            let p = at(u, v);
            let q = if k % 2 == 0 { at(u + 1e-3, v) } else { at(u, v + 1e-3) };
            let n = (q[0] - p[0]).hypot(q[1] - p[1]);
            elements.push(EdgeElement { point: p, tangent: [(q[0] - p[0]) / n, (q[1] - p[1]) / n], weight: 1.0 });
        }
        let (found, explained) = refine(&elements, &start, [2.0, 2.0, 4.0]);
        let off = Rotation3::from_matrix(&(found * inverse)).angle().to_degrees();
        // The start is 3 degrees off and keeps a tenth of its say; half a degree is a pixel over a module's length.
        assert!(off < 0.5 && explained > 0.99, "{off} {explained}");
    }
}
