//! Names what speaks against the layout or against the places found.

use super::map::Map;
use super::order::Stop;
use super::problem::{Problem, name_some};
use super::register::CERTAIN;
use super::{FrameOutlines, PlacedFrame};
use crate::finding::Pattern;
use crate::median::median;

/// The layout lies elsewhere.
pub(super) fn name_far_layout(stops: &[Stop], map: &Map, problems: &mut Vec<Problem>) {
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

/// The layout is not that of the plant: most outlines of most frames lie on none of its modules.
pub(super) fn other_plant(frames: &[FrameOutlines], placed: &[PlacedFrame]) -> Option<Problem> {
    let telling: Vec<bool> =
        frames.iter().zip(placed).filter(|(f, _)| f.modules.len() >= TELLING).map(|(f, p)| mostly_off(f, p)).collect();
    let off = telling.iter().filter(|off| **off).count();
    (off * 2 > telling.len()).then(|| {
        Problem::new(
            "layout.geojson",
            format!(
                "in {off} of {} frames most outlines lie on no module of the layout; its ids were not used, the modules are \
                 numbered from the flight",
                telling.len()
            ),
            "give the layout of the plant that was flown; check module size, tilt and azimuth in inspection.toml",
        )
    })
}

/// Fewer outlines tell nothing about a frame.
const TELLING: usize = 4;

fn mostly_off(frame: &FrameOutlines, placed: &PlacedFrame) -> bool {
    placed.places.iter().filter(|p| p.asset.is_some()).count() * 2 < frame.modules.len()
}

/// Frames whose outlines do not meet the layout, or whose place is not proven.
pub(super) fn name_misfits(frames: &[FrameOutlines], placed: &[PlacedFrame], map: &Map, problems: &mut Vec<Problem>) {
    if map.slots.is_empty() {
        return;
    }
    let (mut poor, mut unsure) = (Vec::new(), Vec::new());
    let askew: Vec<&str> =
        placed.iter().filter(|p| p.places.iter().any(|p| p.askew)).map(|p| p.file.as_str()).collect();
    if !askew.is_empty() {
        problems.push(Problem::new(
            name_some(askew.into_iter(), 5),
            "the outlines of a table lie beside its modules; they do not count as seen",
            "look at these frames; where the layout is wrong there, correct it and inspect again",
        ));
    }
    let stray = |f: &FrameOutlines, p: &PlacedFrame| {
        f.modules.iter().zip(&p.places).filter(|(m, p)| p.stray && m.pattern != Pattern::None).count()
    };
    let strays: Vec<&str> =
        frames.iter().zip(placed).filter(|(f, p)| stray(f, p) > 0).map(|(f, _)| f.file.as_str()).collect();
    if !strays.is_empty() {
        problems.push(Problem::new(
            name_some(strays.into_iter(), 5),
            "warm outlines lie on no module but across others; they made no finding",
            "look at these frames; where the layout is wrong there, correct it and inspect again",
        ));
    }
    for (f, p) in frames.iter().zip(placed).filter(|(f, _)| f.modules.len() >= TELLING) {
        if mostly_off(f, p) {
            poor.push(f.file.as_str());
        } else if p.confidence < CERTAIN {
            unsure.push(f.file.as_str());
        }
    }
    if !poor.is_empty() {
        problems.push(Problem::new(
            name_some(poor.into_iter(), 5),
            "most outlines lie on no module of the plant",
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
