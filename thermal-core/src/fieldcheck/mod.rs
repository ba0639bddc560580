//! The verdict on the card just pulled: which frames serve, under which conditions they were taken, what was missed, and
//! where to fly again.
//!
//! [`look`] measures the frames one by one (and leaves out those that a [`Cache`] knows), [`judge`] brings them to one
//! verdict. Footprints come from the poses, sharpness from the strongest edges; outlines are searched only in
//! the few frames on which it depends whether a module of the layout was seen.

mod anchor;
mod cache;
mod clock;
mod conditions;
mod coverage;
mod frames;
mod input;
mod look;
mod overlap;
mod page;
mod positions;
mod words;

use serde::Serialize;

pub use cache::Cache;
pub use input::Card;
pub use look::{Looked, look};
pub use positions::Position;

use crate::quality::{CameraAt, Limits as FrameLimits, Reason};
use crate::site::LocalPlane;
use crate::{Result, capture::Capture};

/// Limits of a flight. Those of IEC TS 62446-3:2017 are from memory; the document was not at hand.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Limits of a frame.
    pub frame: FrameLimits,
    /// Oldest nearest reading, s: readings about every 20 minutes (common practice, no source).
    pub reading_age_s: f64,
    /// Most wind, m/s: 28 km/h in the standard, on site.
    pub wind_m_s: f64,
    /// Most wind in common practice, 15 mph (no source): above it a caution.
    pub practice_wind_m_s: f64,
    /// Most cloud, eighths: 2 in the standard.
    pub cloud_okta: f64,
    /// Readings over the clear-sky ceiling for longer than this are no cloud's edge, s (our own choice).
    pub over_sky_s: f64,
    /// Fit frames that must show a module whole where a frame that is not fit would have shown it: a finding that no second
    /// frame confirms is flagged.
    pub sights: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            frame: FrameLimits::default(),
            reading_age_s: 1200.0,
            wind_m_s: 28.0 / 3.6,
            practice_wind_m_s: 15.0 * 0.44704,
            cloud_okta: 2.0,
            over_sky_s: 180.0,
            sights: 2,
        }
    }
}

/// The verdict on a flight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Nothing to fly again.
    Fit,
    /// Something to fly again.
    FlyAgain,
}

/// The verdict on a frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrameVerdict {
    /// File name under `frames/`.
    pub file: String,
    /// Fit for use.
    pub fit: bool,
    /// Why not.
    pub reasons: Vec<Reason>,
}

/// What is wrong with the flight as a whole, or with the conditions of some of its frames.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Condition {
    /// Code, value, limit, text.
    #[serde(flatten)]
    pub reason: Reason,
    /// It asks for flying again; else it is a caution.
    pub fly_again: bool,
    /// The frames concerned, in order of time.
    pub frames: Vec<String>,
}

/// What of the plant was seen.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Coverage {
    /// Modules of the layout; 0 without a layout.
    pub modules: usize,
    /// Those that a fit frame shows whole.
    pub seen_whole: usize,
    /// The ids of the others; without a layout the places of holes in the mosaic, latitude and longitude.
    pub unseen: Vec<String>,
}

/// The whole result. What is serialised are the keys of `--json`.
#[derive(Debug, Clone, Serialize)]
pub struct FieldCheck {
    /// The verdict.
    pub verdict: Verdict,
    /// A verdict a frame, in order of time.
    pub frames: Vec<FrameVerdict>,
    /// What is wrong with the flight.
    pub conditions: Vec<Condition>,
    /// What was seen.
    pub coverage: Coverage,
    /// Where to fly again.
    #[serde(skip)]
    pub positions: Vec<Position>,
    /// What was assumed or could not be judged.
    #[serde(skip)]
    pub notes: Vec<String>,
    /// Name of the site; may be empty.
    #[serde(skip)]
    pub site: String,
    /// For the map.
    #[serde(skip)]
    pub(crate) map: SiteMap,
}

/// What the page draws, in metres east and north.
#[derive(Debug, Clone, Default)]
pub(crate) struct SiteMap {
    /// Outline of each frame on the ground, and whether it is fit.
    pub(crate) footprints: Vec<(Vec<[f64; 2]>, bool)>,
    /// Modules with whether they were seen whole.
    pub(crate) modules: Vec<([[f64; 2]; 4], bool)>,
    /// Positions to fly to.
    pub(crate) positions: Vec<[f64; 2]>,
}

/// A frame with all that is known of it.
#[derive(Debug, Clone)]
pub(crate) struct Frame<'a> {
    pub(crate) looked: &'a Looked,
    /// The frame's own metadata under the sidecar's, with the clock's offset.
    pub(crate) capture: Capture,
    /// Where the camera was; `None` where place, height or attitude is not known.
    pub(crate) camera: Option<CameraAt>,
    /// Outline on the ground; `None` without a camera or over the horizon.
    pub(crate) footprint: Option<Vec<[f64; 2]>>,
    pub(crate) reasons: Vec<Reason>,
}

impl Frame<'_> {
    pub(crate) fn fit(&self) -> bool {
        self.reasons.is_empty()
    }

    pub(crate) fn file(&self) -> &str {
        &self.looked.file
    }
}

/// Brings what was measured to one verdict; frames at the rim of what was seen are read again, on `threads` threads.
///
/// # Errors
/// [`crate::Error::Argument`] where a date lies outside the years with data on the sun.
pub fn judge(card: &Card, looked: &[Looked], limits: &Limits, threads: usize) -> Result<FieldCheck> {
    let mut notes = card.notes.clone();
    let plane = card.plane(looked);
    let mut frames = frames::gather(card, looked, plane.as_ref());
    frames::judge(card, &mut frames, &limits.frame, &mut notes)?;
    let mut conditions = Vec::new();
    overlap::judge(card, &frames, &mut conditions);
    conditions::judge(card, &frames, limits, &mut conditions)?;
    let seen = coverage::judge(card, &mut frames, plane.as_ref(), limits, threads, &mut conditions);
    let positions = match &plane {
        Some(plane) => positions::to_fly(card, &frames, &seen, plane),
        None => Vec::new(),
    };
    let lost_unplaced = frames.iter().any(|frame| !frame.fit() && frame.footprint.is_none());
    // Where every module was seen, a gap between frames was a gap between tables.
    let all_seen = seen.coverage.modules > 0 && seen.coverage.unseen.is_empty();
    for condition in &mut conditions {
        condition.fly_again &= !(all_seen && overlap::is_about_overlap(condition.reason.code));
    }
    let fly_again = lost_unplaced || !seen.wanted.is_empty() || conditions.iter().any(|condition| condition.fly_again);
    Ok(FieldCheck {
        verdict: if fly_again { Verdict::FlyAgain } else { Verdict::Fit },
        frames: frames
            .iter()
            .map(|f| FrameVerdict { file: f.file().to_owned(), fit: f.fit(), reasons: f.reasons.clone() })
            .collect(),
        conditions,
        map: SiteMap {
            footprints: frames.iter().filter_map(|f| Some((f.footprint.clone()?, f.fit()))).collect(),
            modules: seen.modules,
            positions: match &plane {
                Some(plane) => positions.iter().map(|p| plane.to_local(p.lat, p.lon)).collect(),
                None => Vec::new(),
            },
        },
        coverage: seen.coverage,
        positions,
        notes,
        site: card.settings.site.name.clone(),
    })
}

impl Card {
    /// The plane of the local coordinates: about the layout, else about the first frame with a place.
    fn plane(&self, looked: &[Looked]) -> Option<LocalPlane> {
        if let Some(layout) = &self.layout {
            return Some(layout.plane());
        }
        let first = looked.iter().find_map(|looked| self.capture(looked).position())?;
        Some(LocalPlane::new(first.0, first.1))
    }
}
