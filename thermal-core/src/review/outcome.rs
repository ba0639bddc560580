//! The findings as they stand after review.

use std::collections::BTreeMap;

use super::verdict::{Decision, Latest, State, Verdict};
use crate::finding::Finding;
use crate::settings::Settings;
use crate::severity;

/// A finding after review.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// As it stands: pattern, part and band are the last word; measured figures are the machine's.
    pub finding: Finding,
    /// What the machine said; of an added finding what the person said first.
    pub machine: Verdict,
    /// The last word, with who and when.
    pub latest: Latest,
}

/// How many findings stand where.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// Nobody decided.
    pub open: usize,
    /// Agreed with.
    pub confirmed: usize,
    /// Given another pattern, part or band.
    pub changed: usize,
    /// Nothing to act on.
    pub dismissed: usize,
    /// Found by a person.
    pub added: usize,
}

/// Power that a finding stands for, W; `None` without a rated power.
pub(crate) fn loss_w(finding: &Finding, settings: &Settings) -> Option<f64> {
    let module = &settings.module;
    let sections = module.substrings * if module.half_cut() { 2 } else { 1 };
    let share = finding.module.area_fraction;
    module.p_stc_w.map(|p| severity::loss_w(finding.module.pattern, share, sections, p))
}

/// All findings, the machine's and those that people added, with the last word on each, gravest first.
pub(crate) fn outcomes(findings: &[Finding], state: &State, settings: &Settings) -> Vec<Outcome> {
    let mut out: Vec<Outcome> = findings
        .iter()
        .chain(&state.added)
        .map(|machine| {
            let latest = state.of(machine);
            let verdict = &latest.verdict;
            let mut finding = machine.clone();
            finding.module.pattern = verdict.pattern;
            finding.module.part.clone_from(&verdict.part);
            finding.severity.clone_from(&verdict.severity);
            if verdict.pattern != machine.module.pattern {
                let (dt, g) = (finding.module.delta_t_k, finding.irradiance_w_m2);
                let judged = severity::judge(verdict.pattern, dt, g, &settings.severity);
                finding.delta_t_ref_k = judged.delta_t_ref_k;
                finding.abnormality_class = judged.abnormality_class;
                finding.loss_w = loss_w(&finding, settings);
            }
            if verdict.decision != Decision::Open {
                verdict.decision.as_str().clone_into(&mut finding.review);
                finding.reviewer.clone_from(&latest.reviewer);
            }
            if !verdict.note.is_empty() {
                finding.note = [finding.note.as_str(), verdict.note.as_str()]
                    .into_iter()
                    .filter(|text| !text.is_empty())
                    .collect::<Vec<_>>()
                    .join("; ");
            }
            Outcome { finding, machine: Verdict::of_machine(machine), latest }
        })
        .collect();
    let band = |f: &Finding| severity::BANDS.iter().position(|band| *band == f.severity).unwrap_or(0);
    let size = |f: &Finding| f.delta_t_ref_k.unwrap_or(f.module.delta_t_k);
    out.sort_by(|a, b| {
        let (a, b) = (&a.finding, &b.finding);
        b.abnormality_class
            .cmp(&a.abnormality_class)
            .then(band(b).cmp(&band(a)))
            .then(size(b).total_cmp(&size(a)))
            .then(a.finding.cmp(&b.finding))
    });
    out
}

/// How many stand where.
pub fn tally(outcomes: &[Outcome]) -> Tally {
    let mut counts: BTreeMap<Decision, usize> = BTreeMap::new();
    for outcome in outcomes {
        *counts.entry(outcome.latest.verdict.decision).or_default() += 1;
    }
    let of = |decision| counts.get(&decision).copied().unwrap_or(0);
    Tally {
        open: of(Decision::Open),
        confirmed: of(Decision::Confirmed),
        changed: of(Decision::Changed),
        dismissed: of(Decision::Dismissed),
        added: of(Decision::Added),
    }
}
