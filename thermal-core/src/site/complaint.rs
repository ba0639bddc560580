//! Names what speaks against the layout or against the places found.

use super::attitude::median;
use super::map::Map;
use super::order::Stop;
use super::problem::{Problem, name_some};
use super::register::CERTAIN;
use super::{FrameOutlines, PlacedFrame};

/// The layout lies elsewhere.
pub(super) fn name_other_plant(stops: &[Stop], map: &Map, problems: &mut Vec<Problem>) {
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

/// Frames whose outlines do not meet the layout, or whose place is not proven.
pub(super) fn name_misfits(frames: &[FrameOutlines], placed: &[PlacedFrame], map: &Map, problems: &mut Vec<Problem>) {
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
