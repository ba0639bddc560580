//! Hands the program its version with the commit and the day it was built from.
//!
//! From a clone the commit is git's; from an unpacked archive there is none, and the version says so by its absence.
//! The day is that of `SOURCE_DATE_EPOCH` where it is set, so that builds can be repeated byte for byte.

use std::path::Path;
use std::process::Command;
use std::time::{SystemTime, UNIX_EPOCH};

fn git(arguments: &[&str]) -> Option<String> {
    let run = Command::new("git").args(arguments).output().ok().filter(|run| run.status.success())?;
    Some(String::from_utf8(run.stdout).ok()?.trim().to_owned()).filter(|text| !text.is_empty())
}

/// The commit, where this very workspace is the clone: an archive unpacked within another one is not of its commit.
fn commit() -> Option<String> {
    let top = Path::new(&git(&["rev-parse", "--show-toplevel"])?).canonicalize().ok()?;
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).canonicalize().ok()?;
    (here.parent() == Some(top.as_path())).then_some(())?;
    if let Some(log) = git(&["rev-parse", "--git-path", "logs/HEAD"]).filter(|log| Path::new(log).exists()) {
        println!("cargo::rerun-if-changed={log}");
    }
    git(&["rev-parse", "--short=12", "HEAD"])
}

/// Year, month and day of seconds since 1970, after Hinnant, "chrono-compatible low-level date algorithms" (2013).
fn civil(seconds: u64) -> String {
    let days = seconds / 86_400 + 719_468;
    let (era, day_of_era) = (days / 146_097, days % 146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * day_of_year + 2) / 153;
    let (day, month) =
        (day_of_year - (153 * shifted + 2) / 5 + 1, if shifted < 10 { shifted + 3 } else { shifted - 9 });
    format!("{:04}-{month:02}-{day:02}", year_of_era + era * 400 + u64::from(month <= 2))
}

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    println!("cargo::rerun-if-env-changed=SOURCE_DATE_EPOCH");
    let given = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse().ok());
    let now = || SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |age| age.as_secs());
    let day = civil(given.unwrap_or_else(now));
    let commit = commit().map_or_else(String::new, |commit| format!("commit {commit}, "));
    println!("cargo::rustc-env=THERMAL_VERSION={} ({commit}built {day})", env!("CARGO_PKG_VERSION"));
}
