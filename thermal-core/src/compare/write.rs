//! The folder of a comparison: `changes.csv`, the page, and a record of what was compared.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::json;

use super::{Changed, Comparison};
use crate::bundle::small;
use crate::evidence::{Style, render};
use crate::finding::{Finding, ModuleRecord};
use crate::inspection::{Inputs, read_frame};
use crate::output::{COMPARISON_FILE, StagedFolder, write_atomic};
use crate::review::guard;
use crate::run_folder::RunFolder;
use crate::{Result, table};

/// Width of a picture on the page, px.
const WIDTH: u32 = 460;

/// Writes the folder `out`.
///
/// # Errors
/// `out` stands already and `force` is not set, or the disk refuses.
pub fn write(comparison: &Comparison, old: &RunFolder, new: &RunFolder, out: &Path, force: bool) -> Result<()> {
    let staged = StagedFolder::new(out, force)?;
    let folder = staged.path();
    write_changes(comparison, &folder.join("changes.csv"))?;
    let photos = Photos {
        then: pictures(comparison, old, |c| (c.old.as_ref(), c.outline_then.as_ref()))?,
        now: pictures(comparison, new, |c| (c.new.as_ref(), c.outline_now.as_ref()))?,
    };
    write_atomic(&folder.join("comparison.html"), super::page::page(comparison, old, new, &photos)?.as_bytes())?;
    let record = json!({
        "version": env!("CARGO_PKG_VERSION"),
        "old": { "run": old.id, "folder": old.folder.display().to_string() },
        "new": { "run": new.id, "folder": new.folder.display().to_string() },
        "matched_by": if comparison.matching.by_place { "place" } else { "identity" },
        "shift_m": comparison.matching.shift_m,
        "modules_matched": comparison.matching.pairs.len(),
        "seen_both": comparison.seen_both,
        "counts": comparison.counts(),
        "summary": comparison.summary(),
    });
    write_atomic(&folder.join(COMPARISON_FILE), format!("{record:#}\n").as_bytes())?;
    staged.commit()
}

/// Pictures then and now as JPEG, by identity now.
pub(super) struct Photos {
    pub(super) then: BTreeMap<String, Vec<u8>>,
    pub(super) now: BTreeMap<String, Vec<u8>>,
}

/// A finding or, where there is none, an outline of the module.
type Side<'a> = (Option<&'a Finding>, Option<&'a ModuleRecord>);

/// The run's own pictures of the findings; a module without one is drawn from its frame, if that is at hand.
fn pictures<'a>(
    comparison: &'a Comparison,
    run: &RunFolder,
    side: impl Fn(&'a Changed) -> Side<'a>,
) -> Result<BTreeMap<String, Vec<u8>>> {
    let mut photos = BTreeMap::new();
    let mut missing: BTreeMap<&str, Vec<(&str, Finding)>> = BTreeMap::new();
    for changed in &comparison.changes {
        let (finding, outline) = side(changed);
        let name = finding.map_or("", |f| f.finding.as_str());
        if let Some(photo) = run.picture(name).and_then(|bytes| small(&bytes, WIDTH).ok()) {
            photos.insert(changed.asset_id.clone(), photo);
        } else if let Some(module) = finding.map(|f| &f.module).or(outline) {
            let drawn = Finding { module: module.clone(), ..Finding::default() };
            missing.entry(&*module.frame).or_default().push((&changed.asset_id, drawn));
        }
    }
    let Some(inputs) = run.inspection.as_ref().and_then(|folder| Inputs::read(folder).ok()) else { return Ok(photos) };
    let modules = if missing.is_empty() { Vec::new() } else { run.modules()? };
    let mut converter = None;
    for (frame, list) in missing {
        let listed = inputs.frames.iter().any(|name| name == frame);
        if !listed || run.input(&format!("frames/{frame}")).is_none() {
            continue;
        }
        let (thermogram, ..) = read_frame(&inputs, frame, &mut converter)?;
        let near: Vec<_> = modules.iter().filter(|m| *m.frame == *frame).map(|m| m.corners).collect();
        for (id, finding) in list {
            let drawn = render(&thermogram.celsius.view(), &finding, &near, &run.settings, &Style::default())?;
            photos.insert(id.to_owned(), small(&drawn.png()?, WIDTH)?);
        }
    }
    Ok(photos)
}

/// `changes.csv`.
fn write_changes(comparison: &Comparison, path: &Path) -> Result<()> {
    let header = [
        "change",
        "asset_id",
        "old_asset_id",
        "row",
        "course",
        "position",
        "old_finding",
        "new_finding",
        "old_pattern",
        "new_pattern",
        "old_severity",
        "new_severity",
        "old_delta_t_ref_k",
        "new_delta_t_ref_k",
        "difference_k",
        "uncertainty_k",
        "lat",
        "lon",
        "reason",
    ];
    let lines = comparison.changes.iter().map(|c| {
        let place = c.new.as_ref().or(c.old.as_ref());
        let text = |f: &Option<Finding>, get: fn(&Finding) -> String| f.as_ref().map(get).unwrap_or_default();
        let number = |x: Option<f64>, digits: usize| x.map_or_else(String::new, |x| format!("{:.digits$}", x + 0.0));
        let count =
            |get: fn(&Finding) -> u32| place.map(get).filter(|n| *n > 0).map_or_else(String::new, |n| n.to_string());
        [
            c.change.as_str().to_owned(),
            guard(&c.asset_id),
            guard(&c.old_asset_id),
            count(|f| f.module.row),
            count(|f| f.module.course),
            count(|f| f.module.position),
            guard(&text(&c.old, |f| f.finding.clone())),
            guard(&text(&c.new, |f| f.finding.clone())),
            text(&c.old, |f| f.module.pattern.as_str().to_owned()),
            text(&c.new, |f| f.module.pattern.as_str().to_owned()),
            text(&c.old, |f| f.severity.clone()),
            text(&c.new, |f| f.severity.clone()),
            number(c.old.as_ref().and_then(|f| f.delta_t_ref_k), 2),
            number(c.new.as_ref().and_then(|f| f.delta_t_ref_k), 2),
            number(c.difference_k, 2),
            number(c.uncertainty_k, 2),
            number(place.and_then(|f| f.lat), 7),
            number(place.and_then(|f| f.lon), 7),
            guard(&c.reason),
        ]
    });
    table::write(path, header, lines)
}
