//! What people decide about the machine's findings: a log that is only ever appended to, the state that follows from it,
//! and the findings as they stand after review.

mod apply;
mod log;
mod missed;
mod outcome;
mod verdict;

pub(crate) use apply::guard;
pub use apply::{Applied, Refused, apply_csv, export_csv};
pub(crate) use log::read_entries;
pub use log::{DecisionLog, Entry, Refusal, Request, read_state};
pub use missed::{Missed, finding_of};
pub(crate) use outcome::outcomes;
pub use outcome::{Outcome, Tally, tally};
pub use verdict::{Action, Decision, Latest, State, Verdict};
