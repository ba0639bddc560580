//! The tables of a delivery: the findings with the machine's word beside the reviewer's, their schema, and the decisions.

use std::path::Path;

use serde_json::json;

use crate::finding::{FINDINGS, Value};
use crate::output::write_atomic;
use crate::review::guard;
use crate::review::{Entry, Outcome};
use crate::{Error, Result, table};

/// Columns of a delivered table after those of [`FINDINGS`]: name, description, value.
type Extra = (&'static str, &'static str, fn(&Outcome) -> String);

/// What the machine said, and why and when a person said otherwise.
pub(super) const EXTRAS: [Extra; 4] = [
    ("machine_pattern", "Pattern as the program said it before the review", |o| o.machine.pattern.as_str().to_owned()),
    ("machine_part", "Part as the program said it before the review", |o| o.machine.part.clone()),
    ("machine_severity", "Band as the program said it before the review", |o| o.machine.severity.clone()),
    ("reviewed_at", "Time of the last decision, RFC 3339", |o| o.latest.at.map(|t| t.to_string()).unwrap_or_default()),
];

/// `findings.csv` and `findings.schema.json`.
pub(super) fn write_all(kept: &[Outcome], folder: &Path) -> Result<()> {
    let names = FINDINGS.columns.iter().map(|c| c.spec.name).chain(EXTRAS.iter().map(|e| e.0));
    let lines = kept.iter().map(|outcome| {
        let cells = FINDINGS.columns.iter().map(|column| {
            let text = column.text(&outcome.finding);
            // Only texts can be taken for formulas; a number with a minus sign stays a number.
            if matches!(column.value(&outcome.finding), Value::Text(_)) { guard(&text) } else { text }
        });
        cells.chain(EXTRAS.iter().map(|(_, _, value)| guard(&value(outcome))))
    });
    table::write(&folder.join("findings.csv"), names, lines)?;
    let path = folder.join("findings.schema.json");
    let fault =
        |e: serde_json::Error| Error::input(&path, "JSON", e.to_string(), "report this as a fault of the program");
    let mut schema: serde_json::Value = serde_json::from_str(&FINDINGS.schema_json()).map_err(fault)?;
    if let Some(fields) = schema.get_mut("fields").and_then(serde_json::Value::as_array_mut) {
        fields.extend(EXTRAS.iter().map(|(name, description, _)| {
            json!({ "name": name, "type": "string", "description": description, "constraints": { "required": false } })
        }));
    }
    let text = serde_json::to_string_pretty(&schema).map_err(fault)?;
    write_atomic(&path, (text + "\n").as_bytes())
}

/// `decisions.csv`: every entry of the log.
pub(super) fn write_decisions(entries: &[Entry], path: &Path) -> Result<()> {
    let header = [
        "entry",
        "at",
        "reviewer",
        "finding",
        "action",
        "undoes",
        "old_decision",
        "old_pattern",
        "old_part",
        "old_severity",
        "decision",
        "pattern",
        "part",
        "severity",
        "reason",
        "note",
    ];
    let lines = entries.iter().map(|e| {
        let action = serde_json::to_value(e.action).ok().and_then(|v| v.as_str().map(ToOwned::to_owned));
        let (old, new) = (&e.old, &e.new);
        [
            e.n.to_string(),
            e.at.to_string(),
            e.reviewer.clone(),
            e.finding.clone(),
            action.unwrap_or_default(),
            e.undoes.map(|n| n.to_string()).unwrap_or_default(),
            old.decision.as_str().to_owned(),
            old.pattern.as_str().to_owned(),
            old.part.clone(),
            old.severity.clone(),
            new.decision.as_str().to_owned(),
            new.pattern.as_str().to_owned(),
            new.part.clone(),
            new.severity.clone(),
            new.reason.clone(),
            new.note.clone(),
        ]
        .map(|text| guard(&text))
    });
    table::write(path, header, lines)
}
