//! The frame seen perpendicular to the array: a small image in which rows are level and modules are upright rectangles.

use crate::buffer::Buffer;
use crate::grey::Grey;
use crate::optics::Lens;
use nalgebra::{Matrix3, Vector3};

/// The map between stored pixels and the plane parallel to the array at unit distance (u along the row, v down the slope).
#[derive(Debug, Clone)]
pub(crate) struct PlaneMap {
    pub(crate) lens: Lens,
    to_array: Matrix3<f64>,
    to_camera: Matrix3<f64>,
}

impl PlaneMap {
    pub(crate) fn new(lens: Lens, to_array: Matrix3<f64>) -> Self {
        Self { lens, to_array, to_camera: to_array.transpose() }
    }

    /// Plane coordinates to the stored pixel.
    #[inline]
    pub(crate) fn pixel(&self, uv: [f64; 2]) -> [f64; 2] {
        let q = self.to_camera * Vector3::new(uv[0], uv[1], 1.0);
        let z = q.z.max(0.05);
        self.lens.pixel([q.x / z, q.y / z])
    }

    /// Whether the stored frame holds a pixel.
    pub(crate) fn holds(&self, [x, y]: [f64; 2]) -> bool {
        x >= 0.0 && y >= 0.0 && x <= self.lens.width as f64 && y <= self.lens.height as f64
    }

    /// Stored pixel to plane coordinates.
    #[inline]
    pub(crate) fn plane(&self, px: [f64; 2]) -> [f64; 2] {
        let d = self.lens.direction(px);
        let q = self.to_array * Vector3::new(d[0], d[1], 1.0);
        let z = q.z.max(0.05);
        [q.x / z, q.y / z]
    }
}

/// The rectified image.
#[derive(Debug)]
pub(super) struct WorkImage {
    pub width: usize,
    pub height: usize,
    /// Row-major temperatures, deg C.
    pub data: Buffer,
    /// The work pixel shows a part of the frame; elsewhere `data` repeats the frame's edge.
    pub inside: Vec<bool>,
    /// Work pixels per unit of the plane.
    pub scale: f64,
    /// Plane coordinates of the upper left corner of the upper left work pixel.
    pub origin: [f64; 2],
}

impl WorkImage {
    /// Work coordinates to plane coordinates.
    #[inline]
    pub(super) fn uv(&self, xy: [f64; 2]) -> [f64; 2] {
        [xy[0] / self.scale + self.origin[0], xy[1] / self.scale + self.origin[1]]
    }
}

/// The map is smooth: exact at every so many work pixels, linear between.
const BLOCK: usize = 16;

/// Rectifies a frame at `scale` work pixels per unit of the plane; `None` where the view is too flat to be of use.
///
/// `image` is the frame or the frame reduced: its pixels are `reduced` pixels of the frame wide.
pub(super) fn rectify(image: &Grey<'_>, reduced: f64, map: &PlaneMap, scale: f64) -> Option<WorkImage> {
    let (w, h) = (map.lens.width as f64, map.lens.height as f64);
    let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
    for k in 0..=16 {
        let t = f64::from(k) / 16.0;
        for px in [[t * w, 0.0], [t * w, h], [0.0, t * h], [w, t * h]] {
            let uv = map.plane(px);
            for a in 0..2 {
                low[a] = low[a].min(uv[a]);
                high[a] = high[a].max(uv[a]);
            }
        }
    }
    let width = ((high[0] - low[0]) * scale).ceil() as usize;
    let height = ((high[1] - low[1]) * scale).ceil() as usize;
    if width < 16 || height < 16 || width * height > 4 * map.lens.width * map.lens.height {
        return None;
    }
    let mut data = Buffer::any(width * height);
    let mut inside = vec![false; width * height];
    let inv = (1.0 / reduced) as f32;
    let (w, h) = (image.width as f32, image.height as f32);
    for y in 0..height {
        let v = (y as f64 + 0.5) / scale + low[1];
        let mut from = map.pixel([low[0] + 0.5 / scale, v]);
        let blocks = data[y * width..][..width].chunks_mut(BLOCK).zip(inside[y * width..][..width].chunks_mut(BLOCK));
        for (x0, (values, seen)) in (0..width).step_by(BLOCK).zip(blocks) {
            let to = map.pixel([(x0 + BLOCK) as f64 / scale + low[0] + 0.5 / scale, v]);
            let step = [(to[0] - from[0]) as f32 * inv / BLOCK as f32, (to[1] - from[1]) as f32 * inv / BLOCK as f32];
            let start = [from[0] as f32 * inv, from[1] as f32 * inv];
            image.along(start, step, values);
            for (k, seen) in seen.iter_mut().enumerate() {
                let (px, py) = (start[0] + k as f32 * step[0], start[1] + k as f32 * step[1]);
                *seen = px >= 0.0 && py >= 0.0 && px <= w && py <= h;
            }
            from = to;
        }
    }
    Some(WorkImage { width, height, data, inside, scale, origin: low })
}
