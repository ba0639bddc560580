//! The run folder: tables, schemas, maps, pictures and the record of the run, moved into place when all are whole.

use std::path::Path;

use super::{Conclusion, FrameReport, Inputs};
use crate::Result;
use crate::finding::{FINDINGS, MODULES, UNSEEN, write_geopackage};
use crate::output::{StagedFolder, write_atomic};
use crate::run_record::{InputFile, RunRecord, SKIPPED};

/// How a run folder is written.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Replace a run that stands there.
    pub force: bool,
    /// Leave the evidence pictures out.
    pub no_evidence: bool,
    /// Threads for the pictures.
    pub threads: usize,
}

/// Writes the run folder `out`.
///
/// # Errors
/// `out` exists and `force` is not set, or the disk refuses; nothing is left under the final name then.
pub fn write(
    inputs: &Inputs,
    reports: &[FrameReport],
    conclusion: &mut Conclusion,
    mut record: RunRecord,
    out: &Path,
    options: &Options,
) -> Result<()> {
    let staged = StagedFolder::new(out, options.force)?;
    let folder = staged.path();
    if !options.no_evidence {
        super::evidence::write_all(inputs, reports, conclusion, folder, options.threads)?;
    }
    let c = &*conclusion;
    MODULES.write_csv(&folder.join("modules.csv"), &c.modules)?;
    FINDINGS.write_csv(&folder.join("findings.csv"), &c.findings)?;
    SKIPPED.write_csv(&folder.join("skipped.csv"), &c.skipped)?;
    write_atomic(&folder.join("findings.schema.json"), FINDINGS.schema_json().as_bytes())?;
    write_atomic(&folder.join("modules.schema.json"), MODULES.schema_json().as_bytes())?;
    if let Some(registration) = &c.registration {
        FINDINGS.write_geojson(&folder.join("findings.geojson"), &c.findings)?;
        MODULES.write_geojson(&folder.join("modules.geojson"), &c.modules)?;
        // The file states its own age: that of the last capture, so that the same flight gives the same bytes.
        let last = reports.iter().filter_map(|r| r.capture.captured_at).max().unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        write_geopackage(&folder.join("site.gpkg"), &c.findings, &c.modules, &c.unseen, last)?;
        UNSEEN.write_csv(&folder.join("unseen.csv"), &c.unseen)?;
        write_atomic(&folder.join("unseen.schema.json"), UNSEEN.schema_json().as_bytes())?;
        UNSEEN.write_geojson(&folder.join("unseen.geojson"), &c.unseen)?;
        if registration.reconstructed && !registration.assets.is_empty() {
            registration.layout().write(folder.join("layout.geojson"))?;
        }
    }
    record.settings = inputs.settings.assumed();
    let folder_path = std::fs::canonicalize(&inputs.folder).unwrap_or_else(|_| inputs.folder.clone());
    record.folder = folder_path.to_string_lossy().into_owned();
    let times = || reports.iter().filter_map(|r| r.capture.captured_at);
    (record.first_capture_at, record.last_capture_at) = (times().min(), times().max());
    if let Some(registration) = &c.registration {
        record.counts.insert("site_modules".to_owned(), registration.assets.len() as u64);
        record.counts.insert("site_modules_unseen".to_owned(), registration.unseen.len() as u64);
    }
    for report in reports.iter().filter(|r| !r.digest.sha256.is_empty()) {
        record.inputs.push(report.digest.clone());
    }
    for name in ["inspection.toml", "frames.csv", "irradiance.csv", "layout.geojson"] {
        let path = inputs.folder.join(name);
        if path.exists() {
            record.inputs.push(InputFile::of_file(name, &path)?);
        }
    }
    for (name, count) in [
        ("frames", inputs.frames.len()),
        ("frames_used", c.frames_used),
        ("frames_skipped", c.skipped.len()),
        ("modules", c.modules.len()),
        ("findings", c.findings.len()),
        ("modules_of_site", c.registration.as_ref().map_or(0, |r| r.assets.len())),
        ("modules_unseen", c.unseen.len()),
    ] {
        record.counts.insert(name.to_owned(), count as u64);
    }
    record.finish(folder)?;
    staged.commit()
}
