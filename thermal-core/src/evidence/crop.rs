//! The part of the frame that is shown: turned, enlarged by bicubic convolution (Catmull-Rom) and painted.

use image::Rgb;
use ndarray::ArrayView2;

use super::canvas::{Canvas, Rectangle};
use super::colour::{ColourMap, Scale};
use crate::finding::{Finding, Pattern};
use crate::measure::contains;
use crate::settings::Settings;
use crate::{Error, Result};

/// Pixels of edge repeated around the frame, so that every point inside has its 16 pixels.
const PAD: usize = 2;

/// How pixels of the picture lie in the frame.
pub(super) struct View {
    rows: usize,
    columns: usize,
    /// The frame row by row with its edge repeated, deg C.
    padded: Vec<f32>,
    corners: [[f64; 2]; 4],
    pattern: Pattern,
    /// Middle of the module in the frame.
    centre: [f64; 2],
    /// Unit vector in the frame along the row: the picture's x axis.
    along: [f64; 2],
    /// Pixels of the picture for one of the frame.
    zoom: f64,
    panel: Rectangle,
}

impl View {
    /// The module in the middle of the panel with as much around it as its neighbours need.
    pub(super) fn around(celsius: &ArrayView2<'_, f32>, finding: &Finding, panel: Rectangle) -> Result<Self> {
        let corners = finding.module.corners;
        let refuse =
            |reason: &str| Err(Error::argument("module.corners", reason, "give the corners in the frame's pixels"));
        if !corners.iter().flatten().all(|x| x.is_finite()) {
            return refuse("a corner is no number");
        }
        let [ul, ur, lr, ll] = corners;
        let centre = [0, 1].map(|k| 0.25 * (ul[k] + ur[k] + lr[k] + ll[k]));
        let (rows, columns) = celsius.dim();
        if !(0.0..columns as f64).contains(&centre[0]) || !(0.0..rows as f64).contains(&centre[1]) {
            return refuse("the middle of the module lies outside the frame");
        }
        let edge = [0, 1].map(|k| ur[k] - ul[k] + lr[k] - ll[k]);
        let length = edge[0].hypot(edge[1]);
        let along = if length > 0.0 { edge.map(|x| x / length) } else { [1.0, 0.0] };
        let mut view = Self {
            rows,
            columns,
            padded: padded(celsius),
            corners,
            pattern: finding.module.pattern,
            centre,
            along,
            zoom: 1.0,
            panel,
        };
        let turned = corners.map(|corner| view.to_picture(corner));
        let extent = |k: usize| {
            let (low, high) =
                turned.iter().fold((f64::MAX, f64::MIN), |(low, high), p| (low.min(p[k]), high.max(p[k])));
            high - low
        };
        let (width, height) = (extent(0), extent(1));
        // Less than a pixel shows nothing, more than the frame's own extent is no outline of this frame.
        if width.min(height) < 1.0 || width.max(height) > 4.0 * (rows + columns) as f64 {
            return refuse("they enclose no area of the frame");
        }
        // A string is a run of modules; one alone in the picture would not show it.
        let margin = if view.pattern == Pattern::String { 1.1 * width.max(height) } else { 0.75 * width.min(height) };
        view.zoom =
            (f64::from(panel.width) / (width + 2.0 * margin)).min(f64::from(panel.height) / (height + 2.0 * margin));
        Ok(view)
    }

    /// A point of the frame in the picture.
    pub(super) fn to_picture(&self, at: [f64; 2]) -> [f64; 2] {
        let (dx, dy) = (at[0] - self.centre[0], at[1] - self.centre[1]);
        let [c, s] = self.along;
        let [middle_x, middle_y] = self.middle();
        [middle_x + self.zoom * (c * dx + s * dy), middle_y + self.zoom * (c * dy - s * dx)]
    }

    /// A point of the picture in the frame.
    fn to_frame(&self, at: [f64; 2]) -> [f64; 2] {
        let [middle_x, middle_y] = self.middle();
        let (x, y) = ((at[0] - middle_x) / self.zoom, (at[1] - middle_y) / self.zoom);
        let [c, s] = self.along;
        [self.centre[0] + c * x - s * y, self.centre[1] + s * x + c * y]
    }

    fn middle(&self) -> [f64; 2] {
        let Rectangle { x, y, width, height } = self.panel;
        [f64::from(x) + 0.5 * f64::from(width), f64::from(y) + 0.5 * f64::from(height)]
    }

    /// Paints the panel; tells whether a part of it lies outside the frame.
    pub(super) fn draw(&self, canvas: &mut Canvas, scale: &Scale, map: ColourMap) -> bool {
        let colours = map.table();
        let last = colours.len() - 1;
        let per_kelvin = last as f64 / (scale.high - scale.low);
        let mut outside = false;
        for y in self.panel.y..self.panel.bottom() {
            for x in self.panel.x..self.panel.right() {
                let at = self.to_frame([f64::from(x) + 0.5, f64::from(y) + 0.5]);
                let colour = if let Some(t) = self.temperature(at) {
                    // Casting takes what is under the span to 0.
                    let step = ((t - scale.low) * per_kelvin + 0.5) as usize;
                    colours.get(step.min(last)).copied().unwrap_or_default()
                } else {
                    outside = true;
                    if (x + y) % 12 < 2 { [150; 3] } else { [225; 3] }
                };
                canvas.image.put_pixel(x, y, Rgb(colour));
            }
        }
        outside
    }

    /// The temperature at a point of the frame between the pixels; never outside what the 16 pixels around it hold.
    pub(super) fn temperature(&self, at: [f64; 2]) -> Option<f64> {
        if !(0.0..self.columns as f64).contains(&at[0]) || !(0.0..self.rows as f64).contains(&at[1]) {
            return None;
        }
        // Truncation rounds down what is not negative; `first` is the first of the four pixels in the padded frame.
        let first = at.map(|x| (x + 0.5) as usize);
        let weights_x = catmull_rom((at[0] + 0.5 - first[0] as f64) as f32);
        let weights_y = catmull_rom((at[1] + 0.5 - first[1] as f64) as f32);
        let stride = self.columns + 2 * PAD;
        let start = first[1] * stride + first[0];
        let (mut sums, mut low, mut high) = ([0.0; 4], [f32::INFINITY; 4], [f32::NEG_INFINITY; 4]);
        for (j, weight_y) in weights_y.iter().enumerate() {
            let line: &[f32; 4] = self.padded.get(start + j * stride..)?.first_chunk()?;
            for i in 0..4 {
                sums[i] += weight_y * line[i];
                low[i] = low[i].min(line[i]);
                high[i] = high[i].max(line[i]);
            }
        }
        let sum = sums.iter().zip(weights_x).map(|(sum, weight)| sum * weight).sum::<f32>();
        let (low, high) =
            (low.iter().copied().fold(f32::INFINITY, f32::min), high.iter().copied().fold(f32::NEG_INFINITY, f32::max));
        sum.is_finite().then(|| f64::from(sum.clamp(low, high)))
    }

    /// A module's glass in the picture, without its frame and the gap beside it.
    fn inner(&self, corners: &[[f64; 2]; 4]) -> [[f64; 2]; 4] {
        let corners = corners.map(|corner| self.to_picture(corner));
        let centre = [0, 1].map(|k| corners.iter().map(|corner| corner[k]).sum::<f64>() / 4.0);
        corners.map(|corner| [0, 1].map(|k| centre[k] + 0.92 * (corner[k] - centre[k])))
    }

    /// Whether a module's middle lies in the frame; what is only computed to lie outside is not drawn.
    pub(super) fn shows(&self, corners: &[[f64; 2]; 4]) -> bool {
        let inside = |k: usize, count: usize| {
            (0.0..count as f64).contains(&(corners.iter().map(|corner| corner[k]).sum::<f64>() / 4.0))
        };
        inside(0, self.columns) && inside(1, self.rows)
    }

    /// Sorted temperatures of a grid of the panel: in the module, in its neighbours, and everywhere.
    pub(super) fn samples(&self, neighbours: &[[[f64; 2]; 4]]) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let near: Vec<_> = neighbours
            .iter()
            .filter(|corners| self.shows(corners))
            .map(|corners| self.inner(corners))
            .filter(|corners| overlaps(corners, self.panel))
            .collect();
        let own = self.inner(&self.corners);
        let (mut module, mut around, mut all) = (vec![], vec![], vec![]);
        for y in (self.panel.y..self.panel.bottom()).step_by(4) {
            for x in (self.panel.x..self.panel.right()).step_by(4) {
                let at = [f64::from(x) + 0.5, f64::from(y) + 0.5];
                let Some(t) = self.temperature(self.to_frame(at)) else { continue };
                all.push(t);
                if contains(&own, at) {
                    module.push(t);
                } else if near.iter().any(|corners| contains(corners, at)) {
                    around.push(t);
                }
            }
        }
        for values in [&mut module, &mut around, &mut all] {
            values.sort_unstable_by(f64::total_cmp);
        }
        (module, around, all)
    }

    /// Whether the hottest place is ringed: where the pattern is smaller than a part of the module.
    pub(super) fn rings(&self) -> bool {
        matches!(self.pattern, Pattern::Hotspot | Pattern::Cell)
    }

    /// Middle and radius of a ring around the module's hottest place, for a small pattern: around all that is nearly as
    /// hot and no farther off than a cell or two.
    pub(super) fn hottest(&self) -> Option<([f64; 2], f64)> {
        if !self.rings() {
            return None;
        }
        let inner = self.inner(&self.corners);
        let mut points = vec![];
        for y in (self.panel.y..self.panel.bottom()).step_by(2) {
            for x in (self.panel.x..self.panel.right()).step_by(2) {
                let at = [f64::from(x) + 0.5, f64::from(y) + 0.5];
                if contains(&inner, at) {
                    points.extend(self.temperature(self.to_frame(at)).map(|t| (t, at)));
                }
            }
        }
        points.sort_by(|a, b| b.0.total_cmp(&a.0));
        let (&(high, peak), &(median, _)) = (points.first()?, points.get(points.len() / 2)?);
        let reach = 0.14 * (inner[2][0] - inner[0][0]).hypot(inner[2][1] - inner[0][1]);
        let distance = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let hot: Vec<_> = points
            .iter()
            .take_while(|(t, _)| *t >= median + 0.5 * (high - median))
            .filter(|(_, at)| distance(*at, peak) < reach)
            .map(|(_, at)| *at)
            .collect();
        let middle = [0, 1].map(|k| hot.iter().map(|at| at[k]).sum::<f64>() / hot.len() as f64);
        let radius = hot.iter().map(|at| distance(*at, middle)).fold(0.0, f64::max);
        Some((middle, (radius + 9.0).clamp(16.0, 16.0 + reach)))
    }

    /// A round length along the row and what it measures in the picture at the module, px; at most a third of the
    /// panel's width.
    pub(super) fn length_scale(&self, settings: &Settings) -> Option<(f64, f64)> {
        let [ul, ur, lr, ll] = self.corners.map(|corner| self.to_picture(corner));
        let (along_m, _) = settings.module.size_along_up_m();
        let px_per_m = 0.5 * (ur[0] - ul[0] + lr[0] - ll[0]) / along_m;
        let longest = f64::from(self.panel.width) / 3.0 / px_per_m;
        let length = [10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1].into_iter().find(|length| *length <= longest)?;
        Some((length, length * px_per_m))
    }
}

/// The weights of the four values around a point between the second and the third (Keys 1981, a = -1/2).
fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (2.0 * t2 - t - t3), 0.5 * (2.0 - 5.0 * t2 + 3.0 * t3), 0.5 * (t + 4.0 * t2 - 3.0 * t3), 0.5 * (t3 - t2)]
}

/// The frame with [`PAD`] pixels of its edge repeated on each side.
fn padded(celsius: &ArrayView2<'_, f32>) -> Vec<f32> {
    let (rows, columns) = celsius.dim();
    let mut padded = Vec::with_capacity((rows + 2 * PAD) * (columns + 2 * PAD));
    for y in 0..rows + 2 * PAD {
        let line = celsius.row(y.saturating_sub(PAD).min(rows - 1));
        let edge = |x: usize| std::iter::repeat_n(line[x], PAD);
        padded.extend(edge(0).chain(line.iter().copied()).chain(edge(columns - 1)));
    }
    padded
}

/// Whether a polygon's bounds reach into a rectangle; false where a corner is no number.
fn overlaps(corners: &[[f64; 2]; 4], area: Rectangle) -> bool {
    let reaches = |k: usize, low: u32, high: u32| {
        corners.iter().any(|p| p[k] > f64::from(low)) && corners.iter().any(|p| p[k] < f64::from(high))
    };
    corners.iter().flatten().all(|x| x.is_finite())
        && reaches(0, area.x, area.right())
        && reaches(1, area.y, area.bottom())
}
