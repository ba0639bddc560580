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
    /// For each row the first work pixel that shows a part of the frame and the one behind the last; elsewhere `data` repeats
    /// the frame's edge.
    pub seen: Vec<[u32; 2]>,
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
    let mut seen = vec![[0; 2]; height];
    let inv = (1.0 / reduced) as f32;
    let (w, h) = (image.width as f32, image.height as f32);
    let shows = |[x, y]: [f32; 2]| x >= 0.0 && y >= 0.0 && x <= w && y <= h;
    for (y, (row, [first, end])) in data.chunks_exact_mut(width).zip(&mut seen).enumerate() {
        let v = (y as f64 + 0.5) / scale + low[1];
        let mut from = map.pixel([low[0] + 0.5 / scale, v]);
        for (x0, values) in (0..).step_by(BLOCK).zip(row.chunks_mut(BLOCK)) {
            let to = map.pixel([(x0 + BLOCK) as f64 / scale + low[0] + 0.5 / scale, v]);
            let step = [0, 1].map(|k| (to[k] - from[k]) as f32 * inv / BLOCK as f32);
            let start = from.map(|v| v as f32 * inv);
            image.along(start, step, values);
            let at = |k: usize| [0, 1].map(|a| start[a] + k as f32 * step[a]);
            let last = values.len() - 1;
            // A straight line shows the frame on one stretch: all of it where both ends do.
            let stretch = if shows(at(0)) && shows(at(last)) {
                Some((0, last))
            } else {
                (0..=last).find(|k| shows(at(*k))).zip((0..=last).rfind(|k| shows(at(*k))))
            };
            if let Some((a, b)) = stretch {
                if *end == 0 {
                    *first = (x0 + a) as u32;
                }
                *end = (x0 + b + 1) as u32;
            }
            from = to;
        }
    }
    Some(WorkImage { width, height, data, seen, scale, origin: low })
}
