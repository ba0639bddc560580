//! What the fit frames show whole: the modules of the layout, or without one the ground that the mosaic should have.

use std::collections::{BTreeSet, HashMap};

use super::anchor::anchor;
use super::{Card, Condition, Coverage, Frame, Limits};
use crate::quality::{CameraAt, Code, Reason};
use crate::settings::Mounting;
use crate::site::{Layout, LayoutModule, LocalPlane};

/// Side of the squares in which targets are looked up, m.
const BIN_M: f64 = 10.0;
/// Error of a frame's own place and attitude about the receiver's bias, m (our own choice; `site` takes 0.25).
const JITTER_M: f64 = 0.25;
/// Largest number of points of a mosaic.
const MOST_POINTS: f64 = 200_000.0;

/// A thing that a frame should show whole.
#[derive(Debug, Clone)]
pub(super) struct Target {
    /// The layout's id; empty for a point of the ground.
    pub(super) id: String,
    /// East, north, up.
    pub(super) corners: Vec<[f64; 3]>,
    pub(super) centre: [f64; 2],
}

/// All targets with a look-up by place.
#[derive(Debug, Clone, Default)]
pub(super) struct Targets {
    pub(super) all: Vec<Target>,
    bins: HashMap<[i64; 2], Vec<usize>>,
}

impl Targets {
    fn new(all: Vec<Target>) -> Self {
        let mut bins: HashMap<[i64; 2], Vec<usize>> = HashMap::new();
        for (k, target) in all.iter().enumerate() {
            bins.entry(target.centre.map(|v| (v / BIN_M).floor() as i64)).or_default().push(k);
        }
        Self { all, bins }
    }

    /// Numbers of the targets that a camera shows whole, in order.
    pub(super) fn whole(&self, camera: &CameraAt) -> Vec<usize> {
        let Some(ring) = camera.footprint() else { return Vec::new() };
        let bound = |k: usize, far: fn(f64, f64) -> f64, start: f64| ring.iter().map(|p| p[k]).fold(start, far);
        let low = [0, 1].map(|k| (bound(k, f64::min, f64::MAX) / BIN_M).floor() as i64);
        let high = [0, 1].map(|k| (bound(k, f64::max, f64::MIN) / BIN_M).floor() as i64);
        let mut found = Vec::new();
        // A frame towards the horizon covers far more bins than there are.
        if (high[0] - low[0]).saturating_mul(high[1] - low[1]) > 10_000 {
            return found;
        }
        for x in low[0]..=high[0] {
            for y in low[1]..=high[1] {
                for k in self.bins.get(&[x, y]).into_iter().flatten() {
                    if self.shows(camera, *k) {
                        found.push(*k);
                    }
                }
            }
        }
        found.sort_unstable();
        found
    }

    /// Whether a camera shows a target whole.
    fn shows(&self, camera: &CameraAt, target: usize) -> bool {
        self.all[target].corners.iter().all(|corner| camera.pixel(*corner).is_some())
    }

    /// Those that it shows whole wherever it stands within the error of a frame whose receiver is known.
    fn surely_whole(&self, camera: &CameraAt) -> Vec<usize> {
        let ways = [[JITTER_M, 0.0, 0.0], [-JITTER_M, 0.0, 0.0], [0.0, JITTER_M, 0.0], [0.0, -JITTER_M, 0.0]];
        let rims: Vec<CameraAt> = ways.iter().map(|way| camera.moved(*way)).collect();
        let mut found = self.whole(camera);
        found.retain(|k| rims.iter().all(|rim| self.shows(rim, *k)));
        found
    }
}

/// What was seen and what is wanted.
pub(super) struct Seen {
    pub(super) coverage: Coverage,
    pub(super) targets: Targets,
    /// Numbers of the targets to fly again: seen by no fit frame, or by too few since a frame is lost.
    pub(super) wanted: BTreeSet<usize>,
    pub(super) modules: Vec<([[f64; 2]; 4], bool)>,
}

pub(super) fn judge(
    card: &Card,
    frames: &mut [Frame],
    plane: Option<&LocalPlane>,
    limits: &Limits,
    threads: usize,
    conditions: &mut Vec<Condition>,
) -> Seen {
    let mut seen = Seen {
        coverage: Coverage::default(),
        targets: Targets::default(),
        wanted: BTreeSet::new(),
        modules: Vec::new(),
    };
    let (Some(plane), true) = (plane, frames.iter().any(|frame| frame.footprint.is_some())) else {
        seen.coverage.modules = card.layout.as_ref().map_or(0, |layout| layout.modules.len());
        return seen;
    };
    let by_layout = card.layout.is_some();
    seen.targets = Targets::new(match &card.layout {
        Some(layout) => modules(card, plane, layout),
        None => ground(frames),
    });
    let targets = &seen.targets;
    let (mut fit, mut lost) = count(targets.all.len(), frames, |_, camera| targets.whole(camera));
    if by_layout {
        let unseen: BTreeSet<usize> = (0..fit.len()).filter(|k| fit[*k] == 0).collect();
        let anchor = anchor(card, frames, targets, unseen, threads);
        if !anchor.shifts_m.is_empty() {
            for (frame, shift_m) in frames.iter_mut().zip(&anchor.shifts_m) {
                frame.camera = frame.camera.as_ref().map(|camera| camera.moved(*shift_m));
                frame.footprint = frame.camera.as_ref().and_then(CameraAt::footprint);
            }
            (fit, lost) = count(targets.all.len(), frames, |k, camera| {
                anchor.shown.get(&k).cloned().unwrap_or_else(|| targets.surely_whole(camera))
            });
        }
    }
    for (k, target) in seen.targets.all.iter().enumerate() {
        let is_lost = lost[k] && fit[k] < limits.sights;
        if is_lost || (by_layout && fit[k] == 0) {
            seen.wanted.insert(k);
        }
        if by_layout {
            seen.coverage.modules += 1;
            seen.coverage.seen_whole += usize::from(fit[k] > 0);
            if fit[k] == 0 {
                seen.coverage.unseen.push(target.id.clone());
            }
            if let [a, b, c, d] = target.corners[..] {
                seen.modules.push(([a, b, c, d].map(|p| [p[0], p[1]]), fit[k] > 0));
            }
        }
    }
    if !by_layout {
        holes(&mut seen, &fit, plane, conditions);
    }
    seen
}

/// For each of so many targets how many fit frames show it whole, and whether a frame that is not fit would have shown it.
/// `shown` tells the targets that a frame shows whole, by its number and camera.
fn count(targets: usize, frames: &[Frame], shown: impl Fn(usize, &CameraAt) -> Vec<usize>) -> (Vec<u32>, Vec<bool>) {
    let (mut fit, mut lost) = (vec![0u32; targets], vec![false; targets]);
    for (number, frame) in frames.iter().enumerate() {
        let Some(camera) = &frame.camera else { continue };
        for k in shown(number, camera) {
            if frame.fit() {
                fit[k] += 1;
            } else if !is_duplicate(frame) {
                lost[k] = true;
            }
        }
    }
    (fit, lost)
}

/// A copy takes nothing away: what it should have shown, if anything, is not known.
fn is_duplicate(frame: &Frame) -> bool {
    frame.reasons.iter().all(|reason| reason.code == Code::Duplicate)
}

/// The layout's modules in space: the middle of each table at the height of the modules, what lies up the slope of it higher.
fn modules(card: &Card, plane: &LocalPlane, layout: &Layout) -> Vec<Target> {
    let rings: Vec<[[f64; 2]; 4]> =
        layout.modules.iter().map(|m| m.corners.map(|[lon, lat]| plane.to_local(lat, lon))).collect();
    let centre = |ring: &[[f64; 2]; 4]| [0, 1].map(|k| ring.iter().map(|p| p[k]).sum::<f64>() / 4.0);
    // Sum of the centres and number of modules of each table; a module without a table is one of its own.
    let mut tables: HashMap<[&str; 2], ([f64; 2], f64)> = HashMap::new();
    for (m, ring) in layout.modules.iter().zip(&rings) {
        let (sum, n) = tables.entry(table_of(m)).or_default();
        *sum = [0, 1].map(|k| sum[k] + centre(ring)[k]);
        *n += 1.0;
    }
    let array = &card.settings.array;
    // The layout does not say which side of a dual-tilt roof a module lies on; it is nearly flat.
    let rise = if array.mounting == Mounting::DualTilt { 0.0 } else { array.tilt_deg.to_radians().tan() };
    let (s, c) = array.azimuth_deg.to_radians().sin_cos();
    let in_space = |(m, ring): (&LayoutModule, &[[f64; 2]; 4])| {
        let (sum, n) = tables[&table_of(m)];
        let middle = sum.map(|v| v / n);
        let up = |p: &[f64; 2]| -rise * ((p[0] - middle[0]) * s + (p[1] - middle[1]) * c);
        let corners = ring.iter().map(|p| [p[0], p[1], up(p)]).collect();
        Target { id: m.id.clone(), corners, centre: centre(ring) }
    };
    layout.modules.iter().zip(&rings).map(in_space).collect()
}

/// What names a module's table in a layout: row and table, or where these are not given the module itself.
fn table_of(module: &LayoutModule) -> [&str; 2] {
    if module.table.is_empty() { ["", &module.id] } else { [&module.row, &module.table] }
}

/// A grid of points over all that the frames were meant to show.
fn ground(frames: &[Frame]) -> Vec<Target> {
    let all: Vec<&[f64; 2]> = frames.iter().filter_map(|frame| frame.footprint.as_ref()).flatten().collect();
    let bound = |k: usize, far: fn(f64, f64) -> f64, start: f64| all.iter().map(|p| p[k]).fold(start, far);
    let (low, high) = ([0, 1].map(|k| bound(k, f64::min, f64::MAX)), [0, 1].map(|k| bound(k, f64::max, f64::MIN)));
    let area = (high[0] - low[0]) * (high[1] - low[1]);
    let step = (area / MOST_POINTS).sqrt().max(1.0);
    let (columns, rows) = (((high[0] - low[0]) / step) as usize + 1, ((high[1] - low[1]) / step) as usize + 1);
    // Rows and columns all around stay outside, so that what is open to the rim is one piece.
    (0..(rows + 2) * (columns + 2))
        .map(|k| {
            let (x, y) = ((k % (columns + 2)) as f64 - 0.5, (k / (columns + 2)) as f64 - 0.5);
            let centre = [low[0] + x * step, low[1] + y * step];
            Target { id: String::new(), corners: vec![[centre[0], centre[1], 0.0]], centre }
        })
        .collect()
}

/// Points that no fit frame shows though they are enclosed by points that one shows.
fn holes(seen: &mut Seen, fit: &[u32], plane: &LocalPlane, conditions: &mut Vec<Condition>) {
    let all = &seen.targets.all;
    // Points stand row by row; a row ends where the north changes.
    let columns = all.iter().take_while(|t| t.centre[1] == all[0].centre[1]).count().max(1);
    let rows = all.len() / columns;
    let step = if columns > 1 { all[1].centre[0] - all[0].centre[0] } else { 1.0 };
    let mut piece = vec![usize::MAX; all.len()];
    let mut pieces: Vec<Vec<usize>> = Vec::new();
    for start in 0..all.len() {
        if fit[start] > 0 || piece[start] != usize::MAX {
            continue;
        }
        let mut open = vec![start];
        let mut members = Vec::new();
        piece[start] = pieces.len();
        while let Some(k) = open.pop() {
            members.push(k);
            let (x, y) = (k % columns, k / columns);
            let beside = [
                (x > 0).then(|| k - 1),
                (x + 1 < columns).then_some(k + 1),
                (y > 0).then(|| k - columns),
                (y + 1 < rows).then_some(k + columns),
            ];
            for j in beside.into_iter().flatten() {
                if fit[j] == 0 && piece[j] == usize::MAX {
                    piece[j] = pieces.len();
                    open.push(j);
                }
            }
        }
        pieces.push(members);
    }
    // The first piece is that of the rim. A hole of less than two points is the grid's own coarseness.
    for members in pieces.iter().skip(1).filter(|members| members.len() > 1) {
        let centre = [0, 1].map(|k| members.iter().map(|m| all[*m].centre[k]).sum::<f64>() / members.len() as f64);
        let [lon, lat] = plane.to_lon_lat(centre);
        let area = members.len() as f64 * step * step;
        let place = format!("{lat:.6}, {lon:.6}");
        let text = format!("a hole of {area:.0} m2 in the mosaic of frames at {place}");
        conditions.push(Condition {
            reason: Reason::new(Code::Hole, area, 0.0, text),
            fly_again: true,
            frames: Vec::new(),
        });
        seen.coverage.unseen.push(place);
        seen.wanted.extend(members.iter().copied());
    }
}
