//! The run folder: tables, schemas, maps, pictures and the record of the run, moved into place when all are whole.

use std::path::Path;

use super::{Conclusion, FrameReport, Inputs};
use crate::Result;
use crate::finding::{FINDINGS, MODULES, UNSEEN, write_geopackage_of};
use crate::output::{StagedFolder, write_atomic};
use crate::run_record::{InputFile, RunRecord, SKIPPED};
use crate::threads::in_order;

/// How a run folder is written.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Replace a run that stands there.
    pub force: bool,
    /// Leave the evidence pictures out.
    pub no_evidence: bool,
    /// Threads for the pictures and the tables.
    pub threads: usize,
    /// The tables as Apache Parquet as well; needs the library's feature `parquet`.
    pub parquet: bool,
}

/// The record of the run in `out`, if it is whole and of this version, of these settings and of these very inputs: nothing
/// is left to do then. What a program killed in its last moment left beside it is taken away.
///
/// # Errors
/// An input cannot be read.
pub fn finished(inputs: &Inputs, out: &Path, options: &Options) -> Result<Option<RunRecord>> {
    let Ok(record) = RunRecord::read(out) else { return Ok(None) };
    let evidence = options.no_evidence || out.join("evidence").is_dir();
    if !evidence || record.version != env!("CARGO_PKG_VERSION") || record.settings != inputs.settings.assumed() {
        return Ok(None);
    }
    let mut read = Vec::new();
    for name in &inputs.frames {
        read.push((format!("frames/{name}"), inputs.frame_path(name)));
    }
    read.extend(TABLES.iter().map(|name| ((*name).to_owned(), inputs.folder.join(name))));
    let mut here = Vec::new();
    // Frames that could not be read have no digest in the record; `skipped.csv` names them.
    for (name, path) in read.into_iter().filter(|(_, path)| path.is_file()) {
        let file = InputFile::of_file(name, &path)?;
        if record.inputs.iter().any(|input| input.file == file.file) {
            here.push(file);
        }
    }
    here.sort_by(|a, b| a.file.cmp(&b.file));
    let tables = |of: &dyn Fn(&str) -> bool| TABLES.iter().filter(|name| of(name)).count();
    let same_tables = tables(&|name| inputs.folder.join(name).exists())
        == tables(&|name| record.inputs.iter().any(|input| input.file == name));
    let as_written = |output: &InputFile| {
        InputFile::of_file(output.file.clone(), &out.join(&output.file)).is_ok_and(|file| file == *output)
    };
    let whole = record.counts.get("frames") == Some(&(inputs.frames.len() as u64))
        && same_tables
        && here == record.inputs
        && record.outputs.iter().all(as_written);
    if whole {
        crate::output::tidy(out).map_err(|e| crate::Error::io(out, "tidy up in the finished folder", e))?;
        super::Journal::remove_at(&super::Journal::path_of(out)?)?;
    }
    Ok(whole.then_some(record))
}

/// The inputs beside the frames.
const TABLES: [&str; 4] = ["inspection.toml", "frames.csv", "irradiance.csv", "layout.geojson"];

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
    write_tables(reports, c, folder, options)?;
    SKIPPED.write_csv(&folder.join("skipped.csv"), &c.skipped)?;
    write_atomic(&folder.join("findings.schema.json"), FINDINGS.schema_json().as_bytes())?;
    write_atomic(&folder.join("modules.schema.json"), MODULES.schema_json().as_bytes())?;
    if let Some(registration) = &c.registration {
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
    for name in TABLES {
        let path = inputs.folder.join(name);
        if path.exists() {
            record.inputs.push(InputFile::of_file(name, &path)?);
        }
    }
    for (name, count) in [
        ("frames", inputs.frames.len()),
        ("frames_used", c.frames_used),
        ("frames_skipped", c.skipped.len()),
        ("modules", c.outlines),
        ("findings", c.findings.len()),
        ("modules_of_site", c.registration.as_ref().map_or(0, |r| r.assets.len())),
        ("modules_unseen", c.unseen.len()),
    ] {
        record.counts.insert(name.to_owned(), count as u64);
    }
    record.finish(folder)?;
    staged.commit()
}

/// Writes what grows with the flight, a file a thread.
fn write_tables(reports: &[FrameReport], c: &Conclusion, folder: &Path, options: &Options) -> Result<()> {
    let at = |name: &str| folder.join(name);
    let geopackage = || {
        // The file states its own age: that of the last capture, so that the same flight gives the same bytes.
        let last = reports.iter().filter_map(|r| r.capture.captured_at).max().unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        write_geopackage_of(&at("site.gpkg"), &c.findings, || c.records(reports), &c.unseen, last)
    };
    let placed = c.registration.is_some();
    // The longest first.
    let jobs: [(bool, &(dyn Fn() -> Result<()> + Sync)); 6] = [
        (placed, &geopackage),
        (placed, &|| MODULES.write_geojson_of(&at("modules.geojson"), c.records(reports))),
        (options.parquet, &|| write_parquet(reports, c, folder)),
        (true, &|| MODULES.write_csv_of(&at("modules.csv"), c.records(reports))),
        (placed, &|| FINDINGS.write_geojson(&at("findings.geojson"), &c.findings)),
        (true, &|| FINDINGS.write_csv(&at("findings.csv"), &c.findings)),
    ];
    let asked: Vec<_> = jobs.iter().filter(|(asked, _)| *asked).collect();
    in_order(asked.len(), options.threads, |k, (): &mut ()| Some(asked[k].1())).into_iter().collect()
}

#[cfg(feature = "parquet")]
fn write_parquet(reports: &[FrameReport], c: &Conclusion, folder: &Path) -> Result<()> {
    MODULES.write_parquet_of(&folder.join("modules.parquet"), c.records(reports))?;
    FINDINGS.write_parquet(&folder.join("findings.parquet"), &c.findings)
}

#[cfg(not(feature = "parquet"))]
fn write_parquet(_: &[FrameReport], _: &Conclusion, _: &Path) -> Result<()> {
    let remedy = "build with `--features parquet`, or leave it out: the CSV tables hold the same";
    Err(crate::Error::argument("--parquet", "this build writes no Parquet", remedy))
}
