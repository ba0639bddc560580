//! This inspection against an earlier one: what is new, gone, worse, better, the same, or was not seen this time.
//!
//! Differences are compared at 1000 W/m2, so that two days compare; a change smaller than the uncertainty of both figures
//! together is none.

mod judge;
mod matching;
mod page;
mod write;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::finding::{Finding, ModuleRecord};
use crate::review::{Decision, outcomes, read_entries};
use crate::run_folder::RunFolder;
use crate::{Error, Result};
use judge::{both, faint, only_then};

pub use matching::Matching;
pub(crate) use matching::match_modules;
pub use write::write;

/// What became of a module.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// A finding where there was none.
    New,
    /// Hotter by more than the uncertainty, or more of the module.
    Worse,
    /// No change that the uncertainty lets one see.
    Same,
    /// Cooler by more than the uncertainty, or less of the module.
    Better,
    /// A finding then, none now.
    Gone,
    /// A finding then; no frame shows the module now, or the day was too dim to see it.
    NotSeen,
}

impl Change {
    /// All, in the order of the page.
    pub const ALL: [Self; 6] = [Self::New, Self::Worse, Self::Same, Self::Better, Self::Gone, Self::NotSeen];

    /// The word of the table.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Worse => "worse",
            Self::Same => "same",
            Self::Better => "better",
            Self::Gone => "gone",
            Self::NotSeen => "not-seen",
        }
    }
}

/// One module with a finding then or now.
#[derive(Debug, Clone)]
pub struct Changed {
    /// What became of it.
    pub change: Change,
    /// Its identity now, or then where it has none now.
    pub asset_id: String,
    /// Its identity then; empty where it had none.
    pub old_asset_id: String,
    /// The finding then.
    pub old: Option<Finding>,
    /// The finding now.
    pub new: Option<Finding>,
    /// Now less then, K, at 1000 W/m2 where both are scaled; none between a spot and a wider part, which are not of one kind.
    pub difference_k: Option<f64>,
    /// Half width of the 95 % interval of that difference, K.
    pub uncertainty_k: Option<f64>,
    /// Why it is called so.
    pub reason: String,
    /// An outline of it then, for its picture where there was no finding.
    pub outline_then: Option<ModuleRecord>,
    /// An outline of it now.
    pub outline_now: Option<ModuleRecord>,
}

/// Two inspections held against each other.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// Every module with a finding then or now, by change and gravity.
    pub changes: Vec<Changed>,
    /// How modules were matched.
    pub matching: Matching,
    /// Modules seen whole both times.
    pub seen_both: usize,
}

impl Comparison {
    /// How many of a kind.
    pub fn count(&self, change: Change) -> usize {
        self.changes.iter().filter(|c| c.change == change).count()
    }

    /// How many of each kind, by its word.
    pub fn counts(&self) -> BTreeMap<&'static str, usize> {
        Change::ALL.into_iter().map(|change| (change.as_str(), self.count(change))).collect()
    }

    /// The whole in one paragraph.
    pub fn summary(&self) -> String {
        let n = |change| self.count(change);
        let still = n(Change::Worse) + n(Change::Same) + n(Change::Better);
        let seen = format!("{} modules were seen whole both times.", self.seen_both);
        if self.changes.is_empty() {
            return seen + " Neither inspection has a finding.";
        }
        let are = |n: usize| if n == 1 { "1 is".to_owned() } else { format!("{n} are") };
        let of_those =
            format!("{} worse, {} the same, {} better", n(Change::Worse), n(Change::Same), n(Change::Better));
        let new = match n(Change::New) {
            0 => "Nothing new was found.".to_owned(),
            1 => "One finding is new.".to_owned(),
            new => format!("{new} findings are new."),
        };
        format!(
            "{seen} Of the earlier findings {} gone and {} still there ({of_those}); {} could not be seen again. {new}",
            are(n(Change::Gone)),
            are(still),
            n(Change::NotSeen)
        )
    }
}

/// The modules of a run that carry an identity: a whole outline of each, else any.
pub(crate) fn assets(modules: &[ModuleRecord]) -> BTreeMap<&str, &ModuleRecord> {
    let mut assets: BTreeMap<&str, &ModuleRecord> = BTreeMap::new();
    for m in modules.iter().filter(|m| !m.asset_id.is_empty()) {
        let there = assets.entry(&m.asset_id).or_insert(m);
        // The outline nearest to whole and surest makes the better picture.
        if (m.whole, m.confidence) > (there.whole, there.confidence) {
            *there = m;
        }
    }
    assets
}

/// The findings that stand after review, by module, and the modules whose finding was dismissed.
fn standing(run: &RunFolder) -> Result<(BTreeMap<String, Finding>, BTreeSet<String>)> {
    let (_, state) = read_entries(run)?;
    let all = outcomes(&run.findings, &state, &run.settings);
    let (mut kept, mut dismissed) = (BTreeMap::new(), BTreeSet::new());
    for outcome in all.into_iter().filter(|o| !o.finding.module.asset_id.is_empty()) {
        let id = outcome.finding.module.asset_id.clone();
        match outcome.latest.verdict.decision {
            Decision::Dismissed => drop(dismissed.insert(id)),
            Decision::Withdrawn => {}
            _ => drop(kept.insert(id, outcome.finding)),
        }
    }
    Ok((kept, dismissed))
}

/// Compares two runs.
///
/// # Errors
/// A table cannot be read; a run whose modules have no identity; two plants that do not match.
pub fn compare(old: &RunFolder, new: &RunFolder) -> Result<Comparison> {
    let (old_modules, new_modules) = (old.modules()?, new.modules()?);
    let (then, now) = (assets(&old_modules), assets(&new_modules));
    for (run, assets) in [(old, &then), (new, &now)] {
        if assets.is_empty() {
            let reason = "its modules have no identity: the frames carry no positions";
            let remedy = "inspect with frames.csv, or with frames that carry positions";
            return Err(Error::input(&run.folder, "modules.csv", reason, remedy));
        }
    }
    let matching = match_modules(&then, &now, &old.unseen(), &new.unseen(), &new.folder)?;
    let ((old_findings, dismissed_then), (mut new_findings, dismissed_now)) = (standing(old)?, standing(new)?);
    let whole = |assets: &BTreeMap<&str, &ModuleRecord>| -> BTreeSet<String> {
        assets.iter().filter(|(_, m)| m.whole).map(|(id, _)| (*id).to_owned()).collect()
    };
    let (seen_then, seen_now) = (whole(&then), whole(&now));
    let seen_both = matching.pairs.iter().filter(|(a, b)| seen_then.contains(*a) && seen_now.contains(*b)).count();
    let day = |run: &RunFolder| median(run.findings.iter().filter_map(|f| f.irradiance_w_m2).collect());
    let (irradiance_then, irradiance) = (day(old), day(new));
    let mut changes = Vec::new();
    for (id, finding) in old_findings {
        let partner = matching.pairs.get(&id).cloned();
        let current = partner.as_ref().and_then(|id| new_findings.remove(id));
        let outline = partner.as_ref().and_then(|id| now.get(id.as_str())).map(|m| (*m).clone());
        let seen = partner.as_ref().is_some_and(|id| seen_now.contains(id));
        let mut changed = match current {
            Some(current) => both(finding, current, old, new),
            None => only_then(finding, partner.is_some(), seen, irradiance),
        };
        if partner.as_ref().is_some_and(|id| dismissed_now.contains(id)) {
            changed.change = Change::Gone;
            "found now too, but dismissed by the reviewer".clone_into(&mut changed.reason);
        }
        changed.asset_id = partner.unwrap_or_else(|| id.clone());
        changed.old_asset_id = id;
        changed.outline_now = outline;
        changes.push(changed);
    }
    let back: BTreeMap<&String, &String> = matching.pairs.iter().map(|(a, b)| (b, a)).collect();
    for (id, finding) in new_findings {
        let partner = back.get(&id).copied();
        let reason = match partner {
            Some(partner) if dismissed_then.contains(partner) => "found then too, and dismissed by the reviewer",
            Some(partner) if seen_then.contains(partner) && faint(&finding, irradiance_then) => {
                "seen then without a finding, but so faint that it could have been missed on that day"
            }
            Some(partner) if seen_then.contains(partner) => "seen then without a finding",
            _ => "not seen then, so it may be older",
        };
        let outline = now.get(id.as_str()).map(|m| (*m).clone());
        changes.push(Changed {
            change: Change::New,
            old_asset_id: partner.cloned().unwrap_or_default(),
            asset_id: id,
            old: None,
            new: Some(finding),
            difference_k: None,
            uncertainty_k: None,
            reason: reason.to_owned(),
            outline_then: partner.and_then(|id| then.get(id.as_str())).map(|m| (*m).clone()),
            outline_now: outline,
        });
    }
    let size =
        |c: &Changed| c.new.as_ref().or(c.old.as_ref()).map_or(0.0, |f| f.delta_t_ref_k.unwrap_or(f.module.delta_t_k));
    changes.sort_by(|a, b| a.change.cmp(&b.change).then(size(b).total_cmp(&size(a))).then(a.asset_id.cmp(&b.asset_id)));
    Ok(Comparison { changes, matching, seen_both })
}

/// The middle value.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
