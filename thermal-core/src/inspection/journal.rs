//! The reports of the frames that are done, on disk as they come, so that a stopped run goes on where it was; and the
//! same file as the result of a part of a run.
//!
//! After a head line that names the format, pieces of a [`Shelf`] follow, two a frame: what is kept in memory of it, and the
//! records of its modules, which are read back from here when they are wanted. What a killed program or a full disk left half
//! written fails its checksum and is cut off.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use serde::{Deserialize, Serialize};

use super::{FrameReport, Inputs, Records};
use crate::raster::{self, Limits};
use crate::run_record::InputFile;
use crate::shelf::{Shelf, fill, piece_bytes, read_piece};
use crate::{Error, Result};

/// First bytes of the file; the number goes up with the form of the entries.
const HEAD: &[u8] = b"thermal frame reports 4\n";

/// A report without its records, and what it was made from.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Entry<Report> {
    /// Digest of the version, the settings and the frame's row of `frames.csv`.
    key: String,
    report: Report,
}

/// What becomes of the journal that a stopped run left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// There must be none.
    New,
    /// It is dropped.
    Anew,
    /// It is taken up.
    Resume,
}

/// Where in the file the pieces of a frame begin.
#[derive(Debug, Clone, Copy)]
struct Position {
    head: u64,
    records: u64,
}

/// Reports of frames that are done.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    shelf: Shelf,
    known: BTreeMap<String, Position>,
    settings: String,
    kept: AtomicUsize,
    changed: AtomicUsize,
}

impl Journal {
    /// Where the journal of a run folder stands: `.NAME.journal` beside it.
    ///
    /// # Errors
    /// The path of the run folder ends in no name.
    pub(crate) fn path_of(out: &Path) -> Result<PathBuf> {
        crate::output::beside(out, "journal")
    }

    /// Opens the journal of the run folder `out`.
    ///
    /// # Errors
    /// Another program is at it; the place cannot be written to; a stopped run left one and `start` is [`Start::New`].
    pub fn open(out: &Path, inputs: &Inputs, start: Start) -> Result<Self> {
        let path = Self::path_of(out)?;
        // What is there already is not asked of a disk that refuses everything: the message is to name the run.
        if let Some(above) = path.parent().filter(|above| !above.is_dir()) {
            std::fs::create_dir_all(above).map_err(|e| Error::io(above, "create the folder", e))?;
        }
        let fail = |e: io::Error| Error::io(&path, "write down the frames that are done", e);
        let mut file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(fail)?;
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => {
                let reason = "another run is being written there at this moment";
                return Err(Error::input(out, "output folder", reason, "wait for its end or name another folder"));
            }
            Err(TryLockError::Error(e)) if e.kind() != io::ErrorKind::Unsupported => return Err(fail(e)),
            _ => {}
        }
        crate::file::check_ordinary(&path, &file.metadata().map_err(fail)?)?;
        if start == Start::New && file.metadata().map_err(fail)?.len() > 0 {
            let reason = format!("a run into {} was stopped before its end", out.display());
            return Err(Error::argument("--out", reason, "give --resume to go on with it, or --force to begin anew"));
        }
        let (known, mut sound) = if start == Start::Resume { scan(&mut file).map_err(fail)? } else { (Vec::new(), 0) };
        file.set_len(sound).and_then(|()| file.seek(SeekFrom::End(0))).map_err(fail)?;
        if sound == 0 {
            file.write_all(HEAD).map_err(fail)?;
            sound = HEAD.len() as u64;
        }
        Ok(Self {
            shelf: Shelf::over(&path, file, sound),
            path,
            known: known.into_iter().collect(),
            settings: settings_key(inputs),
            kept: AtomicUsize::new(0),
            changed: AtomicUsize::new(0),
        })
    }

    /// Frames taken over from the stopped run.
    pub fn kept(&self) -> usize {
        self.kept.load(Ordering::Relaxed)
    }

    /// Frames that the stopped run had done, but from other content or settings; they are done again.
    pub fn changed(&self) -> usize {
        self.changed.load(Ordering::Relaxed)
    }

    /// The report of a frame, if it was made of the same content with the same settings.
    pub(super) fn find(&self, inputs: &Inputs, name: &str) -> Result<Option<FrameReport>> {
        let Some(position) = self.known.get(name) else { return Ok(None) };
        let entry = read_entry(&self.shelf, position)?;
        let same = entry.key == self.key(inputs, name)
            && raster::read_bytes(&inputs.frame_path(name), &Limits::default())
                .is_ok_and(|bytes| InputFile::of_bytes(format!("frames/{name}"), &bytes) == entry.report.digest);
        (if same { &self.kept } else { &self.changed }).fetch_add(1, Ordering::Relaxed);
        Ok(same.then_some(entry.report))
    }

    /// Writes a report down; its records are read back from here.
    pub(super) fn add(&self, inputs: &Inputs, mut report: FrameReport, records: Records) -> Result<FrameReport> {
        let entry = Entry { key: self.key(inputs, &report.file), report: &report };
        report.records = self.shelf.put_behind(&entry, records)?;
        Ok(report)
    }

    /// Takes the journal away once the run folder stands.
    ///
    /// # Errors
    /// The file cannot be removed.
    pub fn remove(self) -> Result<()> {
        Self::remove_at(&self.path)
    }

    /// Takes away the journal at `path`, if it is there.
    pub(super) fn remove_at(path: &Path) -> Result<()> {
        match std::fs::remove_file(path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => {
                Err(Error::io(path, "remove the journal of the finished run", e))
            }
            _ => Ok(()),
        }
    }

    fn key(&self, inputs: &Inputs, name: &str) -> String {
        let row = inputs.sidecar.get(name);
        InputFile::of_bytes("", format!("{}\n{row:?}", self.settings).as_bytes()).sha256
    }
}

/// Digest of the version and of all settings that a frame's report depends on: those of irradiance and severity do not
/// come in before the frames are brought together.
pub(super) fn settings_key(inputs: &Inputs) -> String {
    let mut settings = inputs.settings.clone();
    settings.irradiance = crate::settings::Irradiance::default();
    settings.severity = crate::settings::Severity::default();
    settings.site.name.clear();
    settings.sources.clear();
    InputFile::of_bytes("", format!("{}\n{settings:?}", env!("CARGO_PKG_VERSION")).as_bytes()).sha256
}

/// Reads a file of reports, in the order of their names; of a frame that stands there twice the later holds.
///
/// # Errors
/// The file cannot be read, or is damaged.
pub(super) fn read_reports(path: &Path) -> Result<Vec<FrameReport>> {
    let mut file = crate::file::open_own(path)?;
    let mut read_file = || -> io::Result<(Vec<(String, Position)>, bool)> {
        let (found, sound) = scan(&mut file)?;
        Ok((found, sound == file.metadata()?.len()))
    };
    let (found, whole) = read_file().map_err(|e| Error::io(path, "read the part's reports", e))?;
    if !whole {
        return Err(Error::input(path, "content", "the file is damaged or cut off", "copy the part again"));
    }
    let shelf = Shelf::over(path, file, 0);
    let by_name: BTreeMap<String, Position> = found.into_iter().collect();
    by_name.values().map(|position| Ok(read_entry(&shelf, position)?.report)).collect()
}

/// Writes reports as one whole file.
pub(super) fn write_reports(path: &Path, reports: &[FrameReport]) -> Result<()> {
    let fail = |e: io::Error| Error::io(path, "write the part's reports", e);
    let mut file = File::create_new(path).map_err(fail)?;
    file.write_all(HEAD).map_err(fail)?;
    let shelf = Shelf::over(path, file, HEAD.len() as u64);
    for report in reports {
        shelf.put_behind(&Entry { key: String::new(), report }, report.records.read()?)?;
    }
    shelf.sync()
}

/// Reads an entry; its records stay where they are.
fn read_entry(shelf: &Shelf, position: &Position) -> Result<Entry<FrameReport>> {
    let mut entry = shelf.at::<Entry<FrameReport>>(position.head).read()?;
    entry.report.records = shelf.at(position.records);
    Ok(entry)
}

/// The names and positions of the sound entries from the start of a file, and where they end.
fn scan(file: &mut File) -> io::Result<(Vec<(String, Position)>, u64)> {
    file.seek(SeekFrom::Start(0))?;
    let mut input = BufReader::new(file);
    let mut head = [0; HEAD.len()];
    if !fill(&mut input, &mut head)? || head != *HEAD {
        return Ok((Vec::new(), 0));
    }
    let (mut found, mut sound) = (Vec::new(), HEAD.len() as u64);
    let mut content = Vec::new();
    while read_piece(&mut input, &mut content)? {
        let Ok(entry) = postcard::from_bytes::<Entry<FrameReport>>(&content) else { break };
        let position = Position { head: sound, records: sound + piece_bytes(&content) };
        if !read_piece(&mut input, &mut content)? || postcard::from_bytes::<Records>(&content).is_err() {
            break;
        }
        found.push((entry.report.file, position));
        sound = position.records + piece_bytes(&content);
    }
    Ok((found, sound))
}
