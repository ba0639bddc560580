//! Input files read whole: ordinary files only (a named pipe would wait for ever), and no more bytes than a limit.

use std::fs::{File, Metadata};
use std::io::{Read, Take};
use std::path::Path;

use crate::{Error, Result};

/// Tables, settings and maps: more than any plant needs, less than a small machine's memory.
const MAX_TEXT_BYTES: u64 = 256 << 20;

/// What a file is read for, in words for the errors.
struct Use<'a> {
    /// Its use.
    name: &'a str,
    /// The remedy where it is no ordinary file.
    give: &'a str,
    /// The remedy where it has too many bytes.
    smaller: &'a str,
}

const TEXT: Use<'_> =
    Use { name: "a text file", give: "give a text file", smaller: "give a part of it, or thin it out" };

/// Something stands under this name, be it a link to nothing: what a folder holds is read or refused, never passed over.
pub(crate) fn is_there(path: &Path) -> bool {
    !std::fs::symlink_metadata(path).is_err_and(|e| e.kind() == std::io::ErrorKind::NotFound)
}

/// Whether two looks at files found one and the same.
#[cfg(unix)]
pub(crate) fn is_same(a: &Metadata, b: &Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    (a.dev(), a.ino()) == (b.dev(), b.ino())
}

/// Whether two looks at files found one and the same, as far as the system tells.
#[cfg(not(unix))]
pub(crate) fn is_same(a: &Metadata, b: &Metadata) -> bool {
    a.created().ok() == b.created().ok()
}

/// Refuses pipes, devices and folders where the program keeps a file of its own.
///
/// # Errors
/// [`Error::Input`].
pub(crate) fn check_ordinary(path: &Path, meta: &Metadata) -> Result<()> {
    let remedy = "take it away, or put the file back that the program wrote there";
    if meta.is_file() { Ok(()) } else { Err(Error::input(path, "file", "it is no ordinary file", remedy)) }
}

/// A file that the program wrote, of any length, opened for reading.
///
/// # Errors
/// [`Error::Io`]; [`Error::Input`] where something else has its name.
pub(crate) fn open_own(path: &Path) -> Result<File> {
    let opened = |e| Error::io(path, "open the file for reading", e);
    check_ordinary(path, &std::fs::metadata(path).map_err(opened)?)?;
    File::open(path).map_err(opened)
}

/// An ordinary file of at most `most` bytes, opened, and its length.
fn open(path: &Path, most: u64, used: &Use<'_>) -> Result<(File, u64)> {
    let opened = |e| Error::io(path, "open the file for reading", e);
    // Asked before opening: opening a named pipe would wait for a writer.
    let meta = std::fs::metadata(path).map_err(opened)?;
    if !meta.is_file() {
        return Err(Error::input(path, "file", "it is no ordinary file", used.give));
    }
    within(path, meta.len(), most, used)?;
    Ok((File::open(path).map_err(opened)?, meta.len()))
}

fn within(path: &Path, length: u64, most: u64, used: &Use<'_>) -> Result<()> {
    let reason = format!("it has more than the {most} bytes allowed for {}", used.name);
    if length <= most { Ok(()) } else { Err(Error::input(path, "file", reason, used.smaller)) }
}

/// The bytes of a file of at most `most` bytes. `use_for` names its use, `give` and `smaller` are the remedies where it is no
/// ordinary file or has too many bytes.
///
/// # Errors
/// [`Error::Io`] where the system refuses; [`Error::Input`] where it is no ordinary file or beyond the limit.
pub(crate) fn read(path: &Path, most: u64, use_for: &str, give: &str, smaller: &str) -> Result<Vec<u8>> {
    read_all(path, most, &Use { name: use_for, give, smaller })
}

fn read_all(path: &Path, most: u64, used: &Use<'_>) -> Result<Vec<u8>> {
    let (file, length) = open(path, most, used)?;
    // One byte more than its length, so that the end is seen without growing.
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0).saturating_add(1));
    file.take(most.saturating_add(1)).read_to_end(&mut bytes).map_err(|e| Error::io(path, "read the file", e))?;
    // It may have grown meanwhile.
    within(path, bytes.len() as u64, most, used)?;
    Ok(bytes)
}

/// A table or map opened to be read piece by piece, no further than its limit.
///
/// # Errors
/// As [`read`].
pub(crate) fn open_plain(path: &Path) -> Result<Take<File>> {
    Ok(open(path, MAX_TEXT_BYTES, &TEXT)?.0.take(MAX_TEXT_BYTES))
}

/// The bytes of a table, of settings or of a map.
///
/// # Errors
/// As [`read`].
pub(crate) fn read_plain(path: &Path) -> Result<Vec<u8>> {
    read_all(path, MAX_TEXT_BYTES, &TEXT)
}

/// The text of a file in UTF-8, without the byte order mark that some editors put before it.
///
/// # Errors
/// As [`read`], and [`Error::Input`] with the line where it is not UTF-8.
pub(crate) fn read_text(path: &Path) -> Result<String> {
    let mut text = String::from_utf8(read_plain(path)?).map_err(|e| {
        let valid = e.as_bytes().get(..e.utf8_error().valid_up_to()).unwrap_or_default();
        let line = valid.split(|b| *b == b'\n').count();
        Error::input(path, format!("line {line}"), "the text is not UTF-8", "save the file with UTF-8 encoding")
    })?;
    if text.starts_with('\u{feff}') {
        text.drain(..'\u{feff}'.len_utf8());
    }
    Ok(text)
}
