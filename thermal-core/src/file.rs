//! Input files read whole: ordinary files only (a named pipe would wait for ever), and no more bytes than a limit.

use std::io::Read;
use std::path::Path;

use crate::{Error, Result};

/// Tables, settings and maps: more than any plant needs, less than a small machine's memory.
const MAX_TEXT_BYTES: u64 = 256 << 20;

/// The bytes of a file of at most `most` bytes. `use_for` names its use, `give` and `smaller` are the remedies where it is no
/// ordinary file or has too many bytes.
///
/// # Errors
/// [`Error::Io`] where the system refuses; [`Error::Input`] where it is no ordinary file or beyond the limit.
pub(crate) fn read(path: &Path, most: u64, use_for: &str, give: &str, smaller: &str) -> Result<Vec<u8>> {
    let opened = |e| Error::io(path, "open the file for reading", e);
    // Asked before opening: opening a named pipe would wait for a writer.
    let meta = std::fs::metadata(path).map_err(opened)?;
    if !meta.is_file() {
        return Err(Error::input(path, "file", "it is no ordinary file", give));
    }
    let within = |length: u64| {
        let reason = format!("it has more than the {most} bytes allowed for {use_for}");
        if length <= most { Ok(()) } else { Err(Error::input(path, "file", reason, smaller)) }
    };
    within(meta.len())?;
    // One byte more than its length, so that the end is seen without growing.
    let mut bytes = Vec::with_capacity(usize::try_from(meta.len()).unwrap_or(0).saturating_add(1));
    let file = std::fs::File::open(path).map_err(opened)?;
    file.take(most.saturating_add(1)).read_to_end(&mut bytes).map_err(|e| Error::io(path, "read the file", e))?;
    // It may have grown meanwhile.
    within(bytes.len() as u64)?;
    Ok(bytes)
}

/// The bytes of a table, of settings or of a map.
///
/// # Errors
/// As [`read`].
pub(crate) fn read_plain(path: &Path) -> Result<Vec<u8>> {
    let smaller = "give a part of it, or thin it out";
    read(path, MAX_TEXT_BYTES, "a text file", "give a text file", smaller)
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
