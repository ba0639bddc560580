//! Decisions made elsewhere: `decisions.csv` out to a spreadsheet and back. What cannot be taken over is listed, line by
//! line, and nothing is dropped.

use std::path::Path;

use super::log::{DecisionLog, Entry, Refusal, Request};
use super::verdict::{Action, Decision, State, Verdict};
use crate::finding::Pattern;
use crate::run_folder::RunFolder;
use crate::severity::BANDS;
use crate::table::{self, Table};
use crate::{Error, Result};

/// Columns of the table of decisions; the first two must be there.
const COLUMNS: [&str; 11] =
    ["finding", "decision", "pattern", "part", "severity", "reason", "note", "reviewer", "seen", "run", "asset_id"];

/// A line that was not taken over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Line of the file.
    pub line: u64,
    /// The finding that it names.
    pub finding: String,
    /// Why, with the remedy.
    pub reason: String,
}

/// What a table of decisions came to.
#[derive(Debug, Default)]
pub struct Applied {
    /// New entries of the log.
    pub entries: Vec<Entry>,
    /// Lines that say what is on record already.
    pub same: usize,
    /// Lines without a decision.
    pub blank: usize,
    /// Lines that were not taken over.
    pub refused: Vec<Refused>,
}

impl Applied {
    /// Writes the lines that were not taken over as a table.
    ///
    /// # Errors
    /// [`Error::Io`](crate::Error::Io).
    pub fn write_refused(&self, path: &Path) -> Result<()> {
        let lines = self.refused.iter().map(|r| [r.line.to_string(), guard(&r.finding), guard(&r.reason)]);
        table::write(path, ["line", "finding", "reason"], lines)
    }
}

/// Takes over the decisions of a table.
///
/// `reviewer` serves lines that name none. A line whose column `seen` is not the number of the last entry on its finding
/// was written without knowing that entry: a conflict, listed and not taken over, unless `over` is set.
///
/// # Errors
/// The file cannot be read as such a table, or the log cannot be written to.
pub fn apply_csv(log: &mut DecisionLog, run: &RunFolder, path: &Path, reviewer: &str, over: bool) -> Result<Applied> {
    let mut table = Table::open(path, &COLUMNS, 2)?;
    let mut out = Applied::default();
    while table.advance()? {
        let text = |column: &str| guarded_text(table.text(column)).to_owned();
        let (line, name) = (table.line(), text("finding"));
        let mut refuse = |reason: String| out.refused.push(Refused { line, finding: name.clone(), reason });
        let run_id = text("run");
        if !run_id.is_empty() && run_id != run.id {
            refuse(format!("the line is on the run {run_id}, and this run is {}; apply it to that run", run.id));
            continue;
        }
        let Some(finding) = log.find(run, &name) else {
            refuse("this run has no such finding; check the column finding".to_owned());
            continue;
        };
        let latest = log.state().of(finding);
        let given = |column: &str| Some(text(column)).filter(|text| !text.is_empty());
        let decision = text("decision").to_lowercase();
        let action = match decision.as_str() {
            "" | "open" => {
                out.blank += 1;
                continue;
            }
            "confirm" | "confirmed" => Action::Confirm,
            "change" | "changed" | "added" => Action::Change,
            "dismiss" | "dismissed" => Action::Dismiss,
            _ => {
                refuse(format!("`{decision}` is no decision; write confirmed, changed or dismissed"));
                continue;
            }
        };
        let pattern = match given("pattern").map(|word| (Pattern::from_word(&word.to_lowercase()), word)) {
            Some((None, word)) => {
                refuse(format!("`{word}` is no pattern; write one of {}", Pattern::WORDS.join(", ")));
                continue;
            }
            Some((pattern, _)) => pattern,
            None => None,
        };
        let severity = given("severity").map(|word| word.to_lowercase());
        if let Some(word) = severity.as_ref().filter(|word| !BANDS.contains(&word.as_str())) {
            refuse(format!("`{word}` is no band; write one of {}", BANDS.join(", ")));
            continue;
        }
        let request = Request {
            finding: name.clone(),
            action: Some(action),
            reviewer: given("reviewer").unwrap_or_else(|| reviewer.to_owned()),
            pattern,
            part: given("part"),
            // The machine's band, written out along with its pattern, does not hold another pattern's own band back.
            severity: severity
                .filter(|word| pattern.is_none_or(|p| p == finding.module.pattern) || *word != finding.severity),
            reason: given("reason"),
            note: given("note"),
            seen: None,
        };
        if says(&request, &latest.verdict) {
            out.same += 1;
            continue;
        }
        let seen = text("seen").parse::<u64>().unwrap_or(0);
        if seen != latest.n && latest.n > 0 && !over {
            let who = &latest.reviewer;
            refuse(format!(
                "conflict: {who} decided `{}` in the meantime; settle it on the page, or give --over to let the file win",
                latest.verdict.decision.as_str()
            ));
            continue;
        }
        match log.decide(run, &request) {
            Ok(entry) => out.entries.push(entry),
            Err(Refusal::Error(error @ Error::Io { .. })) => return Err(error),
            Err(Refusal::Error(error)) => refuse(error.to_string()),
            Err(Refusal::Conflict(_)) => refuse("conflict with a decision made at this moment; apply again".to_owned()),
        }
    }
    let whole = table.into_problems().into_iter();
    let whole = whole.map(|p| Refused { line: 0, finding: String::new(), reason: p.to_string() });
    out.refused.splice(0..0, whole);
    Ok(out)
}

/// Whether the request says what is on record.
fn says(request: &Request, verdict: &Verdict) -> bool {
    let decided = match request.action {
        Some(Action::Confirm) => matches!(verdict.decision, Decision::Confirmed),
        Some(Action::Change) => matches!(verdict.decision, Decision::Changed | Decision::Added),
        Some(Action::Dismiss) => verdict.decision == Decision::Dismissed,
        _ => false,
    };
    let same = |given: &Option<String>, there: &str| given.as_deref().is_none_or(|text| text == there);
    decided
        && request.pattern.is_none_or(|pattern| pattern == verdict.pattern)
        && same(&request.part, &verdict.part)
        && same(&request.severity, &verdict.severity)
        && same(&request.reason, &verdict.reason)
        && same(&request.note, &verdict.note)
}

/// Writes where every finding stands, for a spreadsheet; [`apply_csv`] reads it.
///
/// # Errors
/// [`Error::Io`].
pub fn export_csv(state: &State, run: &RunFolder, path: &Path) -> Result<()> {
    let lines = run.findings.iter().chain(&state.added).map(|finding| {
        let latest = state.of(finding);
        let v = &latest.verdict;
        let seen = latest.n.to_string();
        [
            &finding.finding,
            v.decision.as_str(),
            v.pattern.as_str(),
            &v.part,
            &v.severity,
            &v.reason,
            &v.note,
            &latest.reviewer,
            &seen,
            &run.id,
            &finding.module.asset_id,
        ]
        .map(guard)
    });
    table::write(path, COLUMNS, lines)
}

/// The text with an apostrophe before what a spreadsheet program would take for a formula.
pub(crate) fn guard(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

/// The text without the apostrophe of [`guard`].
fn guarded_text(text: &str) -> &str {
    match text.strip_prefix('\'') {
        Some(rest) if guard(rest) != rest => rest,
        _ => text,
    }
}
