//! What a person sees: results on stdout, notes and progress on stderr, and those only where someone may look.

use std::{
    io::{self, Write},
    time::Duration,
};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Writes a result to stdout, ending with a new line.
pub(crate) fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(text.as_bytes())?;
    if !text.ends_with('\n') {
        out.write_all(b"\n")?;
    }
    out.flush()
}

/// Where a subcommand notes what it is doing.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Console {
    quiet: bool,
}

impl Console {
    pub(crate) fn new(quiet: bool) -> Self {
        Self { quiet }
    }

    /// Writes a note to stderr, unless quiet.
    pub(crate) fn note(self, text: &str) {
        if !self.quiet {
            eprintln!("{text}");
        }
    }

    /// Says on stderr what was left out or assumed; also when quiet, since the result depends on it.
    pub(crate) fn warn(text: &str) {
        eprintln!("{text}");
    }

    /// A progress bar over `steps` on stderr; it draws nothing in a pipe or when quiet.
    pub(crate) fn progress(self, steps: u64, what: &'static str) -> ProgressBar {
        let target = if self.quiet { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
        let bar = ProgressBar::with_draw_target(Some(steps), target).with_message(what);
        if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len}, {eta} left") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(200));
        bar
    }
}
