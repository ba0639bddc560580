//! The delivery as one file. The same folder gives the same bytes: names in order, one fixed time.

use std::fs::{self, File};
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use crate::output::beside;
use crate::run_record::files_below;
use crate::{Error, Result};

/// A zip file that is whole and on the disk, but does not yet bear its name.
#[derive(Debug)]
pub(super) struct Zipped {
    temporary: PathBuf,
    path: PathBuf,
}

/// The name of the folder that the zip file holds.
fn top_of(out: &Path) -> String {
    out.file_name().map_or_else(|| "delivery".to_owned(), |n| n.to_string_lossy().into_owned())
}

/// Where the zip file of the delivery `out` stands.
pub(super) fn path_of(out: &Path) -> PathBuf {
    out.with_file_name(format!("{}.zip", top_of(out)))
}

/// Writes the files of `folder` as `out`.zip, all in a folder of the name of `out`.
///
/// # Errors
/// A file cannot be read or the zip file not be written; nothing is left then.
pub(super) fn zip_folder(folder: &Path, out: &Path) -> Result<Zipped> {
    let path = path_of(out);
    // One name for all: the folder's lock keeps others out, and what a killed program left is written over.
    let zipped = Zipped { temporary: beside(&path, "part")?, path };
    let top = top_of(out);
    let fault = |e: zip::result::ZipError| Error::io(&zipped.path, "write the zip file", std::io::Error::other(e));
    let refused = |e| Error::io(&zipped.path, "write the zip file", e);
    let mut zip = ZipWriter::new(BufWriter::new(File::create(&zipped.temporary).map_err(refused)?));
    let deflated = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(zip::DateTime::default())
        .unix_permissions(0o644);
    for (name, source) in files_below(folder)? {
        let fail = |e| Error::io(&source, "read the file into the zip file", e);
        let file = File::open(&source).map_err(fail)?;
        let large = file.metadata().map_err(fail)?.len() > u32::MAX.into();
        // Pictures are compressed already.
        let packed = [".png", ".jpg", ".xlsx"].iter().any(|ending| name.ends_with(ending));
        let options = if packed { deflated.compression_method(CompressionMethod::Stored) } else { deflated };
        zip.start_file(format!("{top}/{name}"), options.large_file(large)).map_err(fault)?;
        std::io::copy(&mut BufReader::new(file), &mut zip).map_err(fail)?;
    }
    let file = zip.finish().map_err(fault)?;
    file.into_inner().map_err(|e| refused(e.into_error()))?.sync_all().map_err(refused)?;
    Ok(zipped)
}

impl Zipped {
    /// Gives the file its name.
    ///
    /// # Errors
    /// [`Error::Io`].
    pub(super) fn place(self) -> Result<PathBuf> {
        fs::rename(&self.temporary, &self.path).map_err(|e| Error::io(&self.path, "write the zip file", e))?;
        Ok(self.path.clone())
    }
}

impl Drop for Zipped {
    fn drop(&mut self) {
        // After `place` there is nothing of this name.
        let _ = fs::remove_file(&self.temporary);
    }
}
