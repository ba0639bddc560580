//! The flow of the registration: attitude and ground places of each frame, candidates against the plant, one bias over
//! the flight, identities.

use super::attitude::{Sighting, median, sight};
use super::candidate::{Candidate, Scene, Weights};
use super::drift::{Receiver, Step, smooth};
use super::geodesy::LocalPlane;
use super::layout::Layout;
use super::map::{Map, Slot};
use super::numbering::{along_of, azimuth_of, number};
use super::order::{Stop, flight_order, position};
use super::problem::{Problem, name_some};
use super::{Asset, FrameOutlines, Place, PlacedFrame, Registration};
use crate::settings::Settings;

/// A place is called certain from this probability.
const CERTAIN: f64 = 0.99;

/// Brings every outline of every frame to its module. Nothing fails: what cannot be used is named in the result.
pub fn register(frames: &[FrameOutlines], settings: &Settings, layout: Option<&Layout>) -> Registration {
    let mut problems = Vec::new();
    let plane = layout.map(Layout::plane).or_else(|| {
        let (lat, lon) = frames.iter().find_map(position)?;
        Some(LocalPlane::new(lat, lon))
    });
    let plane = plane.unwrap_or_else(|| LocalPlane::new(0.0, 0.0));
    let stops = flight_order(frames, &plane, &mut problems);
    let (assets, map) = layout.map_or_else(|| (Vec::new(), Map::new(Vec::new())), |l| plant_of(l, &plane, settings));
    if let Some(layout) = layout {
        problems.extend(layout.problems.iter().cloned());
        name_other_plant(&stops, &map, &mut problems);
    }
    let mut registration = Registration { plane, assets, frames: Vec::new(), unseen: Vec::new(), problems };
    place_all(frames, settings, &stops, &map, &mut registration);
    registration
}

/// The layout's modules on the plane, numbered.
fn plant_of(layout: &Layout, plane: &LocalPlane, settings: &Settings) -> (Vec<Asset>, Map) {
    let hint = along_of(settings.array.azimuth_deg);
    let slots =
        layout.modules.iter().map(|m| Slot::from_ring(&m.corners.map(|c| plane.to_local(c[1], c[0])), hint)).collect();
    let map = Map::new(slots);
    let rows: Vec<&str> = layout.modules.iter().map(|m| m.row.as_str()).collect();
    let tables: Vec<&str> = layout.modules.iter().map(|m| m.table.as_str()).collect();
    let numbers = number(&map, &rows, &tables, &[]);
    let assets = layout
        .modules
        .iter()
        .zip(numbers)
        .map(|(m, n)| Asset {
            id: m.id.clone(),
            row_name: m.row.clone(),
            table_name: m.table.clone(),
            row: n.row,
            table: n.table,
            course: n.course,
            position: n.position,
            corners: m.corners,
            frames_seen: 0,
        })
        .collect();
    (assets, map)
}

/// The azimuth of the modules about a place, deg; the settings' where none is near.
fn azimuth_near(map: &Map, place: [f64; 2], settings: &Settings) -> f64 {
    const REACH_M: f64 = 30.0;
    let near = map.within(place.map(|v| v - REACH_M), place.map(|v| v + REACH_M));
    let mut sum = [0.0; 2];
    for i in &near {
        let a = map.slots[*i as usize].along;
        sum = [sum[0] + a[0], sum[1] + a[1]];
    }
    let length = sum[0].hypot(sum[1]);
    if length > 0.5 * near.len() as f64 && length > 0.0 {
        azimuth_of(&Slot { centre: place, along: sum.map(|v| v / length), size: [1.0; 2] })
    } else {
        settings.array.azimuth_deg
    }
}

/// Places the frames over the plant and writes the outcome into the registration.
pub(super) fn place_all(
    frames: &[FrameOutlines],
    settings: &Settings,
    stops: &[Stop],
    map: &Map,
    registration: &mut Registration,
) {
    let weights = Weights::default();
    let receiver = Receiver { half_width_m: weights.window_m, ..Receiver::default() };
    let mut sights: Vec<Option<Sighting>> = Vec::with_capacity(stops.len());
    let mut steps: Vec<Step> = Vec::with_capacity(stops.len());
    for stop in stops {
        let frame = &frames[stop.frame];
        let seen = sight(frame, settings, azimuth_near(map, stop.camera, settings));
        let candidates = seen
            .as_ref()
            .map_or_else(Vec::new, |s| Scene::new(frame, s, stop.camera, map, weights.window_m).candidates(&weights));
        sights.push(seen);
        steps.push(Step { candidates, since_s: stop.since_s, extra_jitter_m: stop.extra_m });
    }
    let posteriors = smooth(&steps, &receiver);
    registration.frames = frames.iter().map(unplaced).collect();
    for (((stop, seen), step), posterior) in stops.iter().zip(sights).zip(&steps).zip(&posteriors) {
        let Some(seen) = seen else { continue };
        let frame = &frames[stop.frame];
        let placed = &mut registration.frames[stop.frame];
        placed.bias_m = posterior.bias;
        placed.yaw_correction_deg = seen.yaw_correction_deg;
        placed.height_m = seen.height_m;
        placed.misfit_px = seen.rms_px;
        placed.attitude_from_lattice = seen.from_lattice;
        let mut ranked: Vec<usize> = (0..step.candidates.len()).collect();
        ranked.sort_by(|&a, &b| posterior.probability[b].total_cmp(&posterior.probability[a]).then(a.cmp(&b)));
        let best = ranked.first().map(|&k| (step.candidates[k], posterior.probability[k]));
        let second = ranked.get(1).map(|&k| step.candidates[k]);
        let scene = Scene::new(frame, &seen, stop.camera, map, weights.window_m);
        settle(placed, &seen, &scene, stop, best, second, posterior.bias);
        for place in frame.modules.iter().zip(&placed.places).filter(|(m, p)| m.whole && !p.ambiguous()) {
            if let Some(asset) = place.1.asset.and_then(|a| registration.assets.get_mut(a as usize)) {
                asset.frames_seen += 1;
            }
        }
    }
    registration.unseen =
        (0..registration.assets.len() as u32).filter(|&a| registration.assets[a as usize].frames_seen == 0).collect();
    name_misfits(frames, &registration.frames, map, &mut registration.problems);
}

fn unplaced(frame: &FrameOutlines) -> PlacedFrame {
    let nowhere = Place { asset: None, other: None, confidence: 0.0, view_deg: 90.0, ground_m: [[f32::NAN; 2]; 4] };
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
    best: Option<(Candidate, f64)>,
    second: Option<Candidate>,
    bias: [f64; 2],
) {
    placed.shift_m = best.map_or(bias, |(c, _)| c.shift);
    placed.camera_m = [0, 1].map(|k| stop.camera[k] + placed.shift_m[k]);
    placed.confidence = best.map_or(0.0, |(_, p)| p);
    let assets = best.map(|(c, _)| scene.assign(c.shift)).unwrap_or_default();
    // Where the best is not certain the second is named beside it.
    let others = second.filter(|_| placed.confidence < CERTAIN).map(|c| scene.assign(c.shift)).unwrap_or_default();
    for (i, place) in placed.places.iter_mut().enumerate() {
        place.asset = assets.get(i).copied().flatten();
        place.other = others.get(i).copied().flatten().filter(|o| Some(*o) != place.asset);
        place.confidence = placed.confidence as f32;
        place.view_deg = seen.view_deg[i];
        place.ground_m =
            seen.corners[i].map(|c| [0, 1].map(|k| (f64::from(c[k]) + stop.camera[k] + placed.shift_m[k]) as f32));
    }
}

fn name_other_plant(stops: &[Stop], map: &Map, problems: &mut Vec<Problem>) {
    let mut away: Vec<f64> = stops
        .iter()
        .filter_map(|s| {
            let c = map.slots[map.nearest(s.camera)? as usize].centre;
            Some((c[0] - s.camera[0]).hypot(c[1] - s.camera[1]))
        })
        .collect();
    let away = median(&mut away);
    if away > 300.0 {
        problems.push(Problem::new(
            "layout.geojson",
            format!("the frames were taken {:.1} km from the nearest module of the layout", away / 1000.0),
            "give the layout of the plant that was flown",
        ));
    }
}

fn name_misfits(frames: &[FrameOutlines], placed: &[PlacedFrame], map: &Map, problems: &mut Vec<Problem>) {
    if map.slots.is_empty() {
        return;
    }
    let (mut poor, mut unsure) = (Vec::new(), Vec::new());
    for (f, p) in frames.iter().zip(placed).filter(|(f, _)| f.modules.len() >= 4) {
        let on = p.places.iter().filter(|p| p.asset.is_some()).count();
        if on * 2 < f.modules.len() {
            poor.push(f.file.as_str());
        } else if p.confidence < CERTAIN {
            unsure.push(f.file.as_str());
        }
    }
    if poor.len() * 2 > frames.len() {
        problems.push(Problem::new(
            "layout.geojson",
            format!("in {} of {} frames most outlines lie on no module of the layout", poor.len(), frames.len()),
            "give the layout of the plant that was flown; check module size, tilt and azimuth in inspection.toml",
        ));
    } else if !poor.is_empty() {
        problems.push(Problem::new(
            name_some(poor.into_iter(), 5),
            "most outlines lie on no module of the layout",
            "check the frames' pose, and whether the layout is complete there",
        ));
    }
    if !unsure.is_empty() {
        problems.push(Problem::new(
            name_some(unsure.into_iter(), 5),
            "the place along the rows could not be proven; the findings carry the flag ambiguous-place and both candidates",
            "fly so that row ends or table gaps are in view, or correct the positions with a base station",
        ));
    }
}
