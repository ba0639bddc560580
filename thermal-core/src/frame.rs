//! One frame from temperatures to module records: outlines, rows, measurements, patterns.

use std::sync::Arc;

use ndarray::ArrayView2;

use crate::finding::{Flag, ModuleRecord, Pattern};
use crate::measure::{self, CellPlan};
use crate::optics::Lens;
use crate::outline::{self, LoggedPose, OutlineSettings, Outlines};
use crate::pattern::{self, PatternSettings, Reading};
use crate::reference::{self, Level, Neighbour};
use crate::row;
use crate::settings::{Array, Mounting, Settings};

/// What the analysis of one frame needs besides its temperatures.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct FrameSettings {
    /// Outlines.
    pub outline: OutlineSettings,
    /// Patterns.
    pub pattern: PatternSettings,
    /// The module's cells.
    pub plan: CellPlan,
    /// The array.
    pub array: Array,
}

impl FrameSettings {
    /// Settings of a plant as `inspection.toml` describes it.
    pub fn of(settings: &Settings) -> Self {
        let (along, up) = settings.module.size_along_up_m();
        // From above, the faces of a dual-tilt roof are shortened up the slope.
        let lean_deg = match settings.array.mounting {
            Mounting::DualTilt => settings.array.tilt_deg,
            Mounting::Fixed | Mounting::Tracker => 0.0,
        };
        let outline = OutlineSettings {
            module_m: [along, up * lean_deg.to_radians().cos()],
            lean_deg,
            courses: settings.array.modules_up as usize,
            ..OutlineSettings::default()
        };
        Self {
            outline,
            pattern: PatternSettings::default(),
            plan: CellPlan::of(&settings.module),
            array: settings.array.clone(),
        }
    }
}

/// What was found in one frame.
#[derive(Debug, Clone, Default)]
pub struct FrameResult {
    /// The outlines by table, and how the camera stood.
    pub outlines: Outlines,
    /// A record a module, table by table.
    pub modules: Vec<ModuleRecord>,
    /// The reading of each module.
    pub readings: Vec<Reading>,
    /// What each module was compared with.
    pub levels: Vec<Level>,
}

/// Analyses one frame (deg C). `name` goes into the records.
pub fn analyse(
    name: &str,
    celsius: ArrayView2<'_, f32>,
    lens: &Lens,
    pose: &LoggedPose,
    settings: &FrameSettings,
) -> FrameResult {
    describe(name, celsius, outline::find_from_pose(celsius, lens, pose, &settings.array, &settings.outline), settings)
}

/// Measures the outlined modules of a frame (deg C) and reads their patterns. `name` goes into the records.
pub fn describe(name: &str, celsius: ArrayView2<'_, f32>, outlines: Outlines, settings: &FrameSettings) -> FrameResult {
    let places = row::assign(&outlines, settings.outline.courses);
    let placed = outlines.placed();
    let name: Arc<str> = name.into();
    let mut out = FrameResult::default();
    let mut neighbours = Vec::new();
    for (k, table) in outlines.tables.iter().enumerate() {
        for (cell, place) in table.cells.iter().zip(&places[k]) {
            let field = measure::field(&celsius, &cell.corners, &settings.plan);
            let reading = pattern::read(
                &celsius,
                &cell.corners,
                &field,
                &settings.plan,
                settings.outline.module_m,
                &settings.pattern,
            );
            let unit = placed.get(k).map_or(1.0, |p| p.pitch);
            let aspect = settings.outline.module_m[0] / settings.outline.module_m[1];
            let at = placed.get(k).map_or([0.0, 0.0], |p| {
                [p.left / (unit * aspect) + cell.column as f64, (p.top / unit + cell.line as f64) / aspect.min(1.0)]
            });
            neighbours.push(Neighbour { level_c: reading.sound_c, at, place: *place });
            out.modules.push(ModuleRecord {
                frame: Arc::clone(&name),
                row: place.row,
                course: place.course,
                position: place.position,
                corners: cell.corners,
                whole: cell.whole,
                t_median_c: f64::from(field.median_c),
                t_max_c: reading.t_max_c,
                pattern: reading.pattern,
                part: reading.part.clone(),
                delta_t_k: reading.delta_t_k,
                taken_k: reading.taken_k,
                area_fraction: reading.area_fraction,
                confidence: if reading.pattern == Pattern::None {
                    cell.confidence
                } else {
                    cell.confidence * (0.6 + 0.39 * reading.certainty)
                },
                reasons: reading.reasons.clone(),
                ..ModuleRecord::default()
            });
            out.readings.push(reading);
        }
    }
    row_medians(&mut out.modules);
    let levels = reference::levels(&neighbours, f64::from(settings.pattern.min_module_k));
    for ((module, reading), level) in out.modules.iter_mut().zip(&out.readings).zip(&levels) {
        if level.neighbours < 4 {
            module.flags.push(Flag::FewNeighbours);
        }
        if !module.whole {
            module.flags.push(Flag::Cut);
        }
        if reading.own_delta_k.is_some() {
            module.flags.push(Flag::Unresolved);
        }
        let warm = level.warm
            && level.delta_k.max(if level.run >= settings.pattern.min_string_modules {
                level.run_delta_k
            } else {
                0.0
            }) >= f64::from(settings.pattern.min_module_k);
        if !warm || module.pattern != Pattern::None {
            if warm {
                module.reasons.push(format!("the whole module is also {:.1} K over its reference", level.delta_k));
            }
            continue;
        }
        let string = level.run >= settings.pattern.min_string_modules;
        module.pattern = if string { Pattern::String } else { Pattern::Module };
        module.delta_t_k = if string { level.run_delta_k } else { level.delta_k };
        let margin = (module.delta_t_k / f64::from(settings.pattern.min_module_k) - 1.0).clamp(0.0, 1.0);
        module.confidence *= 0.6 + 0.39 * margin;
        module.area_fraction = 1.0;
        module.part = String::new();
        module.reasons.push(if string {
            format!(
                "a run of {} modules is {:.1} K over the {} nearest sound modules",
                level.run, level.run_delta_k, level.neighbours
            )
        } else {
            format!("{:.1} K over the median of the {} nearest sound modules", level.delta_k, level.neighbours)
        });
    }
    out.outlines = outlines;
    out.levels = levels;
    out
}

/// Median and difference to it of each row, over the modules' medians.
fn row_medians(modules: &mut [ModuleRecord]) {
    let mut rows: std::collections::BTreeMap<u32, Vec<f32>> = std::collections::BTreeMap::new();
    for m in modules.iter() {
        rows.entry(m.row).or_default().push(m.t_median_c as f32);
    }
    let medians: std::collections::BTreeMap<u32, f64> =
        rows.into_iter().map(|(row, mut values)| (row, f64::from(measure::median(&mut values)))).collect();
    for m in modules {
        m.row_median_c = medians.get(&m.row).copied().unwrap_or(f64::NAN);
        m.delta_row_k = m.t_median_c - m.row_median_c;
    }
}
