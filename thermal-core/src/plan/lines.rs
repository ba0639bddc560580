//! The lines to fly: parallel strips at right angles to the way the camera looks, each as long as there is something
//! under it, flown there and back.

use super::geometry::Geometry;
use super::glare::Look;
use super::{Area, Obstacle, PlanInput};
use crate::site::LocalPlane;
use crate::{Error, Result};

/// One line to fly.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// First and last position of the drone, `[longitude, latitude]`, deg.
    pub ends: [[f64; 2]; 2],
    /// The same in metres right of and ahead of the area's middle, as the camera looks.
    local: [[f64; 2]; 2],
    /// Length, m.
    pub length_m: f64,
    /// Frames.
    pub frames: usize,
}

/// All lines of a flight in the order in which they are flown.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Lines {
    pub(super) all: Vec<Line>,
    /// Way between the lines, m.
    pub(super) between_m: f64,
    /// Names of the obstacles that stand into the flying height too near a line.
    pub(super) near: Vec<String>,
}

/// Side of the square that stands in where nothing is given: one hectare.
const HECTARE_M: f64 = 100.0;
/// No more lines than this: a plan of more is a slip of a decimal in spacing or area.
const MAX_LINES: f64 = 20_000.0;
/// Farther than this the area is not the site's.
const MAX_FROM_SITE_M: f64 = 50_000.0;

impl Lines {
    pub(super) fn new(input: &PlanInput, look: Look, geometry: &Geometry) -> Result<Self> {
        let (lat, lon) = input.area.as_ref().map_or((input.place.lat_deg, input.place.lon_deg), Area::centre);
        let plane = LocalPlane::new(lat, lon);
        let [east, north] = plane.to_local(input.place.lat_deg, input.place.lon_deg);
        if east.hypot(north) > MAX_FROM_SITE_M {
            let reason =
                format!("the polygons lie about {lat:.4}, {lon:.4}, {:.0} km from it", east.hypot(north) / 1000.0);
            return Err(Error::argument("latitude and longitude", reason, "check them, or the file of the polygons"));
        }
        let frame = Frame::new(&plane, look.heading_deg);
        let half = 0.5 * HECTARE_M;
        let mut rings = vec![vec![[-half, -half], [half, -half], [half, half], [-half, half]]];
        if let Some(area) = &input.area {
            rings = area.local(&plane);
            for corner in rings.iter_mut().flatten() {
                *corner = frame.turn(*corner);
            }
        }
        let mut lines = Vec::new();
        for (n, (middle, spans)) in strips(&rings, geometry)?.into_iter().enumerate() {
            let ahead = middle - geometry.ahead_m;
            let mut strip: Vec<[[f64; 2]; 2]> =
                spans.into_iter().map(|[from, to]| [[from, ahead], [to, ahead]]).collect();
            if n % 2 == 1 {
                strip.reverse();
                for line in &mut strip {
                    line.reverse();
                }
            }
            lines.extend(strip.into_iter().map(|local| {
                let length_m = (local[1][0] - local[0][0]).abs();
                Line {
                    ends: local.map(|p| frame.lon_lat(p)),
                    local,
                    length_m,
                    frames: (length_m / geometry.trigger_m).ceil() as usize + 1,
                }
            }));
        }
        let between_m = lines.windows(2).map(|pair| distance(pair[0].local[1], pair[1].local[0])).sum();
        let near = near_obstacles(input, geometry, &frame, &lines);
        Ok(Self { all: lines, between_m, near })
    }
}

/// Names of the obstacles that reach into the flying height within the margin of a line.
fn near_obstacles(input: &PlanInput, geometry: &Geometry, frame: &Frame, lines: &[Line]) -> Vec<String> {
    let margin = input.flight.obstacle_margin_m;
    let near = |obstacle: &&Obstacle| {
        let at = frame.turn(frame.plane.to_local(obstacle.lat, obstacle.lon));
        obstacle.height_m + margin > geometry.height_above_takeoff_m
            && lines.iter().any(|line| to_segment(at, line.local) < margin)
    };
    input.obstacles.iter().filter(near).map(|obstacle| obstacle.name.clone()).collect()
}

/// Axes right of the camera's heading and along it.
struct Frame<'a> {
    plane: &'a LocalPlane,
    right: [f64; 2],
    ahead: [f64; 2],
}

impl<'a> Frame<'a> {
    fn new(plane: &'a LocalPlane, heading_deg: f64) -> Self {
        let (s, c) = heading_deg.to_radians().sin_cos();
        Self { plane, right: [c, -s], ahead: [s, c] }
    }

    fn turn(&self, [e, n]: [f64; 2]) -> [f64; 2] {
        [e * self.right[0] + n * self.right[1], e * self.ahead[0] + n * self.ahead[1]]
    }

    fn lon_lat(&self, [r, a]: [f64; 2]) -> [f64; 2] {
        let local = [r * self.right[0] + a * self.ahead[0], r * self.right[1] + a * self.ahead[1]];
        let [lon, lat] = self.plane.to_lon_lat(local);
        [(lon + 180.0).rem_euclid(360.0) - 180.0, lat]
    }
}

/// The middle of each strip and what lies under it, as spans along it.
fn strips(rings: &[Vec<[f64; 2]>], geometry: &Geometry) -> Result<Vec<(f64, Vec<[f64; 2]>)>> {
    let (mut low, mut high) = (f64::MAX, f64::MIN);
    for [_, v] in rings.iter().flatten() {
        (low, high) = (low.min(*v), high.max(*v));
    }
    let (swath, spacing) = (geometry.swath_m, geometry.line_spacing_m);
    let count = 1.0 + ((high - low - swath) / spacing).ceil().max(0.0);
    if count > MAX_LINES {
        let reason = format!("{:.0} m of ground would take {count:.0} lines {spacing:.2} m apart", high - low);
        return Err(Error::argument("area", reason, "check the polygons, or ask for less resolution or overlap"));
    }
    let first = 0.5 * (low + high) - 0.5 * (count - 1.0) * spacing;
    let mut strips: Vec<(f64, Vec<[f64; 2]>)> =
        (0..count as usize).map(|k| (first + k as f64 * spacing, Vec::new())).collect();
    for ring in rings {
        let from = ring.iter().map(|p| p[1]).fold(f64::MAX, f64::min);
        let to = ring.iter().map(|p| p[1]).fold(f64::MIN, f64::max);
        let begin = ((from - first - 0.5 * swath) / spacing).ceil().max(0.0) as usize;
        let end = ((to - first + 0.5 * swath) / spacing).floor().max(0.0) as usize;
        for (middle, spans) in strips.iter_mut().take(end + 1).skip(begin) {
            spans.extend(span_within(ring, *middle - 0.5 * swath, *middle + 0.5 * swath));
        }
    }
    // A gap that is shorter than a turn is flown through.
    let gap = (4.0 * geometry.trigger_m).max(30.0);
    for (_, spans) in &mut strips {
        spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
        let mut joined: Vec<[f64; 2]> = Vec::with_capacity(spans.len());
        for span in spans.iter() {
            match joined.last_mut() {
                Some(last) if span[0] - last[1] <= gap => last[1] = last[1].max(span[1]),
                _ => joined.push(*span),
            }
        }
        *spans = joined;
    }
    Ok(strips)
}

/// Extent of a ring along the strip between two lines; the extremes of a clipped polygon lie on its edges.
fn span_within(ring: &[[f64; 2]], low: f64, high: f64) -> Option<[f64; 2]> {
    let mut span = [f64::MAX, f64::MIN];
    for (i, a) in ring.iter().enumerate() {
        let b = ring[(i + 1) % ring.len()];
        let (mut t0, mut t1) = (0.0, 1.0);
        let rise = b[1] - a[1];
        if rise.abs() < 1e-12 {
            if a[1] < low || a[1] > high {
                continue;
            }
        } else {
            let (p, q) = ((low - a[1]) / rise, (high - a[1]) / rise);
            (t0, t1) = (f64::max(t0, p.min(q)), f64::min(t1, p.max(q)));
        }
        if t0 <= t1 {
            for t in [t0, t1] {
                let u = a[0] + (b[0] - a[0]) * t;
                span = [span[0].min(u), span[1].max(u)];
            }
        }
    }
    (span[0] <= span[1]).then_some(span)
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (b[0] - a[0]).hypot(b[1] - a[1])
}

fn to_segment(p: [f64; 2], [a, b]: [[f64; 2]; 2]) -> f64 {
    let along = [b[0] - a[0], b[1] - a[1]];
    let length = along[0] * along[0] + along[1] * along[1];
    let t = if length > 0.0 { ((p[0] - a[0]) * along[0] + (p[1] - a[1]) * along[1]) / length } else { 0.0 };
    let t = t.clamp(0.0, 1.0);
    distance(p, [a[0] + along[0] * t, a[1] + along[1] * t])
}
