//! Where the flight really was: a receiver is 1 to 3 m off, and at the rim of the plant that decides whether a module was in
//! the frame. So where that decides, the frames in question are outlined, and their modules told by their rows' ends; what
//! is learnt of the receiver there holds for the frames between.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::coverage::Targets;
use super::{Card, Frame};
use crate::frame::FrameSettings;
use crate::inspection::outline_frame;
use crate::median::median;
use crate::quality::CameraAt;
use crate::site::{FrameOutlines, register};
use crate::threads::in_order;

/// How far a receiver may be off, m: frames from so far are asked.
const OFF_M: f64 = 3.0;
/// Fewest frames that are asked.
const LEAST: usize = 8;
/// Share of all frames that are asked at most, one in: the check is for minutes at the car.
const ONE_IN: usize = 8;
/// A frame placed with less probability tells nothing.
const SURE: f64 = 0.95;

/// What the outlined frames tell.
#[derive(Debug, Default)]
pub(super) struct Anchor {
    /// By number of the frame, the targets that it shows whole; only of those frames whose place is certain.
    pub(super) shown: BTreeMap<usize, Vec<usize>>,
    /// For each frame in order of time, true less logged position, east, north and up, m; empty where nothing was told.
    pub(super) shifts_m: Vec<[f64; 3]>,
}

/// Outlines the frames on which it depends whether the plant was seen, on `threads` threads; `unseen` are the targets that
/// no fit frame shows by its logged place.
pub(super) fn anchor(
    card: &Card,
    frames: &[Frame],
    targets: &Targets,
    unseen: BTreeSet<usize>,
    threads: usize,
) -> Anchor {
    let asked = to_ask(frames, targets, unseen);
    let Some(layout) = card.layout.as_ref().filter(|_| !asked.is_empty()) else { return Anchor::default() };
    let inputs = card.inputs();
    let settings = FrameSettings::of(&inputs.settings);
    let outlined: Vec<FrameOutlines> = in_order(asked.len(), threads, |i, converter| {
        Some(outline_frame(&inputs, &settings, frames[asked[i]].file(), converter))
    });
    // All of it is in memory, where nothing fails.
    let Ok(registration) = register(&outlined, &inputs.settings, Some(layout)) else { return Anchor::default() };
    if registration.reconstructed {
        return Anchor::default();
    }
    let mut out = Anchor::default();
    let mut told: BTreeMap<usize, [f64; 2]> = BTreeMap::new();
    // The height comes from the modules' size in the frame: how high they stand over the take-off point is seldom given.
    let mut rises_m: Vec<f64> = Vec::new();
    let number: HashMap<&str, usize> = targets.all.iter().enumerate().map(|(k, t)| (t.id.as_str(), k)).collect();
    for ((k, outlines), placed) in asked.iter().zip(&outlined).zip(&registration.frames) {
        if placed.confidence < SURE {
            continue;
        }
        told.insert(*k, placed.shift_m);
        rises_m.extend(
            frames[*k].camera.as_ref().map(|camera| placed.height_m - camera.place_m.z).filter(|v| v.is_finite()),
        );
        let (Ok(places), Ok(modules)) = (placed.places.read(), outlines.modules.read()) else { continue };
        let whole = places.iter().zip(modules.iter()).filter(|(_, module)| module.whole);
        let ids = whole.filter_map(|(place, _)| Some(registration.assets[place.asset? as usize].id.as_str()));
        out.shown.insert(*k, ids.filter_map(|id| number.get(id).copied()).collect());
    }
    if !told.is_empty() {
        let up = if rises_m.is_empty() { 0.0 } else { median(&mut rises_m) };
        out.shifts_m = (0..frames.len()).map(|k| between(&told, k)).map(|[east, north]| [east, north, up]).collect();
    }
    out
}

/// The shifts by which a receiver may be off, east, north and up, m.
fn offs() -> impl Iterator<Item = [f64; 3]> {
    (0..8)
        .map(|turn| (f64::from(turn) * 0.25 * std::f64::consts::PI).sin_cos())
        .map(|(s, c)| [OFF_M * s, OFF_M * c, 0.0])
}

/// The frames to ask, in order of time: for each target that no fit frame shows, or none would if the receiver were off, the
/// one that aims nearest at it among those that may show it; then a few over the whole flight.
fn to_ask(frames: &[Frame], targets: &Targets, unseen: BTreeSet<usize>) -> Vec<usize> {
    let fit = frames.iter().enumerate().filter(|(_, frame)| frame.fit());
    let cameras: Vec<(usize, &CameraAt)> = fit.filter_map(|(k, frame)| Some((k, frame.camera.as_ref()?))).collect();
    let mut doubtful = unseen;
    let mut may_show: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
    for shift_m in offs() {
        let mut missed: BTreeSet<usize> = (0..targets.all.len()).collect();
        for (k, camera) in &cameras {
            let whole = targets.whole(&camera.moved(shift_m));
            for target in &whole {
                missed.remove(target);
            }
            may_show.entry(*k).or_default().extend(whole);
        }
        doubtful.extend(missed);
    }
    let mut near: BTreeMap<usize, (f64, usize)> = BTreeMap::new();
    for (k, camera) in &cameras {
        let Some(aim) = camera.aim_m() else { continue };
        for target in may_show[k].intersection(&doubtful) {
            let centre = targets.all[*target].centre;
            let far = (centre[0] - aim[0]).hypot(centre[1] - aim[1]);
            let nearest = near.entry(*target).or_insert((far, *k));
            if far < nearest.0 {
                *nearest = (far, *k);
            }
        }
    }
    let mut chosen: BTreeSet<usize> = BTreeSet::new();
    let mut covered: BTreeSet<usize> = BTreeSet::new();
    for (target, (_, k)) in &near {
        if !covered.contains(target) && chosen.insert(*k) {
            covered.extend(&may_show[k]);
        }
    }
    // Nothing is in doubt, or no frame comes near: placed better, the frames would show no more.
    if chosen.is_empty() {
        return Vec::new();
    }
    let most = LEAST.max(frames.len() / ONE_IN);
    if chosen.len() > most {
        let chosen: Vec<usize> = chosen.into_iter().collect();
        return (0..most).map(|i| chosen[i * chosen.len() / most]).collect();
    }
    // So that the receiver's drift is told where the others are far apart.
    let more = LEAST.saturating_sub(chosen.len()).min(cameras.len());
    chosen.extend((0..more).map(|i| cameras[(2 * i + 1) * cameras.len() / (2 * more)].0));
    chosen.into_iter().collect()
}

/// Between two frames that were told, by the share of the way; before the first and after the last as there.
fn between(told: &BTreeMap<usize, [f64; 2]>, k: usize) -> [f64; 2] {
    match (told.range(..=k).next_back(), told.range(k..).next()) {
        (Some((a, from)), Some((b, to))) if b > a => {
            let share = (k - a) as f64 / (b - a) as f64;
            [0, 1].map(|i| from[i] + share * (to[i] - from[i]))
        }
        (Some((_, at)), _) | (None, Some((_, at))) => *at,
        (None, None) => [0.0; 2],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_what_was_told_the_share_of_the_way_counts() {
        let told = BTreeMap::from([(2, [1.0, 0.0]), (6, [2.0, -2.0])]);
        // By hand: a quarter of the way from 2 to 6.
        assert_eq!(between(&told, 3), [1.25, -0.5]);
        assert_eq!(between(&told, 2), [1.0, 0.0]);
        assert_eq!(between(&told, 0), [1.0, 0.0]);
        assert_eq!(between(&told, 9), [2.0, -2.0]);
    }
}
