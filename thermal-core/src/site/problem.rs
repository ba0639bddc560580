//! What the registration could not use or prove, each with its remedy.

use std::fmt;

/// One thing that stood in the way; the rest was done all the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file, frame or polygon.
    pub subject: String,
    /// What is wrong.
    pub reason: String,
    /// What the reader can do about it.
    pub remedy: String,
}

impl Problem {
    /// A problem of its three parts.
    pub fn new(subject: impl Into<String>, reason: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { subject: subject.into(), reason: reason.into(), remedy: remedy.into() }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; {}", self.subject, self.reason, self.remedy)
    }
}

/// At most `limit` names in one phrase: "a, b, c and 4 more".
pub(super) fn name_some<'a>(names: impl ExactSizeIterator<Item = &'a str>, limit: usize) -> String {
    let total = names.len();
    let text = names.take(limit).collect::<Vec<_>>().join(", ");
    if total > limit { format!("{text} and {} more", total - limit) } else { text }
}
