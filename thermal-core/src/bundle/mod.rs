//! What the owner receives: one folder that opens anywhere without a network, sealed with a list of checksums, and the
//! same as a zip file.

mod pictures;
mod seal;
mod sheet;
mod tables;
mod zipped;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

pub(crate) use pictures::small;
pub use seal::{Difference, SUMS, Verification, verify};

use crate::evidence::{Style, render};
use crate::finding::{FINDINGS, ModuleRecord, UNSEEN, write_geopackage};
use crate::inspection::{Inputs, read_frame};
use crate::output::{StagedFolder, write_atomic};
use crate::report::{People, Prices, Report, report};
use crate::review::{Decision, Outcome, Tally, outcomes, read_entries, tally};
use crate::run_folder::RunFolder;
use crate::run_record::RUN_FILE;
use crate::{Error, Result};

/// How a delivery is made.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Replace a delivery that stands there.
    pub force: bool,
    /// Names for the report.
    pub people: People,
    /// Yield and price.
    pub prices: Prices,
    /// No zip file beside the folder.
    pub no_zip: bool,
}

/// What was delivered.
#[derive(Debug, Clone)]
pub struct Delivered {
    /// The folder.
    pub folder: PathBuf,
    /// The zip file.
    pub zip: Option<PathBuf>,
    /// SHA-256 of the list of checksums: who knows it can tell that nothing was changed, the list included.
    pub seal: String,
    /// Findings in it.
    pub findings: usize,
    /// Where the findings stand.
    pub tally: Tally,
    /// What could not be had, in words.
    pub notes: Vec<String>,
}

/// Writes the delivery of a run into the folder `out` and, beside it, `out`.zip.
///
/// # Errors
/// `out` stands already and `force` is not set, or it lies in the run folder; the run's tables or its log of decisions
/// cannot be read; the disk refuses. Nothing half written is left under a final name.
pub fn deliver(run: &RunFolder, out: &Path, options: &Options) -> Result<Delivered> {
    refuse_inside(run, out)?;
    let (entries, state) = read_entries(run)?;
    let all = outcomes(&run.findings, &state, &run.settings);
    let modules = run.modules()?;
    let mut notes = Vec::new();
    let inputs = inputs_of(run, &mut notes);
    let staged = StagedFolder::new(out, options.force)?;
    let old = zipped::path_of(out);
    if !options.no_zip && !options.force && old.exists() {
        let remedy = "name another folder with --out, or give --force to replace the file (or --no-zip to write none)";
        return Err(Error::input(&old, "zip file", "a file of this name stands there already", remedy));
    }
    let folder = staged.path();
    let mut kept: Vec<Outcome> = all.iter().filter(|o| o.latest.verdict.decision.delivers()).cloned().collect();
    let photos = evidence(run, inputs.as_ref(), &modules, &mut kept, folder, &mut notes)?;
    tables::write_all(&kept, folder)?;
    let findings: Vec<_> = kept.iter().map(|o| o.finding.clone()).collect();
    if run.folder.join("findings.geojson").is_file() {
        FINDINGS.write_geojson(&folder.join("findings.geojson"), &findings)?;
        let last = run.flight().map_or(jiff::Timestamp::UNIX_EPOCH, |(_, last)| last);
        let unseen = run.folder.join("unseen.geojson");
        let unseen = if unseen.is_file() { UNSEEN.read_geojson(&unseen)? } else { Vec::new() };
        write_geopackage(&folder.join("site.gpkg"), &findings, &modules, &unseen, last)?;
    }
    sheet::write(&kept, &photos, run, &folder.join("findings.xlsx"))?;
    tables::write_decisions(&entries, &folder.join("decisions.csv"))?;
    for name in ["unseen.csv", "unseen.schema.json", "unseen.geojson", "skipped.csv", RUN_FILE] {
        let from = run.folder.join(name);
        if from.is_file() {
            std::fs::copy(&from, folder.join(name)).map_err(|e| Error::io(&from, "copy the file", e))?;
        }
    }
    // The page shows the dismissed as a count only; the kept ones carry the paths of this folder.
    let dismissed = all.iter().filter(|o| o.latest.verdict.decision == Decision::Dismissed).cloned();
    let shown: Vec<Outcome> = kept.iter().cloned().chain(dismissed).collect();
    let page = report(&Report {
        run,
        outcomes: &shown,
        modules: &modules,
        inputs: inputs.as_ref(),
        pictures: &photos,
        people: &options.people,
        prices: &options.prices,
    })?;
    write_atomic(&folder.join("report.html"), page.as_bytes())?;
    write_atomic(&folder.join("README.txt"), README.as_bytes())?;
    let seal = seal::write(folder)?;
    let zip = if options.no_zip {
        if old.is_file() {
            notes.push(format!("{} is of an earlier delivery", old.display()));
        }
        None
    } else {
        let zip = zipped::zip_folder(folder, out)?;
        // Should the machine stop between the next two steps, no zip file stands beside a folder that it is not of.
        if old.is_file() {
            std::fs::remove_file(&old).map_err(|e| Error::io(&old, "replace the zip file", e))?;
        }
        Some(zip)
    };
    staged.commit()?;
    let zip = zip.map(zipped::Zipped::place).transpose()?;
    Ok(Delivered { folder: out.to_owned(), zip, seal, findings: kept.len(), tally: tally(&all), notes })
}

const README: &str = "\
report.html           what was found, for people: open it in any browser, or print it
findings.xlsx         the findings as a spreadsheet with pictures
findings.csv          the same for programs; a text that a spreadsheet could take for a formula has an apostrophe before it
findings.schema.json  what each column means
findings.geojson      the findings for a map (WGS 84)
site.gpkg             findings and all inspected modules for a geographic information system
evidence/             a picture of each finding at full size
decisions.csv         who decided what on which finding, and when
unseen.csv, .geojson  modules that no frame shows whole
skipped.csv           inputs that were not used, and why
run.json              program version, settings and the digests of all inputs
SHA256SUMS            digests of these files: `thermal deliver --verify FOLDER` or `sha256sum -c SHA256SUMS`
";

/// A delivery inside the run would become part of it.
fn refuse_inside(run: &RunFolder, out: &Path) -> Result<()> {
    let above = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let whole = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let run = whole(&run.folder);
    if whole(above).starts_with(&run) || whole(out) == run {
        let reason = "it lies in the run folder";
        return Err(Error::argument("--out", reason, "name a folder beside the run"));
    }
    Ok(())
}

/// The inspection folder, if it can be read.
fn inputs_of(run: &RunFolder, notes: &mut Vec<String>) -> Option<Inputs> {
    let Some(folder) = &run.inspection else {
        notes.push(
            "the inspection folder is not where the run found it: no irradiance chart; give --inspection DIR"
                .to_owned(),
        );
        return None;
    };
    match Inputs::read(folder) {
        Ok(inputs) => {
            for name in ["irradiance.csv", "layout.geojson", "inspection.toml"] {
                if folder.join(name).is_file() && run.input(name).is_none() {
                    notes.push(format!("{name} of the inspection folder is not the one that the run read"));
                }
            }
            Some(inputs)
        }
        Err(error) => {
            notes.push(format!("the inspection folder cannot be read, so there is no irradiance chart: {error}"));
            None
        }
    }
}

/// Puts the pictures of the kept findings into the folder and gives a small one of each. Where the words of a picture no
/// longer hold (pattern, part or band changed, a finding added), it is drawn again, if its frame is at hand.
fn evidence(
    run: &RunFolder,
    inputs: Option<&Inputs>,
    modules: &[ModuleRecord],
    kept: &mut [Outcome],
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<BTreeMap<String, Vec<u8>>> {
    let place = folder.join("evidence");
    std::fs::create_dir_all(&place).map_err(|e| Error::io(&place, "make the folder", e))?;
    let mut photos = BTreeMap::new();
    let mut converter = None;
    for outcome in kept {
        let finding = &mut outcome.finding;
        // Names come from the run's table, which may have been written by anybody.
        let name = file_name(&finding.finding);
        let old = matches!(outcome.latest.verdict.decision, Decision::Changed | Decision::Added);
        let mut bytes = None;
        if old
            && let Some(inputs) = inputs.filter(|i| i.frames.iter().any(|name| **name == *finding.module.frame))
            && run.input(&format!("frames/{}", finding.module.frame)).is_some()
        {
            let (thermogram, ..) = read_frame(inputs, &finding.module.frame, &mut converter)?;
            let near = modules.iter().filter(|m| m.frame == finding.module.frame).map(|m| m.corners);
            let near: Vec<_> = near.collect();
            let drawn = render(&thermogram.celsius.view(), finding, &near, &run.settings, &Style::default())?;
            bytes = Some(drawn.png()?);
        }
        let source = run.folder.join("evidence").join(&name);
        if bytes.is_none() {
            run.check_output(&format!("evidence/{name}"))?;
        }
        if bytes.is_none() && source.is_file() {
            bytes = Some(crate::file::read_plain(&source)?);
            if old {
                notes.push(format!("the picture of {} is the machine’s: its frame is not at hand", finding.finding));
            }
        }
        if let Some(bytes) = bytes {
            let path = place.join(&name);
            std::fs::write(&path, &bytes).map_err(|e| Error::io(&path, "write the picture", e))?;
            finding.evidence = format!("evidence/{name}");
            match small(&bytes, pictures::PAGE_WIDTH) {
                Ok(photo) => drop(photos.insert(finding.finding.clone(), photo)),
                Err(error) => notes.push(format!("the picture of {} cannot be shown: {error}", finding.finding)),
            }
        } else {
            finding.evidence = String::new();
        }
    }
    Ok(photos)
}

/// The file name of a finding's picture: letters and digits only.
fn file_name(finding: &str) -> String {
    let safe: String = finding.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).take(60).collect();
    format!("{safe}.png")
}
