//! `thermal gather`: the parts of a run on several machines become one.

use std::path::PathBuf;
use std::process::ExitCode;

use thermal_core::Error;
use thermal_core::inspection::{Inputs, folder_of_parts, gather};
use thermal_core::run_record::RunRecord;

use crate::inspect::{finish, options, refuse_taken, report};
use crate::{console::Console, failure::Failure};

/// For the thermographer with several machines: joins the parts that `thermal inspect --part` did
///
/// The result equals that of one run over all frames byte for byte. The inspection folder is read again: the flight is
/// registered here, and the pictures are drawn from its frames.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  thermal inspect quarry --part 1/2 --out part1\n  \
                        thermal inspect quarry --part 2/2 --out part2\n  thermal gather quarry-run part1 part2")]
pub(crate) struct Args {
    /// Run folder to write
    #[arg(value_name = "OUT")]
    out: PathBuf,
    /// Folders of all parts, in any order
    #[arg(value_name = "PART", required = true)]
    parts: Vec<PathBuf>,
    /// Inspection folder; by default the one that the first part names
    #[arg(long, value_name = "DIR", help_heading = "The run")]
    folder: Option<PathBuf>,
    /// Replace the run that stands in OUT
    #[arg(long, help_heading = "The run")]
    force: bool,
    /// Threads for the pictures; as many as there are cores by default
    #[arg(long, value_name = "N", help_heading = "Speed")]
    threads: Option<usize>,
    /// Leave out the evidence pictures
    #[arg(long, help_heading = "The run")]
    no_evidence: bool,
    /// Print the summary as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let record = RunRecord::begin(std::env::args().collect());
    let folder = match &args.folder {
        Some(folder) => folder.clone(),
        None => named_folder(&args.parts)?,
    };
    let inputs = Inputs::read(&folder)?;
    refuse_taken(&args.out, args.force)?;
    let mut reports = gather(&inputs, &args.parts)?;
    let conclusion = finish(
        &inputs,
        &mut reports,
        record,
        &args.out,
        &options(args.force, args.no_evidence, args.threads),
        console,
    )?;
    report(&conclusion, &args.out, args.json)
}

/// The inspection folder that the first part names; it may have been moved, or the part come from another machine.
fn named_folder(parts: &[PathBuf]) -> Result<PathBuf, Failure> {
    let folder = folder_of_parts(parts)?;
    if folder.is_dir() {
        return Ok(folder);
    }
    let file = parts.first().cloned().unwrap_or_default().join("part.json");
    let reason = format!("it names the inspection folder {}, and there is none", folder.display());
    Err(Failure::Library(Error::input(file, "folder", reason, "say with --folder where the flight is here")))
}
