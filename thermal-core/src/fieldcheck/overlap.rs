//! Time gaps, overlap of neighbouring frames along a line, and of neighbouring lines.
//!
//! What is asked is no matter of taste: where two neighbours overlap by less than a module is long, a module between them
//! can be cut in both and whole in neither.

use super::{Card, Condition, Frame};
use crate::quality::{CameraAt, Code, Reason, overlap_share};

/// A gap is this many times the usual time between frames.
const GAP: f64 = 3.0;
/// Steps within this angle of the step before lead along the same line, deg.
const SAME_LINE_DEG: f64 = 30.0;

/// These conditions say nothing where the layout shows that all was seen.
pub(super) fn is_about_overlap(code: Code) -> bool {
    matches!(code, Code::OverlapAlong | Code::OverlapAcross | Code::TimeGap)
}

/// One place of a flight.
struct Stop<'a> {
    frame: &'a Frame<'a>,
    camera: &'a CameraAt,
    footprint: &'a [[f64; 2]],
}

pub(super) fn judge(card: &Card, frames: &[Frame], conditions: &mut Vec<Condition>) {
    let stops: Vec<Stop> = frames
        .iter()
        .filter(|frame| frame.capture.captured_at.is_some())
        .filter_map(|frame| {
            Some(Stop { frame, camera: frame.camera.as_ref()?, footprint: frame.footprint.as_deref()? })
        })
        .collect();
    along(card, &stops, conditions);
    across(card, &stops, conditions);
}

fn step(a: &Stop, b: &Stop) -> [f64; 2] {
    [b.camera.place_m.x - a.camera.place_m.x, b.camera.place_m.y - a.camera.place_m.y]
}

fn seconds(a: &Stop, b: &Stop) -> f64 {
    match (a.frame.capture.captured_at, b.frame.capture.captured_at) {
        (Some(from), Some(to)) => to.duration_since(from).as_secs_f64(),
        _ => 0.0,
    }
}

fn turn_deg(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] * b[1] - a[1] * b[0]).atan2(a[0] * b[0] + a[1] * b[1]).to_degrees().abs()
}

/// Extent of an outline in a direction, m.
fn extent(ring: &[[f64; 2]], direction: [f64; 2]) -> f64 {
    let norm = direction[0].hypot(direction[1]).max(1e-9);
    let at = |p: &[f64; 2]| (p[0] * direction[0] + p[1] * direction[1]) / norm;
    let (low, high) = ring.iter().map(at).fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    (high - low).max(0.0)
}

fn along(card: &Card, stops: &[Stop], conditions: &mut Vec<Condition>) {
    let (width, length) = card.settings.module.size_along_up_m();
    let mut times: Vec<f64> = stops.windows(2).map(|pair| seconds(&pair[0], &pair[1])).collect();
    times.sort_by(f64::total_cmp);
    let usual_s = times.get(times.len() / 2).copied().unwrap_or(0.0);
    for (k, pair) in stops.windows(2).enumerate() {
        let [a, b] = pair else { continue };
        let way = step(a, b);
        // Of the same line as the step before or the step after.
        let before = k.checked_sub(1).and_then(|k| stops.get(k)).map(|p| step(p, a));
        let after = stops.get(k + 2).map(|n| step(b, n));
        let goes_on = [before, after]
            .into_iter()
            .flatten()
            .any(|other| other[0].hypot(other[1]) > 0.5 && turn_deg(way, other) < SAME_LINE_DEG);
        if !goes_on {
            continue;
        }
        let share = overlap_share(a.footprint, b.footprint);
        let limit = width.max(length).min(extent(a.footprint, way)) / extent(a.footprint, way).max(0.1);
        if share >= limit {
            continue;
        }
        let frames = vec![a.frame.file().to_owned(), b.frame.file().to_owned()];
        let apart = way[0].hypot(way[1]);
        let gap_s = seconds(a, b);
        let reason = if gap_s > GAP * usual_s.max(0.1) {
            let text = format!(
                "{gap_s:.0} s and {apart:.0} m without a frame between {} and {}, a frame each {usual_s:.1} s is usual",
                frames[0], frames[1]
            );
            Reason::new(Code::TimeGap, gap_s, GAP * usual_s, text)
        } else {
            let text = format!(
                "{} and {} overlap by {:.0} %, less than a module is long ({:.0} %): fly slower, or trigger more often",
                frames[0],
                frames[1],
                100.0 * share,
                100.0 * limit
            );
            Reason::new(Code::OverlapAlong, share, limit, text)
        };
        conditions.push(Condition { reason, fly_again: true, frames });
    }
}

/// For each frame the nearest one beside it, on each side: the worst pair of the flight is told, with all frames concerned.
fn across(card: &Card, stops: &[Stop], conditions: &mut Vec<Condition>) {
    let (width, length) = card.settings.module.size_along_up_m();
    let mut worst: Option<(f64, f64, [usize; 2])> = None;
    let mut concerned = std::collections::BTreeSet::new();
    for (k, stop) in stops.iter().enumerate() {
        let next = if k + 1 < stops.len() { step(stop, &stops[k + 1]) } else { [0.0; 2] };
        let before = if k > 0 { step(&stops[k - 1], stop) } else { [0.0; 2] };
        let way = if next[0].hypot(next[1]) < before[0].hypot(before[1]) || before == [0.0; 2] { next } else { before };
        let norm = way[0].hypot(way[1]);
        if norm < 0.5 {
            continue;
        }
        let ahead = way.map(|v| v / norm);
        let side = [ahead[1], -ahead[0]];
        let (reach, wide) = (extent(stop.footprint, ahead), extent(stop.footprint, side));
        let limit = width.max(length).min(wide) / wide.max(0.1);
        for sign in [-1.0, 1.0] {
            // Another line: nearly abreast, and more to the side than the drone sways.
            let beside = stops
                .iter()
                .enumerate()
                .filter_map(|(j, other)| {
                    let d = step(stop, other);
                    let (on, off) = (d[0] * ahead[0] + d[1] * ahead[1], sign * (d[0] * side[0] + d[1] * side[1]));
                    (on.abs() < 0.5 * reach && off > 0.2 * wide && off < 1.5 * wide).then_some((off, j))
                })
                .min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((off, j)) = beside else { continue };
            let share = (1.0 - off / wide).max(0.0);
            if share < limit {
                concerned.insert(k);
                concerned.insert(j);
                if worst.is_none_or(|(least, ..)| share < least) {
                    worst = Some((share, limit, [k, j]));
                }
            }
        }
    }
    if let Some((share, limit, pair)) = worst {
        let [a, b] = pair.map(|k| stops[k].frame.file());
        let text = format!(
            "lines overlap by {:.0} % at {a} and {b}, less than a module is long ({:.0} %): set the lines closer",
            100.0 * share,
            100.0 * limit
        );
        let frames = concerned.into_iter().map(|k| stops[k].frame.file().to_owned()).collect();
        let reason = Reason::new(Code::OverlapAcross, share, limit, text);
        conditions.push(Condition { reason, fly_again: true, frames });
    }
}
