//! `thermal demo`: a small invented plant to try the program on.

use std::path::PathBuf;
use std::process::ExitCode;

use thermal_core::inspection::Inputs;
use thermal_core::scene;

use crate::{
    console::{Console, print},
    failure::Failure,
    inspect,
};

/// For a newcomer, before anything else: renders a small invented plant and runs the main job on it
///
/// DIR becomes an inspection folder with frames, poses, irradiance log, layout and the truth beside them; DIR/run
/// receives the result.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  thermal demo quarry")]
pub(crate) struct Args {
    /// Folder to make
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Render only, do not inspect
    #[arg(long)]
    render_only: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let folder = &args.folder;
    if std::fs::read_dir(folder).is_ok_and(|mut d| d.next().is_some()) {
        return Err(Failure::Usage(format!(
            "{} holds something already; name a folder that does not exist yet",
            folder.display()
        )));
    }
    console.note("Rendering an invented plant, two rows, every pattern in it ...");
    scene::render(&scene::demo_spec(), folder)?;
    if args.render_only {
        print(&format!("Inspection folder: {}", folder.display()))?;
        return Ok(ExitCode::SUCCESS);
    }
    let out = folder.join("run");
    let conclusion =
        inspect::inspect(&Inputs::read(folder)?, &out, &inspect::options(false, false, None), false, console)?;
    print(&inspect::summary(&conclusion, &out))?;
    print(&format!(
        "What was put in: {}\nNext: look at the pictures, then run `thermal inspect` on a flight of your own.",
        folder.join("truth.json").display()
    ))?;
    Ok(ExitCode::SUCCESS)
}
