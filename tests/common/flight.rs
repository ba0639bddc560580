//! A flight of outlines over an invented plant: what a perfect outline stage would hand on, with corner noise, missed
//! modules, and a receiver that is off and drifts.

use nalgebra::Vector3;
use thermal_core::finding::Pattern;
use thermal_core::optics::{Lens, camera_to_enu};
use thermal_core::site::{FrameOutlines, Pose, Registration, Seen};

use crate::plant::{Plant, Rng};

/// How the plant is flown and how the receiver errs.
#[derive(Debug, Clone)]
pub struct FlightSpec {
    /// Camera above the ground, m.
    pub height_m: f64,
    /// From frame to frame, m.
    pub step_m: f64,
    /// From strip to strip, m.
    pub strip_m: f64,
    /// View off the modules' normal, deg.
    pub off_normal_deg: f64,
    /// The camera turns round with the flight direction (and looks straight down).
    pub turning: bool,
    /// Flown from the other end.
    pub reversed: bool,
    /// Receiver's bias, east and north, m.
    pub bias_m: [f64; 2],
    /// Its drift, m a minute.
    pub drift_m_per_min: f64,
    /// A frame's own position error, m.
    pub jitter_m: f64,
    /// A frame's own attitude error, deg.
    pub attitude_deg: f64,
    /// Error of all headings, deg.
    pub heading_deg: f64,
    /// Error of all heights, m.
    pub height_error_m: f64,
    /// Corner noise, px each way.
    pub corner_px: f64,
    /// Share of outlines missed.
    pub missed: f64,
    /// Share of frames missing.
    pub dropped: f64,
    /// Order of the frames is random.
    pub shuffled: bool,
    /// No attitude in the pose.
    pub no_attitude: bool,
    /// Seed.
    pub seed: u64,
}

impl Default for FlightSpec {
    fn default() -> Self {
        Self {
            height_m: 27.0,
            step_m: 5.0,
            strip_m: 7.0,
            off_normal_deg: 4.0,
            turning: false,
            reversed: false,
            bias_m: [0.0; 2],
            drift_m_per_min: 0.0,
            jitter_m: 0.12,
            attitude_deg: 0.4,
            heading_deg: 0.0,
            height_error_m: 0.0,
            corner_px: 0.35,
            missed: 0.02,
            dropped: 0.0,
            shuffled: false,
            no_attitude: false,
            seed: 3,
        }
    }
}

/// A flight and its truth: the plant's module of each outline.
#[derive(Debug, Clone)]
pub struct Flight {
    /// Frames.
    pub frames: Vec<FrameOutlines>,
    /// For each frame and outline the number of the plant's module.
    pub truth: Vec<Vec<usize>>,
}

/// Speed along a strip and time of a turn.
const SPEED_M_S: f64 = 3.0;
const TURN_S: f64 = 8.0;

/// Flies the plant.
pub fn fly(plant: &Plant, spec: &FlightSpec) -> Flight {
    let mut rng = Rng(spec.seed);
    let lens = Lens::new(640, 512, 13.0, 12.0, -0.02);
    let azimuth = plant.spec.azimuth_deg;
    let level = thermal_core::optics::array_to_enu(0.0, azimuth);
    let axes = |p: &[f64; 3]| level.transpose() * Vector3::new(p[0], p[1], 0.0);
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for m in &plant.modules {
        for c in &m.corners {
            let a = axes(c);
            for k in 0..2 {
                low[k] = low[k].min(a[k]);
                high[k] = high[k].max(a[k]);
            }
        }
    }
    let tilt = if plant.spec.dual || spec.turning { 0.0 } else { plant.spec.tilt_deg };
    let pitch = -90.0 + tilt + spec.off_normal_deg;
    // The camera stands before what it looks at.
    let ahead = spec.height_m * (tilt + spec.off_normal_deg).to_radians().tan();
    let start: jiff::Timestamp = "2026-05-04T09:00:00Z".parse().unwrap_or_default();
    let strips = ((high[1] - low[1]) / spec.strip_m).round().max(1.0) as usize;
    let stops = ((high[0] - low[0]) / spec.step_m).ceil() as usize + 1;
    let near = Neighbours::new(plant);
    let (mut frames, mut truth) = (Vec::new(), Vec::new());
    let mut seconds = 0.0;
    for strip in 0..strips {
        let strip_no = if spec.reversed { strips - 1 - strip } else { strip };
        let down = high[1] - (strip_no as f64 + 0.5) * (high[1] - low[1]) / strips as f64;
        let forward = (strip_no % 2 == 0) != spec.reversed;
        for stop in 0..stops {
            seconds += spec.step_m / SPEED_M_S;
            let along = if forward { stop } else { stops - 1 - stop } as f64;
            let turned = spec.turning && !forward;
            let yaw = azimuth + 180.0 + if turned { 180.0 } else { 0.0 };
            let before = if turned { -ahead } else { ahead };
            let aim = level * Vector3::new(low[0] + along * spec.step_m, down + before, 0.0);
            let camera = Vector3::new(
                aim.x + 0.4 * rng.normal(),
                aim.y + 0.4 * rng.normal(),
                spec.height_m + 0.2 * rng.normal(),
            );
            let attitude = [yaw + rng.normal(), pitch + 0.4 * rng.normal(), 0.3 * rng.normal()];
            let dropped = rng.uniform() < spec.dropped;
            let mut one = Shot { plant, spec, lens, camera, attitude, seconds, rng: Rng(rng.0) };
            rng.uniform();
            if dropped {
                continue;
            }
            let (modules, ids) = one.outlines(&near);
            let (pose, captured_at) = (one.pose(), start + jiff::SignedDuration::from_millis((seconds * 1e3) as i64));
            let file = format!("f_{:05}.tif", frames.len() + 1);
            frames.push(FrameOutlines {
                file,
                captured_at: Some(captured_at),
                lens,
                pose,
                blur_px: Some(1.0),
                modules: modules.into(),
            });
            truth.push(ids);
        }
        seconds += TURN_S;
    }
    if spec.shuffled {
        for i in (1..frames.len()).rev() {
            let j = (rng.uniform() * (i + 1) as f64) as usize;
            frames.swap(i, j);
            truth.swap(i, j);
        }
    }
    Flight { frames, truth }
}

/// The plant's modules by squares of 10 m.
struct Neighbours(std::collections::HashMap<(i64, i64), Vec<usize>>);

impl Neighbours {
    fn new(plant: &Plant) -> Self {
        let mut cells: std::collections::HashMap<(i64, i64), Vec<usize>> = std::collections::HashMap::new();
        for (i, m) in plant.modules.iter().enumerate() {
            cells.entry(Self::cell(m.corners[0][0], m.corners[0][1])).or_default().push(i);
        }
        Self(cells)
    }

    fn cell(x: f64, y: f64) -> (i64, i64) {
        ((x / 10.0).floor() as i64, (y / 10.0).floor() as i64)
    }

    /// Modules within some 40 m, in order.
    fn around(&self, p: &Vector3<f64>) -> Vec<usize> {
        let (x, y) = Self::cell(p.x, p.y);
        let mut found: Vec<usize> = (-4..=4)
            .flat_map(|i| (-4..=4).map(move |j| (x + i, y + j)))
            .filter_map(|c| self.0.get(&c))
            .flatten()
            .copied()
            .collect();
        found.sort_unstable();
        found
    }
}

struct Shot<'a> {
    plant: &'a Plant,
    spec: &'a FlightSpec,
    lens: Lens,
    camera: Vector3<f64>,
    attitude: [f64; 3],
    seconds: f64,
    rng: Rng,
}

impl Shot<'_> {
    fn outlines(&mut self, near: &Neighbours) -> (Vec<Seen>, Vec<usize>) {
        let into_camera = camera_to_enu(self.attitude[0], self.attitude[1], self.attitude[2]).transpose();
        let (mut seen, mut ids) = (Vec::new(), Vec::new());
        let mut tables: Vec<([usize; 2], i32, i32)> = Vec::new();
        let offset = self.rng.within(-1.0, 1.0);
        for i in near.around(&self.camera) {
            let m = &self.plant.modules[i];
            let pixels = m.corners.map(|c| {
                let d = into_camera * (Vector3::from(c) - self.camera);
                (d.z > 1.0).then(|| self.lens.pixel([d.x / d.z, d.y / d.z]))
            });
            let [Some(a), Some(b), Some(c), Some(d)] = pixels else { continue };
            let corners = [a, b, c, d];
            let inside = |p: &[f64; 2], margin: f64| {
                p[0] > margin && p[1] > margin && p[0] < 640.0 - margin && p[1] < 512.0 - margin
            };
            let whole = corners.iter().all(|p| inside(p, 1.0));
            let middle = [0, 1].map(|k| corners.iter().map(|p| p[k]).sum::<f64>() / 4.0);
            if !inside(&middle, 1.0) {
                continue;
            }
            let (missed, noise) = (self.rng.uniform() < self.spec.missed, self.rng.normal());
            if missed {
                continue;
            }
            let key = [m.place[0], m.place[1]];
            let table = tables.iter().position(|t| t.0 == key).unwrap_or_else(|| {
                let start = |r: &mut Rng| r.within(-9.0, 9.0) as i32;
                tables.push((key, start(&mut self.rng), start(&mut self.rng)));
                tables.len() - 1
            });
            let wander = (0.1 * m.corners[0][0]).sin() + (0.13 * m.corners[0][1]).cos();
            let (pattern, delta) = m.fault.unwrap_or((Pattern::None, 0.0));
            let warm = if pattern == Pattern::Module { delta } else { 0.2 * delta };
            seen.push(Seen {
                corners: corners.map(|p| p.map(|v| (v + self.spec.corner_px * self.rng.normal()) as f32)),
                whole,
                table: table as u32,
                course: tables[table].1 + m.place[2] as i32,
                position: tables[table].2 + m.place[3] as i32,
                t_median_c: (45.0 + offset + 0.5 * wander + m.own_k + warm + 0.08 * noise) as f32,
                pattern,
                delta_t_k: delta as f32,
                confidence: 0.95,
                spot: None,
            });
            ids.push(i);
        }
        (seen, ids)
    }

    fn pose(&mut self) -> Pose {
        let s = self.spec;
        let minutes = self.seconds / 60.0;
        // The drift turns slowly, as the sky of satellites does.
        let phase = 0.15 * minutes;
        let p = [
            self.camera.x
                + s.bias_m[0]
                + s.drift_m_per_min * minutes.min(8.0) * phase.cos()
                + s.jitter_m * self.rng.normal(),
            self.camera.y
                + s.bias_m[1]
                + s.drift_m_per_min * minutes.min(8.0) * phase.sin()
                + s.jitter_m * self.rng.normal(),
        ];
        let [lon, lat] = self.plant.plane.to_lon_lat(p);
        let mut off = |scale: f64| scale * s.attitude_deg * self.rng.normal();
        let attitude =
            [self.attitude[0] + s.heading_deg + off(1.5), self.attitude[1] + off(1.0), self.attitude[2] + off(1.0)];
        let known = |v: f64| (!s.no_attitude).then_some(v);
        Pose {
            lat: Some(lat),
            lon: Some(lon),
            altitude_m: None,
            height_m: Some(self.camera.z + s.height_error_m),
            yaw_deg: known(attitude[0]),
            pitch_deg: known(attitude[1]),
            roll_deg: known(attitude[2]),
        }
    }
}

/// How a registration compares with the truth.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Score {
    /// All outlines.
    pub outlines: usize,
    /// Named rightly.
    pub right: usize,
    /// Named wrongly and not flagged.
    pub wrong: usize,
    /// Named wrongly, but flagged as ambiguous.
    pub wrong_flagged: usize,
    /// Without a name.
    pub unnamed: usize,
    /// Flagged.
    pub flagged: usize,
    /// 99th percentile of the distance of the ground place from the layout's, m (with a layout).
    pub gap_m: f64,
}

impl Score {
    /// Share of a count.
    pub fn share(&self, count: usize) -> f64 {
        count as f64 / self.outlines.max(1) as f64
    }
}

/// Changes the outlines of a frame.
///
/// # Panics
/// The list cannot be read back.
pub fn change(frame: &mut FrameOutlines, by: impl FnOnce(&mut Vec<Seen>)) {
    let mut modules = frame.modules.read().unwrap();
    by(&mut modules);
    frame.modules = modules.into();
}

/// Compares names with the truth, where the layout was given.
///
/// # Panics
/// The list cannot be read back.
pub fn score_named(plant: &Plant, flight: &Flight, registration: &Registration) -> Score {
    let mut s = Score::default();
    let mut gaps = Vec::new();
    for (placed, ids) in registration.frames.iter().zip(&flight.truth) {
        for (place, &id) in placed.places.read().unwrap().iter().zip(ids) {
            let truth = &plant.modules[id];
            let asset = place.asset.and_then(|a| registration.assets.get(a as usize));
            count(&mut s, asset.map(|a| a.id == truth.id), place.ambiguous());
            if let Some(asset) = asset.filter(|a| a.id == truth.id) {
                let middle = |r: [[f64; 2]; 4]| [0, 1].map(|k| r.iter().map(|p| p[k]).sum::<f64>() / 4.0);
                let layout = middle(asset.corners.map(|c| registration.plane.to_local(c[1], c[0])));
                let ground = middle(place.ground_m.map(|c| c.map(f64::from)));
                gaps.push((layout[0] - ground[0]).hypot(layout[1] - ground[1]));
            }
        }
    }
    gaps.sort_by(f64::total_cmp);
    s.gap_m = gaps.get(gaps.len() * 99 / 100).copied().unwrap_or(f64::NAN);
    s
}

/// Compares identities where no layout was given: a module and an asset belong to each other where most outlines of each
/// are of the other.
///
/// # Panics
/// The list cannot be read back.
pub fn score_identity(flight: &Flight, registration: &Registration) -> Score {
    use std::collections::HashMap;
    let mut of_module: HashMap<usize, HashMap<u32, usize>> = HashMap::new();
    let mut of_asset: HashMap<u32, HashMap<usize, usize>> = HashMap::new();
    let each = || {
        registration
            .frames
            .iter()
            .zip(&flight.truth)
            .flat_map(|(placed, ids)| placed.places.read().unwrap().into_iter().zip(ids.iter().copied()))
    };
    for (place, id) in each() {
        if let Some(a) = place.asset {
            *of_module.entry(id).or_default().entry(a).or_default() += 1;
            *of_asset.entry(a).or_default().entry(id).or_default() += 1;
        }
    }
    let mut s = Score::default();
    for (place, id) in each() {
        let right = place.asset.map(|a| {
            let (m, o) = (&of_module[&id], &of_asset[&a]);
            2 * m[&a] > m.values().sum::<usize>() && 2 * o[&id] > o.values().sum::<usize>()
        });
        count(&mut s, right, place.ambiguous());
    }
    s
}

fn count(s: &mut Score, right: Option<bool>, flagged: bool) {
    s.outlines += 1;
    s.flagged += usize::from(flagged);
    match right {
        None => s.unnamed += 1,
        Some(true) => s.right += 1,
        Some(false) if flagged => s.wrong_flagged += 1,
        Some(false) => s.wrong += 1,
    }
}
