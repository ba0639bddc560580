//! A finished run, opened again: by the review, the delivery and the comparison. What was edited, is half there or comes
//! from a newer version is refused in words.

use std::path::{Path, PathBuf};

use crate::finding::{FINDINGS, Finding, MODULES, ModuleRecord};
use crate::output::DECISIONS_FILE;
use crate::run_record::{InputFile, RUN_FILE, RunRecord, SKIPPED, Skipped};
use crate::settings::Settings;
use crate::{Error, Result};

/// A run folder with its tables.
#[derive(Debug)]
pub struct RunFolder {
    /// The folder.
    pub folder: PathBuf,
    /// The record of the run.
    pub record: RunRecord,
    /// The settings of the run, as its record lists them.
    pub settings: Settings,
    /// The findings as the machine left them, gravest first.
    pub findings: Vec<Finding>,
    /// Inputs that the run did not use.
    pub skipped: Vec<Skipped>,
    /// What tells this run from any other: the first 16 digits of the SHA-256 of `findings.csv`.
    pub id: String,
    /// The inspection folder, if it is still where the run found it or beside the run.
    pub inspection: Option<PathBuf>,
}

impl RunFolder {
    /// Opens a run folder. `inspection` says where the inspection folder is now, in case it was moved.
    ///
    /// # Errors
    /// No run; a run of a newer version; a table that is missing, cut short or was changed after the run.
    pub fn open(folder: &Path, inspection: Option<&Path>) -> Result<Self> {
        if !folder.is_dir() {
            let remedy = "give the folder that `thermal inspect --out` wrote";
            return Err(Error::input(folder, "run folder", "there is no such folder", remedy));
        }
        if !folder.join(RUN_FILE).is_file() {
            let reason = format!("{RUN_FILE} is not in it, so this is no finished run");
            return Err(Error::input(
                folder,
                "run folder",
                reason,
                "give the folder that `thermal inspect --out` wrote",
            ));
        }
        let record = RunRecord::read(folder)?;
        check_version(folder, &record.version)?;
        let table = folder.join("findings.csv");
        let id: String = InputFile::of_file("findings.csv", &table)?.sha256.chars().take(16).collect();
        for stem in ["findings", "modules", "unseen"] {
            for ending in ["csv", "geojson"] {
                check_output(folder, &record, &format!("{stem}.{ending}"))?;
            }
        }
        check_output(folder, &record, "skipped.csv")?;
        let map = folder.join("findings.geojson");
        let findings = if map.is_file() { FINDINGS.read_geojson(&map)? } else { FINDINGS.read_csv(&table)? };
        let skipped = folder.join("skipped.csv");
        let skipped = if skipped.is_file() { SKIPPED.read_csv(&skipped)? } else { Vec::new() };
        let settings = Settings::from_assumed(&folder.join(RUN_FILE), &record.settings)?;
        let inspection = match inspection {
            Some(given) if given.join("frames").is_dir() => Some(given.to_owned()),
            Some(given) => {
                let reason = "it holds no folder `frames`";
                return Err(Error::input(given, "--inspection", reason, "give the folder that was inspected"));
            }
            None => find_inspection(folder, &record),
        };
        Ok(Self { folder: folder.to_owned(), record, settings, findings, skipped, id, inspection })
    }

    /// Every outlined module of every frame.
    ///
    /// # Errors
    /// The table is not there or cannot be read.
    pub fn modules(&self) -> Result<Vec<ModuleRecord>> {
        let map = self.folder.join("modules.geojson");
        if map.is_file() { MODULES.read_geojson(&map) } else { MODULES.read_csv(&self.folder.join("modules.csv")) }
    }

    /// Identities of the modules that no frame shows whole.
    pub fn unseen(&self) -> Vec<String> {
        let Ok(file) = crate::file::open_own(&self.folder.join("unseen.csv")) else { return Vec::new() };
        let mut reader = csv::Reader::from_reader(file);
        reader.records().flatten().filter_map(|line| line.get(0).map(ToOwned::to_owned)).collect()
    }

    /// The path of an input, if it is there and is the one that the run read.
    pub fn input(&self, name: &str) -> Option<PathBuf> {
        let path = self.inspection.as_ref()?.join(name);
        let read = self.record.inputs.iter().find(|input| input.file == name)?;
        (InputFile::of_file(name, &path).ok()?.sha256 == read.sha256).then_some(path)
    }

    /// The first and the last capture.
    pub fn flight(&self) -> Option<(jiff::Timestamp, jiff::Timestamp)> {
        if let Some(span) = self.record.first_capture_at.zip(self.record.last_capture_at) {
            return Some(span);
        }
        let times = || self.findings.iter().filter_map(|f| f.captured_at.as_ref()?.parse::<jiff::Timestamp>().ok());
        times().min().zip(times().max())
    }

    /// The path of the log of decisions.
    pub fn decisions(&self) -> PathBuf {
        self.folder.join(DECISIONS_FILE)
    }

    /// The run's own picture of the finding `name`, as PNG, if there is one and it is as the run left it. Only letters and
    /// digits make a name, so that none leads out of the folder.
    pub fn picture(&self, name: &str) -> Option<Vec<u8>> {
        let plain = !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric());
        let file = format!("evidence/{name}.png");
        let left = self.record.outputs.iter().find(|output| plain && output.file == file)?;
        let bytes = crate::file::read_plain(&self.folder.join(&file)).ok()?;
        (InputFile::of_bytes(file, &bytes).sha256 == left.sha256).then_some(bytes)
    }

    /// Refuses a file of the run that is missing or not as the run left it.
    ///
    /// # Errors
    /// [`Error::Input`] with the remedy; [`Error::Io`].
    pub(crate) fn check_output(&self, name: &str) -> Result<()> {
        check_output(&self.folder, &self.record, name)
    }
}

/// Refuses a run of a later version: its tables may mean something else.
fn check_version(folder: &Path, version: &str) -> Result<()> {
    let parts = |text: &str| -> Vec<u64> { text.split('.').take(2).filter_map(|n| n.parse().ok()).collect() };
    if parts(version) > parts(env!("CARGO_PKG_VERSION")) {
        let reason = format!("the run was written by version {version}, and this is {}", env!("CARGO_PKG_VERSION"));
        return Err(Error::input(folder.join(RUN_FILE), "version", reason, "update this program"));
    }
    Ok(())
}

/// Refuses a file that is not as the run left it.
fn check_output(folder: &Path, record: &RunRecord, name: &str) -> Result<()> {
    let Some(left) = record.outputs.iter().find(|output| output.file == name) else { return Ok(()) };
    let path = folder.join(name);
    if !path.is_file() {
        let remedy = "the run folder is half there: copy it again, or run the inspection again";
        return Err(Error::input(path, "file", "it is missing, but the run wrote it", remedy));
    }
    if InputFile::of_file(name, &path)?.sha256 != left.sha256 {
        let reason = "it was changed after the run; what it shows can no longer be traced to the frames";
        let remedy =
            "put the run's own file back (or run the inspection again) and record changes with `thermal review`";
        return Err(Error::input(path, "file", reason, remedy));
    }
    Ok(())
}

/// Where the run says, else above the run.
fn find_inspection(folder: &Path, record: &RunRecord) -> Option<PathBuf> {
    let said = (!record.folder.is_empty()).then(|| PathBuf::from(&record.folder));
    let above = std::fs::canonicalize(folder).ok().and_then(|path| path.parent().map(Path::to_owned));
    said.into_iter().chain(above).find(|path| path.join("frames").is_dir())
}
