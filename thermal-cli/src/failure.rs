//! What makes a subcommand stop, with its exit code.

use std::{io, process::ExitCode};

use thermal_core::Error;

/// Why a subcommand stopped before it was done.
#[derive(Debug)]
pub(crate) enum Failure {
    /// The library refused.
    Library(Error),
    /// The options contradict each other or miss something.
    Usage(String),
    /// Something outside the library failed while running.
    Runtime(String),
    /// Nobody reads the output any more (`thermal ... | head`): no failure for a person.
    OutputClosed,
}

impl Failure {
    /// Says on stderr what happened and gives the exit code.
    pub(crate) fn report(&self) -> ExitCode {
        let (message, code) = match self {
            Self::Library(error @ Error::Argument { .. }) => (error.to_string(), 2),
            Self::Library(error) => (error.to_string(), 1),
            Self::Usage(message) => (message.clone(), 2),
            Self::Runtime(message) => (message.clone(), 1),
            Self::OutputClosed => return ExitCode::SUCCESS,
        };
        eprintln!("thermal: {message}");
        ExitCode::from(code)
    }
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Self::Library(error)
    }
}

impl From<io::Error> for Failure {
    /// An error of standard output; files carry their name in [`Error::Io`].
    fn from(error: io::Error) -> Self {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Self::OutputClosed
        } else {
            Self::Runtime(format!("standard output: cannot write: {error}"))
        }
    }
}
