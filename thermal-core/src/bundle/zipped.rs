//! The delivery as one file. The same folder gives the same bytes: names in order, one fixed time.

use std::fs::File;
use std::io::{BufReader, Cursor};
use std::path::{Path, PathBuf};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use crate::output::write_atomic;
use crate::run_record::digests;
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
    for file in digests(folder)? {
        let source = folder.join(&file.file);
        let fail = |e| Error::io(&source, "read the file", e);
        // Pictures are compressed already.
        let packed = [".png", ".jpg", ".xlsx"].iter().any(|ending| file.file.ends_with(ending));
        let options = if packed { deflated.compression_method(CompressionMethod::Stored) } else { deflated };
        zip.start_file(format!("{top}/{}", file.file), options.large_file(file.bytes > u32::MAX.into()))
            .map_err(fault)?;
        let mut input = BufReader::new(File::open(&source).map_err(fail)?);
        std::io::copy(&mut input, &mut zip).map_err(fail)?;
    }
    let bytes = zip.finish().map_err(fault)?.into_inner();
    write_atomic(&path, &bytes)?;
    Ok(path)
}
