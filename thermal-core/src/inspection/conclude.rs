//! From the frames' records to one list: places on the site, one finding a physical module, irradiance, severity.

use super::complete::Placed;
use super::second_look::Verdicts;
use super::unseen::{hints, unseen};
use super::{FrameReport, Inputs};
use crate::finding::{Finding, Flag, ModuleRecord, Pattern, Unseen};
use crate::irradiance::Reading;
use crate::run_record::Skipped;
use crate::settings::Settings;
use crate::shelf::Shelf;
use crate::site::{self, MergedModule, Place, Registration, Sight};
use crate::uncertainty::{self, Scatter};
use crate::{Error, Result, severity};

/// View angle off the perpendicular above which a finding is flagged, deg; IEC TS 62446-3:2017 allows 30 (from memory).
const OBLIQUE_DEG: f32 = 30.0;

/// What an inspection comes to.
#[derive(Debug, Clone, Default)]
pub struct Conclusion {
    /// Outlined modules of all frames.
    pub outlines: usize,
    /// The findings, gravest first.
    pub findings: Vec<Finding>,
    /// The frame and module that is the evidence of each finding, as numbers into the reports.
    pub evidence: Vec<Sight>,
    /// Files that were not used.
    pub skipped: Vec<Skipped>,
    /// Where the frames stand; `None` where no frame has a position.
    pub registration: Option<Registration>,
    /// Modules that no usable frame shows whole.
    pub unseen: Vec<Unseen>,
    /// What the tables or the registration could not prove or use, in words with the remedy.
    pub problems: Vec<String>,
    /// Frames used.
    pub frames_used: usize,
    /// What the whole flight says of each module.
    verdicts: Verdicts,
}

impl Conclusion {
    /// The records of all frames, one by one, at their places and with what the whole flight says of them. A frame's are read
    /// back when they are wanted: a table that is made of them ends with the first error.
    pub fn records(&self, reports: &[FrameReport]) -> impl Iterator<Item = Result<ModuleRecord>> {
        reports.iter().enumerate().flat_map(|(frame, report)| {
            let (records, error) = match self.of_frame(frame, report) {
                Ok((records, _)) => (records, None),
                Err(error) => (Vec::new(), Some(error)),
            };
            records.into_iter().map(Ok).chain(error.map(Err))
        })
    }

    /// The records of one frame, and the scatter of its sound modules about their rows by its own word, K.
    fn of_frame(&self, frame: usize, report: &FrameReport) -> Result<(Vec<ModuleRecord>, f64)> {
        let mut records = report.records.read()?.modules;
        let scatter_k = row_scatter_k(&records);
        if let Some(registration) = &self.registration
            && let Some(placed) = registration.frames.get(frame)
        {
            for (record, place) in records.iter_mut().zip(placed.places.read()?.iter()) {
                locate(record, place, registration);
                self.verdicts.correct(record, place);
            }
        }
        Ok((records, scatter_k))
    }
}

/// Brings the frames' records together. `placed`: what [`super::complete()`] found; what there is for each outline goes to
/// `shelf`.
///
/// # Errors
/// The shelf cannot be written to, or what was put there cannot be read back.
pub fn conclude(inputs: &Inputs, reports: &[FrameReport], placed: Option<Placed>, shelf: &Shelf) -> Result<Conclusion> {
    let mut out = Conclusion {
        outlines: reports.iter().map(|r| r.outlined).sum(),
        skipped: reports.iter().filter_map(|r| r.error.clone()).collect(),
        frames_used: reports.iter().filter(|r| r.lens.is_some()).count(),
        problems: inputs.problems.iter().map(ToString::to_string).collect(),
        ..Conclusion::default()
    };
    let mut merged = Vec::new();
    if let Some(Placed { frames, registration }) = placed {
        merged = site::merge_on(&frames, &registration, shelf)?;
        out.verdicts = Verdicts::of(&merged);
        out.problems.extend(registration.problems.iter().map(ToString::to_string));
        out.unseen = unseen(&registration, &merged, reports);
        out.problems.extend(hints(&out.unseen));
        out.registration = Some(registration);
    }
    if let Some(log) = &inputs.irradiance {
        let times: Vec<jiff::Timestamp> = reports.iter().filter_map(|r| r.capture.captured_at).collect();
        out.problems.extend(log.no_reading_fits(&times, &inputs.settings.irradiance).map(|e: Error| e.to_string()));
    }
    let mut findings: Vec<(Finding, Sight)> = Vec::new();
    if let Some(registration) = &out.registration {
        // Where no frame shows a module whole it is not judged: its hint stands in the list of the unseen.
        let stands = |m: &&MergedModule| m.pattern != Pattern::None && !m.flags.contains(&Flag::Cut);
        let mut standing: Vec<&MergedModule> = merged.iter().filter(stands).collect();
        // Frame by frame, so that each is read back once.
        standing.sort_by_key(|m| m.best.frame);
        let mut list: Vec<Standing> = Vec::new();
        for of_frame in standing.chunk_by(|a, b| a.best.frame == b.best.frame) {
            let frame = of_frame[0].best.frame;
            let (records, row_k) = out.of_frame(frame, &reports[frame])?;
            let places = registration.frames[frame].places.read()?;
            for merged in of_frame {
                let (record, place) = (&records[merged.best.module], places[merged.best.module]);
                let mut finding = of_merged(merged, record, &place, registration);
                judge(&mut finding, Scatter { frames_k: merged.delta_t_spread_k, row_k }, &reports[frame], inputs);
                list.push(Standing { finding, merged, place });
            }
        }
        name_unlisted(&mut list);
        findings.extend(list.into_iter().map(|s| (s.finding, s.merged.best)));
    } else {
        for (frame, report) in reports.iter().enumerate() {
            let (records, row_k) = out.of_frame(frame, report)?;
            let standing = |m: &ModuleRecord| m.pattern != Pattern::None && m.whole;
            for (module, record) in records.into_iter().enumerate().filter(|(_, m)| standing(m)) {
                let mut finding = Finding { module: record, frames_seen: 1, frames_confirmed: 1, ..Finding::default() };
                finding.module.flags.push(Flag::OneFrame);
                judge(&mut finding, Scatter { frames_k: 0.0, row_k }, report, inputs);
                findings.push((finding, Sight { frame, module }));
            }
        }
    }
    findings.sort_by(|(a, sa), (b, sb)| {
        let size = |f: &Finding| f.delta_t_ref_k.unwrap_or(f.module.delta_t_k);
        b.abnormality_class.cmp(&a.abnormality_class).then(size(b).total_cmp(&size(a))).then(sa.cmp(sb))
    });
    for (k, (finding, sight)) in findings.into_iter().enumerate() {
        out.findings.push(Finding { finding: format!("F{:04}", k + 1), ..finding });
        out.evidence.push(sight);
    }
    Ok(out)
}

/// A module whose pattern stands, and the place of its best outline.
struct Standing<'a> {
    finding: Finding,
    merged: &'a MergedModule,
    place: Place,
}

/// Puts a module's place on the site into its record.
fn locate(record: &mut ModuleRecord, place: &Place, registration: &Registration) {
    if let Some(asset) = place.asset.and_then(|a| registration.assets.get(a as usize)) {
        record.asset_id.clone_from(&asset.id);
        record.row = asset.row;
        record.course = asset.course;
        record.position = asset.position;
        record.ground = Some(asset.corners);
    } else {
        record.ground = Some(registration.corners_lon_lat(place));
    }
    if place.ambiguous() {
        record.flags.push(Flag::AmbiguousPlace);
    }
    if place.view_deg > OBLIQUE_DEG {
        record.flags.push(Flag::Oblique);
    }
}

/// The finding of a physical module, by the record and the place of its best outline.
fn of_merged(merged: &MergedModule, best: &ModuleRecord, place: &Place, registration: &Registration) -> Finding {
    let mut module = best.clone();
    module.pattern = merged.pattern;
    module.delta_t_k = merged.delta_t_k;
    module.confidence = merged.confidence;
    module.flags.extend(merged.flags.iter().copied());
    let mut note = Vec::new();
    if matches!(merged.pattern, Pattern::Module | Pattern::String) {
        module.area_fraction = 1.0;
        module.part.clear();
    }
    if merged.frames_confirmed == 0 {
        note.push("warm with its string over the whole flight; no frame alone shows it".to_owned());
    }
    if merged.frames_confirmed > 1 {
        note.push(format!("median of {} frames, spread {:.1} K", merged.frames_confirmed, merged.delta_t_spread_k));
    }
    let name = |a: Option<u32>| Some(registration.assets.get(a? as usize)?.id.clone());
    if let (Some(one), Some(other)) = (name(merged.asset), name(merged.other)) {
        let share = 100.0 * place.confidence;
        note.push(format!("the place may be {one} ({share:.0} %) or {other}"));
    }
    Finding {
        frames_seen: merged.frames_seen,
        frames_confirmed: merged.frames_confirmed,
        note: note.join("; "),
        module,
        ..Finding::default()
    }
}

/// Scatter of the sound modules of a frame about their rows, K: the scaled median absolute deviation; NaN without any.
fn row_scatter_k(modules: &[ModuleRecord]) -> f64 {
    let sound = modules.iter().filter(|m| m.pattern == Pattern::None && m.whole);
    let mut off: Vec<f32> = sound.map(|m| m.delta_row_k.abs() as f32).collect();
    1.4826 * f64::from(crate::measure::median(&mut off))
}

/// Findings on no module of the plant get a name of their own, from north to south; those of a frame without a place are
/// told by their picture only.
fn name_unlisted(list: &mut [Standing]) {
    let north = |place: &Place| {
        let mean = |k: usize| place.ground_m.iter().map(|p| p[k]).sum::<f32>() / 4.0;
        (mean(0).is_finite() && mean(1).is_finite()).then(|| [mean(1), mean(0)])
    };
    let mut unlisted: Vec<(usize, [f32; 2])> = Vec::new();
    for (k, standing) in list.iter_mut().enumerate().filter(|(_, s)| s.merged.asset.is_none()) {
        let Finding { module, note, .. } = &mut standing.finding;
        if let Some(place) = north(&standing.place) {
            unlisted.push((k, place));
        } else {
            module.flags.push(Flag::AmbiguousPlace);
            module.flags.sort_unstable();
            module.flags.dedup();
            "the frame could not be placed: row, course and position are its own".clone_into(note);
        }
    }
    unlisted.sort_by(|(i, a), (j, b)| b[0].total_cmp(&a[0]).then(a[1].total_cmp(&b[1])).then(i.cmp(j)));
    for (n, (k, _)) in unlisted.into_iter().enumerate() {
        let finding = &mut list[k].finding;
        finding.module.asset_id = format!("unlisted-{:03}", n + 1);
        "not in the layout".clone_into(&mut finding.note);
    }
}

/// Irradiance, severity, place of the middle, power lost, uncertainty.
fn judge(finding: &mut Finding, scatter: Scatter, report: &FrameReport, inputs: &Inputs) {
    let settings: &Settings = &inputs.settings;
    let reading: Option<Reading> = inputs
        .irradiance
        .as_ref()
        .zip(report.capture.captured_at)
        .and_then(|(log, time)| log.at(time, &settings.irradiance));
    // A module follows the irradiance with a delay: the mean that it felt is what its difference belongs to.
    finding.irradiance_w_m2 = reading.as_ref().map(|r| r.effective_w_m2.unwrap_or(r.poa_w_m2));
    finding.irradiance_age_s = reading.as_ref().map(|r| r.age_s);
    finding.captured_at = report.capture.captured_at.map(|t| t.to_string());
    let module = &mut finding.module;
    let verdict = severity::judge(module.pattern, module.delta_t_k, finding.irradiance_w_m2, &settings.severity);
    finding.delta_t_ref_k = verdict.delta_t_ref_k;
    verdict.band.clone_into(&mut finding.severity);
    finding.abnormality_class = verdict.abnormality_class;
    module.flags.extend(verdict.flags);
    module.flags.extend(reading.into_iter().flat_map(|r| r.flags));
    module.flags.sort_unstable();
    module.flags.dedup();
    if let Some(corners) = module.ground {
        let mean = |k: usize| corners.iter().map(|c| c[k]).sum::<f64>() / 4.0;
        (finding.lon, finding.lat) = (Some(mean(0)), Some(mean(1)));
    }
    let sections = settings.module.substrings * if settings.module.half_cut() { 2 } else { 1 };
    finding.loss_w =
        settings.module.p_stc_w.map(|p| severity::loss_w(module.pattern, module.area_fraction, sections, p));
    uncertainty::state(finding, scatter);
}
