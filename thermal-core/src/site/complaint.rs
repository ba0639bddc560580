//! Names what speaks against the layout or against the places found.

use super::map::Map;
use super::order::Stop;
use super::problem::{Problem, name_some};
use super::register::CERTAIN;
use super::{FrameOutlines, Place, PlacedFrame};
use crate::Result;
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
pub(super) fn other_plant(frames: &[FrameOutlines], placed: &[PlacedFrame]) -> Result<Option<Problem>> {
    let mut telling: Vec<bool> = Vec::new();
    for placed in placed.iter().take(frames.len()) {
        let places = placed.places.read()?;
        if places.len() >= TELLING {
            telling.push(mostly_off(&places));
        }
    }
    let off = telling.iter().filter(|off| **off).count();
    Ok((off * 2 > telling.len()).then(|| {
        Problem::new(
            "layout.geojson",
            format!(
                "in {off} of {} frames most outlines lie on no module of the layout; its ids were not used, the modules are \
                 numbered from the flight",
                telling.len()
            ),
            "give the layout of the plant that was flown; check module size, tilt and azimuth in inspection.toml",
        )
    }))
}

/// Fewer outlines tell nothing about a frame.
const TELLING: usize = 4;

fn mostly_off(places: &[Place]) -> bool {
    places.iter().filter(|p| p.asset.is_some()).count() * 2 < places.len()
}

/// Frames whose outlines do not meet the layout, or whose place is not proven.
pub(super) fn name_misfits(
    frames: &[FrameOutlines],
    placed: &[PlacedFrame],
    map: &Map,
    problems: &mut Vec<Problem>,
) -> Result<()> {
    if map.slots.is_empty() {
        return Ok(());
    }
    let [mut askew, mut strays, mut poor, mut unsure]: [Vec<&str>; 4] = Default::default();
    for (f, p) in frames.iter().zip(placed) {
        let (modules, places) = (f.modules.read()?, p.places.read()?);
        if places.iter().any(|p| p.askew) {
            askew.push(&p.file);
        }
        if modules.iter().zip(places.iter()).any(|(m, p)| p.stray && m.pattern != Pattern::None) {
            strays.push(&f.file);
        }
        if modules.len() < TELLING {
            continue;
        }
        if mostly_off(&places) {
            poor.push(&f.file);
        } else if p.confidence < CERTAIN {
            unsure.push(&f.file);
        }
    }
    if !askew.is_empty() {
        problems.push(Problem::new(
            name_some(askew.into_iter(), 5),
            "the outlines of a table lie beside its modules; they do not count as seen",
            "look at these frames; where the layout is wrong there, correct it and inspect again",
        ));
    }
    if !strays.is_empty() {
        problems.push(Problem::new(
            name_some(strays.into_iter(), 5),
            "warm outlines lie on no module but across others; they made no finding",
            "look at these frames; where the layout is wrong there, correct it and inspect again",
        ));
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
    Ok(())
}
