//! `thermal inspect`: the main job.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use thermal_core::Error;
use thermal_core::finding::Pattern;
use thermal_core::frame::FrameSettings;
use thermal_core::inspection::{
    Conclusion, FrameReport, Inputs, Journal, Options, Part, Start, analyse_frames, complete, conclude, finished,
    same_size, write, write_part,
};
use thermal_core::output::{check_place, restore};
use thermal_core::run_record::RunRecord;
use thermal_core::shelf::Shelf;

use crate::{
    PARTLY,
    console::{Console, print},
    explain,
    failure::Failure,
};

/// Inputs that are named for each reason for which some were not used.
const TOLD: usize = 5;

/// For the thermographer, after the flight: finds and measures the anomalous modules in a folder of frames
///
/// DIR holds frames/ (16-bit or float32 grey TIFF or PNG) and, where known, inspection.toml, frames.csv, irradiance.csv
/// and layout.geojson. OUT receives findings.csv, modules.csv, maps and a picture of each finding.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  thermal demo quarry\n  thermal inspect quarry --out quarry-again")]
pub(crate) struct Args {
    /// Inspection folder
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Run folder to write
    #[arg(long, value_name = "OUT", required_unless_present = "explain", help_heading = "The run")]
    out: Option<PathBuf>,
    /// Instead of a run, say how the verdict on one module came about: the frame's file and a pixel x,y inside the
    /// module, or, with --out and a finished run, its row.course.position or identity as in modules.csv
    #[arg(long, value_name = "FRAME:MODULE", help_heading = "Why a verdict")]
    explain: Option<String>,
    /// Replace the run that stands in OUT
    #[arg(long, help_heading = "The run")]
    force: bool,
    /// Go on with the run into OUT that was stopped; what changed since is done again
    #[arg(long, help_heading = "The run")]
    resume: bool,
    /// Analyse the K-th of N parts of the frames only, for `thermal gather`
    #[arg(long, value_name = "K/N", help_heading = "Speed")]
    part: Option<Part>,
    /// Threads; as many as there are cores by default
    #[arg(long, value_name = "N", help_heading = "Speed")]
    threads: Option<usize>,
    /// Leave out the evidence pictures
    #[arg(long, help_heading = "The run")]
    no_evidence: bool,
    /// Write modules.parquet and findings.parquet as well; needs a build with `--features parquet`
    #[arg(long, conflicts_with = "part", help_heading = "For machines")]
    parquet: bool,
    /// Print the summary as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    if let Some(module) = &args.explain {
        print(&explain::explain(&args.folder, args.out.as_deref(), module)?)?;
        return Ok(ExitCode::SUCCESS);
    }
    let Some(out) = &args.out else { return Err(Failure::Usage("--out names the run folder to write".to_owned())) };
    let options = Options { parquet: args.parquet, ..options(args.force, args.no_evidence, args.threads) };
    if let Some(part) = args.part {
        return run_part(args, part, out, &options, console);
    }
    let inputs = Inputs::read(&args.folder)?;
    if args.resume
        && let Some(record) = finished(&inputs, out, &options)?
    {
        let count = |name: &str| record.counts.get(name).copied().unwrap_or(0);
        if args.json {
            print(&serde_json::json!({ "finished_before": true, "counts": record.counts }).to_string())?;
        } else {
            print(&format!("the run in {} is finished: {} findings", out.display(), count("findings")))?;
        }
        return Ok(if count("frames_skipped") == 0 { ExitCode::SUCCESS } else { ExitCode::from(PARTLY) });
    }
    let conclusion = inspect(&inputs, out, &options, args.resume, console)?;
    report(&conclusion, out, args.json)
}

/// How a run folder is written.
pub(crate) fn options(force: bool, no_evidence: bool, threads: Option<usize>) -> Options {
    Options { force, no_evidence, threads: threads_of(threads), parquet: false }
}

/// How many threads to use: as many as cores where no number is given.
pub(crate) fn threads_of(given: Option<usize>) -> usize {
    given.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get)).clamp(1, 256)
}

/// A line each for the first inputs that were not used for a reason; what a thousand frames have in common is said once.
fn warn_of_skipped(conclusion: &Conclusion) {
    let mut told: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for skipped in &conclusion.skipped {
        let count = told.entry((&skipped.reason, &skipped.remedy)).or_default();
        *count += 1;
        if *count <= TOLD {
            Console::warn(&format!("not used: {}: {}; {}", skipped.file, skipped.reason, skipped.remedy));
        }
    }
    let more: usize = told.values().map(|count| count.saturating_sub(TOLD)).sum();
    if more > 0 {
        Console::warn(&format!("not used for the same reasons: {more} more, listed in skipped.csv"));
    }
}

/// Prints the summary; the exit code says whether all frames were used.
pub(crate) fn report(conclusion: &Conclusion, out: &Path, json: bool) -> Result<ExitCode, Failure> {
    if json {
        print(&summary_json(conclusion).to_string())?;
    } else {
        print(&summary(conclusion, out))?;
    }
    Ok(if conclusion.skipped.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(PARTLY) })
}

/// Analyses a part of the frames for `thermal gather`.
fn run_part(args: &Args, part: Part, out: &Path, options: &Options, console: Console) -> Result<ExitCode, Failure> {
    let record = RunRecord::begin(std::env::args().collect());
    let inputs = Inputs::read(&args.folder)?;
    refuse_taken(out, options.force)?;
    let names = part.frames(&inputs.frames);
    let (reports, journal) = analyse(&inputs, names, out, options, args.resume, console)?;
    write_part(&inputs, part, &reports, record, out, options.force)?;
    journal.remove()?;
    if args.json {
        print(&serde_json::json!({ "part": part.number, "of": part.of, "frames": reports.len() }).to_string())?;
    } else {
        print(&format!(
            "part {} of {}: {} frames in {}; join the parts with `thermal gather`",
            part.number,
            part.of,
            reports.len(),
            out.display()
        ))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Refuses a run folder that is there already before hours of work are done for it.
pub(crate) fn refuse_taken(out: &Path, force: bool) -> Result<(), Failure> {
    restore(out)?;
    if out.exists() && !force && std::fs::read_dir(out).is_ok_and(|mut d| d.next().is_some()) {
        return Err(Failure::Library(thermal_core::Error::argument(
            "--out",
            format!("{} holds something already", out.display()),
            "name another folder, or give --force to replace the run in it",
        )));
    }
    Ok(check_place(out, force)?)
}

/// Runs the main job from what the folder holds to the run folder.
pub(crate) fn inspect(
    inputs: &Inputs,
    out: &Path,
    options: &Options,
    resume: bool,
    console: Console,
) -> Result<Conclusion, Failure> {
    let record = RunRecord::begin(std::env::args().collect());
    refuse_taken(out, options.force)?;
    let (mut reports, journal) = analyse(inputs, &inputs.frames, out, options, resume, console)?;
    same_size(&mut reports);
    let conclusion = finish(inputs, &mut reports, record, out, options, console)?;
    journal.remove()?;
    Ok(conclusion)
}

/// Analyses frames, from the journal of the stopped run on where there is one.
fn analyse(
    inputs: &Inputs,
    names: &[String],
    out: &Path,
    options: &Options,
    resume: bool,
    console: Console,
) -> Result<(Vec<FrameReport>, Journal), Failure> {
    let started = Instant::now();
    let start = match (resume, options.force) {
        (true, _) => Start::Resume,
        (false, true) => Start::Anew,
        (false, false) => Start::New,
    };
    let journal = Journal::open(out, inputs, start)?;
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    // A second signal ends the program at once; nothing half written stands under a final name at any time.
    let _ = ctrlc::set_handler(move || {
        if flag.swap(true, Ordering::SeqCst) {
            std::process::exit(1);
        }
    });
    let bar = console.progress(names.len() as u64, "frames");
    let settings = FrameSettings::of(&inputs.settings);
    let reports = analyse_frames(inputs, names, &settings, &journal, options.threads, &stop, &|| bar.inc(1))?;
    bar.finish_and_clear();
    if !inputs.folder.join("frames").is_dir() {
        return Err(Failure::Runtime(format!(
            "{}: the folder vanished while its frames were read; bring it back and give --resume to go on",
            inputs.folder.join("frames").display()
        )));
    }
    if stop.load(Ordering::SeqCst) {
        return Err(Failure::Runtime(format!(
            "stopped after {} of {} frames; give --resume to go on from there",
            reports.len(),
            names.len()
        )));
    }
    if resume {
        console.note(&format!("{} frames taken over from the stopped run", journal.kept()));
        if journal.changed() > 0 {
            console.note(&format!("{} frames done again: they or their settings have changed", journal.changed()));
        }
    }
    console.note(&format!("{} frames in {:.1} s", reports.len(), started.elapsed().as_secs_f64()));
    Ok((reports, journal))
}

/// So many problems of an input, or of what follows from them all, are told one by one.
const MOST_PROBLEMS: usize = 9;

fn file_of(problem: &Error) -> Option<&Path> {
    match problem {
        Error::Input { path, .. } | Error::Io { path, .. } => Some(path),
        _ => None,
    }
}

/// The first problems, how many more there are, and the last one, which may count what its table left untold.
fn warn_of_problems(problems: &[String]) {
    problems.iter().take(MOST_PROBLEMS).for_each(|problem| Console::warn(problem));
    match problems.get(MOST_PROBLEMS..) {
        None | Some([]) => {}
        Some([last]) => Console::warn(last),
        Some([more @ .., last]) => {
            Console::warn(&format!("{} more problems, which the same command with --json lists", more.len()));
            Console::warn(last);
        }
    }
}

/// From the reports of all frames to the run folder.
pub(crate) fn finish(
    inputs: &Inputs,
    reports: &mut [FrameReport],
    record: RunRecord,
    out: &Path,
    options: &Options,
    console: Console,
) -> Result<Conclusion, Failure> {
    let started = Instant::now();
    let shelf = Shelf::beside(out)?;
    let placed = complete(inputs, reports, &shelf, options.threads)?;
    let mut conclusion = conclude(inputs, reports, placed, &shelf)?;
    write(inputs, reports, &mut conclusion, record, out, options)?;
    warn_of_skipped(&conclusion);
    // Those of the inputs stand first, file by file; a long table does not bury what was met afterwards.
    let mut rest = conclusion.problems.as_slice();
    for of_file in inputs.problems.chunk_by(|a, b| file_of(a) == file_of(b)) {
        let (group, others) = rest.split_at(of_file.len().min(rest.len()));
        warn_of_problems(group);
        rest = others;
    }
    warn_of_problems(rest);
    if inputs.irradiance.is_none() {
        Console::warn("no irradiance.csv: differences are as measured and not scaled to 1000 W/m2");
    }
    if reports.iter().any(|r| r.radiometry_from_metadata) {
        Console::warn("no [radiometry] in inspection.toml: the kelvin per count of the frames' own XMP is used");
    }
    console.note(&format!("brought together in {:.1} s", started.elapsed().as_secs_f64()));
    Ok(conclusion)
}

/// Counts for a machine.
fn summary_json(c: &Conclusion) -> serde_json::Value {
    let mut patterns = serde_json::Map::new();
    for p in Pattern::ANOMALIES {
        let n = c.findings.iter().filter(|f| f.module.pattern == p).count();
        patterns.insert(p.as_str().to_owned(), n.into());
    }
    serde_json::json!({
        "frames_used": c.frames_used,
        "frames_skipped": c.skipped.len(),
        "outlines": c.outlines,
        "findings": c.findings.len(),
        "patterns": patterns,
        "share_inspected": c.registration.as_ref().map(thermal_core::site::Registration::share_inspected),
        "problems": c.problems,
    })
}

/// What a person reads at the end.
pub(crate) fn summary(c: &Conclusion, out: &Path) -> String {
    use std::fmt::Write;
    let mut text = String::new();
    let sites = c.registration.as_ref().map_or(0, |r| r.assets.len());
    let _ = writeln!(
        text,
        "{} frames used, {} not used; {} outlines{}",
        c.frames_used,
        c.skipped.len(),
        c.outlines,
        if sites > 0 { format!(" of {sites} modules") } else { String::new() }
    );
    if let Some(r) = &c.registration
        && !r.assets.is_empty()
    {
        let _ = writeln!(
            text,
            "{:.1} % of the modules inspected (seen whole in a usable frame); {} not, see unseen.csv",
            100.0 * r.share_inspected(),
            c.unseen.len()
        );
    }
    if c.frames_used == 0 {
        let _ = writeln!(
            text,
            "No frame could be used: nothing is known of the plant. skipped.csv says why; where \
                                inspection.toml is missing, `thermal prepare` writes it."
        );
    } else if c.findings.is_empty() {
        let _ = writeln!(text, "No anomalous module found.");
    } else {
        let _ = writeln!(text, "\n{} findings, gravest first:", c.findings.len());
        let _ = writeln!(
            text,
            "{:7} {:14} {:>3} {:>6} {:>8}  {:9} {:8} {:>5} {:>8} {:>10}  frames",
            "finding", "module", "row", "course", "position", "pattern", "severity", "class", "dT K", "dT ref K"
        );
        for f in c.findings.iter().take(25) {
            let m = &f.module;
            let _ = writeln!(
                text,
                "{:7} {:14} {:>3} {:>6} {:>8}  {:9} {:8} {:>5} {:>8.1} {:>10}  {}/{}",
                f.finding,
                m.asset_id,
                m.row,
                m.course,
                m.position,
                m.pattern.as_str(),
                f.severity,
                f.abnormality_class,
                m.delta_t_k,
                f.delta_t_ref_k.map_or_else(|| "-".to_owned(), |d| format!("{d:.1}")),
                f.frames_confirmed,
                f.frames_seen
            );
        }
        if c.findings.len() > 25 {
            let _ = writeln!(text, "... and {} more in the table", c.findings.len() - 25);
        }
    }
    let _ = write!(text, "\nTable: {}", out.join("findings.csv").display());
    if c.findings.iter().any(|finding| !finding.evidence.is_empty()) {
        let _ = write!(text, "\nPictures: {}", out.join("evidence").display());
    }
    if !c.findings.is_empty() {
        let _ = write!(text, "\nNext: thermal review {0}   and then   thermal deliver {0}", out.display());
    }
    text
}
