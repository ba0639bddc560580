//! `decisions.jsonl`: one line a decision, appended and brought to the disk before anybody is told that it is saved. No
//! line is ever changed; an undo is a line of its own.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::verdict::{Action, Decision, Latest, State, Verdict};
use crate::finding::{FINDINGS, Finding, Pattern};
use crate::run_folder::RunFolder;
use crate::severity::BANDS;
use crate::{Error, Result};

/// Longest texts that are taken, characters: enough for a person, too little for mischief.
const MAX_NAME: usize = 80;
const MAX_TEXT: usize = 2000;
/// Longest line of the log, bytes; an added finding takes some thousand.
const MAX_LINE: usize = 1 << 20;

/// First line of the log.
#[derive(Debug, Serialize, Deserialize)]
struct Head {
    log: String,
    format: u32,
    run: String,
}

const LOG_NAME: &str = "thermal decisions";
const FORMAT: u32 = 1;

/// One line of the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Counted from 1.
    pub n: u64,
    /// When.
    pub at: jiff::Timestamp,
    /// Who.
    pub reviewer: String,
    /// The finding.
    pub finding: String,
    /// What was done.
    pub action: Action,
    /// What was said before.
    pub old: Verdict,
    /// What is said from now on.
    pub new: Verdict,
    /// The entry that an undo takes back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undoes: Option<u64>,
    /// What was added: the finding as `GeoJSON`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub added: Option<serde_json::Value>,
}

impl Entry {
    /// The finding that the entry adds.
    pub(super) fn added_finding(&self) -> Option<Finding> {
        let text = self.added.as_ref()?.to_string();
        FINDINGS.read_geojson_from(Path::new("decisions.jsonl"), text.as_bytes()).ok()?.pop()
    }
}

/// What is asked for.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Request {
    /// The finding.
    pub finding: String,
    /// `confirm`, `change`, `dismiss`, `note` or `undo`.
    pub action: Option<Action>,
    /// Who.
    pub reviewer: String,
    /// Another pattern.
    pub pattern: Option<Pattern>,
    /// Another part.
    pub part: Option<String>,
    /// Another band.
    pub severity: Option<String>,
    /// Why it is dismissed.
    pub reason: Option<String>,
    /// Note; empty: none.
    pub note: Option<String>,
    /// Number of the last entry on the finding that the asker has seen; 0: none. `None`: the asker does not care.
    pub seen: Option<u64>,
}

/// Why a request was not taken.
#[derive(Debug)]
pub enum Refusal {
    /// Someone else decided in the meantime.
    Conflict(Box<Latest>),
    /// It cannot be taken, or not be saved.
    Error(Error),
}

impl From<Error> for Refusal {
    fn from(error: Error) -> Self {
        Self::Error(error)
    }
}

/// The log of a run, open for writing by this program alone.
#[derive(Debug)]
pub struct DecisionLog {
    path: PathBuf,
    file: File,
    /// End of the last whole line.
    end: u64,
    next: u64,
    state: State,
    /// The file holds no line yet; the first append writes this one before it.
    head: Option<String>,
}

impl DecisionLog {
    /// Opens the log of a run, or starts one. What a killed program left of a line is not taken: nobody was told that it
    /// is saved.
    ///
    /// # Errors
    /// The folder cannot be written to; another program has the log open; the log is another run's or is damaged.
    pub fn open(run: &RunFolder) -> Result<Self> {
        let path = run.decisions();
        let fail = |source| Error::io(&path, "open the log of decisions for writing", source);
        let mut file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(fail)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let remedy = "use the page that is open already, or end the other program";
                return Err(Error::input(&path, "log", "another review of this run is going on", remedy));
            }
            // A file system without locks.
            Err(TryLockError::Error(source)) if source.kind() == std::io::ErrorKind::Unsupported => {}
            Err(TryLockError::Error(source)) => return Err(fail(source)),
        }
        crate::file::check_ordinary(&path, &file.metadata().map_err(fail)?)?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(fail)?;
        let (entries, end) = parse(&path, &bytes, &run.id)?;
        let mut state = State::default();
        for entry in &entries {
            state.take(entry);
        }
        let head = if end == 0 {
            let head = Head { log: LOG_NAME.to_owned(), format: FORMAT, run: run.id.clone() };
            Some(json(&path, &head)?)
        } else {
            None
        };
        let log = Self { path, file, end: end as u64, next: entries.len() as u64 + 1, state, head };
        log.file.set_len(log.end).map_err(|source| Error::io(&log.path, "write to the log of decisions", source))?;
        Ok(log)
    }

    /// Where every finding stands.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Takes a decision: when this returns, it is on the disk.
    ///
    /// # Errors
    /// [`Refusal`]; nothing was saved then.
    pub fn decide(&mut self, run: &RunFolder, request: &Request) -> std::result::Result<Entry, Refusal> {
        let Some(finding) = self.find(run, &request.finding).cloned() else {
            let reason = format!("this run has no finding `{}`", short(&request.finding));
            return Err(Error::argument("finding", reason, "reload the page, or correct the table").into());
        };
        let latest = self.state.of(&finding);
        if request.seen.is_some_and(|seen| seen != latest.n) {
            return Err(Refusal::Conflict(Box::new(latest)));
        }
        let reviewer = clean("reviewer", &request.reviewer, MAX_NAME)?;
        if reviewer.is_empty() {
            let remedy = "write who decides: every decision is on record with a name";
            return Err(Error::argument("reviewer", "it is empty", remedy).into());
        }
        let Some(action) = request.action else {
            return Err(Error::argument("action", "it is missing", "confirm, change, dismiss, note or undo").into());
        };
        let old = latest.verdict.clone();
        let machine = Verdict::of_machine(&finding);
        let mut undoes = None;
        let new = match action {
            Action::Undo => {
                let Some((n, before)) = latest.undoable.last().cloned() else {
                    let reason = format!("nothing has been decided on {}", finding.finding);
                    return Err(Error::argument("undo", reason, "there is nothing to take back").into());
                };
                undoes = Some(n);
                before
            }
            Action::Add => {
                let remedy = "pick the module's outline on the page";
                return Err(Error::argument("action", "a module is not added by a decision", remedy).into());
            }
            _ => change(&old, &machine, action, request, &finding, run)?,
        };
        if new == old {
            let reason = format!("{} is that already", finding.finding);
            return Err(Error::argument("decision", reason, "nothing was changed").into());
        }
        let entry = Entry {
            n: self.next,
            at: jiff::Timestamp::now(),
            reviewer,
            finding: finding.finding.clone(),
            action,
            old,
            new,
            undoes,
            added: None,
        };
        self.append(entry.clone())?;
        Ok(entry)
    }

    /// Adds a finding that the machine missed; it gets the next free name `R0001`.
    ///
    /// # Errors
    /// No name; the module has a finding already; the disk refuses.
    pub fn add(&mut self, run: &RunFolder, mut finding: Finding, reviewer: &str, note: &str) -> Result<Entry> {
        let reviewer = clean("reviewer", reviewer, MAX_NAME)?;
        if reviewer.is_empty() {
            let remedy = "write who decides: every decision is on record with a name";
            return Err(Error::argument("reviewer", "it is empty", remedy));
        }
        let same = |other: &&Finding| {
            let (a, b) = (&other.module, &finding.module);
            let place = !a.asset_id.is_empty() && a.asset_id == b.asset_id;
            let outline = a.frame == b.frame && a.corners == b.corners;
            (place || outline) && self.state.of(other).verdict.decision != Decision::Withdrawn
        };
        if let Some(there) = run.findings.iter().chain(&self.state.added).find(same) {
            let reason = format!("the module has the finding {} already", there.finding);
            return Err(Error::argument("module", reason, "change or confirm that one"));
        }
        finding.finding = format!("R{:04}", self.state.added.len() + 1);
        let mut text = Vec::new();
        let fail = |source| Error::io(&self.path, "write to the log of decisions", source);
        FINDINGS.write_geojson_to(&mut text, [Ok(&finding)], fail)?;
        let added = serde_json::from_slice(&text).map_err(|e| {
            Error::argument("finding", e.to_string(), "report this as a fault of the program; nothing was saved")
        })?;
        let machine = Verdict::of_machine(&finding);
        let entry = Entry {
            n: self.next,
            at: jiff::Timestamp::now(),
            reviewer,
            finding: finding.finding.clone(),
            action: Action::Add,
            old: Verdict { decision: Decision::Withdrawn, ..machine.clone() },
            new: Verdict { decision: Decision::Added, note: clean("note", note, MAX_TEXT)?, ..machine },
            undoes: None,
            added: Some(added),
        };
        self.append(entry.clone())?;
        Ok(entry)
    }

    /// The machine's or a person's finding of this name.
    pub fn find<'a>(&'a self, run: &'a RunFolder, name: &str) -> Option<&'a Finding> {
        run.findings.iter().chain(&self.state.added).find(|finding| finding.finding == name)
    }

    /// Refuses to write into a file that no name leads to any more: its content ends with this program.
    fn check_in_place(&self) -> Result<()> {
        let in_place = std::fs::metadata(&self.path)
            .is_ok_and(|there| self.file.metadata().is_ok_and(|own| crate::file::is_same(&there, &own)));
        if in_place {
            return Ok(());
        }
        let reason = "the run folder was moved, removed or replaced since this review began; nothing was saved";
        let remedy = "put it back under its name, or end this review and begin one where the run is now";
        Err(Error::input(&self.path, "log", reason, remedy))
    }

    fn append(&mut self, entry: Entry) -> Result<()> {
        let mut text = self.head.clone().unwrap_or_default();
        text += &json(&self.path, &entry)?;
        self.check_in_place()?;
        let fail = |source| Error::io(&self.path, "write to the log of decisions (nothing was saved)", source);
        let written = (|| {
            self.file.seek(SeekFrom::Start(self.end))?;
            self.file.write_all(text.as_bytes())?;
            self.file.sync_all()
        })();
        if let Err(source) = written {
            // What stands there of the line must not be taken for one later.
            let _ = self.file.set_len(self.end);
            return Err(fail(source));
        }
        // It may have gone while it was written.
        if let Err(error) = self.check_in_place() {
            let _ = self.file.set_len(self.end);
            return Err(error);
        }
        self.head = None;
        self.end += text.len() as u64;
        self.next += 1;
        self.state.take(&entry);
        Ok(())
    }
}

/// What a request makes of a verdict.
fn change(
    old: &Verdict,
    machine: &Verdict,
    action: Action,
    request: &Request,
    finding: &Finding,
    run: &RunFolder,
) -> Result<Verdict> {
    let mut new = old.clone();
    if let Some(note) = &request.note {
        new.note = clean("note", note, MAX_TEXT)?;
    }
    if action == Action::Note {
        return Ok(new);
    }
    new.reason = String::new();
    if action == Action::Dismiss {
        new.reason = clean("reason", request.reason.as_deref().unwrap_or_default(), MAX_TEXT)?;
        new.decision = Decision::Dismissed;
        if new.reason.is_empty() {
            return Err(Error::argument("reason", "it is empty", "say why the finding is dismissed"));
        }
        return Ok(new);
    }
    if action == Action::Change {
        if let Some(pattern) = request.pattern.filter(|pattern| *pattern != new.pattern) {
            if pattern == Pattern::None {
                return Err(Error::argument("pattern", "`none` is no finding", "dismiss the finding instead"));
            }
            new.pattern = pattern;
            // Another pattern has other limits; an explicit band wins below.
            let limits = &run.settings.severity;
            let judged = crate::severity::judge(pattern, finding.module.delta_t_k, finding.irradiance_w_m2, limits);
            judged.band.clone_into(&mut new.severity);
        }
        if let Some(part) = &request.part {
            new.part = clean("part", part, MAX_NAME)?;
        }
        if let Some(band) = &request.severity {
            if !BANDS.contains(&band.as_str()) {
                let remedy = format!("one of {}", BANDS.join(", "));
                return Err(Error::argument("severity", format!("`{}` is no band", short(band)), remedy));
            }
            new.severity.clone_from(band);
        }
    }
    new.decision = if finding.finding.starts_with('R') && matches!(old.decision, Decision::Added | Decision::Dismissed)
    {
        Decision::Added
    } else if new.says_the_same(machine) {
        Decision::Confirmed
    } else {
        Decision::Changed
    };
    Ok(new)
}

/// One line of text: control characters become spaces.
fn clean(name: &str, text: &str, longest: usize) -> Result<String> {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let text = text.trim();
    if text.chars().count() > longest {
        return Err(Error::argument(name, format!("it is longer than {longest} characters"), "shorten it"));
    }
    Ok(text.to_owned())
}

/// The beginning of a text that somebody gave, for a message.
fn short(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

fn json(path: &Path, value: &impl Serialize) -> Result<String> {
    let text = serde_json::to_string(value)
        .map_err(|e| Error::input(path, "JSON", e.to_string(), "report this as a fault of the program"))?;
    Ok(text + "\n")
}

/// The entries of a log and the end of its last whole line, bytes.
fn parse(path: &Path, bytes: &[u8], run: &str) -> Result<(Vec<Entry>, usize)> {
    let end = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
    let whole = bytes.get(..end).unwrap_or_default();
    let damaged = |line: usize, reason: String| {
        let remedy = "keep the file; put back a copy of it from before it was changed";
        Error::input(path, format!("line {line}"), reason, remedy)
    };
    let mut lines = whole.split(|b| *b == b'\n').filter(|line| !line.is_empty()).enumerate();
    let Some((_, head)) = lines.next() else { return Ok((Vec::new(), 0)) };
    let head: Head = serde_json::from_slice(head).map_err(|e| damaged(1, e.to_string()))?;
    if head.log != LOG_NAME || head.format > FORMAT {
        let reason = format!("the log is of format {}, and this program knows {FORMAT}", head.format);
        return Err(Error::input(path, "line 1", reason, "update this program"));
    }
    if head.run != run {
        let reason = format!("the decisions are on the run {}, and this run is {run}", head.run);
        let remedy = "move the log out of the folder; its decisions can be taken over by `--apply` after an export";
        return Err(Error::input(path, "line 1", reason, remedy));
    }
    let mut entries = Vec::new();
    for (i, line) in lines {
        if line.len() > MAX_LINE {
            return Err(damaged(i + 1, "it is longer than any entry".to_owned()));
        }
        let entry: Entry = serde_json::from_slice(line).map_err(|e| damaged(i + 1, e.to_string()))?;
        if entry.n != entries.len() as u64 + 1 {
            let reason = format!("entry {} follows on {}: a line is missing or was put in", entry.n, entries.len());
            return Err(damaged(i + 1, reason));
        }
        entries.push(entry);
    }
    Ok((entries, end))
}

/// Where every finding of a run stands, for a program that only reads: another may have the log open, and the folder need
/// not be one that can be written to.
///
/// # Errors
/// The log cannot be read, is another run's or is damaged.
pub fn read_state(run: &RunFolder) -> Result<State> {
    Ok(read_entries(run)?.1)
}

/// The entries of a run's log, without locking it; none where there is no log.
///
/// # Errors
/// The log cannot be read, is another run's or is damaged.
pub(crate) fn read_entries(run: &RunFolder) -> Result<(Vec<Entry>, State)> {
    let path = run.decisions();
    let bytes = if crate::file::is_there(&path) { crate::file::read_plain(&path)? } else { Vec::new() };
    let (entries, _) = parse(&path, &bytes, &run.id)?;
    let mut state = State::default();
    for entry in &entries {
        state.take(entry);
    }
    Ok((entries, state))
}
