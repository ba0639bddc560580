//! One verdict for each physical module from all frames that show it.
//!
//! A pattern stands when about half of the evidence shows it: a false alarm or a reflection stands in one frame of many.
//! Two frames that contradict each other with like certainty leave it standing. Under two thirds it is flagged as
//! contradicted.
//! The difference is the median over the frames that show the pattern, its spread their scaled median absolute
//! deviation (Rousseeuw and Croux 1993).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::reflection::{SpotSight, moves_with_camera};
use super::sheaf::{Outline, by_asset};
use super::strings::grow;
use super::{FrameOutlines, Place, PlacedFrame, Registration, Seen};
use crate::Result;
use crate::finding::{Flag, Pattern};
use crate::median::median;
use crate::shelf::Shelf;

/// One outline of one frame, by number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Sight {
    /// Frame, in the order given to [`super::register`].
    pub frame: usize,
    /// Outline in the frame.
    pub module: usize,
}

/// A physical module as all its frames show it.
#[derive(Debug, Clone, PartialEq)]
pub struct MergedModule {
    /// Number in [`Registration::assets`]; `None` where the outlines lie on no known module.
    pub asset: Option<u32>,
    /// The second candidate where no frame proves the place.
    pub other: Option<u32>,
    /// The best evidence: whole, placed, the pattern shown, most perpendicular and sharpest.
    pub best: Sight,
    /// Pattern that stands; [`Pattern::None`] where no pattern does.
    pub pattern: Pattern,
    /// Median of the difference over the frames that show the pattern, K.
    pub delta_t_k: f64,
    /// Scatter of the difference over these frames (one standard deviation), K; 0 from a single frame.
    pub delta_t_spread_k: f64,
    /// Frames that show the module whole (or cut, where none shows it whole).
    pub frames_seen: u32,
    /// Frames of these that show the pattern.
    pub frames_confirmed: u32,
    /// 0 to 1, from the confidences of all frames.
    pub confidence: f64,
    /// What the frames together say: one-frame, cut, contradicted, reflection-suspect, ambiguous-place.
    pub flags: Vec<Flag>,
    /// Outlines of the module in all frames.
    pub outlines: u32,
}

impl MergedModule {
    /// Raises a flag; whether it was not raised before.
    pub(super) fn raise(&mut self, flag: Flag) -> bool {
        let new = !self.flags.contains(&flag);
        if new {
            self.flags.push(flag);
            self.flags.sort_unstable();
        }
        new
    }
}

/// A pattern must have this share of the evidence: a little under a half, so that one frame against one other leaves it.
const STANDS: f64 = 0.45;
/// Below this share the frames contradict each other.
const AGREES: f64 = 2.0 / 3.0;

/// Merges the outlines of all frames to physical modules, in the order of the assets; outlines on no known module follow,
/// joined where they lie on one place.
///
/// # Errors
/// Outlines or places on a shelf cannot be read back.
pub fn merge(frames: &[FrameOutlines], registration: &Registration) -> Result<Vec<MergedModule>> {
    merge_on(frames, registration, &Shelf::default())
}

/// [`merge`], with what there is for each outline on a shelf.
pub(crate) fn merge_on(
    frames: &[FrameOutlines],
    registration: &Registration,
    shelf: &Shelf,
) -> Result<Vec<MergedModule>> {
    let warm = |seen: &Seen, place: &Place| seen.pattern != Pattern::None && !place.stray;
    let (sheaves, nameless) = by_asset(frames, registration, warm, shelf)?;
    let cx = Context { frames, placed: &registration.frames };
    let (mut merged, mut witnesses) = (Vec::new(), Vec::new());
    let mut add = |outlines: &[&Outline]| {
        witnesses.extend(cx.witnesses(outlines).map(|spot| (spot, merged.len())));
        merged.push(cx.merge_one(outlines));
    };
    for sheaf in sheaves {
        for of_asset in sheaf.sorted()?.chunk_by(|a, b| a.place.asset == b.place.asset) {
            add(&of_asset.iter().collect::<Vec<_>>());
        }
    }
    for of_place in by_place(&nameless) {
        add(&of_place);
    }
    flag_travelling(&mut merged, &witnesses);
    grow(&mut merged, frames, registration)?;
    Ok(merged)
}

struct Context<'a> {
    frames: &'a [FrameOutlines],
    placed: &'a [PlacedFrame],
}

/// Patterns that differ in word but not in kind.
fn kind(pattern: Pattern) -> u8 {
    match pattern {
        Pattern::None => 0,
        Pattern::Hotspot | Pattern::Cell => 1,
        Pattern::Substring => 2,
        Pattern::Module | Pattern::String => 3,
    }
}

impl Context<'_> {
    /// How good a picture the outline is: lower is better.
    fn badness(&self, o: &Outline) -> f64 {
        let blur = self.frames[o.sight.frame].blur_px.filter(|b| b.is_finite()).unwrap_or(1.0);
        let view = f64::from(o.place.view_deg) / 10.0;
        let uncertain = if o.place.ambiguous() { 3.0 } else { 0.0 };
        let cut = if o.seen.whole { 0.0 } else { 10.0 };
        view * view + f64::from(blur) * 2.0 + uncertain + cut
    }

    /// The verdict on the module of these outlines, which all have the same asset.
    fn merge_one(&self, outlines: &[&Outline]) -> MergedModule {
        let asset = outlines.first().and_then(|o| o.place.asset);
        let mut flags = Vec::new();
        let whole: Vec<&Outline> = outlines.iter().copied().filter(|o| o.seen.whole && !o.place.askew).collect();
        let counted = if whole.is_empty() {
            flags.push(Flag::Cut);
            outlines.to_vec()
        } else {
            whole
        };
        // Where some frames prove the place, the others have no say.
        let proven: Vec<&Outline> = counted.iter().copied().filter(|o| !o.place.ambiguous()).collect();
        let other = if proven.is_empty() && asset.is_some() {
            flags.push(Flag::AmbiguousPlace);
            counted.iter().find_map(|o| o.place.other)
        } else {
            None
        };
        let counted = if proven.is_empty() { counted } else { proven };
        let mut support: BTreeMap<u8, f64> = BTreeMap::new();
        for o in &counted {
            *support.entry(kind(o.seen.pattern)).or_default() += weight(o);
        }
        let total: f64 = support.values().sum();
        let strongest = support.iter().filter(|(k, _)| **k > 0).max_by(|a, b| a.1.total_cmp(b.1).then(a.0.cmp(b.0)));
        let (chosen, share) = strongest.map_or((0, 0.0), |(k, w)| (*k, w / total.max(f64::MIN_POSITIVE)));
        let stands = chosen > 0 && share >= STANDS;
        let confirming: Vec<&Outline> =
            counted.iter().copied().filter(|o| chosen > 0 && kind(o.seen.pattern) == chosen).collect();
        if stands && share < AGREES && counted.len() > 1 {
            flags.push(Flag::Contradicted);
        }
        if counted.len() == 1 {
            flags.push(Flag::OneFrame);
        }
        if chosen == 1 && moves_with_camera(&self.spots(&confirming)) {
            flags.push(Flag::ReflectionSuspect);
        }
        let pattern = if stands { word(&confirming) } else { Pattern::None };
        let same: Vec<&Outline> = confirming.iter().copied().filter(|o| o.seen.pattern == pattern).collect();
        let evidence = if stands { &same } else { &counted };
        let best = evidence
            .iter()
            .copied()
            .min_by(|a, b| self.badness(a).total_cmp(&self.badness(b)).then(a.sight.cmp(&b.sight)))
            .map_or(Sight { frame: 0, module: 0 }, |o| o.sight);
        let (delta_t_k, delta_t_spread_k) = if stands { difference(&same) } else { (0.0, 0.0) };
        flags.sort_unstable();
        MergedModule {
            asset,
            other,
            best,
            pattern,
            delta_t_k,
            delta_t_spread_k,
            frames_seen: counted.len() as u32,
            frames_confirmed: confirming.len() as u32,
            confidence: confidence(&counted, if stands { chosen } else { 0 }),
            flags,
            outlines: outlines.len() as u32,
        }
    }

    /// Where the spot stands on the ground and the camera above, frame by frame.
    fn spots(&self, outlines: &[&Outline]) -> Vec<SpotSight> {
        outlines
            .iter()
            .filter_map(|o| {
                let [u, v] = o.seen.spot?.map(f64::from);
                let g = o.place.ground_m.map(|p| p.map(f64::from));
                let spot_m = [0, 1]
                    .map(|k| (1.0 - v) * ((1.0 - u) * g[0][k] + u * g[1][k]) + v * ((1.0 - u) * g[3][k] + u * g[2][k]));
                let camera_m = self.placed[o.sight.frame].camera_m;
                Some(SpotSight { spot_m, camera_m })
            })
            .filter(|s| s.spot_m.iter().chain(&s.camera_m).all(|v| v.is_finite()))
            .collect()
    }

    /// Of a module's spots those that other frames do not confirm.
    fn witnesses(&self, outlines: &[&Outline]) -> impl Iterator<Item = SpotSight> + use<> {
        let hot: Vec<&Outline> = outlines.iter().copied().filter(|o| kind(o.seen.pattern) == 1).collect();
        let confirmed = hot.len() * 3 >= outlines.len() * 2 && outlines.len() > 1;
        (if confirmed { Vec::new() } else { self.spots(&hot) }).into_iter()
    }
}

/// Nameless outlines joined by their place: those within half a module of one another.
fn by_place(outlines: &[Outline]) -> Vec<Vec<&Outline>> {
    let mut groups: Vec<([f64; 2], Vec<&Outline>)> = Vec::new();
    let mut cells: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    for o in outlines {
        let (g, c) = (o.place.ground_m, o.place.centre_m());
        if !(c[0].is_finite() && c[1].is_finite()) {
            groups.push((c, vec![o]));
            continue;
        }
        let reach =
            0.45 * (g[1][0] - g[0][0]).hypot(g[1][1] - g[0][1]).min((g[3][0] - g[0][0]).hypot(g[3][1] - g[0][1]));
        let cell = (c[0].floor() as i64, c[1].floor() as i64);
        let near = (-1..=1).flat_map(|x| (-1..=1).map(move |y| (cell.0 + x, cell.1 + y)));
        let found = near.filter_map(|k| cells.get(&k)).flatten().copied().find(|&i| {
            let o: [f64; 2] = groups[i].0;
            (o[0] - c[0]).hypot(o[1] - c[1]) < f64::from(reach)
        });
        if let Some(i) = found {
            groups[i].1.push(o);
        } else {
            cells.entry(cell).or_default().push(groups.len());
            groups.push((c, vec![o]));
        }
    }
    groups.into_iter().map(|g| g.1).collect()
}

/// Weight of an outline's word: its confidence, less where seen obliquely or where the place is not certain.
fn weight(o: &Outline) -> f64 {
    let c = f64::from(o.seen.confidence).clamp(0.05, 1.0);
    let oblique = f64::from(o.place.view_deg) / 40.0;
    c * (1.0 - oblique * oblique).max(0.2) * f64::from(o.place.confidence).clamp(0.05, 1.0)
}

/// The word that most of the evidence uses.
fn word(outlines: &[&Outline]) -> Pattern {
    let mut by_word: BTreeMap<Pattern, f64> = BTreeMap::new();
    for o in outlines {
        *by_word.entry(o.seen.pattern).or_default() += weight(o);
    }
    by_word.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(Pattern::None, |(p, _)| p)
}

/// Median and scatter of the differences, K.
fn difference(outlines: &[&Outline]) -> (f64, f64) {
    let values: Vec<f64> = outlines.iter().map(|o| f64::from(o.seen.delta_t_k)).filter(|v| v.is_finite()).collect();
    let middle = mid(values.clone());
    let spread = 1.4826 * mid(values.iter().map(|v| (v - middle).abs()).collect());
    if values.is_empty() { (0.0, 0.0) } else { (middle, spread) }
}

/// Log odds of all frames over the square root of their number: the frames are no independent witnesses.
fn confidence(outlines: &[&Outline], chosen: u8) -> f64 {
    let odds: f64 = outlines
        .iter()
        .map(|o| {
            let c = f64::from(o.seen.confidence).clamp(0.02, 0.98);
            let logit = (c / (1.0 - c)).ln().max(0.0);
            if kind(o.seen.pattern) == chosen { logit } else { -logit }
        })
        .sum();
    let placed = outlines.iter().map(|o| f64::from(o.place.confidence)).fold(0.0, f64::max);
    placed / (1.0 + (-odds / (outlines.len().max(1) as f64).sqrt()).exp())
}

/// A spot that stands on one module in one frame and on another in the next, always at the same place against the
/// camera, is a mirrored source. `witnesses`: the unconfirmed spots, each with the number of its module.
fn flag_travelling(merged: &mut [MergedModule], witnesses: &[(SpotSight, usize)]) {
    const SAME_M: f64 = 0.4;
    // What is left of the confidence: two faults may lie so by chance.
    const MIRRORED: f64 = 0.3;
    // From neighbouring frames only: any two spots of a plant agree by chance.
    const MOVED_M: std::ops::Range<f64> = 1.0..15.0;
    // Sorted by their easting against the camera.
    let against_camera = |s: &SpotSight| [0, 1].map(|k| s.spot_m[k] - s.camera_m[k]);
    let mut spots: Vec<([f64; 2], [f64; 2], usize)> =
        witnesses.iter().map(|(s, i)| (against_camera(s), s.camera_m, *i)).collect();
    spots.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]).then(a.0[1].total_cmp(&b.0[1])).then(a.2.cmp(&b.2)));
    let mut mirrored: Vec<usize> = Vec::new();
    for (n, a) in spots.iter().enumerate() {
        for b in spots[n + 1..].iter().take_while(|b| b.0[0] - a.0[0] < SAME_M) {
            let together = (b.0[1] - a.0[1]).abs() < SAME_M;
            let moved = MOVED_M.contains(&(b.1[0] - a.1[0]).hypot(b.1[1] - a.1[1]));
            if together && moved && a.2 != b.2 {
                mirrored.extend([a.2, b.2]);
            }
        }
    }
    for i in mirrored {
        if merged[i].raise(Flag::ReflectionSuspect) {
            merged[i].confidence *= MIRRORED;
        }
    }
}

/// Median with the mean of the two middle values, so that two frames count alike.
fn mid(mut values: Vec<f64>) -> f64 {
    let n = values.len();
    let upper = median(&mut values);
    if n == 0 || n % 2 == 1 {
        return upper;
    }
    values.sort_unstable_by(f64::total_cmp);
    0.5 * (values[n / 2 - 1] + upper)
}
