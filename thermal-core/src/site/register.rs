//! The flow of the registration: attitude and ground places of each frame, candidates against the plant, one bias over
//! the flight, identities.

use std::collections::BTreeMap;

use super::attitude::{Sighting, sight};
use super::candidate::{Scene, Weights};
use super::complaint::{name_far_layout, name_misfits, other_plant};
use super::drift::{Receiver, Step, smooth};
use super::geodesy::LocalPlane;
use super::graph::solve;
use super::join::Join;
use super::layout::Layout;
use super::look::{Look, Sights};
use super::map::Map;
use super::order::{Stop, flight_order, position};
use super::overlap::{compare, consecutive};
use super::problem::Problem;
use super::reconstruct::{CHAIN_SPREADS_M, CHAIN_WINDOW_M, build};
use super::{FrameOutlines, Place, PlacedFrame, Registration, Seen, plant};
use crate::Result;
use crate::median::median;
use crate::settings::Settings;
use crate::shelf::{Shelf, Shelved};
use crate::threads::in_order;

/// A place is called certain from this probability.
pub(super) const CERTAIN: f64 = 0.99;

/// Brings every outline of every frame to its module. What cannot be used is named in the result.
///
/// # Errors
/// Outlines on a shelf cannot be read back.
pub fn register(frames: &[FrameOutlines], settings: &Settings, layout: Option<&Layout>) -> Result<Registration> {
    register_on(frames, settings, layout, &Shelf::default(), 1)
}

/// [`register`] on some threads, with all that there is for each outline on a shelf; the result is the same for any number of
/// threads.
pub(crate) fn register_on(
    frames: &[FrameOutlines],
    settings: &Settings,
    layout: Option<&Layout>,
    shelf: &Shelf,
    threads: usize,
) -> Result<Registration> {
    let mut problems = Vec::new();
    let plane = layout.map(Layout::plane).or_else(|| {
        let (lat, lon) = frames.iter().find_map(position)?;
        Some(LocalPlane::new(lat, lon))
    });
    let plane = plane.unwrap_or_else(|| LocalPlane::new(0.0, 0.0));
    let stops = flight_order(frames, &plane, &mut problems);
    let flow = Flow { frames, settings, stops: &stops, shelf, threads };
    let (registration, map) = match layout {
        Some(layout) => {
            let (assets, map) = plant::from_layout(layout, &plane, settings);
            problems.extend(layout.problems.iter().cloned());
            name_far_layout(&stops, &map, &mut problems);
            let placed = flow.over_layout(&map, Registration::empty(plane.clone(), assets, problems))?;
            match other_plant(frames, &placed.frames)? {
                // Names of another plant would all be wrong: the flight's own numbers are right among themselves.
                Some(problem) => {
                    let mut problems = placed.problems;
                    problems.push(problem);
                    flow.over_itself(plane, problems)?
                }
                None => (placed, map),
            }
        }
        None => flow.over_itself(plane, problems)?,
    };
    finish(frames, registration, map, shelf)
}

/// What all steps need.
struct Flow<'a> {
    frames: &'a [FrameOutlines],
    settings: &'a Settings,
    stops: &'a [Stop],
    shelf: &'a Shelf,
    threads: usize,
}

impl Flow<'_> {
    /// Something of each stop, in their order.
    fn each<T: Send>(&self, of: impl Fn(usize) -> Result<T> + Sync) -> Result<Vec<T>> {
        in_order(self.stops.len(), self.threads, |k, (): &mut ()| Some(of(k))).into_iter().collect()
    }

    /// The sighting of each stop's outlines; `azimuth_deg`: the way the modules near a stop face.
    fn sights(&self, azimuth_deg: impl Fn(&Stop) -> f64 + Sync) -> Result<Vec<Option<Shelved<Sighting>>>> {
        self.each(|k| {
            let stop = &self.stops[k];
            let frame = &self.frames[stop.frame];
            let sighting = sight(frame, &frame.modules.read()?, self.settings, azimuth_deg(stop));
            sighting.map(|s| self.shelf.put(s)).transpose()
        })
    }

    /// A stop's frame read back; `None` where it has no sighting.
    fn look<'b>(&'b self, stop: &Stop, sighting: Option<&'b Shelved<Sighting>>) -> Result<Option<Look<'b>>> {
        Look::of(&self.frames[stop.frame], sighting)
    }

    /// A frame that could not be placed.
    fn unplaced(&self, frame: usize) -> Result<PlacedFrame> {
        let places = vec![NOWHERE; self.frames[frame].modules.read()?.len()];
        Ok(PlacedFrame { places: self.shelf.put(places)?, ..PlacedFrame::without_place(&self.frames[frame].file) })
    }

    /// All frames, from those of the stops.
    fn all(&self, placed: Vec<PlacedFrame>) -> Result<Vec<PlacedFrame>> {
        let mut frames: Vec<Option<PlacedFrame>> = vec![None; self.frames.len()];
        for (stop, placed) in self.stops.iter().zip(placed) {
            frames[stop.frame] = Some(placed);
        }
        frames.into_iter().enumerate().map(|(f, placed)| placed.map_or_else(|| self.unplaced(f), Ok)).collect()
    }

    /// Places the frames over the layout's modules.
    fn over_layout(&self, map: &Map, mut registration: Registration) -> Result<Registration> {
        let weights = Weights::default();
        let receiver = Receiver { half_width_m: weights.window_m, ..Receiver::default() };
        let sights = self.sights(|stop| plant::azimuth_near(map, stop.camera, self.settings))?;
        // Neighbours in the flight take each frame's own error out, which leaves the slow bias.
        let (stops, ties) = self.joined(&sights)?;
        let stops = stops.as_slice();
        let steps = self.each(|k| {
            let stop = &stops[k];
            let candidates = self.look(stop, sights[k].as_ref())?.map_or_else(Vec::new, |look| {
                Scene::over_plant(&look.ground(stop.camera), map, weights.window_m).candidates(&weights)
            });
            let candidates = self.shelf.put(candidates)?;
            Ok(Step { candidates, since_s: stop.since_s, extra_jitter_m: stop.extra_m, tie: ties[k] })
        })?;
        let posteriors = smooth(&steps, &receiver, self.shelf)?;
        let placed = self.each(|k| {
            let (stop, posterior) = (&stops[k], &posteriors[k]);
            let Some(look) = self.look(stop, sights[k].as_ref())? else { return self.unplaced(stop.frame) };
            let ground = look.ground(stop.camera);
            let scene = Scene::over_plant(&ground, map, weights.window_m);
            let mut placed = PlacedFrame::without_place(&self.frames[stop.frame].file);
            let (best, second) = (posterior.best, posterior.second);
            let places = settle(&mut placed, &look.sighting, &scene, stop, best, second, posterior.bias);
            placed.places = self.shelf.put(places)?;
            Ok(placed)
        })?;
        registration.frames = self.all(placed)?;
        for (measured, stop) in self.stops.iter().zip(stops) {
            let shift = &mut registration.frames[stop.frame].shift_m;
            *shift = [0, 1].map(|k| shift[k] + stop.camera[k] - measured.camera[k]);
        }
        Ok(registration)
    }

    /// The stops with each frame's own error taken out by its overlap with the frames before and after, and how surely the
    /// overlaps tie each to those before, as a log likelihood.
    fn joined(&self, sights: &Sights) -> Result<(Vec<Stop>, Vec<f64>)> {
        let none = vec![[0.0; 2]; self.stops.len()];
        let pairs = consecutive(self.stops);
        let edges = compare(self.frames, self.stops, sights, &none, &pairs, CHAIN_WINDOW_M, self.threads)?;
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
        Ok((stops, ties))
    }

    /// Builds the plant from the flight and places the frames over it.
    fn over_itself(&self, plane: LocalPlane, problems: Vec<Problem>) -> Result<(Registration, Map)> {
        let sights = self.sights(|_| self.settings.array.azimuth_deg)?;
        let built = build(self.frames, self.stops, &sights, self.threads)?;
        let (assets, map) = plant::from_flight(&built, &plane);
        let mut registration = Registration::empty(plane, assets, problems);
        registration.reconstructed = true;
        let placed = self.each(|k| {
            let stop = &self.stops[k];
            let Some(look) = self.look(stop, sights[k].as_ref())? else { return self.unplaced(stop.frame) };
            let error = built.errors[k];
            let Join { lead, rival } = built.joins[k];
            let ground = look.ground(stop.camera);
            let scene = Scene::over_plant(&ground, &map, error[0].abs().max(error[1].abs()) + 1.5);
            let best = Some((scene.refine(error), 1.0 / (1.0 + (-lead).exp())));
            let mut placed = PlacedFrame::without_place(&self.frames[stop.frame].file);
            let mut places = settle(&mut placed, &look.sighting, &scene, stop, best, rival, error);
            for place in &mut places {
                place.stray = place.asset.is_none() && place.ground_m[0][0].is_finite();
            }
            placed.places = self.shelf.put(places)?;
            Ok(placed)
        })?;
        registration.frames = self.all(placed)?;
        Ok((registration, map))
    }
}

/// Counts who saw what, and names what did not fit.
fn finish(frames: &[FrameOutlines], mut registration: Registration, map: Map, shelf: &Shelf) -> Result<Registration> {
    if !registration.reconstructed {
        mark_askew(frames, &mut registration, &map, shelf)?;
    }
    name_misfits(frames, &registration.frames, &map, &mut registration.problems)?;
    registration.map = map;
    registration.count_seen(frames)?;
    Ok(registration)
}

impl Registration {
    /// Counts the frames that show each module whole, and lists the modules that none does.
    pub(crate) fn count_seen(&mut self, frames: &[FrameOutlines]) -> Result<()> {
        self.assets.iter_mut().for_each(|asset| asset.frames_seen = 0);
        for (frame, placed) in frames.iter().zip(&self.frames) {
            let counts = |m: &Seen, p: &Place| m.whole && !p.askew && !p.ambiguous();
            let (modules, places) = (frame.modules.read()?, placed.places.read()?);
            for (_, place) in modules.iter().zip(places.iter()).filter(|(m, p)| counts(m, p)) {
                if let Some(asset) = place.asset.and_then(|a| self.assets.get_mut(a as usize)) {
                    asset.frames_seen += 1;
                }
            }
        }
        self.unseen = (0..self.assets.len() as u32).filter(|&a| self.assets[a as usize].frames_seen == 0).collect();
        Ok(())
    }
}

/// Marks the outlines of lattices that lie beside their modules, where no other frame has them there too.
fn mark_askew(frames: &[FrameOutlines], registration: &mut Registration, map: &Map, shelf: &Shelf) -> Result<()> {
    /// Beyond this from the modules' places a lattice lies beside them, m; a table drawn so in the layout lies so in all frames.
    const BESIDE_M: f64 = 0.35;
    const ALIKE_M: f64 = 0.2;
    let off = |p: &Place| -> Option<[f64; 2]> {
        let centre = map.slots.get(p.asset? as usize)?.centre;
        let place = p.centre_m();
        Some([0, 1].map(|k| place[k] - centre[k]))
    };
    // Frame and middle of each lattice, and which lattices show a module, by its number: a flight shows a million.
    let mut lattices: Vec<(usize, [f64; 2])> = Vec::new();
    let mut shown: Vec<(u32, u32)> = Vec::new();
    let mut suspects: Vec<(usize, u32, u32)> = Vec::new();
    for (f, (frame, placed)) in frames.iter().zip(&registration.frames).enumerate() {
        let (modules, places) = (frame.modules.read()?, placed.places.read()?);
        let mut tables: BTreeMap<u32, [Vec<f64>; 2]> = BTreeMap::new();
        for (m, o) in modules.iter().zip(places.iter()).filter_map(|(m, p)| Some((m, off(p)?))) {
            let lists = tables.entry(m.table).or_default();
            (0..2).for_each(|k| lists[k].push(o[k]));
        }
        let mut numbers: BTreeMap<u32, u32> = BTreeMap::new();
        for (table, mut lists) in tables {
            numbers.insert(table, lattices.len() as u32);
            lattices.push((f, [0, 1].map(|k| median(&mut lists[k]))));
        }
        for (i, (m, p)) in modules.iter().zip(places.iter()).enumerate() {
            let (Some(asset), Some(&lattice)) = (p.asset, numbers.get(&m.table)) else { continue };
            shown.push((asset, lattice));
            let [east, north] = lattices[lattice as usize].1;
            if east.hypot(north) > BESIDE_M {
                suspects.push((i, asset, lattice));
            }
        }
    }
    shown.sort_unstable();
    let frame_of = |lattice: u32| lattices[lattice as usize].0;
    for of_frame in suspects.chunk_by(|a, b| frame_of(a.2) == frame_of(b.2)) {
        let Some(first) = of_frame.first() else { continue };
        let places = &mut registration.frames[frame_of(first.2)].places;
        let mut marked = places.read()?;
        for &(i, asset, lattice) in of_frame {
            let (f, middle) = lattices[lattice as usize];
            let alike = |o: [f64; 2]| (o[0] - middle[0]).hypot(o[1] - middle[1]) < ALIKE_M;
            let from = shown.partition_point(|s| s.0 < asset);
            let mut others = shown[from..].iter().take_while(|s| s.0 == asset).map(|s| lattices[s.1 as usize]);
            marked[i].askew = !others.any(|(g, o)| g != f && alike(o));
        }
        *places = shelf.put(marked)?;
    }
    Ok(())
}

/// The place of an outline that has none.
pub(super) const NOWHERE: Place = Place {
    asset: None,
    other: None,
    stray: false,
    askew: false,
    confidence: 0.0,
    view_deg: 90.0,
    ground_m: [[f32::NAN; 2]; 4],
};

impl PlacedFrame {
    /// A frame that is not placed, still without its places.
    pub(super) fn without_place(file: impl Into<String>) -> Self {
        Self {
            file: file.into(),
            shift_m: [0.0; 2],
            camera_m: [f64::NAN; 2],
            bias_m: [0.0; 2],
            yaw_correction_deg: 0.0,
            height_m: f64::NAN,
            misfit_px: f64::NAN,
            confidence: 0.0,
            attitude_from_lattice: false,
            places: Shelved::default(),
        }
    }
}

/// Writes the chosen shift of one frame; the identities and the ground places of its outlines.
fn settle(
    placed: &mut PlacedFrame,
    seen: &Sighting,
    scene: &Scene<'_>,
    stop: &Stop,
    best: Option<([f64; 2], f64)>,
    second: Option<[f64; 2]>,
    bias: [f64; 2],
) -> Vec<Place> {
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
    let mut places = vec![NOWHERE; seen.corners.len()];
    for (i, place) in places.iter_mut().enumerate() {
        place.asset = assets.get(i).copied().flatten();
        place.other = others.get(i).copied().flatten().filter(|o| Some(*o) != place.asset);
        place.stray = place.asset.is_none() && scene.across(i, placed.shift_m);
        place.confidence = placed.confidence as f32;
        place.view_deg = seen.view_deg[i];
        place.ground_m =
            seen.corners[i].map(|c| [0, 1].map(|k| (f64::from(c[k]) + stop.camera[k] + placed.shift_m[k]) as f32));
    }
    places
}
