//! The flow of the registration: attitude and ground places of each frame, candidates against the plant, one bias over
//! the flight, identities.

use std::collections::BTreeMap;

use super::attitude::{Sighting, sight};
use super::candidate::{Ground, Scene, Weights};
use super::complaint::{name_far_layout, name_misfits, other_plant};
use super::drift::{Receiver, Step, smooth};
use super::geodesy::LocalPlane;
use super::graph::solve;
use super::join::Join;
use super::layout::Layout;
use super::map::Map;
use super::order::{Stop, flight_order, position};
use super::overlap::{compare, consecutive};
use super::problem::Problem;
use super::reconstruct::{CHAIN_SPREADS_M, CHAIN_WINDOW_M, build};
use super::{FrameOutlines, Place, PlacedFrame, Registration, Seen, plant};
use crate::median::median;
use crate::settings::Settings;
use crate::threads::in_order;

/// A place is called certain from this probability.
pub(super) const CERTAIN: f64 = 0.99;

/// Brings every outline of every frame to its module. Nothing fails: what cannot be used is named in the result.
pub fn register(frames: &[FrameOutlines], settings: &Settings, layout: Option<&Layout>) -> Registration {
    register_on(frames, settings, layout, 1)
}

/// [`register`] on some threads; the result is the same for any number of them.
pub(crate) fn register_on(
    frames: &[FrameOutlines],
    settings: &Settings,
    layout: Option<&Layout>,
    threads: usize,
) -> Registration {
    let mut problems = Vec::new();
    let plane = layout.map(Layout::plane).or_else(|| {
        let (lat, lon) = frames.iter().find_map(position)?;
        Some(LocalPlane::new(lat, lon))
    });
    let plane = plane.unwrap_or_else(|| LocalPlane::new(0.0, 0.0));
    let stops = flight_order(frames, &plane, &mut problems);
    let flow = Flow { frames, settings, stops: &stops, threads };
    let (registration, map) = match layout {
        Some(layout) => {
            let (assets, map) = plant::from_layout(layout, &plane, settings);
            problems.extend(layout.problems.iter().cloned());
            name_far_layout(&stops, &map, &mut problems);
            let placed = flow.over_layout(&map, Registration::empty(plane.clone(), assets, problems));
            match other_plant(frames, &placed.frames) {
                // Names of another plant would all be wrong: the flight's own numbers are right among themselves.
                Some(problem) => {
                    let mut problems = placed.problems;
                    problems.push(problem);
                    flow.over_itself(plane, problems)
                }
                None => (placed, map),
            }
        }
        None => flow.over_itself(plane, problems),
    };
    finish(frames, registration, map)
}

/// What all steps need.
struct Flow<'a> {
    frames: &'a [FrameOutlines],
    settings: &'a Settings,
    stops: &'a [Stop],
    threads: usize,
}

impl Flow<'_> {
    /// Something of each stop, in their order.
    fn each<T: Send>(&self, of: impl Fn(usize) -> T + Sync) -> Vec<T> {
        in_order(self.stops.len(), self.threads, |k, (): &mut ()| Some(of(k)))
    }

    /// Places the frames over the layout's modules.
    fn over_layout(&self, map: &Map, mut registration: Registration) -> Registration {
        let weights = Weights::default();
        let receiver = Receiver { half_width_m: weights.window_m, ..Receiver::default() };
        let azimuth = |s: &Stop| plant::azimuth_near(map, s.camera, self.settings);
        let sights = self.each(|k| sight(&self.frames[self.stops[k].frame], self.settings, azimuth(&self.stops[k])));
        // Neighbours in the flight take each frame's own error out, which leaves the slow bias.
        let (stops, ties) = self.joined(&sights);
        let stops = stops.as_slice();
        let steps = self.each(|k| {
            let stop = &stops[k];
            let candidates = sights[k].as_ref().map_or_else(Vec::new, |s| {
                let ground = Ground::new(&self.frames[stop.frame], s, stop.camera);
                Scene::over_plant(&ground, map, weights.window_m).candidates(&weights)
            });
            Step { candidates, since_s: stop.since_s, extra_jitter_m: stop.extra_m, tie: ties[k] }
        });
        let posteriors = smooth(&steps, &receiver);
        let placed = self.each(|k| {
            let (stop, step, posterior) = (&stops[k], &steps[k], &posteriors[k]);
            let mut placed = unplaced(&self.frames[stop.frame]);
            let Some(seen) = &sights[k] else { return placed };
            let mut ranked: Vec<usize> = (0..step.candidates.len()).collect();
            ranked.sort_by(|&a, &b| posterior.probability[b].total_cmp(&posterior.probability[a]).then(a.cmp(&b)));
            let best = ranked.first().map(|&k| (step.candidates[k].shift, posterior.probability[k]));
            let second = ranked.get(1).map(|&k| step.candidates[k].shift);
            let ground = Ground::new(&self.frames[stop.frame], seen, stop.camera);
            let scene = Scene::over_plant(&ground, map, weights.window_m);
            settle(&mut placed, seen, &scene, stop, best, second, posterior.bias);
            placed
        });
        registration.frames = self.frames.iter().map(unplaced).collect();
        for (stop, placed) in stops.iter().zip(placed) {
            registration.frames[stop.frame] = placed;
        }
        for (measured, stop) in self.stops.iter().zip(stops) {
            let shift = &mut registration.frames[stop.frame].shift_m;
            *shift = [0, 1].map(|k| shift[k] + stop.camera[k] - measured.camera[k]);
        }
        registration
    }

    /// The stops with each frame's own error taken out by its overlap with the frames before and after, and how surely the
    /// overlaps tie each to those before, as a log likelihood.
    fn joined(&self, sights: &[Option<Sighting>]) -> (Vec<Stop>, Vec<f64>) {
        let none = vec![[0.0; 2]; self.stops.len()];
        let pairs = consecutive(self.stops);
        let edges = compare(self.frames, self.stops, sights, &none, &pairs, CHAIN_WINDOW_M, self.threads);
        let solution = solve(self.stops, &edges, none, &CHAIN_SPREADS_M);
        let moved = |(s, (e, b)): (&Stop, (&[f64; 2], &[f64; 2]))| Stop {
            camera: [0, 1].map(|k| s.camera[k] + e[k] - b[k]),
            ..*s
        };
        let stops = self.stops.iter().zip(solution.errors.iter().zip(&solution.bias)).map(moved).collect();
        let mut ties = vec![0f64; self.stops.len()];
        for (edge, _) in edges.iter().zip(&solution.chosen).filter(|(edge, chosen)| edge.first == **chosen) {
            ties[edge.a + 1..=edge.b].iter_mut().for_each(|tie| *tie = tie.max(edge.lead));
        }
        (stops, ties)
    }

    /// Builds the plant from the flight and places the frames over it.
    fn over_itself(&self, plane: LocalPlane, problems: Vec<Problem>) -> (Registration, Map) {
        let azimuth = self.settings.array.azimuth_deg;
        let sights = self.each(|k| sight(&self.frames[self.stops[k].frame], self.settings, azimuth));
        let built = build(self.frames, self.stops, &sights, self.threads);
        let (assets, map) = plant::from_flight(&built, &plane);
        let mut registration = Registration::empty(plane, assets, problems);
        registration.reconstructed = true;
        registration.frames = self.frames.iter().map(unplaced).collect();
        for (k, (stop, seen)) in self.stops.iter().zip(&sights).enumerate() {
            let Some(seen) = seen else { continue };
            let error = built.errors[k];
            let Join { lead, rival } = built.joins[k];
            let ground = Ground::new(&self.frames[stop.frame], seen, stop.camera);
            let scene = Scene::over_plant(&ground, &map, error[0].abs().max(error[1].abs()) + 1.5);
            let best = Some((scene.refine(error), 1.0 / (1.0 + (-lead).exp())));
            let placed = &mut registration.frames[stop.frame];
            settle(placed, seen, &scene, stop, best, rival, error);
            for place in &mut placed.places {
                place.stray = place.asset.is_none() && place.ground_m[0][0].is_finite();
            }
        }
        (registration, map)
    }
}

/// Counts who saw what, and names what did not fit.
fn finish(frames: &[FrameOutlines], mut registration: Registration, map: Map) -> Registration {
    if !registration.reconstructed {
        mark_askew(frames, &mut registration, &map);
    }
    name_misfits(frames, &registration.frames, &map, &mut registration.problems);
    registration.map = map;
    registration.count_seen(frames);
    registration
}

impl Registration {
    /// Counts the frames that show each module whole, and lists the modules that none does.
    pub(crate) fn count_seen(&mut self, frames: &[FrameOutlines]) {
        self.assets.iter_mut().for_each(|asset| asset.frames_seen = 0);
        for (frame, placed) in frames.iter().zip(&self.frames) {
            let counts = |m: &Seen, p: &Place| m.whole && !p.askew && !p.ambiguous();
            for (_, place) in frame.modules.iter().zip(&placed.places).filter(|(m, p)| counts(m, p)) {
                if let Some(asset) = place.asset.and_then(|a| self.assets.get_mut(a as usize)) {
                    asset.frames_seen += 1;
                }
            }
        }
        self.unseen = (0..self.assets.len() as u32).filter(|&a| self.assets[a as usize].frames_seen == 0).collect();
    }
}

/// Marks the outlines of lattices that lie beside their modules, where no other frame has them there too.
fn mark_askew(frames: &[FrameOutlines], registration: &mut Registration, map: &Map) {
    /// Beyond this from the modules' places a lattice lies beside them, m; a table drawn so in the layout lies so in all frames.
    const BESIDE_M: f64 = 0.35;
    const ALIKE_M: f64 = 0.2;
    let off = |p: &Place| -> Option<[f64; 2]> {
        let centre = map.slots.get(p.asset? as usize)?.centre;
        let place = p.centre_m();
        Some([0, 1].map(|k| place[k] - centre[k]))
    };
    let mut by_asset: BTreeMap<u32, Vec<(usize, [f64; 2])>> = BTreeMap::new();
    let mut suspects: Vec<(usize, usize, u32, [f64; 2])> = Vec::new();
    for (f, (frame, placed)) in frames.iter().zip(&registration.frames).enumerate() {
        let mut lattices: BTreeMap<u32, [Vec<f64>; 2]> = BTreeMap::new();
        for (m, o) in frame.modules.iter().zip(&placed.places).filter_map(|(m, p)| Some((m, off(p)?))) {
            let lists = lattices.entry(m.table).or_default();
            (0..2).for_each(|k| lists[k].push(o[k]));
        }
        let middles: BTreeMap<u32, [f64; 2]> =
            lattices.into_iter().map(|(t, mut lists)| (t, [0, 1].map(|k| median(&mut lists[k])))).collect();
        for (i, (m, p)) in frame.modules.iter().zip(&placed.places).enumerate() {
            let (Some(asset), Some(&middle)) = (p.asset, middles.get(&m.table)) else { continue };
            by_asset.entry(asset).or_default().push((f, middle));
            if middle[0].hypot(middle[1]) > BESIDE_M {
                suspects.push((f, i, asset, middle));
            }
        }
    }
    for (f, i, asset, middle) in suspects {
        let alike = |o: &[f64; 2]| (o[0] - middle[0]).hypot(o[1] - middle[1]) < ALIKE_M;
        let borne_out = by_asset.get(&asset).is_some_and(|list| list.iter().any(|(g, o)| *g != f && alike(o)));
        registration.frames[f].places[i].askew = !borne_out;
    }
}

fn unplaced(frame: &FrameOutlines) -> PlacedFrame {
    let nowhere = Place {
        asset: None,
        other: None,
        stray: false,
        askew: false,
        confidence: 0.0,
        view_deg: 90.0,
        ground_m: [[f32::NAN; 2]; 4],
    };
    PlacedFrame {
        file: frame.file.clone(),
        shift_m: [0.0; 2],
        camera_m: [f64::NAN; 2],
        bias_m: [0.0; 2],
        yaw_correction_deg: 0.0,
        height_m: f64::NAN,
        misfit_px: f64::NAN,
        confidence: 0.0,
        attitude_from_lattice: false,
        places: vec![nowhere; frame.modules.len()],
    }
}

/// Writes the chosen shift, the identities and the ground places of one frame.
fn settle(
    placed: &mut PlacedFrame,
    seen: &Sighting,
    scene: &Scene<'_>,
    stop: &Stop,
    best: Option<([f64; 2], f64)>,
    second: Option<[f64; 2]>,
    bias: [f64; 2],
) {
    placed.bias_m = bias;
    placed.yaw_correction_deg = seen.yaw_correction_deg;
    placed.height_m = seen.height_m;
    placed.misfit_px = seen.rms_px;
    placed.attitude_from_lattice = seen.from_lattice;
    placed.shift_m = best.map_or(bias, |(shift, _)| shift);
    placed.camera_m = [0, 1].map(|k| stop.camera[k] + placed.shift_m[k]);
    placed.confidence = best.map_or(0.0, |(_, p)| p);
    let assets = best.map(|(shift, _)| scene.assign(shift)).unwrap_or_default();
    // Where the best is not certain the second is named beside it.
    let others = second.filter(|_| placed.confidence < CERTAIN).map(|shift| scene.assign(shift)).unwrap_or_default();
    for (i, place) in placed.places.iter_mut().enumerate() {
        place.asset = assets.get(i).copied().flatten();
        place.other = others.get(i).copied().flatten().filter(|o| Some(*o) != place.asset);
        place.stray = place.asset.is_none() && scene.across(i, placed.shift_m);
        place.confidence = placed.confidence as f32;
        place.view_deg = seen.view_deg[i];
        place.ground_m =
            seen.corners[i].map(|c| [0, 1].map(|k| (f64::from(c[k]) + stop.camera[k] + placed.shift_m[k]) as f32));
    }
}
