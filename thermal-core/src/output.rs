//! Writing so that nothing half done ever bears a final name: bytes go to a temporary name beside the place and are
//! moved there when they are whole and on the disk.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use crate::run_record::RUN_FILE;
use crate::{Error, Result};

/// Name of the log of a reviewer's decisions in a run folder.
pub(crate) const DECISIONS_FILE: &str = "decisions.jsonl";
/// Name of the record of a comparison; a folder with this file in it is one.
pub(crate) const COMPARISON_FILE: &str = "comparison.json";
/// Name of the file in a staged folder that a running program holds locked.
const LOCK: &str = ".lock";

/// Writes a file in one step: a reader sees the old content or the new, never a part.
///
/// # Errors
/// [`Error::Io`]; the old content is then untouched.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> Result<()> {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let number = COUNT.fetch_add(1, Ordering::Relaxed);
    let temporary = beside(path, &format!("{}-{number}.part", std::process::id()))?;
    let written = (|| {
        let mut file = File::create(&temporary)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&temporary, path)
    })();
    written.and_then(|()| sync_folder(&parent(path))).map_err(|source| {
        // The first error is the one that tells the reader something.
        let _ = fs::remove_file(&temporary);
        Error::io(path, "write the file", source)
    })
}

/// A folder that is built under a temporary name beside its place and moved there when it is whole.
///
/// Without [`StagedFolder::commit`] it is removed when dropped. Of two programs that stage the same folder the second
/// is refused; what a killed one left behind is removed by the next.
#[derive(Debug)]
pub(crate) struct StagedFolder {
    target: PathBuf,
    staging: PathBuf,
    force: bool,
    /// Held until the end: its lock says that the staged folder is in use.
    lock: Option<File>,
}

impl StagedFolder {
    /// Starts a folder that shall become `target`; folders above it are made where they are missing.
    ///
    /// `force`: a run that stands there already is replaced at the end.
    ///
    /// # Errors
    /// `target` is a file, or a folder with something in it and no `force`, or one that is no run at all; another
    /// program stages it; the place cannot be written to.
    pub(crate) fn new(target: &Path, force: bool) -> Result<Self> {
        let staging = beside(target, "part")?;
        let above = parent(target);
        fs::create_dir_all(&above).map_err(|source| Error::io(&above, "create the folder", source))?;
        restore(target)?;
        check_place(target, force)?;
        let lock = take(&staging, target)?;
        Ok(Self { target: target.to_owned(), staging, force, lock: Some(lock) })
    }

    /// Where to write meanwhile.
    pub(crate) fn path(&self) -> &Path {
        &self.staging
    }

    /// Brings the folder to the disk and moves it to its place. A run that it replaces changes names with it in one step
    /// and is removed after that. Where the file system cannot do that, and the machine stops between moving the old
    /// run away and the new one in, the next [`StagedFolder::new`] finds the old run and puts it back.
    ///
    /// # Errors
    /// [`Error::Io`], or the place has been taken in the meantime. The old folder then stands as it was.
    pub(crate) fn commit(mut self) -> Result<()> {
        check_place(&self.target, self.force)?;
        let fail = |source| Error::io(&self.target, "move the finished folder into place", source);
        sync_tree(&self.staging).map_err(fail)?;
        let replaces = self.target.exists();
        if replaces && exchange(&self.staging, &self.target).map_err(fail)? {
            // The replaced run now bears the temporary name.
            self.lock = None;
            return tidy(&self.target)
                .and_then(|()| remove(&self.staging))
                .map_err(|source| Error::io(&self.target, "tidy up beside the finished folder", source));
        }
        let old = beside(&self.target, "old")?;
        if replaces {
            remove(&old).and_then(|()| fs::rename(&self.target, &old)).map_err(fail)?;
        }
        if let Err(source) = fs::rename(&self.staging, &self.target) {
            if replaces {
                // Nothing better is left to do if the way back is closed too: `restore` finds it.
                let _ = fs::rename(&old, &self.target);
            }
            return Err(fail(source));
        }
        self.lock = None;
        tidy(&self.target)
            .and_then(|()| if replaces { remove(&old) } else { Ok(()) })
            .map_err(|source| Error::io(&self.target, "tidy up beside the finished folder", source))
    }
}

impl Drop for StagedFolder {
    fn drop(&mut self) {
        // `None` after a commit: a folder of that name is then another program's.
        if self.lock.is_some() {
            let _ = fs::remove_dir_all(&self.staging);
        }
    }
}

/// Takes away what a program that was killed in the last moment of [`StagedFolder::commit`] left in the finished folder.
pub(crate) fn tidy(target: &Path) -> io::Result<()> {
    remove(&target.join(LOCK)).and_then(|()| sync_folder(&parent(target)))
}

/// Lets two folders change their names in one step, so that at no moment nothing stands under the final name; `false`
/// where the file system cannot.
#[cfg(target_os = "linux")]
fn exchange(a: &Path, b: &Path) -> io::Result<bool> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    match renameat_with(CWD, a, CWD, b, RenameFlags::EXCHANGE) {
        Ok(()) => Ok(true),
        Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => Ok(false),
        Err(error) => Err(error.into()),
    }
}

/// Only Linux offers it here.
#[cfg(not(target_os = "linux"))]
#[allow(clippy::unnecessary_wraps)]
fn exchange(_: &Path, _: &Path) -> io::Result<bool> {
    Ok(false)
}

/// Makes the staged folder and locks it, or takes over what a killed program left.
fn take(staging: &Path, target: &Path) -> Result<File> {
    let fail = |source| Error::io(staging, "prepare the output folder", source);
    match fs::create_dir(staging) {
        Err(source) if source.kind() != io::ErrorKind::AlreadyExists => return Err(fail(source)),
        _ => {}
    }
    if !fs::symlink_metadata(staging).map_err(fail)?.is_dir() {
        let remedy = "remove it or name another output folder";
        return Err(Error::input(staging, "output folder", "something that is no folder has this name", remedy));
    }
    let path = staging.join(LOCK);
    // A pipe would wait for a reader.
    if let Ok(meta) = fs::symlink_metadata(&path) {
        crate::file::check_ordinary(&path, &meta)?;
    }
    let lock = File::create(path).map_err(fail)?;
    match lock.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let reason = "another run is being written there at this moment";
            return Err(Error::input(target, "output folder", reason, "wait for its end or name another folder"));
        }
        // A file system without locks.
        Err(TryLockError::Error(source)) if source.kind() == io::ErrorKind::Unsupported => {}
        Err(TryLockError::Error(source)) => return Err(fail(source)),
    }
    for entry in fs::read_dir(staging).map_err(fail)? {
        let entry = entry.map_err(fail)?;
        if entry.file_name() != LOCK {
            remove(&entry.path()).map_err(fail)?;
        }
    }
    Ok(lock)
}

/// Whether a run may be put there: to be asked before hours of work.
///
/// # Errors
/// The place is a file, or a folder with something in it and no `force`, or one that is no run at all.
pub fn check_place(target: &Path, force: bool) -> Result<()> {
    let refuse = |reason: &str, remedy: &str| Err(Error::input(target, "output folder", reason, remedy));
    let Ok(metadata) = fs::metadata(target) else {
        return if crate::file::is_there(target) {
            refuse("a link that leads nowhere has this name", "remove it or name another output folder")
        } else {
            Ok(())
        };
    };
    if !metadata.is_dir() {
        return refuse("a file has this name", "name another output folder");
    }
    let mut entries = fs::read_dir(target).map_err(|source| Error::io(target, "look into the folder", source))?;
    if entries.next().is_none() {
        return Ok(());
    }
    if !target.join(RUN_FILE).is_file() && !target.join(COMPARISON_FILE).is_file() {
        let reason = format!("the folder holds other things than a run: {RUN_FILE} is not in it");
        return refuse(&reason, "name another output folder; this one is never replaced");
    }
    if crate::file::is_there(&target.join(DECISIONS_FILE)) {
        let reason = format!("a reviewed run stands there: {DECISIONS_FILE} holds decisions of people");
        return refuse(&reason, "name another output folder; a reviewed run is never replaced");
    }
    if !force {
        return refuse("a run stands there already", "name another output folder, or give --force to replace the run");
    }
    Ok(())
}

/// Puts the old run back if a machine stopped between moving it away and moving the new one in. To be asked before
/// [`check_place`].
///
/// # Errors
/// [`Error::Io`]; the old run then stands beside, as `.NAME.old`.
pub fn restore(target: &Path) -> Result<()> {
    let old = beside(target, "old")?;
    if fs::symlink_metadata(target).is_err() && old.is_dir() {
        fs::rename(&old, target).map_err(|source| Error::io(target, "put the old run back into place", source))?;
    }
    Ok(())
}

/// The path `.NAME.ending` in the folder of `path`.
pub(crate) fn beside(path: &Path, ending: &str) -> Result<PathBuf> {
    let name = path.file_name().ok_or_else(|| {
        Error::argument(path.display().to_string(), "the path ends in no name", "name a file or folder")
    })?;
    let hidden: OsString = [OsStr::new("."), name, OsStr::new("."), OsStr::new(ending)].into_iter().collect();
    Ok(parent(path).join(hidden))
}

/// The folder that holds `path`.
pub(crate) fn parent(path: &Path) -> PathBuf {
    match path.parent() {
        Some(above) if !above.as_os_str().is_empty() => above.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// Removes a file, a link or a folder with all that is in it, if it is there.
fn remove(path: &Path) -> io::Result<()> {
    match fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
        Ok(metadata) if metadata.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
    }
}

/// Brings a folder and all in it to the disk, so that a power cut after the move finds it whole.
fn sync_tree(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            sync_tree(&entry.path())?;
        } else {
            File::open(entry.path())?.sync_all()?;
        }
    }
    sync_folder(folder)
}

/// Brings a folder's list of names to the disk.
#[cfg(unix)]
fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Only Unix lets a folder be opened and synchronised.
#[cfg(not(unix))]
#[allow(clippy::unnecessary_wraps)]
fn sync_folder(_: &Path) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The names in a folder.
    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> =
            fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    fn run(out: &Path, force: bool, content: &str) -> Result<()> {
        let staged = StagedFolder::new(out, force)?;
        fs::create_dir(staged.path().join("evidence")).unwrap();
        fs::write(staged.path().join("evidence/a.png"), content).unwrap();
        fs::write(staged.path().join(RUN_FILE), content).unwrap();
        staged.commit()
    }

    #[test]
    fn a_file_is_replaced_whole_and_nothing_is_left_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        write_atomic(&path, b"old").unwrap();
        write_atomic(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(names(folder.path()), ["a.csv"]);
        // A folder of that name cannot be replaced by a file; what was there stays.
        fs::create_dir_all(folder.path().join("b/c")).unwrap();
        let message = write_atomic(&folder.path().join("b"), b"new").unwrap_err().to_string();
        assert!(message.contains("cannot write the file"), "{message}");
        assert_eq!(names(folder.path()), ["a.csv", "b"]);
        assert!(write_atomic(Path::new("/"), b"").unwrap_err().to_string().contains("ends in no name"));
    }

    #[test]
    fn a_run_appears_when_it_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("new/out");
        let staged = StagedFolder::new(&out, false).unwrap();
        fs::write(staged.path().join("a"), "half").unwrap();
        assert!(!out.exists());
        drop(staged);
        assert_eq!(names(&folder.path().join("new")), [""; 0]);
        run(&out, false, "one").unwrap();
        assert_eq!(names(&out), ["evidence", RUN_FILE]);
        assert_eq!(names(&folder.path().join("new")), ["out"]);
    }

    #[test]
    fn a_run_is_replaced_only_by_force_and_only_by_a_whole_one() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        run(&out, false, "one").unwrap();
        let message = run(&out, false, "two").unwrap_err().to_string();
        assert!(message.contains("a run stands there already; ") && message.contains("--force"), "{message}");
        let staged = StagedFolder::new(&out, true).unwrap();
        fs::write(staged.path().join(RUN_FILE), "half").unwrap();
        drop(staged);
        assert_eq!(fs::read_to_string(out.join(RUN_FILE)).unwrap(), "one");
        run(&out, true, "two").unwrap();
        assert_eq!(fs::read_to_string(out.join("evidence/a.png")).unwrap(), "two");
        assert_eq!(names(folder.path()), ["out"]);
    }

    #[test]
    fn what_is_no_run_is_never_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        fs::create_dir(&out).unwrap();
        run(&out, false, "into an empty folder").unwrap();
        fs::remove_file(out.join(RUN_FILE)).unwrap();
        let message = run(&out, true, "two").unwrap_err().to_string();
        assert!(message.contains("run.json is not in it; "), "{message}");
        let file = folder.path().join("file");
        fs::write(&file, "mine").unwrap();
        let message = run(&file, true, "two").unwrap_err().to_string();
        assert!(message.contains("a file has this name; "), "{message}");
        assert_eq!(names(folder.path()), ["file", "out"]);
        assert!(StagedFolder::new(Path::new(".."), true).is_err());
    }

    #[test]
    fn a_second_run_into_the_same_folder_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        let first = StagedFolder::new(&out, false).unwrap();
        fs::write(first.path().join(RUN_FILE), "first").unwrap();
        let message = StagedFolder::new(&out, true).unwrap_err().to_string();
        assert!(message.contains("another run is being written there"), "{message}");
        first.commit().unwrap();
        assert_eq!(fs::read_to_string(out.join(RUN_FILE)).unwrap(), "first");
    }

    #[test]
    fn what_a_killed_run_left_is_taken_over() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        // Killed while it wrote.
        fs::create_dir_all(folder.path().join(".out.part/evidence")).unwrap();
        fs::write(folder.path().join(".out.part/.lock"), "").unwrap();
        fs::write(folder.path().join(".out.part/stale.csv"), "half").unwrap();
        run(&out, false, "one").unwrap();
        assert_eq!(names(&out), ["evidence", RUN_FILE]);
        // Killed between moving the old run away and moving the new one in.
        fs::rename(&out, folder.path().join(".out.old")).unwrap();
        let message = run(&out, false, "two").unwrap_err().to_string();
        assert!(message.contains("a run stands there already"), "{message}");
        assert_eq!(fs::read_to_string(out.join(RUN_FILE)).unwrap(), "one");
        assert_eq!(names(folder.path()), ["out"]);
    }
}
