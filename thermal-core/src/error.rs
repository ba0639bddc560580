//! The one error type of the library: every message names the file, the place, the reason and the remedy.

use std::path::{Path, PathBuf};

/// What can go wrong in the library.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The operating system refused to read or write.
    #[error("{}: cannot {action}: {source}{}", path.display(), remedy(source))]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was tried, as a verb phrase: "open the file for reading".
        action: &'static str,
        /// The system's own reason.
        source: std::io::Error,
    },
    /// The content of an input file cannot be used.
    #[error("{}: {place}: {reason}; {remedy}", path.display())]
    Input {
        /// The file.
        path: PathBuf,
        /// The tag, strip, line, column or key.
        place: String,
        /// Why it cannot be used.
        reason: String,
        /// What the reader can do about it.
        remedy: String,
    },
    /// A value given by the caller is out of its range.
    #[error("{name}: {reason}; {remedy}")]
    Argument {
        /// The option or parameter.
        name: String,
        /// Why it cannot be used.
        reason: String,
        /// What to give instead.
        remedy: String,
    },
}

/// Result with the library's [`Error`].
pub type Result<T> = std::result::Result<T, Error>;

/// What the reader can do about a refusal of the system, where that is known.
fn remedy(source: &std::io::Error) -> &'static str {
    use std::io::ErrorKind;
    // The kind of a circle of links has no stable name yet (`ErrorKind::FilesystemLoop`): ELOOP of the system.
    let circle = if cfg!(target_os = "linux") { 40 } else { 62 };
    if cfg!(unix) && source.raw_os_error() == Some(circle) {
        return "; links lead round in a circle: put the file itself in the place of the link";
    }
    match source.kind() {
        ErrorKind::PermissionDenied => "; use a place that is yours to write to (for an input: a copy of your own)",
        ErrorKind::ReadOnlyFilesystem => "; the disk is read-only: copy the folder to another, or write to another",
        ErrorKind::NotFound => "; look whether the path is right, and whether a link leads nowhere",
        ErrorKind::IsADirectory => "; a folder has the name of a file: rename it, or name another",
        ErrorKind::NotADirectory => "; a file has the name of a folder: rename it, or name another",
        ErrorKind::AlreadyExists => "; a file or a link has this name: take it away, or name another",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "; free some space, then give the same command again",
        _ => "",
    }
}

impl Error {
    /// An [`Error::Io`].
    pub fn io(path: impl AsRef<Path>, action: &'static str, source: std::io::Error) -> Self {
        Self::Io { path: path.as_ref().to_owned(), action, source }
    }

    /// An [`Error::Input`].
    pub fn input(
        path: impl AsRef<Path>,
        place: impl Into<String>,
        reason: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self::Input {
            path: path.as_ref().to_owned(),
            place: place.into(),
            reason: reason.into(),
            remedy: remedy.into(),
        }
    }

    /// An [`Error::Argument`].
    pub fn argument(name: impl Into<String>, reason: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Argument { name: name.into(), reason: reason.into(), remedy: remedy.into() }
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_circle_of_links_is_told_with_its_way_out() {
        let folder = tempfile::tempdir().unwrap();
        let [a, b] = ["a.csv", "b.csv"].map(|name| folder.path().join(name));
        std::os::unix::fs::symlink(&a, &b).unwrap();
        std::os::unix::fs::symlink(&b, &a).unwrap();
        let error = Error::io(&a, "open the file", std::fs::File::open(&a).unwrap_err()).to_string();
        assert!(error.ends_with("put the file itself in the place of the link"), "{error}");
    }
}
