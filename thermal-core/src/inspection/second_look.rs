//! What the whole flight says of a module, written back to the records of the frames that show it: one frame takes a string
//! for sound where it shows little else, a gust or a mirrored sun for a fault.

use crate::finding::{ModuleRecord, Pattern};
use crate::site::{MergedModule, Registration};

/// Frames that show a module, at least, before they overrule one of them.
const LEAST_FRAMES: u32 = 2;

/// Corrects the records; those at a place that is not proven keep their own word.
pub(super) fn second_look(modules: &mut [Vec<ModuleRecord>], merged: &[MergedModule], registration: &Registration) {
    for m in merged.iter().filter(|m| m.asset.is_some() && m.frames_seen >= LEAST_FRAMES) {
        for sight in &m.sights {
            let place = registration.frames.get(sight.frame).and_then(|f| f.places.get(sight.module));
            let record = modules.get_mut(sight.frame).and_then(|list| list.get_mut(sight.module));
            let (Some(place), Some(record)) = (place, record) else { continue };
            if place.ambiguous() || place.askew {
                continue;
            }
            match (m.pattern, record.pattern) {
                (Pattern::String, Pattern::None | Pattern::Module) => join_string(record, m),
                (Pattern::None, said) if said != Pattern::None => call_sound(record, m),
                _ => {}
            }
        }
    }
}

/// The module is of a string that the whole flight shows.
fn join_string(record: &mut ModuleRecord, merged: &MergedModule) {
    record.pattern = Pattern::String;
    record.part.clear();
    record.area_fraction = 1.0;
    record.delta_t_k = merged.delta_t_k;
    record.confidence = record.confidence.min(merged.confidence);
    record.reasons.push(format!(
        "warm with its string over the whole flight, {:.1} K; this frame alone does not show it",
        merged.delta_t_k
    ));
}

/// The other frames do not bear out what this one shows.
fn call_sound(record: &mut ModuleRecord, merged: &MergedModule) {
    record.reasons.push(format!(
        "not a {} of {:.1} K: {} of {} frames show none",
        record.pattern.as_str(),
        record.delta_t_k,
        merged.frames_seen - merged.frames_confirmed,
        merged.frames_seen
    ));
    record.pattern = Pattern::None;
    record.part.clear();
    record.area_fraction = 0.0;
    record.delta_t_k = 0.0;
    record.confidence = record.confidence.min(merged.confidence);
}
