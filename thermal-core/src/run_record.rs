//! What a run leaves on record beside its tables: `run.json` and `skipped.csv`.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::finding::{Table, column, text};
use crate::output::write_atomic;
use crate::settings::Assumed;
use crate::{Error, Result};

/// Name of the record in a run folder; a folder with this file in it is a run.
pub const RUN_FILE: &str = "run.json";

/// The record of a run. It alone holds wall times, so that all other files of a run depend on its input only.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunRecord {
    /// The program's version.
    pub version: String,
    /// The command line, word by word.
    pub command: Vec<String>,
    /// Every setting with its value and where it came from.
    pub settings: Vec<Assumed>,
    /// Every file that was read, by name.
    pub inputs: Vec<InputFile>,
    /// The inspection folder, as an absolute path where it could be told; empty in records of older versions.
    #[serde(default)]
    pub folder: String,
    /// Time of the first frame.
    #[serde(default)]
    pub first_capture_at: Option<jiff::Timestamp>,
    /// Time of the last frame.
    #[serde(default)]
    pub last_capture_at: Option<jiff::Timestamp>,
    /// Every other file of the run folder as the run left it; empty in records of older versions.
    #[serde(default)]
    pub outputs: Vec<InputFile>,
    /// How many of what: `frames`, `frames_used`, `modules`, `findings`, ...
    pub counts: BTreeMap<String, u64>,
    /// Start, UTC.
    pub started_at: jiff::Timestamp,
    /// End, UTC.
    pub finished_at: jiff::Timestamp,
}

/// An input file and its digest.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputFile {
    /// Path relative to the inspection folder, with `/` between the names.
    pub file: String,
    /// Size.
    pub bytes: u64,
    /// SHA-256 (FIPS 180-4) of the content, in hexadecimal digits.
    pub sha256: String,
}

impl RunRecord {
    /// A record that begins now, of this version of the library.
    pub fn begin(command: Vec<String>) -> Self {
        let now = jiff::Timestamp::now();
        Self {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command,
            settings: vec![],
            inputs: vec![],
            folder: String::new(),
            first_capture_at: None,
            last_capture_at: None,
            outputs: vec![],
            counts: BTreeMap::new(),
            started_at: now,
            finished_at: now,
        }
    }

    /// Sets the end to now, takes the digests of what the run folder holds, and writes `run.json` into it: the last
    /// thing that a run does.
    pub fn finish(mut self, folder: &Path) -> Result<()> {
        // A clock that was set back meanwhile does not make a run end before it began.
        self.finished_at = jiff::Timestamp::now().max(self.started_at);
        self.inputs.sort_by(|a, b| a.file.cmp(&b.file));
        self.outputs = digests(folder)?.into_iter().filter(|output| output.file != RUN_FILE).collect();
        let path = folder.join(RUN_FILE);
        let json = serde_json::to_string_pretty(&self)
            .map_err(|error| Error::input(&path, "JSON", error.to_string(), "report this as a fault of the program"))?;
        write_atomic(&path, format!("{json}\n").as_bytes())
    }

    /// Reads the record of a run folder.
    ///
    /// # Errors
    /// The file is missing or is not such a record; the message names line and column.
    pub fn read(folder: &Path) -> Result<Self> {
        let path = folder.join(RUN_FILE);
        let json = crate::file::read_plain(&path)?;
        serde_json::from_slice(&json).map_err(|error| {
            let place = format!("line {}, column {}", error.line(), error.column());
            Error::input(
                &path,
                place,
                error.to_string(),
                "the folder is no run of this version; run the inspection again",
            )
        })
    }
}

impl InputFile {
    /// The digest of a file that is in memory already.
    pub(crate) fn of_bytes(file: impl Into<String>, content: &[u8]) -> Self {
        Self { file: file.into(), bytes: content.len() as u64, sha256: hex(&Sha256::digest(content)) }
    }

    /// The digest of a file, read in pieces; `file` is the name for the record.
    pub(crate) fn of_file(file: impl Into<String>, path: &Path) -> Result<Self> {
        let fail = |source| Error::io(path, "read the file", source);
        let mut input = crate::file::open_own(path)?;
        let (mut hasher, mut piece, mut bytes) = (Sha256::new(), vec![0; 1 << 16], 0);
        loop {
            let count = input.read(&mut piece).map_err(fail)?;
            if count == 0 {
                return Ok(Self { file: file.into(), bytes, sha256: hex(&hasher.finalize()) });
            }
            hasher.update(piece.get(..count).unwrap_or_default());
            bytes += count as u64;
        }
    }
}

/// The digests of all files in a folder and below, by name; names that begin with a point are left out.
///
/// # Errors
/// [`Error::Io`] where a file cannot be read.
pub fn digests(folder: &Path) -> Result<Vec<InputFile>> {
    files_below(folder)?.into_iter().map(|(name, path)| InputFile::of_file(name, &path)).collect()
}

/// Name and path of all files in a folder and below, by name, `/` between its parts; names that begin with a point are
/// left out.
///
/// # Errors
/// [`Error::Io`] where a folder cannot be listed.
pub(crate) fn files_below(folder: &Path) -> Result<Vec<(String, PathBuf)>> {
    let mut found = Vec::new();
    let mut open = vec![(folder.to_owned(), String::new())];
    while let Some((place, above)) = open.pop() {
        let entries = std::fs::read_dir(&place).map_err(|source| Error::io(&place, "list the folder", source))?;
        for entry in entries {
            let entry = entry.map_err(|source| Error::io(&place, "list the folder", source))?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.starts_with('.') {
                continue;
            }
            let path = entry.path();
            let name = format!("{above}{name}");
            // A link to a folder is not followed: it may lead back here.
            if entry.file_type().map_err(|source| Error::io(&path, "look at the file", source))?.is_dir() {
                open.push((path, format!("{name}/")));
            } else {
                found.push((name, path));
            }
        }
    }
    found.sort();
    Ok(found)
}

fn hex(digest: &[u8]) -> String {
    digest.iter().fold(String::new(), |text, byte| text + &format!("{byte:02x}"))
}

/// An input that was not used: a line of `skipped.csv`.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Skipped {
    /// The file, relative to the inspection folder.
    pub file: String,
    /// Why, with the place in the file.
    pub reason: String,
    /// What can be done about it.
    pub remedy: String,
}

impl Skipped {
    /// The line for an error that made a file useless.
    pub fn new(file: impl Into<String>, error: &Error) -> Self {
        let (reason, remedy) = match error {
            Error::Io { action, source, .. } => {
                (format!("cannot {action}: {source}"), "see that the file is there and can be read".to_owned())
            }
            Error::Input { place, reason, remedy, .. } => (format!("{place}: {reason}"), remedy.clone()),
            Error::Argument { name, reason, remedy } => (format!("{name}: {reason}"), remedy.clone()),
        };
        Self { file: file.into(), reason, remedy }
    }
}

/// `skipped.csv`: a line for each input that was not used.
pub(crate) static SKIPPED: Table<Skipped> = Table {
    name: "skipped",
    title: "Inputs not used",
    description: "One line for each file that was not used",
    key: None,
    most_lines: 10_000_000,
    columns: &[
        column!(text("file", "The file, relative to the inspection folder").required(), file),
        column!(text("reason", "Why it was not used").required(), reason),
        column!(text("remedy", "What can be done about it"), remedy),
    ],
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_those_of_the_standard() {
        // NIST's examples for FIPS 180-4 (SHA256.pdf: "abc") and its long test vector, a million times "a".
        let abc = InputFile::of_bytes("abc", b"abc");
        assert_eq!(abc.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        std::fs::write(&path, vec![b'a'; 1_000_000]).unwrap();
        let long = InputFile::of_file("a", &path).unwrap();
        assert_eq!(long.sha256, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
        assert_eq!(long.bytes, 1_000_000);
        assert_eq!(InputFile::of_bytes("a", &vec![b'a'; 1_000_000]), long);
    }

    #[test]
    fn a_record_reads_back() {
        let folder = tempfile::tempdir().unwrap();
        let mut record = RunRecord::begin(vec!["thermal".to_owned(), "inspect".to_owned()]);
        record.inputs = vec![InputFile::of_bytes("frames/b.tif", b"b"), InputFile::of_bytes("frames/a.tif", b"a")];
        record.settings = crate::settings::Settings::default().assumed();
        record.counts.insert("frames".to_owned(), 2);
        record.clone().finish(folder.path()).unwrap();
        let back = RunRecord::read(folder.path()).unwrap();
        assert!(back.finished_at >= back.started_at && back.started_at == record.started_at);
        assert_eq!((&back.settings, &back.counts), (&record.settings, &record.counts));
        assert_eq!(back.inputs[0].file, "frames/a.tif");
        std::fs::write(folder.path().join(RUN_FILE), "{\n\"version\": 1}").unwrap();
        let message = RunRecord::read(folder.path()).unwrap_err().to_string();
        assert!(
            message.contains("run.json: line 2, column ") && message.contains("run the inspection again"),
            "{message}"
        );
    }

    #[test]
    fn a_skipped_file_carries_place_reason_and_remedy() {
        let error = Error::input("x", "strip 3", "the file is cut short", "copy it again");
        let io = Error::io("x", "open the file", std::io::Error::other("no"));
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("skipped.csv");
        let lines = [Skipped::new("frames/f, 1.tif", &error), Skipped::new("b", &io)];
        SKIPPED.write_csv(&path, &lines).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(
            text,
            "file,reason,remedy\n\"frames/f, 1.tif\",strip 3: the file is cut short,copy it again\n\
             b,cannot open the file: no,see that the file is there and can be read\n"
        );
        assert_eq!(SKIPPED.read_csv(&path).unwrap(), lines);
    }
}
