//! What the whole flight says of a module, written back to the records of the frames that show it: one frame takes a string
//! for sound where it shows little else, a gust or a mirrored sun for a fault.

use std::collections::BTreeMap;

use crate::finding::{ModuleRecord, Pattern};
use crate::site::{MergedModule, Place};

/// Frames that show a module, at least, before they overrule one of them.
const LEAST_FRAMES: u32 = 2;

/// What the whole flight says of the modules of the plant, by their numbers.
#[derive(Debug, Clone, Default)]
pub(super) struct Verdicts(BTreeMap<u32, Verdict>);

#[derive(Debug, Clone)]
struct Verdict {
    pattern: Pattern,
    delta_t_k: f64,
    confidence: f64,
    frames_seen: u32,
    frames_confirmed: u32,
}

impl Verdicts {
    /// Those that enough frames bear out.
    pub(super) fn of(merged: &[MergedModule]) -> Self {
        let verdict = |m: &MergedModule| Verdict {
            pattern: m.pattern,
            delta_t_k: m.delta_t_k,
            confidence: m.confidence,
            frames_seen: m.frames_seen,
            frames_confirmed: m.frames_confirmed,
        };
        let sure = merged.iter().filter(|m| m.frames_seen >= LEAST_FRAMES);
        Self(sure.filter_map(|m| Some((m.asset?, verdict(m)))).collect())
    }

    /// Corrects a record; one at a place that is not proven keeps its own word.
    pub(super) fn correct(&self, record: &mut ModuleRecord, place: &Place) {
        let Some(verdict) = place.asset.and_then(|asset| self.0.get(&asset)) else { return };
        if place.ambiguous() || place.askew {
            return;
        }
        match (verdict.pattern, record.pattern) {
            (Pattern::String, Pattern::None | Pattern::Module) => join_string(record, verdict),
            (Pattern::None, said) if said != Pattern::None => call_sound(record, verdict),
            _ => {}
        }
    }
}

/// The module is of a string that the whole flight shows.
fn join_string(record: &mut ModuleRecord, verdict: &Verdict) {
    record.pattern = Pattern::String;
    record.part.clear();
    record.area_fraction = 1.0;
    record.delta_t_k = verdict.delta_t_k;
    record.confidence = record.confidence.min(verdict.confidence);
    record.reasons.push(format!(
        "warm with its string over the whole flight, {:.1} K; this frame alone does not show it",
        verdict.delta_t_k
    ));
}

/// The other frames do not bear out what this one shows.
fn call_sound(record: &mut ModuleRecord, verdict: &Verdict) {
    record.reasons.push(format!(
        "not a {} of {:.1} K: {} of {} frames show none",
        record.pattern.as_str(),
        record.delta_t_k,
        verdict.frames_seen - verdict.frames_confirmed,
        verdict.frames_seen
    ));
    record.pattern = Pattern::None;
    record.part.clear();
    record.area_fraction = 0.0;
    record.delta_t_k = 0.0;
    record.confidence = record.confidence.min(verdict.confidence);
}
