//! The frames in the order in which they were flown, split into flights, each with its measured place.

use std::collections::BTreeMap;

use super::FrameOutlines;
use super::geodesy::LocalPlane;
use super::problem::{Problem, name_some};

/// A frame in the order of flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stop {
    /// Number of the frame in the caller's list.
    pub(super) frame: usize,
    /// East and north of the camera as measured or interpolated, m.
    pub(super) camera: [f64; 2],
    /// Seconds since the stop before; infinite at the start of a flight.
    pub(super) since_s: f64,
    /// Uncertainty of an interpolated place, m; 0 where measured.
    pub(super) extra_m: f64,
}

/// A pause longer than this, s, or a jump faster than a drone flies, starts another flight.
const PAUSE_S: f64 = 300.0;
const SPEED_M_S: f64 = 40.0;
/// Taken between frames without a time, s.
const STEP_S: f64 = 2.0;

/// Measured position of a frame: finite and on the globe.
pub(super) fn position(frame: &FrameOutlines) -> Option<(f64, f64)> {
    let (lat, lon) = (frame.pose.lat?, frame.pose.lon?);
    // Receivers without a fix write zero for both.
    (lat.abs() <= 90.0 && lon.abs() <= 180.0 && (lat != 0.0 || lon != 0.0)).then_some((lat, lon))
}

/// The frames that have a place, in flight order. Those without one are interpolated between neighbours or left out.
pub(super) fn flight_order(frames: &[FrameOutlines], plane: &LocalPlane, problems: &mut Vec<Problem>) -> Vec<Stop> {
    let places: Vec<Option<[f64; 2]>> =
        frames.iter().map(|f| position(f).map(|(lat, lon)| plane.to_local(lat, lon))).collect();
    let mut by_name: Vec<usize> = (0..frames.len()).collect();
    by_name.sort_by(|&a, &b| frames[a].file.cmp(&frames[b].file).then(a.cmp(&b)));
    let timed = frames.iter().all(|f| f.captured_at.is_some());
    let mut order = by_name.clone();
    if timed {
        order.sort_by_key(|&i| frames[i].captured_at);
        let by_time = path_m(&order, &places);
        if path_m(&by_name, &places) < 0.6 * by_time && by_time > 200.0 {
            problems.push(Problem::new(
                "capture times",
                "in the order of time the flight jumps about, in the order of the file names it does not",
                "check the camera's clock and the times in frames.csv; the order of the file names was used",
            ));
            order.clone_from(&by_name);
        }
    } else if frames.iter().any(|f| f.captured_at.is_some()) {
        problems.push(Problem::new(
            "capture times",
            "some frames have none",
            "give captured_at for all frames; the order of the file names was used",
        ));
    }
    let stops = split(frames, &order, &places, timed, problems);
    name_missing(frames, &places, &stops, problems);
    stops
}

fn path_m(order: &[usize], places: &[Option<[f64; 2]>]) -> f64 {
    let seen: Vec<[f64; 2]> = order.iter().filter_map(|&i| places[i]).collect();
    seen.windows(2).map(|w| distance(w[0], w[1])).sum()
}

pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn split(
    frames: &[FrameOutlines],
    order: &[usize],
    places: &[Option<[f64; 2]>],
    timed: bool,
    problems: &mut Vec<Problem>,
) -> Vec<Stop> {
    let seconds = |a: usize, b: usize| -> f64 {
        match (frames[a].captured_at, frames[b].captured_at) {
            (Some(ta), Some(tb)) if timed => tb.duration_since(ta).as_secs_f64(),
            _ => STEP_S,
        }
    };
    let mut stops: Vec<Stop> = Vec::with_capacity(order.len());
    let mut starts: BTreeMap<usize, String> = BTreeMap::new();
    let mut last: Option<(usize, [f64; 2])> = None;
    let mut elapsed = 0.0;
    for (k, &i) in order.iter().enumerate() {
        if k > 0 {
            elapsed += seconds(order[k - 1], i);
        }
        let (camera, extra_m) = match places[i] {
            Some(p) => (p, 0.0),
            None => match between(k, order, places, &seconds) {
                Some(found) => found,
                None => continue,
            },
        };
        let mut since_s = f64::INFINITY;
        if let Some((_, at)) = last {
            // Times of the camera are to the second.
            let too_fast = distance(at, camera) > SPEED_M_S * (elapsed + 1.0);
            if !(0.0..=PAUSE_S).contains(&elapsed) || (timed && too_fast) {
                starts.insert(stops.len(), frames[i].file.clone());
            } else {
                since_s = elapsed;
            }
        }
        stops.push(Stop { frame: i, camera, since_s, extra_m });
        last = Some((i, camera));
        elapsed = 0.0;
    }
    if !starts.is_empty() {
        problems.push(Problem::new(
            "flight",
            format!(
                "{} flights in one folder (a pause of more than {} min or a jump in place or clock); new ones start at {}",
                starts.len() + 1,
                PAUSE_S / 60.0,
                name_some(starts.values().map(String::as_str), 4),
            ),
            "this is in order for one plant; each flight got its own receiver bias",
        ));
    }
    stops
}

/// A place between the neighbours in time, with its uncertainty.
fn between(
    k: usize,
    order: &[usize],
    places: &[Option<[f64; 2]>],
    seconds: &impl Fn(usize, usize) -> f64,
) -> Option<([f64; 2], f64)> {
    const REACH: usize = 4;
    let before = (k.saturating_sub(REACH)..k).rev().find_map(|j| places[order[j]].map(|p| (order[j], p)))?;
    let after = (k + 1..(k + 1 + REACH).min(order.len())).find_map(|j| places[order[j]].map(|p| (order[j], p)))?;
    let (a, b) = (seconds(before.0, order[k]), seconds(order[k], after.0));
    if !(a >= 0.0 && b >= 0.0 && a + b > 0.0 && a + b <= 30.0) {
        return None;
    }
    let t = a / (a + b);
    let p = [0, 1].map(|i| before.1[i] + t * (after.1[i] - before.1[i]));
    Some((p, 1.5))
}

fn name_missing(frames: &[FrameOutlines], places: &[Option<[f64; 2]>], stops: &[Stop], problems: &mut Vec<Problem>) {
    let mut placed = vec![false; frames.len()];
    for s in stops {
        placed[s.frame] = true;
    }
    let of = |keep: &dyn Fn(usize) -> bool| -> Vec<&str> {
        (0..frames.len()).filter(|&i| keep(i)).map(|i| frames[i].file.as_str()).collect()
    };
    let guessed = of(&|i| places[i].is_none() && placed[i]);
    if !guessed.is_empty() {
        problems.push(Problem::new(
            name_some(guessed.into_iter(), 5),
            "no position; placed between the frames before and after",
            "give lat and lon in frames.csv",
        ));
    }
    let lost = of(&|i| !placed[i]);
    if !lost.is_empty() {
        problems.push(Problem::new(
            name_some(lost.into_iter(), 5),
            "no position, and no neighbours in time to place the frame between; its modules were not identified",
            "give lat and lon in frames.csv",
        ));
    }
}
