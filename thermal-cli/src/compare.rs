//! `thermal compare`: this inspection against an earlier one.

use std::path::PathBuf;
use std::process::ExitCode;

use thermal_core::compare::{compare, write};
use thermal_core::run_folder::RunFolder;

use crate::{
    console::{Console, print},
    failure::Failure,
};

/// For the asset owner, a year later: which findings of an earlier inspection are gone, worse, better or the same, and which are new
///
/// Modules are matched by identity, or by place where the identities differ. Differences compare at 1000 W/m2, and the
/// uncertainty of both figures decides what counts as a change. Findings that a reviewer dismissed are left out.
#[derive(clap::Args)]
#[command(after_help = "Example, a run against itself, so that nothing has changed:\n  thermal demo quarry\n  \
                        thermal compare quarry/run quarry/run --out quarry-change")]
pub(crate) struct Args {
    /// Run folder of the earlier inspection
    #[arg(value_name = "OLD")]
    old: PathBuf,
    /// Run folder of the later inspection
    #[arg(value_name = "NEW")]
    new: PathBuf,
    /// Folder to write: changes.csv and comparison.html
    #[arg(long, value_name = "DIR", help_heading = "The comparison")]
    out: PathBuf,
    /// Replace the comparison that stands there
    #[arg(long, help_heading = "The comparison")]
    force: bool,
    /// Print counts and summary as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let (old, new) = (RunFolder::open(&args.old, None)?, RunFolder::open(&args.new, None)?);
    if let (Some((then, _)), Some((now, _))) = (old.flight(), new.flight())
        && then > now
    {
        Console::warn("OLD was flown after NEW; the order of the folders may be the wrong way round");
    }
    let comparison = compare(&old, &new)?;
    write(&comparison, &old, &new, &args.out, args.force)?;
    if args.json {
        print(&serde_json::json!({ "counts": comparison.counts(), "summary": comparison.summary() }).to_string())?;
    } else {
        print(&comparison.summary())?;
        console.note(&format!("Page: {}", args.out.join("comparison.html").display()));
    }
    Ok(ExitCode::SUCCESS)
}
