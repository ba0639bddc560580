//! The words of a review: what can be decided, and where each finding stands.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Entry;
use crate::finding::{Finding, Pattern};

/// Where a finding stands.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Decision {
    /// Nobody has decided.
    #[default]
    Open,
    /// A person agrees with the machine.
    Confirmed,
    /// A person gave another pattern, part or band.
    Changed,
    /// A person says that there is nothing to act on.
    Dismissed,
    /// A person found it, the machine did not.
    Added,
    /// A person took back what a person had added.
    Withdrawn,
}

impl Decision {
    /// The word of tables and pages.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Confirmed => "confirmed",
            Self::Changed => "changed",
            Self::Dismissed => "dismissed",
            Self::Added => "added",
            Self::Withdrawn => "withdrawn",
        }
    }

    /// Whether the finding goes to the owner.
    pub(crate) fn delivers(self) -> bool {
        !matches!(self, Self::Dismissed | Self::Withdrawn)
    }
}

/// What a person does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Action {
    /// Agrees.
    Confirm,
    /// Gives another pattern, part or band.
    Change,
    /// Says that there is nothing, with a reason.
    Dismiss,
    /// Writes a note.
    Note,
    /// Takes the last entry on the finding back.
    Undo,
    /// Adds what the machine missed.
    Add,
}

/// What is said of a finding.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Verdict {
    /// Where it stands.
    pub decision: Decision,
    /// Pattern.
    pub pattern: Pattern,
    /// Where in the module.
    pub part: String,
    /// Severity band.
    pub severity: String,
    /// Why it was dismissed.
    pub reason: String,
    /// Note.
    pub note: String,
}

impl Verdict {
    /// What the machine says.
    pub fn of_machine(finding: &Finding) -> Self {
        Self {
            pattern: finding.module.pattern,
            part: finding.module.part.clone(),
            severity: finding.severity.clone(),
            ..Self::default()
        }
    }

    /// Same pattern, part and band.
    pub(crate) fn says_the_same(&self, other: &Self) -> bool {
        (self.pattern, &self.part, &self.severity) == (other.pattern, &other.part, &other.severity)
    }
}

/// The last word on a finding.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Latest {
    /// The verdict.
    pub verdict: Verdict,
    /// Number of the entry that said it; 0: the machine.
    pub n: u64,
    /// Who said it.
    pub reviewer: String,
    /// When.
    pub at: Option<jiff::Timestamp>,
    /// Entries that can still be taken back, the last one last.
    #[serde(skip)]
    pub(super) undoable: Vec<(u64, Verdict)>,
}

/// Where every finding stands.
#[derive(Debug, Clone, Default)]
pub struct State {
    /// By finding; those that nobody touched are not in it.
    pub latest: BTreeMap<String, Latest>,
    /// What people added, in order.
    pub added: Vec<Finding>,
}

impl State {
    /// The state after one more entry.
    pub(super) fn take(&mut self, entry: &Entry) {
        let latest = self.latest.entry(entry.finding.clone()).or_default();
        if entry.action == Action::Undo {
            latest.undoable.pop();
        } else {
            latest.undoable.push((entry.n, entry.old.clone()));
        }
        latest.verdict = entry.new.clone();
        latest.n = entry.n;
        latest.reviewer.clone_from(&entry.reviewer);
        latest.at = Some(entry.at);
        self.added.extend(entry.added_finding());
    }

    /// The last word on a finding, the machine's where nobody spoke.
    pub fn of(&self, finding: &Finding) -> Latest {
        self.latest
            .get(&finding.finding)
            .cloned()
            .unwrap_or_else(|| Latest { verdict: Verdict::of_machine(finding), ..Latest::default() })
    }
}
