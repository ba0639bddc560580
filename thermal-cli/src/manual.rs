//! `thermal manual`: man pages and shell completions, made from the definitions that `--help` shows.

use std::fs;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::CommandFactory;
use clap_complete::{Shell, generate_to};
use thermal_core::Error;

use crate::{Cli, console::print, failure::Failure};

/// For the one who installs: writes man pages and shell completions
///
/// DIR receives man1/ with a page for the program and each subcommand, and completions/ for bash, zsh, fish, elvish and
/// PowerShell. Put them where your system looks for them: the last lines printed say where that usually is.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  thermal manual manual\n  man manual/man1/thermal-inspect.1")]
pub(crate) struct Args {
    /// Folder to write
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

pub(crate) fn run(args: &Args) -> Result<ExitCode, Failure> {
    let (pages, completions) = (args.folder.join("man1"), args.folder.join("completions"));
    let fail = |path: &PathBuf| {
        let path = path.clone();
        move |source| Failure::Library(Error::io(path, "write", source))
    };
    for folder in [&pages, &completions] {
        fs::create_dir_all(folder).map_err(fail(folder))?;
    }
    let command = Cli::command();
    clap_mangen::generate_to(command.clone(), &pages).map_err(fail(&pages))?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::Elvish, Shell::PowerShell] {
        generate_to(shell, &mut command.clone(), "thermal", &completions).map_err(fail(&completions))?;
    }
    print(&format!(
        "Man pages: {}, for ~/.local/share/man/man1\n\
         Completions: {}; bash: ~/.local/share/bash-completion/completions/thermal (from thermal.bash), zsh: a folder of \
         $fpath (_thermal), fish: ~/.config/fish/completions (thermal.fish)",
        pages.display(),
        completions.display()
    ))?;
    Ok(ExitCode::SUCCESS)
}
