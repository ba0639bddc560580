//! What lies on the reviewer's desk: the run, its frames, and the log of decisions.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::Deserialize;
use serde_json::{Value, json};
use thermal_core::evidence::ColourMap;
use thermal_core::finding::{FLAGS, Finding, ModuleRecord, Pattern};
use thermal_core::inspection::{Inputs, read_frame};
use thermal_core::radiometry::Converter;
use thermal_core::report::PlantMap;
use thermal_core::review::{DecisionLog, Latest, Missed, Refusal, Request, State, Verdict, finding_of};
use thermal_core::run_folder::RunFolder;
use thermal_core::severity::BANDS;
use thermal_core::{Error, Result};

/// Frames kept decoded; one of 640 x 512 takes 1.3 MB.
const KEPT_FRAMES: usize = 24;

/// Everything that the page asks about.
pub(super) struct Desk {
    run: RunFolder,
    inputs: Option<Inputs>,
    modules: Vec<ModuleRecord>,
    by_asset: HashMap<String, Vec<usize>>,
    by_frame: HashMap<String, Vec<usize>>,
    reviewer: String,
    log: Mutex<DecisionLog>,
    frames: Mutex<Frames>,
}

/// The last frames, the latest last.
#[derive(Default)]
struct Frames {
    converter: Option<Converter>,
    kept: Vec<(String, Arc<Vec<u8>>)>,
}

/// A module to be added.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Addition {
    frame: String,
    outline: usize,
    pattern: Pattern,
    #[serde(default)]
    part: String,
    #[serde(default)]
    note: String,
    reviewer: String,
}

/// A number for JSON: not-a-number is nothing there.
fn number(x: f64) -> Option<f64> {
    x.is_finite().then(|| (x * 100.0).round() / 100.0)
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    pub(super) fn new(run: RunFolder, log: DecisionLog, reviewer: &str) -> Result<Self> {
        let modules = run.modules()?;
        let (mut by_asset, mut by_frame): (HashMap<_, Vec<_>>, HashMap<_, Vec<_>>) = Default::default();
        for (k, module) in modules.iter().enumerate() {
            if !module.asset_id.is_empty() {
                by_asset.entry(module.asset_id.clone()).or_default().push(k);
            }
            by_frame.entry(module.frame.to_string()).or_default().push(k);
        }
        let inputs = run.inspection.as_ref().map(|folder| Inputs::read(folder)).transpose()?;
        let (log, frames) = (Mutex::new(log), Mutex::default());
        Ok(Self { run, inputs, modules, by_asset, by_frame, reviewer: reviewer.to_owned(), log, frames })
    }

    pub(super) fn frames_at_hand(&self) -> bool {
        self.inputs.is_some()
    }

    /// What the page needs first.
    pub(super) fn start(&self) -> Value {
        let log = locked(&self.log);
        let mut colours = serde_json::Map::new();
        for (name, map) in [
            ("inferno", ColourMap::Inferno),
            ("magma", ColourMap::Magma),
            ("viridis", ColourMap::Viridis),
            ("cividis", ColourMap::Cividis),
        ] {
            let bytes: Vec<u8> = map.table().into_iter().step_by(4).flatten().collect();
            colours.insert(name.to_owned(), bytes.into());
        }
        colours.insert("grey".to_owned(), (0..=255u8).flat_map(|v| [v; 3]).collect::<Vec<u8>>().into());
        let site = &self.run.settings.site.name;
        json!({
            "site": if site.is_empty() { "plant without a name" } else { site },
            "run": self.run.id,
            "reviewer": self.reviewer,
            "frames_at_hand": self.frames_at_hand(),
            "patterns": Pattern::WORDS.iter().filter(|w| **w != "none").collect::<Vec<_>>(),
            "bands": &BANDS[1..],
            "decisions": ["open", "confirmed", "changed", "dismissed", "added"],
            "flags": FLAGS.iter().map(|f| json!({ "name": f.name, "short": f.short, "long": f.long })).collect::<Vec<_>>(),
            "colours": colours,
            "findings": self.findings(log.state()),
            "state": states(log.state()),
            "n": last(log.state()),
        })
    }

    /// The queue: the run's findings in their order, then those added.
    fn findings(&self, state: &State) -> Vec<Value> {
        let row = |f: &Finding| {
            let m = &f.module;
            let machine = Verdict::of_machine(f);
            json!({
                "id": f.finding, "asset": m.asset_id, "row": m.row, "course": m.course, "position": m.position,
                "class": f.abnormality_class, "delta": number(m.delta_t_k), "delta_ref": f.delta_t_ref_k.and_then(number),
                "t_max": number(m.t_max_c), "t_median": number(m.t_median_c), "t_row": number(m.row_median_c),
                "irradiance": f.irradiance_w_m2.and_then(number), "seen": f.frames_seen, "confirmed": f.frames_confirmed,
                "confidence": number(m.confidence), "note": f.note,
                "flags": m.flags.iter().map(|flag| flag.info().name).collect::<Vec<_>>(), "machine": machine,
            })
        };
        self.run.findings.iter().chain(&state.added).map(row).collect()
    }

    /// The frames that show a finding's module, its own first, then whole ones.
    pub(super) fn finding(&self, name: &str) -> Option<Value> {
        let log = locked(&self.log);
        let finding = log.find(&self.run, name)?;
        let m = &finding.module;
        let sight = |m: &ModuleRecord| json!({ "frame": m.frame, "corners": m.corners, "pattern": m.pattern.as_str(), "delta": number(m.delta_t_k) });
        let mut others: Vec<&ModuleRecord> = self
            .by_asset
            .get(&m.asset_id)
            .into_iter()
            .flatten()
            .filter_map(|k| self.modules.get(*k))
            .filter(|other| other.frame != m.frame)
            .collect();
        others.sort_by_key(|other| !other.whole);
        Some(json!({ "sights": std::iter::once(m).chain(others).map(sight).collect::<Vec<_>>() }))
    }

    /// The outlines of a frame.
    pub(super) fn outlines(&self, frame: &str) -> Value {
        let outline = |k: &usize| {
            let m = self.modules.get(*k)?;
            Some(json!({
                "k": k, "corners": m.corners, "asset": m.asset_id, "pattern": m.pattern.as_str(), "whole": m.whole,
                "row": m.row, "course": m.course, "position": m.position,
            }))
        };
        self.by_frame.get(frame).into_iter().flatten().filter_map(outline).collect()
    }

    /// A frame's temperatures, deg C, little-endian: columns and lines as `u32`, then `f32` line by line. Only names that
    /// the inspection folder lists are opened.
    pub(super) fn frame(&self, name: &str) -> Result<Option<Arc<Vec<u8>>>> {
        let Some(inputs) = self.inputs.as_ref().filter(|inputs| inputs.frames.iter().any(|f| f == name)) else {
            return Ok(None);
        };
        let mut frames = locked(&self.frames);
        if let Some(at) = frames.kept.iter().position(|(kept, _)| kept == name) {
            let kept = frames.kept.remove(at);
            let bytes = Arc::clone(&kept.1);
            frames.kept.push(kept);
            return Ok(Some(bytes));
        }
        let (thermogram, _, lens, ..) = read_frame(inputs, name, &mut frames.converter)?;
        let mut bytes = Vec::with_capacity(8 + 4 * thermogram.celsius.len());
        bytes.extend((lens.width as u32).to_le_bytes());
        bytes.extend((lens.height as u32).to_le_bytes());
        bytes.extend(thermogram.celsius.iter().flat_map(|t| t.to_le_bytes()));
        let bytes = Arc::new(bytes);
        if frames.kept.len() >= KEPT_FRAMES {
            frames.kept.remove(0);
        }
        frames.kept.push((name.to_owned(), Arc::clone(&bytes)));
        Ok(Some(bytes))
    }

    /// The run's own picture of a finding of the run.
    pub(super) fn evidence(&self, name: &str) -> Option<Vec<u8>> {
        let known = self.run.findings.iter().any(|f| f.finding == name);
        known.then(|| self.run.picture(name)).flatten()
    }

    /// The plant in metres, and the middle of each finding.
    pub(super) fn plan(&self) -> Value {
        let layout = self.inputs.as_ref().and_then(|inputs| inputs.layout.as_ref());
        let map = PlantMap::of(layout, &self.modules, &[]);
        let rings = map.local();
        let mut middles: BTreeMap<&str, [f64; 2]> = BTreeMap::new();
        let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
        let mut flat = Vec::with_capacity(rings.len());
        for ((id, _), ring) in map.modules.iter().zip(&rings) {
            middles.insert(id, [0, 1].map(|k| ring.iter().map(|p| p[k]).sum::<f64>() / 4.0));
            for [x, y] in ring {
                bounds = [bounds[0].min(*x), bounds[1].min(*y), bounds[2].max(*x), bounds[3].max(*y)];
            }
            flat.push(ring.iter().flatten().map(|v| (v * 100.0).round() / 100.0).collect::<Vec<f64>>());
        }
        let log = locked(&self.log);
        let places: BTreeMap<&str, [f64; 2]> = self
            .run
            .findings
            .iter()
            .chain(&log.state().added)
            .filter_map(|f| Some((f.finding.as_str(), *middles.get(f.module.asset_id.as_str())?)))
            .collect();
        json!({ "rings": flat, "places": places, "bounds": bounds.map(number) })
    }

    /// Where everything stands, if anything was said after entry `since`.
    pub(super) fn state(&self, since: u64) -> Value {
        let log = locked(&self.log);
        let n = last(log.state());
        if n == since {
            return json!({ "n": n });
        }
        json!({ "n": n, "state": states(log.state()), "findings": self.findings(log.state()) })
    }

    /// Takes a decision; `Ok(None)`: another was faster, and the state says which.
    pub(super) fn decide(&self, request: &Request) -> Result<(Option<u64>, Value)> {
        let mut log = locked(&self.log);
        let entry = match log.decide(&self.run, request) {
            Ok(entry) => Some(entry.n),
            Err(Refusal::Conflict(_)) => None,
            Err(Refusal::Error(error)) => return Err(error),
        };
        Ok((entry, json!({ "entry": entry, "n": last(log.state()), "state": states(log.state()) })))
    }

    /// Adds what the machine missed.
    pub(super) fn add(&self, addition: Addition) -> Result<Value> {
        let module = self.modules.get(addition.outline).filter(|m| *m.frame == *addition.frame).cloned();
        let Some((module, inputs)) = module.zip(self.inputs.as_ref()) else {
            let reason = "the frame has no such outline, or the frames are not at hand";
            return Err(Error::argument("outline", reason, "reload the page"));
        };
        let mut converter = None;
        let (thermogram, capture, ..) = read_frame(inputs, &module.frame, &mut converter)?;
        let missed =
            Missed { module, pattern: addition.pattern, part: addition.part, captured_at: capture.captured_at };
        let finding = finding_of(missed, &thermogram.celsius.view(), inputs)?;
        let mut log = locked(&self.log);
        let entry = log.add(&self.run, finding, &addition.reviewer, &addition.note)?;
        Ok(json!({
            "entry": entry.n, "added": entry.finding, "n": last(log.state()), "state": states(log.state()),
            "findings": self.findings(log.state()),
        }))
    }
}

/// Number of the last entry.
fn last(state: &State) -> u64 {
    state.latest.values().map(|latest| latest.n).max().unwrap_or(0)
}

fn states(state: &State) -> &BTreeMap<String, Latest> {
    &state.latest
}
