//! From the frames' records to one list: places on the site, one finding a physical module, irradiance, severity.

use super::second_look::second_look;
use super::unseen::{hints, unseen};
use super::{FrameReport, Inputs};
use crate::finding::{Finding, Flag, ModuleRecord, Pattern, Unseen};
use crate::irradiance::Reading;
use crate::run_record::Skipped;
use crate::settings::Settings;
use crate::site::{self, FrameOutlines, MergedModule, Pose, Registration, Seen, Sight};
use crate::uncertainty::{self, Scatter};
use crate::{Error, severity};

/// View angle off the perpendicular above which a finding is flagged, deg; IEC TS 62446-3:2017 allows 30 (from memory).
const OBLIQUE_DEG: f32 = 30.0;

/// What an inspection comes to.
#[derive(Debug, Clone, Default)]
pub struct Conclusion {
    /// A record an outlined module, a list a frame, in the order of the frames.
    pub modules: Vec<Vec<ModuleRecord>>,
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
}

impl Conclusion {
    /// The records of all frames, one by one.
    pub fn records(&self) -> impl Iterator<Item = &ModuleRecord> + Clone {
        self.modules.iter().flatten()
    }
}

/// Brings the frames' records together; what there is for each module moves out of the reports, since a flight has a
/// million of them.
///
/// `registration`: where [`super::complete`] found the frames to stand.
pub fn conclude(inputs: &Inputs, reports: &mut [FrameReport], registration: Option<Registration>) -> Conclusion {
    let mut out = Conclusion {
        skipped: reports.iter().filter_map(|r| r.error.clone()).collect(),
        frames_used: reports.iter().filter(|r| r.lens.is_some()).count(),
        problems: inputs.problems.iter().map(ToString::to_string).collect(),
        ..Conclusion::default()
    };
    let frames: Vec<FrameOutlines> = reports.iter().map(outlines).collect();
    let scatter_k: Vec<f64> = reports.iter().map(|r| row_scatter_k(&r.modules)).collect();
    let mut modules: Vec<Vec<ModuleRecord>> = reports.iter_mut().map(|r| std::mem::take(&mut r.modules)).collect();
    for report in reports.iter_mut() {
        (report.lattice, report.spots) = (Vec::new(), Vec::new());
    }
    let reports = &*reports;
    let mut merged = Vec::new();
    if let Some(registration) = registration {
        for (records, placed) in modules.iter_mut().zip(&registration.frames) {
            for (record, place) in records.iter_mut().zip(&placed.places) {
                locate(record, place, &registration);
            }
        }
        merged = site::merge(&frames, &registration);
        drop(frames);
        second_look(&mut modules, &merged, &registration);
        out.problems.extend(registration.problems.iter().map(ToString::to_string));
        out.unseen = unseen(&registration, &merged, reports);
        out.problems.extend(hints(&out.unseen));
        out.registration = Some(registration);
    }
    if let Some(log) = &inputs.irradiance {
        let times: Vec<jiff::Timestamp> = reports.iter().filter_map(|r| r.capture.captured_at).collect();
        out.problems.extend(log.no_reading_fits(&times, &inputs.settings.irradiance).map(|e: Error| e.to_string()));
    }
    let mut findings: Vec<(Finding, Sight)> = if let Some(registration) = &out.registration {
        // Where no frame shows a module whole it is not judged: its hint stands in the list of the unseen.
        let stands = |m: &&MergedModule| m.pattern != Pattern::None && !m.flags.contains(&Flag::Cut);
        let standing: Vec<&MergedModule> = merged.iter().filter(stands).collect();
        let mut list: Vec<(Finding, Sight)> =
            standing.iter().map(|m| (of_merged(m, &modules, registration), m.best)).collect();
        for ((finding, sight), merged) in list.iter_mut().zip(&standing) {
            let scatter = Scatter { frames_k: merged.delta_t_spread_k, row_k: scatter_k[sight.frame] };
            judge(finding, scatter, &reports[sight.frame], inputs);
        }
        name_unlisted(&mut list, &standing, registration);
        list
    } else {
        let mut list = Vec::new();
        for (frame, records) in modules.iter().enumerate() {
            for (module, record) in records.iter().enumerate().filter(|(_, m)| m.pattern != Pattern::None && m.whole) {
                let mut finding =
                    Finding { module: record.clone(), frames_seen: 1, frames_confirmed: 1, ..Finding::default() };
                finding.module.flags.push(Flag::OneFrame);
                judge(&mut finding, Scatter { frames_k: 0.0, row_k: scatter_k[frame] }, &reports[frame], inputs);
                list.push((finding, Sight { frame, module }));
            }
        }
        list
    };
    findings.sort_by(|(a, sa), (b, sb)| {
        let size = |f: &Finding| f.delta_t_ref_k.unwrap_or(f.module.delta_t_k);
        b.abnormality_class.cmp(&a.abnormality_class).then(size(b).total_cmp(&size(a))).then(sa.cmp(sb))
    });
    for (k, (finding, sight)) in findings.into_iter().enumerate() {
        out.findings.push(Finding { finding: format!("F{:04}", k + 1), ..finding });
        out.evidence.push(sight);
    }
    out.modules = modules;
    out
}

/// A frame as the registration wants it.
pub(super) fn outlines(report: &FrameReport) -> FrameOutlines {
    let c = &report.capture;
    FrameOutlines {
        file: report.file.clone(),
        captured_at: c.captured_at,
        lens: report.lens.unwrap_or(crate::optics::Lens { width: 1, height: 1, focal_px: 1.0, k1: 0.0 }),
        pose: Pose {
            lat: c.lat,
            lon: c.lon,
            altitude_m: c.altitude_m,
            height_m: c.height_above_takeoff_m,
            yaw_deg: c.yaw_deg,
            pitch_deg: c.pitch_deg,
            roll_deg: c.roll_deg,
        },
        blur_px: report.blur_px.map(|blur| blur as f32),
        modules: report
            .modules
            .iter()
            .zip(report.lattice.iter().zip(&report.spots))
            .map(|(m, (at, spot))| Seen {
                corners: m.corners.map(|p| p.map(|v| v as f32)),
                whole: m.whole,
                table: at.table,
                course: at.line as i32,
                position: at.column as i32,
                t_median_c: m.t_median_c as f32,
                pattern: m.pattern,
                delta_t_k: m.delta_t_k as f32,
                confidence: m.confidence as f32,
                spot: spot.map(|s| s.map(|v| v as f32)),
            })
            .collect(),
    }
}

/// Puts a module's place on the site into its record.
fn locate(record: &mut ModuleRecord, place: &site::Place, registration: &Registration) {
    record.ground = Some(registration.corners_lon_lat(place));
    if let Some(asset) = place.asset.and_then(|a| registration.assets.get(a as usize)) {
        record.asset_id.clone_from(&asset.id);
        record.row = asset.row;
        record.course = asset.course;
        record.position = asset.position;
        record.ground = Some(asset.corners);
    }
    if place.ambiguous() {
        record.flags.push(Flag::AmbiguousPlace);
    }
    if place.view_deg > OBLIQUE_DEG {
        record.flags.push(Flag::Oblique);
    }
}

/// The finding of a physical module.
fn of_merged(merged: &MergedModule, modules: &[Vec<ModuleRecord>], registration: &Registration) -> Finding {
    let best = merged.best;
    let mut module = modules[best.frame][best.module].clone();
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
        let place = registration.frames.get(best.frame).and_then(|f| f.places.get(best.module));
        let share = 100.0 * place.map_or(0.0, |p| p.confidence);
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
fn name_unlisted(list: &mut [(Finding, Sight)], merged: &[&MergedModule], registration: &Registration) {
    let north = |s: &Sight| {
        let place = registration.frames.get(s.frame)?.places.get(s.module)?;
        let mean = |k: usize| place.ground_m.iter().map(|p| p[k]).sum::<f32>() / 4.0;
        (mean(0).is_finite() && mean(1).is_finite()).then(|| [mean(1), mean(0)])
    };
    let mut unlisted: Vec<(usize, [f32; 2])> = Vec::new();
    for (k, (finding, sight)) in list.iter_mut().enumerate().filter(|(k, _)| merged[*k].asset.is_none()) {
        let module = &mut finding.module;
        if let Some(place) = north(sight) {
            unlisted.push((k, place));
        } else {
            module.flags.push(Flag::AmbiguousPlace);
            module.flags.sort_unstable();
            module.flags.dedup();
            "the frame could not be placed: row, course and position are its own".clone_into(&mut finding.note);
        }
    }
    unlisted.sort_by(|(i, a), (j, b)| b[0].total_cmp(&a[0]).then(a[1].total_cmp(&b[1])).then(i.cmp(j)));
    for (n, (k, _)) in unlisted.into_iter().enumerate() {
        list[k].0.module.asset_id = format!("unlisted-{:03}", n + 1);
        "not in the layout".clone_into(&mut list[k].0.note);
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
