//! `thermal review`: a page on this computer to go through the findings, or decisions out to a spreadsheet and back.

mod answer;
mod connections;
mod desk;
mod door;

use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::process::{Command, ExitCode, Stdio};

use thermal_core::review::{Applied, DecisionLog, apply_csv, export_csv, read_state};
use thermal_core::run_folder::RunFolder;

use crate::{
    PARTLY,
    console::{Console, print},
    failure::Failure,
};
use desk::Desk;

/// For the analyst, after the run: go through the findings on a page of this computer, and be on record
///
/// The page is served on the loopback address only and loads nothing from outside. Every decision is on the disk, in
/// RUN/decisions.jsonl, before the page says that it is saved. The machine's table is never changed.
#[derive(clap::Args)]
#[command(after_help = "Examples:
  thermal review quarry/run --reviewer \"A. Weaver\"
  thermal review quarry/run --export decisions.csv      # out to a spreadsheet
  thermal review quarry/run --apply decisions.csv --reviewer \"A. Weaver\"")]
pub(crate) struct Args {
    /// Run folder
    #[arg(value_name = "RUN")]
    run: PathBuf,
    /// Name that goes on record; the page asks for it otherwise
    #[arg(long, value_name = "NAME", default_value = "", help_heading = "The page")]
    reviewer: String,
    /// Where the inspection folder is now, if it was moved
    #[arg(long, value_name = "DIR", help_heading = "The page")]
    inspection: Option<PathBuf>,
    /// Port of the page; a free one by default
    #[arg(long, value_name = "N", default_value_t = 0, help_heading = "The page")]
    port: u16,
    /// Print the address only, open no browser
    #[arg(long, help_heading = "The page")]
    no_open: bool,
    /// Take over the decisions of a table, and serve no page
    #[arg(long, value_name = "CSV", conflicts_with = "export", help_heading = "Through a spreadsheet")]
    apply: Option<PathBuf>,
    /// With --apply: the table wins where somebody decided otherwise in the meantime
    #[arg(long, requires = "apply", help_heading = "Through a spreadsheet")]
    over: bool,
    /// Write where every finding stands as a table for --apply, and serve no page
    #[arg(long, value_name = "CSV", help_heading = "Through a spreadsheet")]
    export: Option<PathBuf>,
    /// Print what was done as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let run = RunFolder::open(&args.run, args.inspection.as_deref())?;
    if let Some(path) = &args.export {
        // Opened for writing, the log loses what a killed program left of a line; a table needs no more than to read.
        let state = DecisionLog::open(&run).map(|log| log.state().clone()).or_else(|_| read_state(&run))?;
        export_csv(&state, &run, path)?;
        print(&format!("Decisions: {}", path.display()))?;
        return Ok(ExitCode::SUCCESS);
    }
    let mut log = DecisionLog::open(&run)?;
    if let Some(path) = &args.apply {
        let applied = apply_csv(&mut log, &run, path, &args.reviewer, args.over)?;
        return report(args, &applied);
    }
    serve(args, Desk::new(run, log, &args.reviewer)?, console)
}

/// So many lines that were not taken over are told on the terminal; the table beside the run holds all.
const MOST_TOLD: usize = 50;

/// What `--apply` came to: a line each for what was not taken over, on stderr and in a table beside the run.
fn report(args: &Args, applied: &Applied) -> Result<ExitCode, Failure> {
    for refused in applied.refused.iter().take(MOST_TOLD) {
        let place =
            if refused.line == 0 { String::new() } else { format!("line {}, {}: ", refused.line, refused.finding) };
        Console::warn(&format!("not taken over: {place}{}", refused.reason));
    }
    let left = args.run.join("decisions-not-applied.csv");
    if applied.refused.len() > MOST_TOLD {
        let more = applied.refused.len() - MOST_TOLD;
        Console::warn(&format!("not taken over: {more} more lines; {} lists them all", left.display()));
    }
    if !applied.refused.is_empty() {
        applied.write_refused(&left)?;
    }
    if args.json {
        let json = serde_json::json!({
            "applied": applied.entries.len(), "same": applied.same, "blank": applied.blank,
            "refused": applied.refused.iter().map(|r| serde_json::json!({
                "line": r.line, "finding": r.finding, "reason": r.reason
            })).collect::<Vec<_>>(),
        });
        print(&json.to_string())?;
    } else {
        print(&format!(
            "{} decisions taken over, {} were on record already, {} lines without a decision, {} not taken over{}",
            applied.entries.len(),
            applied.same,
            applied.blank,
            applied.refused.len(),
            if applied.refused.is_empty() { String::new() } else { format!(" (listed in {})", left.display()) }
        ))?;
    }
    Ok(if applied.refused.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(PARTLY) })
}

/// Serves the page until the program is told to stop.
fn serve(args: &Args, desk: Desk, console: Console) -> Result<ExitCode, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Runtime(format!("the page cannot be served: {e}")))?;
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, args.port)).await.map_err(|e| {
            let remedy = "name another with --port, or leave it out for a free one";
            Failure::Runtime(format!("--port {}: cannot be used: {e}; {remedy}", args.port))
        })?;
        let port = listener.local_addr().map_err(|e| Failure::Runtime(e.to_string()))?.port();
        let token = door::token().map_err(|e| Failure::Runtime(format!("no random key for the page: {e}")))?;
        let address = format!("http://127.0.0.1:{port}/#{token}");
        if !desk.frames_at_hand() {
            Console::warn(
                "the inspection folder is not where the run found it: the page shows the run's pictures only; give \
                 --inspection DIR for temperatures",
            );
        }
        print(&address)?;
        if !args.no_open && !open_browser(&address) {
            console.note("No browser was opened; open the address above in one on this computer.");
        }
        console.note("Every decision is saved at once. Stop with Ctrl-C.");
        let (stop, stopped) = tokio::sync::oneshot::channel();
        let mut stop = Some(stop);
        let _ = ctrlc::set_handler(move || {
            if let Some(stop) = stop.take() {
                let _ = stop.send(());
            } else {
                std::process::exit(1);
            }
        });
        let app = door::guarded(answer::routes(desk), port, &token);
        tokio::select! {
            () = connections::serve(listener, app) => {}
            _ = stopped => {}
        }
        Ok(ExitCode::SUCCESS)
    })
}

/// Asks the desktop for a browser; false where there is none.
fn open_browser(address: &str) -> bool {
    let (program, arguments): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("rundll32", &["url.dll,FileProtocolHandler"])
    } else if std::env::var_os("DISPLAY").is_some() || std::env::var_os("WAYLAND_DISPLAY").is_some() {
        ("xdg-open", &[])
    } else {
        return false;
    };
    Command::new(program)
        .args(arguments)
        .arg(address)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .is_ok()
}
