//! The reports of the frames that are done, on disk as they come, so that a stopped run goes on where it was; and the
//! same file as the result of a part of a run.
//!
//! After a head line that names the format, entries follow: length, checksum (CRC-32, ISO 3309), content. What a killed
//! program or a full disk left half written fails its checksum and is cut off.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use serde::{Deserialize, Serialize};

use super::{FrameReport, Inputs};
use crate::raster::{self, Limits};
use crate::run_record::InputFile;
use crate::{Error, Result};

/// First bytes of the file; the number goes up with the form of the entries.
const HEAD: &[u8] = b"thermal frame reports 3\n";
/// No report is longer; a longer entry is no entry.
const LONGEST: u32 = 1 << 28;

/// A report and what it was made from.
#[derive(Debug, Clone, Serialize, Deserialize)]
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

/// Reports of frames that are done.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: Mutex<File>,
    known: BTreeMap<String, Entry<FrameReport>>,
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
        let (entries, sound) = if start == Start::Resume { read(&mut file).map_err(fail)? } else { (Vec::new(), 0) };
        file.set_len(sound).and_then(|()| file.seek(SeekFrom::End(0))).map_err(fail)?;
        if sound == 0 {
            file.write_all(HEAD).map_err(fail)?;
        }
        let known = entries.into_iter().map(|e| (e.report.file.clone(), e)).collect();
        Ok(Self {
            path,
            file: Mutex::new(file),
            known,
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
    pub(super) fn find(&self, inputs: &Inputs, name: &str) -> Option<FrameReport> {
        let entry = self.known.get(name)?;
        let same = entry.key == self.key(inputs, name)
            && raster::read_bytes(&inputs.frame_path(name), &Limits::default())
                .is_ok_and(|bytes| InputFile::of_bytes(format!("frames/{name}"), &bytes) == entry.report.digest);
        (if same { &self.kept } else { &self.changed }).fetch_add(1, Ordering::Relaxed);
        same.then(|| entry.report.clone())
    }

    /// Writes a report down.
    pub(super) fn add(&self, inputs: &Inputs, report: &FrameReport) -> Result<()> {
        let fail = |e: io::Error| Error::io(&self.path, "write down the frames that are done", e);
        let entry = Entry { key: self.key(inputs, &report.file), report };
        let content = postcard::to_allocvec(&entry).map_err(|e| fail(io::Error::other(e)))?;
        let mut bytes = Vec::with_capacity(content.len() + 8);
        bytes.extend((content.len() as u32).to_le_bytes());
        bytes.extend(crc32fast::hash(&content).to_le_bytes());
        bytes.extend(content);
        let mut file = self.file.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        file.write_all(&bytes).map_err(fail)
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

/// Reads a file of reports, in the order of writing; of a frame that stands there twice the later holds.
///
/// # Errors
/// The file cannot be read, or is damaged.
pub(super) fn read_reports(path: &Path) -> Result<Vec<FrameReport>> {
    let mut file = crate::file::open_own(path)?;
    let mut read_file = || -> io::Result<(Vec<Entry<FrameReport>>, bool)> {
        let (entries, sound) = read(&mut file)?;
        Ok((entries, sound == file.metadata()?.len()))
    };
    let (entries, whole) = read_file().map_err(|e| Error::io(path, "read the part's reports", e))?;
    if !whole {
        return Err(Error::input(path, "content", "the file is damaged or cut off", "copy the part again"));
    }
    let by_name: BTreeMap<String, FrameReport> =
        entries.into_iter().map(|e| (e.report.file.clone(), e.report)).collect();
    Ok(by_name.into_values().collect())
}

/// Writes reports as one whole file.
pub(super) fn write_reports(path: &Path, reports: &[FrameReport]) -> Result<()> {
    let write = || -> io::Result<()> {
        let mut file = io::BufWriter::new(File::create_new(path)?);
        file.write_all(HEAD)?;
        for report in reports {
            let entry = Entry { key: String::new(), report };
            let content = postcard::to_allocvec(&entry).map_err(io::Error::other)?;
            file.write_all(&(content.len() as u32).to_le_bytes())?;
            file.write_all(&crc32fast::hash(&content).to_le_bytes())?;
            file.write_all(&content)?;
        }
        file.into_inner()?.sync_all()
    };
    write().map_err(|e| Error::io(path, "write the part's reports", e))
}

/// The sound entries from the start of a file, and where they end.
fn read(file: &mut File) -> io::Result<(Vec<Entry<FrameReport>>, u64)> {
    file.seek(SeekFrom::Start(0))?;
    let mut input = BufReader::new(file);
    let mut head = [0; HEAD.len()];
    if !fill(&mut input, &mut head)? || head != *HEAD {
        return Ok((Vec::new(), 0));
    }
    let (mut entries, mut sound) = (Vec::new(), HEAD.len() as u64);
    let mut content = Vec::new();
    let mut sizes = [0; 8];
    while fill(&mut input, &mut sizes)? {
        let [a, b, c, d, e, f, g, h] = sizes;
        let (length, sum) = (u32::from_le_bytes([a, b, c, d]), u32::from_le_bytes([e, f, g, h]));
        content.clear();
        if length > LONGEST || input.by_ref().take(u64::from(length)).read_to_end(&mut content)? < length as usize {
            break;
        }
        if crc32fast::hash(&content) != sum {
            break;
        }
        let Ok(mut entry) = postcard::from_bytes::<Entry<FrameReport>>(&content) else { break };
        let name: Arc<str> = entry.report.file.as_str().into();
        entry.report.modules.iter_mut().for_each(|module| module.frame.clone_from(&name));
        entries.push(entry);
        sound += 8 + u64::from(length);
    }
    Ok((entries, sound))
}

/// Reads until the buffer is full; `false` at the end of the file.
fn fill(input: &mut impl Read, buffer: &mut [u8]) -> io::Result<bool> {
    match input.read_exact(buffer) {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(e) => Err(e),
    }
}
