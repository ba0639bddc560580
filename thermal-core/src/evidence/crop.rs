//! The part of the frame that is shown: turned, enlarged and painted.

use ndarray::ArrayView2;

use super::canvas::{Canvas, Rectangle};
use super::colour::Scale;
use super::enlarge::{Patch, Turned};
use super::palette::{BETWEEN, Palette, STEPS, STRIPE};
use crate::finding::{Finding, Pattern};
use crate::measure::contains;
use crate::settings::Settings;
use crate::{Error, Result};

/// What a panel shows that its scale does not.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Beyond {
    /// Some of it lies outside the frame or has no value.
    pub(super) outside: bool,
    pub(super) colder: bool,
    pub(super) hotter: bool,
}

/// How pixels of the picture lie in the frame.
pub(super) struct View {
    rows: usize,
    columns: usize,
    /// What the panel shows of the frame.
    patch: Patch,
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
            patch: Patch::around(celsius, &[centre]),
            corners,
            pattern: finding.module.pattern,
            centre,
            along,
            zoom: 1.0,
            panel,
        };
        let turned = corners.map(|corner| view.to_picture(corner));
        let extent = |k: usize| {
            let [low, high] = span(&turned, k);
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
        view.patch = Patch::around(celsius, &view.seen());
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

    /// The panel's corners in the frame.
    fn seen(&self) -> [[f64; 2]; 4] {
        let Rectangle { x, y, .. } = self.panel;
        let (right, bottom) = (self.panel.right(), self.panel.bottom());
        [[x, y], [right, y], [right, bottom], [x, bottom]].map(|at| self.to_frame(at.map(f64::from)))
    }

    fn middle(&self) -> [f64; 2] {
        let Rectangle { x, y, width, height } = self.panel;
        [f64::from(x) + 0.5 * f64::from(width), f64::from(y) + 0.5 * f64::from(height)]
    }

    /// Paints the panel; tells what of it lies beyond the frame and the scale.
    pub(super) fn draw(&self, canvas: &mut Canvas, scale: &Scale) -> Beyond {
        let Rectangle { x, y, width, height } = self.panel;
        let at = |i: u32, j: u32| self.to_frame([f64::from(x + i) + 0.5, f64::from(y + j) + 0.5]);
        let [c, s] = self.along.map(|x| x / self.zoom);
        let turned = Turned::new(&self.patch, at(0, 0), [[c, s], [-s, c]], width as usize);
        let (low, kelvin) = (scale.low as f32, ((scale.high - scale.low) / (STEPS - 1) as f64) as f32);
        let (coldest, hottest, per_kelvin) = (low - 0.5 * kelvin, scale.high as f32 + 0.5 * kelvin, kelvin.recip());
        let mut beyond = Beyond::default();
        let mut line = vec![0.0; width as usize];
        for j in 0..height {
            turned.line(j as usize, &mut line);
            if ![at(0, j), at(width - 1, j)].into_iter().all(|at| self.inside(at)) {
                for (_, t) in (0..).zip(&mut line).filter(|(i, _)| !self.inside(at(*i, j))) {
                    *t = f32::NAN;
                }
            }
            let outside = any(&line, f32::is_nan);
            beyond.outside |= outside;
            beyond.colder |= any(&line, |t| t < coldest);
            beyond.hotter |= any(&line, |t| t > hottest);
            let row = canvas.row(x, y + j, width);
            row.iter_mut().zip(&line).for_each(|(pixel, t)| *pixel = Palette::step((t - low) * per_kelvin));
            if outside {
                for (i, (pixel, _)) in (x + y + j..).zip(row.iter_mut().zip(&line)).filter(|(_, (_, t))| t.is_nan()) {
                    *pixel = if i % 12 < 2 { STRIPE } else { BETWEEN };
                }
            }
        }
        beyond
    }

    /// The temperature at a point of the frame between the pixels.
    pub(super) fn temperature(&self, at: [f64; 2]) -> Option<f64> {
        if self.inside(at) { self.patch.temperature(at) } else { None }
    }

    fn inside(&self, at: [f64; 2]) -> bool {
        (0.0..self.columns as f64).contains(&at[0]) && (0.0..self.rows as f64).contains(&at[1])
    }

    /// Whether a module's middle lies in the frame; what is only computed to lie outside is not drawn.
    pub(super) fn shows(&self, corners: &[[f64; 2]; 4]) -> bool {
        self.inside([0, 1].map(|k| corners.iter().map(|corner| corner[k]).sum::<f64>() / 4.0))
    }

    /// Temperatures of the frame's pixels that the panel shows: in the module's glass, and in that of its neighbours.
    pub(super) fn samples(&self, neighbours: &[[[f64; 2]; 4]]) -> (Vec<f32>, Vec<f32>) {
        let panel = self.seen();
        let own = glass(&self.corners);
        let gather = |values: &mut Vec<f32>, glass: &[[f64; 2]; 4], own: Option<&[[f64; 2]; 4]>| {
            for y in self.patch.rows(span(glass, 1)) {
                let chord = |corners: &[[f64; 2]; 4]| chord(corners, y as f64 + 0.5);
                let ([a, b], [c, d]) = (chord(glass), chord(&panel));
                let [first, last] = own.map_or([f64::MAX; 2], chord);
                for part in [[a.max(c), b.min(d).min(first)], [a.max(c).max(last), b.min(d)]] {
                    values.extend(self.patch.pixels(y, part).iter().filter(|t| t.is_finite()));
                }
            }
        };
        let (mut module, mut around) = (vec![], vec![]);
        gather(&mut module, &own, None);
        // The frame's outlines hold the module's own.
        for corners in neighbours.iter().filter(|corners| self.shows(corners)) {
            gather(&mut around, &glass(corners), Some(&own));
        }
        (module, around)
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
        let inner = glass(&self.corners).map(|corner| self.to_picture(corner));
        let mut points = vec![];
        for y in (self.panel.y..self.panel.bottom()).step_by(4) {
            for x in (self.panel.x..self.panel.right()).step_by(4) {
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

/// Whether it is so of any of them; all are looked at, for several are at a time.
fn any(line: &[f32], of: impl Fn(f32) -> bool) -> bool {
    line.iter().fold(false, |any, t| any | of(*t))
}

/// From the lowest to the highest of a coordinate of a polygon's corners.
fn span(corners: &[[f64; 2]; 4], k: usize) -> [f64; 2] {
    corners.iter().fold([f64::MAX, f64::MIN], |[low, high], corner| [low.min(corner[k]), high.max(corner[k])])
}

/// A module's glass, without its frame and the gap beside it.
fn glass(corners: &[[f64; 2]; 4]) -> [[f64; 2]; 4] {
    let centre = [0, 1].map(|k| corners.iter().map(|corner| corner[k]).sum::<f64>() / 4.0);
    corners.map(|corner| [0, 1].map(|k| centre[k] + 0.92 * (corner[k] - centre[k])))
}

/// Where a line along the rows enters a convex polygon and where it leaves it; beyond all that is where it does neither.
fn chord(corners: &[[f64; 2]; 4], y: f64) -> [f64; 2] {
    let mut chord = [f64::MAX, f64::MIN];
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % 4];
        if (a[1] > y) != (b[1] > y) {
            let x = a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]);
            chord = [chord[0].min(x), chord[1].max(x)];
        }
    }
    if chord[0] < chord[1] { chord } else { [f64::MAX; 2] }
}
