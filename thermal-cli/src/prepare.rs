//! `thermal prepare`: the settings that the frames themselves tell, written down with what remains to be told.

use std::fmt::Write as _;
use std::io::{self, BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use thermal_core::prepare::{OPEN, Sure, Survey, survey};

use crate::{
    console::{Console, print},
    failure::Failure,
};

/// For the thermographer, with the card copied: works out inspection.toml from the frames
///
/// DIR holds frames/ and, where known, frames.csv and layout.geojson. Encoding, focal length, module size, orientation,
/// courses, tilt and mounting are taken from the frames' metadata and from the modules in them; each stands in the file with
/// where it came from and how sure it is. What nothing tells is asked for on a terminal, and marked "?" otherwise. A
/// template of irradiance.csv holds the times at which readings are due. Files that are there are never overwritten.
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  thermal demo quarry --render-only\n  mv quarry/inspection.toml quarry/as-drawn.toml\n  thermal prepare quarry"
)]
pub(crate) struct Args {
    /// Inspection folder
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Ask nothing, also on a terminal
    #[arg(long, help_heading = "Asking")]
    no_questions: bool,
    /// Print what was worked out as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    console.note("Looking at the frames ...");
    let mut survey = survey(&args.folder)?;
    for note in &survey.notes {
        Console::warn(note);
    }
    if !args.no_questions && !args.json && io::stdin().is_terminal() && io::stderr().is_terminal() {
        ask(&mut survey)?;
    }
    let written = survey.write()?;
    if args.json {
        let files: Vec<String> = written.iter().map(|path| path.display().to_string()).collect();
        let open: Vec<&str> = survey.open().map(|entry| entry.key).collect();
        let summary = serde_json::json!({
            "frames": survey.frames, "settings": survey.entries, "open": open, "notes": survey.notes, "written": files,
        });
        print(&summary.to_string())?;
        return Ok(ExitCode::SUCCESS);
    }
    print(&summary(&survey, &written))?;
    Ok(ExitCode::SUCCESS)
}

/// Asks for what is not known, and for what was assumed and decides much.
fn ask(survey: &mut Survey) -> io::Result<()> {
    const WORTH_ASKING: [&str; 3] = ["camera.pixel_pitch_um", "module.cells", "array.tilt_deg"];
    let asked: Vec<&'static str> = survey
        .entries
        .iter()
        .filter(|e| e.sure == Sure::Open || (e.sure == Sure::Assumed && WORTH_ASKING.contains(&e.key)))
        .map(|e| e.key)
        .collect();
    let mut lines = io::stdin().lock().lines();
    let mut screen = io::stderr();
    for key in asked {
        let Some(entry) = survey.entries.iter().find(|e| e.key == key).cloned() else { continue };
        let otherwise = if entry.sure == Sure::Open { format!("leaves {OPEN:?}") } else { entry.value.clone() };
        writeln!(screen, "\n{key}: {}\n  {}", entry.about(), entry.from)?;
        loop {
            write!(screen, "  value [Enter: {otherwise}]: ")?;
            screen.flush()?;
            let Some(text) = lines.next().transpose()? else { return Ok(()) };
            if text.trim().is_empty() {
                break;
            }
            match survey.answer(key, &text) {
                Ok(()) => break,
                Err(error) => writeln!(screen, "  {error}")?,
            }
        }
    }
    Ok(())
}

/// What was found, and in three lines what to do next.
fn summary(survey: &Survey, written: &[PathBuf]) -> String {
    let mut text = String::new();
    let key_width = survey.entries.iter().map(|e| e.key.len()).max().unwrap_or(0);
    let value_width = survey.entries.iter().map(|e| e.value.len()).max().unwrap_or(0).min(16);
    for e in &survey.entries {
        let _ = writeln!(text, "{:key_width$}  {:value_width$}  {:9} {}", e.key, e.value, e.sure.as_str(), e.from);
    }
    let _ = writeln!(text, "\n{} frames; written: {}", survey.frames, names(written));
    let open: Vec<&str> = survey.open().map(|e| e.key).collect();
    let folder = survey.folder.display();
    if open.is_empty() {
        let _ = writeln!(text, "1. Look at the values that are only likely or assumed: {}.", unsure(survey));
    } else {
        let _ = writeln!(
            text,
            "1. Fill in {} in inspection.toml; look at what is only likely or assumed.",
            open.join(", ")
        );
    }
    let readings = survey.folder.join("irradiance.csv");
    let template = written.contains(&readings);
    let _ = writeln!(
        text,
        "2. {}",
        if template {
            "Write the meter's readings into irradiance.csv (or `thermal readings PHOTOS`); without any, remove the file."
        } else if readings.exists() {
            "irradiance.csv is there already and stays as it is."
        } else {
            "Without times no reading can be tied to a frame: no template of irradiance.csv was written."
        }
    );
    let _ = write!(text, "3. thermal fieldcheck {folder}   and   thermal inspect {folder} --out {folder}-run");
    text
}

fn names(written: &[PathBuf]) -> String {
    written.iter().filter_map(|p| p.file_name()).map(|n| n.to_string_lossy()).collect::<Vec<_>>().join(", ")
}

fn unsure(survey: &Survey) -> String {
    survey.unsure().map(|e| e.key).collect::<Vec<_>>().join(", ")
}
