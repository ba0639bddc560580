//! The modules that no usable frame shows whole, each with what a cut view of it hints at.

use std::collections::BTreeMap;

use super::FrameReport;
use crate::finding::{Pattern, Placed, Unseen};
use crate::site::{MergedModule, Registration};

/// A line for each module of the plant that was not inspected, in the plant's order.
pub(super) fn unseen(registration: &Registration, merged: &[MergedModule], reports: &[FrameReport]) -> Vec<Unseen> {
    let by_asset: BTreeMap<u32, &MergedModule> = merged.iter().filter_map(|m| Some((m.asset?, m))).collect();
    let line = |&number: &u32| {
        let asset = registration.assets.get(number as usize)?;
        let mut unseen = Unseen {
            asset_id: asset.id.clone(),
            row: asset.row,
            course: asset.course,
            position: asset.position,
            ground: Some(asset.corners),
            ..Unseen::default()
        };
        if let Some(m) = by_asset.get(&number) {
            unseen.frames_cut = m.outlines;
            if m.pattern != Pattern::None {
                unseen.hint = m.pattern;
                unseen.hint_delta_t_k = Some(m.delta_t_k);
                unseen.hint_frame = reports.get(m.best.frame).map(|r| r.file.clone()).unwrap_or_default();
            }
        }
        [unseen.lon, unseen.lat] = middle(&unseen);
        Some(unseen)
    };
    registration.unseen.iter().filter_map(line).collect()
}

fn middle(unseen: &Unseen) -> [Option<f64>; 2] {
    let mean =
        |corners: [[f64; 2]; 4]| crate::finding::ModuleRecord { ground: Some(corners), ..Default::default() }.centre();
    unseen.ground.and_then(mean).map_or([None; 2], |c| c.map(Some))
}

/// Names the modules whose cut view looks anomalous.
pub(super) fn hints(unseen: &[Unseen]) -> Option<String> {
    const NAMED: usize = 5;
    let hot: Vec<&Unseen> = unseen.iter().filter(|u| u.hint != Pattern::None).collect();
    let named: Vec<String> =
        hot.iter().take(NAMED).map(|u| format!("{} ({}, {})", u.asset_id, u.hint.as_str(), u.hint_frame)).collect();
    let more = hot.len().saturating_sub(NAMED);
    (!hot.is_empty()).then(|| {
        format!(
            "modules in view only in part look anomalous: {}{}; fly them again, see unseen.csv",
            named.join(", "),
            if more > 0 { format!(" and {more} more") } else { String::new() }
        )
    })
}
