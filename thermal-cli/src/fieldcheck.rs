//! `thermal fieldcheck`: the verdict on the card just pulled.

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

use thermal_core::Error;
use thermal_core::fieldcheck::{Cache, Card, Limits, Verdict, judge, look};
use thermal_core::output::write_atomic;

use crate::{
    PARTLY,
    console::{Console, print},
    failure::Failure,
    inspect::threads_of,
};

/// For the thermographer, at the car: are the frames just taken fit, and what must be flown again
///
/// DIR is an inspection folder or a bare folder of frames. Run again on the grown folder it reads only what is new and
/// gives the verdict on the whole. OUT receives fieldcheck.html, fly-again.geojson and the cache.
#[derive(clap::Args)]
#[command(after_help = "\
Example:
  thermal demo quarry --render-only
  thermal fieldcheck quarry

Exit codes: 0 fit, 3 something to fly again (1 and 2 as everywhere)")]
pub(crate) struct Args {
    /// Inspection folder, or a folder of frames
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Where page, positions and cache go [default: DIR]
    #[arg(long, value_name = "OUT", help_heading = "The verdict")]
    out: Option<PathBuf>,
    /// Read every frame again
    #[arg(long, help_heading = "The verdict")]
    fresh: bool,
    /// Threads; as many as there are cores by default
    #[arg(long, value_name = "N", help_heading = "Speed")]
    threads: Option<usize>,
    /// Print the verdict as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let started = Instant::now();
    let card = Card::read(&args.folder)?;
    let out = args.out.clone().unwrap_or_else(|| args.folder.clone());
    std::fs::create_dir_all(&out).map_err(|e| Error::io(&out, "create the folder", e))?;
    let cache_file = out.join("fieldcheck.cache");
    let mut cache = Cache::read(&cache_file, &card);
    if args.fresh {
        cache = Cache::default();
    }
    let known = cache.len();
    let bar = console.progress(card.files.len() as u64, "frames");
    let looked = look(&card, &mut cache, threads_of(args.threads), &|| bar.inc(1));
    bar.finish_and_clear();
    let check = judge(&card, &looked, &Limits::default(), threads_of(args.threads))?;
    let page = check.to_page()?;
    write_atomic(&out.join("fieldcheck.html"), page.as_bytes())?;
    write_atomic(&out.join("fly-again.geojson"), check.to_geojson().as_bytes())?;
    cache.write(&cache_file)?;
    if args.json {
        let json = serde_json::to_string_pretty(&check).map_err(|e| Failure::Runtime(format!("JSON: {e}")))?;
        print(&json)?;
    } else {
        print(&check.to_text())?;
    }
    console.note(&format!(
        "{} frames, {} of them known before, in {:.1} s; page: {}",
        looked.len(),
        known.min(looked.len()),
        started.elapsed().as_secs_f64(),
        out.join("fieldcheck.html").display()
    ));
    Ok(match check.verdict {
        Verdict::Fit => ExitCode::SUCCESS,
        Verdict::FlyAgain => ExitCode::from(PARTLY),
    })
}
