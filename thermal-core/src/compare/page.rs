//! The page of a comparison: both pictures side by side.

use base64::Engine as _;
use jiff::tz::Offset;
use minijinja::{Value, context};

use super::write::Photos;
use super::{Change, Changed, Comparison};
use crate::Result;
use crate::evidence::title;
use crate::finding::Finding;
use crate::page::fill;
use crate::run_folder::RunFolder;

const PAGE: &str = include_str!("comparison.html");

/// Name and meaning of a change.
fn words(change: Change) -> (&'static str, &'static str) {
    match change {
        Change::New => ("New", "a finding where there was none"),
        Change::Worse => ("Worse", "hotter than the uncertainty explains, or more of the module"),
        Change::Same => ("The same", "no change that the uncertainty lets one see"),
        Change::Better => ("Better", "cooler than the uncertainty explains, or less of the module"),
        Change::Gone => ("Gone", "seen again, and nothing found"),
        Change::NotSeen => ("Not seen this time", "nothing can be said"),
    }
}

pub(super) fn page(comparison: &Comparison, old: &RunFolder, new: &RunFolder, photos: &Photos) -> Result<String> {
    let groups: Vec<Value> = Change::ALL
        .into_iter()
        .map(|change| {
            let (name, means) = words(change);
            let of = comparison.changes.iter().filter(|c| c.change == change);
            let cards: Vec<Value> = of.map(|c| card(c, photos)).collect();
            context! { word => change.as_str(), name => name, means => means, count => cards.len(), cards => cards }
        })
        .collect();
    let day = |run: &RunFolder| {
        let offset = run.settings.site.offset().unwrap_or(Offset::UTC);
        run.flight().map_or_else(
            || "a day that its frames do not tell".to_owned(),
            |(t, _)| offset.to_datetime(t).strftime("%-d %B %Y").to_string(),
        )
    };
    let matching = &comparison.matching;
    let matched = if matching.by_place {
        format!(
            "by place, since the identities differ: the layouts were shifted onto each other by {:.2} m east and {:.2} m north",
            matching.shift_m[0], matching.shift_m[1]
        )
    } else {
        "by identity".to_owned()
    };
    let values = context! {
        site => if new.settings.site.name.is_empty() { "A plant without a name" } else { &new.settings.site.name },
        then => day(old), now => day(new), old_run => &old.id, new_run => &new.id,
        summary => comparison.summary(),
        matched => matched,
        pairs => matching.pairs.len(),
        groups => groups,
    };
    fill("comparison.html", PAGE, values)
}

fn card(changed: &Changed, photos: &Photos) -> Value {
    let encoded = |bytes: Option<&Vec<u8>>| bytes.map(|b| base64::engine::general_purpose::STANDARD.encode(b));
    let side = |finding: &Option<Finding>| {
        finding.as_ref().map(|f| {
            let k = f.delta_t_ref_k.map_or_else(
                || format!("{:.1} K as measured", f.module.delta_t_k),
                |k| format!("{k:.1} K at 1000 W/m²"),
            );
            let k = k.replace('-', "\u{2212}");
            let part = if f.module.part.is_empty() { String::new() } else { format!(" {}", f.module.part) };
            context! { id => &f.finding, title => title(f.module.pattern), part => part, k => k, band => &f.severity }
        })
    };
    let place = changed.new.as_ref().or(changed.old.as_ref()).map(|f| &f.module);
    context! {
        asset => &changed.asset_id,
        old_asset => if changed.old_asset_id == changed.asset_id { "" } else { &changed.old_asset_id },
        place => place.map(|m| format!("row {}, course {}, position {}", m.row, m.course, m.position)),
        old => side(&changed.old),
        new => side(&changed.new),
        old_picture => encoded(photos.then.get(&changed.asset_id)),
        new_picture => encoded(photos.now.get(&changed.asset_id)),
        reason => &changed.reason,
    }
}
