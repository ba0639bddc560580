//! The delivery as one file. The same folder gives the same bytes: names in order, one fixed time.

use std::fs::File;
use std::io::{BufReader, Cursor};
use std::path::{Path, PathBuf};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use crate::output::write_atomic;
use crate::run_record::files_below;
use crate::{Error, Result};

/// Writes `folder`.zip beside the folder and gives its path.
///
/// # Errors
/// A file cannot be read or the zip file not be written.
pub fn zip_folder(folder: &Path) -> Result<PathBuf> {
    let top = folder.file_name().map_or_else(|| "delivery".to_owned(), |n| n.to_string_lossy().into_owned());
    let path = folder.with_file_name(format!("{top}.zip"));
    let fault = |e: zip::result::ZipError| Error::io(&path, "write the zip file", std::io::Error::other(e));
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let deflated = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(zip::DateTime::default())
        .unix_permissions(0o644);
    for (name, source) in files_below(folder)? {
        let fail = |e| Error::io(&source, "read the file", e);
        let file = File::open(&source).map_err(fail)?;
        let large = file.metadata().map_err(fail)?.len() > u32::MAX.into();
        // Pictures are compressed already.
        let packed = [".png", ".jpg", ".xlsx"].iter().any(|ending| name.ends_with(ending));
        let options = if packed { deflated.compression_method(CompressionMethod::Stored) } else { deflated };
        zip.start_file(format!("{top}/{name}"), options.large_file(large)).map_err(fault)?;
        std::io::copy(&mut BufReader::new(file), &mut zip).map_err(fail)?;
    }
    let bytes = zip.finish().map_err(fault)?.into_inner();
    write_atomic(&path, &bytes)?;
    Ok(path)
}
