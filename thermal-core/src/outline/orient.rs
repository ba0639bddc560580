//! The rotation between the camera and the plane of the array, from the directions of edges in the frame.
//! Each edge element votes for one of the two vanishing points of a rectangular lattice (Gauss-Newton over the rotation
//! with redescending weights; the two vanishing points of one plane are the columns of one rotation).

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::buffer::Buffer;
use crate::grey::Grey;
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
#[expect(
    clippy::needless_bitwise_bool,
    reason = "lazy ones are branches, and the row is not worked out several at a time"
)]
pub(super) fn edge_elements(image: &Grey<'_>, reduced: f64, lens: &Lens) -> Vec<EdgeElement> {
    let (h, w) = (image.height, image.width);
    if h < 8 || w < 8 {
        return Vec::new();
    }
    let [mut gx, mut gy] = [(); 2].map(|()| Buffer::any(h * w));
    let mut squared = Buffer::zeros(h * w);
    // Sobel's operator: smoothed down and differenced along, and the other way round.
    let (mut sum, mut difference) = (vec![0f32; w], vec![0f32; w]);
    for y in 1..h - 1 {
        let row = |k: usize| image.data[(y + k - 1) * w..][..w].iter();
        for (((s, d), (a, c)), b) in sum.iter_mut().zip(&mut difference).zip(row(0).zip(row(2))).zip(row(1)) {
            *s = a + 2.0 * b + c;
            *d = c - a;
        }
        let range = y * w + 1..(y + 1) * w - 1;
        let to = gx[range.clone()].iter_mut().zip(&mut gy[range.clone()]).zip(&mut squared[range]);
        for (((x, y), q), (s, d)) in to.zip(sum.windows(3).zip(difference.windows(3))) {
            *x = (s[2] - s[0]) * 0.125;
            *y = (d[0] + 2.0 * d[1] + d[2]) * 0.125;
            *q = *x * *x + *y * *y;
        }
    }
    let mut sample = Vec::with_capacity(h * w / 7 + 1);
    sample.extend(squared.iter().copied().step_by(7).filter(|m| m.is_finite()));
    if sample.is_empty() {
        return Vec::new();
    }
    let k = sample.len() * 80 / 100;
    let (_, strong, _) = sample.select_nth_unstable_by(k, f32::total_cmp);
    let threshold = strong.max(0.01);
    let mut out = Vec::with_capacity(h * w / 16);
    let mut edges = vec![0f32; w - 2];
    for y in 3..h - 3 {
        // Local maxima across the edge: the whole row at once, without a branch, since one pixel in fifteen is one.
        let from = |start: usize| start..start + w - 2;
        let middle = y * w + 1;
        let (left, here, right) = (&squared[from(middle - 1)], &squared[from(middle)], &squared[from(middle + 1)]);
        let (above, below) = (&squared[from(middle - w)], &squared[from(middle + w)]);
        let (slope_x, slope_y) = (&gx[from(middle)], &gy[from(middle)]);
        for (x, edge) in edges.iter_mut().enumerate() {
            let m = here[x];
            let upright = slope_x[x].abs() > slope_y[x].abs();
            let (along, down) = (!(left[x] > m) & !(right[x] >= m), !(above[x] > m) & !(below[x] >= m));
            *edge = if (m > threshold) & ((upright & along) | (!upright & down)) { m } else { 0.0 };
        }
        for (x, m) in (3..w - 3).zip(&edges[2..]).filter(|(_, m)| **m > 0.0) {
            // Direction from the structure tensor of the 5 x 5 neighbourhood: steadier than one gradient.
            let (mut xx, mut xy, mut yy) = (0f32, 0f32, 0f32);
            for dy in 0..5 {
                let j = (y + dy - 2) * w + x - 2;
                for (u, v) in gx[j..j + 5].iter().zip(&gy[j..j + 5]) {
                    xx += u * u;
                    xy += u * v;
                    yy += v * v;
                }
            }
            let (twice_c, twice_s) = (f64::from(xx - yy), f64::from(2.0 * xy));
            let length = (twice_c * twice_c + twice_s * twice_s).sqrt();
            let coherence = length / f64::from(xx + yy).max(1e-12);
            if !(coherence > 0.8) {
                continue;
            }
            // Half the angle whose cosine and sine are known.
            let c = (0.5 * (1.0 + twice_c / length)).max(0.0).sqrt();
            let s = (0.5 * (1.0 - twice_c / length)).max(0.0).sqrt().copysign(twice_s);
            let px = [reduced * (x as f64 + 0.5), reduced * (y as f64 + 0.5)];
            let p0 = lens.direction([px[0] + 4.0 * s, px[1] - 4.0 * c]);
            let p1 = lens.direction([px[0] - 4.0 * s, px[1] + 4.0 * c]);
            let (tx, ty) = (p1[0] - p0[0], p1[1] - p0[1]);
            let n = (tx * tx + ty * ty).sqrt().max(1e-12);
            out.push(EdgeElement {
                point: [0.5 * (p0[0] + p1[0]), 0.5 * (p0[1] + p1[1])],
                tangent: [tx / n, ty / n],
                weight: f64::from((*m / threshold).sqrt().min(4.0)) * coherence.powi(2),
            });
        }
    }
    out
}

/// Refines the rotation from camera to array axes.
///
/// `start`: camera to array. `sigma_deg`: how far the start may be off about each array axis (x, y, normal), standard
/// deviation, deg. Returns the refined rotation and the share of the edges' weight that it explains within 1.5 degrees.
pub(super) fn refine(elements: &[EdgeElement], start: &Matrix3<f64>, sigma_deg: [f64; 3]) -> (Matrix3<f64>, f64) {
    let mut rotation = *start;
    let mut total = Vector3::zeros();
    let start_gate = sigma_deg[2].clamp(2.5, 10.0) * 2.0;
    let weight_sum: f64 = elements.iter().map(|e| e.weight).sum::<f64>().max(1e-9);
    let mut explained = 0.0;
    for gate_deg in [start_gate, start_gate * 0.6, 3.0, 2.0, 1.5, 1.5] {
        let (sums, weight) = votes(elements, &rotation, f64::to_radians(gate_deg).sin());
        explained = weight;
        let [xx, xy, xz, yy, yz, zz, rx, ry, rz] = sums;
        let mut normal = Matrix3::new(xx, xy, xz, xy, yy, yz, xz, yz, zz);
        let mut right = Vector3::new(rx, ry, rz);
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

/// Sums over the edge elements within `gate` (sine) of one of the two families of lattice lines: the normal equations of a
/// small rotation about the camera's axes (six of the matrix, three of the right side), and the elements' weight.
fn votes(elements: &[EdgeElement], rotation: &Matrix3<f64>, gate: f64) -> ([f64; 9], f64) {
    let axes = [0, 1].map(|k| [rotation[(k, 0)], rotation[(k, 1)], rotation[(k, 2)]]);
    let mut sums = [0f64; 9];
    let mut explained = 0.0;
    for e in elements {
        let ([px, py], [tx, ty]) = (e.point, e.tangent);
        // Sine of the angle to the line through the point towards the axis's vanishing point, as a fraction; its parts are
        // compared squared, since roots and quotients are what takes the time here.
        let sine = |a: [f64; 3]| {
            let (gx, gy) = (a[0] - px * a[2], a[1] - py * a[2]);
            (tx * gy - ty * gx, (gx * gx + gy * gy).max(1e-18))
        };
        let [first, second] = axes.map(sine);
        let family = usize::from(second.0 * second.0 * first.1 < first.0 * first.0 * second.1);
        let (over, under) = if family == 0 { first } else { second };
        if over * over >= gate * gate * under {
            continue;
        }
        let q = over / (gate * under.sqrt());
        explained += e.weight;
        let weight = e.weight * (1.0 - q * q) * (1.0 - q * q);
        // Normal of the plane through the camera and the edge; turning the axis by omega x a changes n.a by omega.(a x n).
        let n = [-ty, tx, px * ty - py * tx];
        let a = axes[family];
        let j = [a[1] * n[2] - a[2] * n[1], a[2] * n[0] - a[0] * n[2], a[0] * n[1] - a[1] * n[0]];
        let r = -weight * (n[0] * a[0] + n[1] * a[1] + n[2] * a[2]);
        let w = [weight * j[0], weight * j[1], weight * j[2]];
        let terms = [
            w[0] * j[0],
            w[0] * j[1],
            w[0] * j[2],
            w[1] * j[1],
            w[1] * j[2],
            w[2] * j[2],
            r * j[0],
            r * j[1],
            r * j[2],
        ];
        for (sum, term) in sums.iter_mut().zip(terms) {
            *sum += term;
        }
    }
    (sums, explained)
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
