//! A string that some frames show is followed along its course by the warmth of the whole flight: a frame that shows
//! little but warm modules takes them for sound, and a string does not end in mid-course because of that. Growth from sure
//! seeds down to a lower limit (hysteresis; Canny 1986 uses it for edges).

use std::collections::BTreeMap;

use super::warmth::warmth;
use super::{FrameOutlines, MergedModule, Registration};
use crate::Result;
use crate::finding::{Flag, Pattern};
use crate::median::median;

/// A string is begun by as many modules that the frames themselves show as one.
const SEEDS: usize = 3;
/// Seeds less warm than this over the flight are none, K.
const LEAST_K: f64 = 1.0;

/// Joins to each string the modules beside it that are nearer to its warmth than to that of the sound ones in its course.
pub(super) fn grow(merged: &mut [MergedModule], frames: &[FrameOutlines], registration: &Registration) -> Result<()> {
    if merged.iter().filter(|m| m.pattern == Pattern::String).count() < SEEDS {
        return Ok(());
    }
    let warmth = warmth(frames, registration)?;
    let mut lines: BTreeMap<(u32, u32), BTreeMap<u32, (usize, f64)>> = BTreeMap::new();
    for (i, m) in merged.iter().enumerate().filter(|(_, m)| !m.flags.contains(&Flag::Cut)) {
        let Some(number) = m.asset.map(|a| a as usize) else { continue };
        let excess = warmth.get(number).copied().flatten().map(|w| w.excess_k).filter(|k| k.is_finite());
        if let (Some(asset), Some(excess)) = (registration.assets.get(number), excess) {
            lines.entry((asset.row, asset.course)).or_default().insert(asset.position, (i, excess));
        }
    }
    for line in lines.values() {
        let shown = |pattern: Pattern| -> Vec<(u32, usize, f64)> {
            let all = line.iter().map(|(p, (i, k))| (*p, *i, *k));
            all.filter(|(_, i, _)| merged[*i].pattern == pattern).collect()
        };
        let (seeds, others) = (shown(Pattern::String), shown(Pattern::None));
        let level = median(&mut seeds.iter().map(|s| s.2).collect::<Vec<_>>());
        if seeds.len() < SEEDS || !(level >= LEAST_K) {
            continue;
        }
        // The lower quartile: many of those that no frame shows may be the string's.
        let mut others: Vec<f64> = others.into_iter().map(|o| o.2).collect();
        others.sort_by(f64::total_cmp);
        let sound = others.get(others.len() / 4).copied().unwrap_or(0.0);
        let limit = (0.5 * (level + sound)).max(0.25 * level);
        let delta_k = median(&mut seeds.iter().map(|s| merged[s.1].delta_t_k).collect::<Vec<_>>());
        let confidence = median(&mut seeds.iter().map(|s| merged[s.1].confidence).collect::<Vec<_>>());
        for (start, ..) in seeds {
            for step in [1i64, -1] {
                let mut at = i64::from(start) + step;
                while let Some((i, excess)) = u32::try_from(at).ok().and_then(|p| line.get(&p)) {
                    let m = &mut merged[*i];
                    if !matches!(m.pattern, Pattern::None | Pattern::Module) || *excess < limit {
                        break;
                    }
                    m.pattern = Pattern::String;
                    m.delta_t_k = delta_k;
                    m.delta_t_spread_k = 0.0;
                    m.confidence = 0.5 * confidence;
                    m.raise(Flag::Contradicted);
                    at += step;
                }
            }
        }
    }
    Ok(())
}
