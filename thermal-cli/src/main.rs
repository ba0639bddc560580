//! The command line of thermal: reads arguments, calls the library, and turns every error into a message and an exit
//! code in one place. A subcommand is one file with `Args` and `run`.

mod compare;
mod console;
mod deliver;
mod demo;
mod explain;
mod failure;
#[cfg(feature = "object-store")]
mod fetch;
mod fieldcheck;
mod gather;
mod inspect;
mod manual;
mod plan;
mod prepare;
mod readings;
mod review;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::{console::Console, failure::Failure};

/// A frame's images are a megabyte each: the system's allocator hands such blocks back and pays for the pages again.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Exit code of a run that is done, but left something out or wants something flown again.
pub(crate) const PARTLY: u8 = 3;

/// From the radiometric frames of a drone flight over a solar plant to a list of anomalous modules.
#[derive(Parser)]
#[command(
    name = "thermal",
    version = env!("THERMAL_VERSION"),
    max_term_width = 100,
    after_help = AFTER_HELP
)]
struct Cli {
    /// Print results only: no progress, no notes
    #[arg(long, short, global = true)]
    quiet: bool,

    #[command(subcommand)]
    command: Command,
}

const AFTER_HELP: &str = "\
Example, a first result on an invented plant:
  thermal demo quarry

Exit codes:
  0  done
  1  failed while running; nothing half written is left under a final name
  2  wrong usage
  3  done, but some frames could not be used, something must be flown again, or a delivery was changed";

/// The subcommands in the order of an inspection.
#[derive(Subcommand)]
#[allow(clippy::large_enum_variant, reason = "parsed once a run")]
enum Command {
    Demo(demo::Args),
    Plan(plan::Args),
    Readings(readings::Args),
    #[cfg(feature = "object-store")]
    Fetch(fetch::Args),
    Fieldcheck(fieldcheck::Args),
    Prepare(prepare::Args),
    Inspect(inspect::Args),
    Gather(gather::Args),
    Review(review::Args),
    Deliver(deliver::Args),
    Compare(compare::Args),
    Manual(manual::Args),
}

impl Command {
    fn run(&self, console: Console) -> Result<ExitCode, Failure> {
        match self {
            Self::Demo(args) => demo::run(args, console),
            Self::Plan(args) => plan::run(args, console),
            Self::Readings(args) => readings::run(args, console),
            #[cfg(feature = "object-store")]
            Self::Fetch(args) => fetch::run(args, console),
            Self::Fieldcheck(args) => fieldcheck::run(args, console),
            Self::Prepare(args) => prepare::run(args, console),
            Self::Inspect(args) => inspect::run(args, console),
            Self::Gather(args) => gather::run(args, console),
            Self::Review(args) => review::run(args, console),
            Self::Deliver(args) => deliver::run(args, console),
            Self::Compare(args) => compare::run(args, console),
            Self::Manual(args) => manual::run(args),
        }
    }
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let console = Console::new(cli.quiet);
    cli.command.run(console).unwrap_or_else(|failure| failure.report())
}
