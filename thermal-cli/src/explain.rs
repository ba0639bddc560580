//! `thermal inspect --explain`: the numbers and the reasons behind the verdict on one module of one frame.

use std::fmt::Write;
use std::path::Path;

use thermal_core::Error;
use thermal_core::finding::{MODULES, ModuleRecord, Pattern};
use thermal_core::frame::{FrameResult, FrameSettings, describe};
use thermal_core::inspection::{Inputs, logged_pose, read_frame};
use thermal_core::measure::{contains, place, side_px};
use thermal_core::outline::{Cell, Table, find_from_pose};

use crate::failure::Failure;

/// The verdict on `wanted`, `FRAME:X,Y` or, with the run that tells its place, `FRAME:MODULE`, in words.
pub(crate) fn explain(folder: &Path, run: Option<&Path>, wanted: &str) -> Result<String, Failure> {
    let (frame, module) = wanted.rsplit_once(':').ok_or_else(|| unclear(wanted))?;
    let inputs = Inputs::read(folder)?;
    let name = inputs.frames.iter().find(|f| f.as_str() == frame).ok_or_else(|| {
        Error::argument("--explain", format!("frames/{frame} is not there"), "name a file of frames/, with its ending")
    })?;
    let settings = FrameSettings::of(&inputs.settings);
    let read = read_frame(&inputs, name, &mut None)?;
    let (thermogram, capture, lens, ..) = read;
    let pose = logged_pose(&inputs, &capture);
    let celsius = thermogram.celsius.view();
    let mut outlines = find_from_pose(celsius, &lens, &pose, &settings.array, &settings.outline);
    let (at, of_run) = if let Some(at) = pixel(module) {
        (at, None)
    } else {
        let record = record_in_run(run.ok_or_else(|| unclear(wanted))?, name, module)?;
        (place(&record.corners, 0.5, 0.5), Some(record))
    };
    let mut own = outlines.tables.iter().flat_map(|t| &t.cells);
    if let Some(record) = of_run.filter(|_| !own.any(|c| contains(&c.corners, at))) {
        // The run outlined it by the layout, which one frame alone does not do.
        let (corners, whole, confidence) = (record.corners, record.whole, record.confidence);
        let cell = Cell { column: 0, line: 0, corners, whole, confidence };
        outlines.tables.push(Table { cells: vec![cell], ..Table::default() });
    }
    let result = describe(name, celsius, outlines, &settings);
    let k = result.modules.iter().position(|m| contains(&m.corners, at)).ok_or_else(|| {
        Error::argument(
            "--explain",
            format!("no module is outlined at {:.0},{:.0} px of {name}", at[0], at[1]),
            "give a pixel inside a module, or --out with the run that outlined it and the module's name in its modules.csv",
        )
    })?;
    Ok(words(&result, k, &settings))
}

fn unclear(wanted: &str) -> Failure {
    Failure::Library(Error::argument(
        "--explain",
        format!("{wanted:?} names no module"),
        "write FRAME:X,Y with a pixel inside the module, for instance frame_0001.tif:320,210, or, with --out and the run's \
         folder, FRAME:ROW.COURSE.POSITION or FRAME:ASSET_ID as in its modules.csv",
    ))
}

/// `x,y` in pixels.
fn pixel(module: &str) -> Option<[f64; 2]> {
    let (x, y) = module.split_once(',')?;
    Some([x.trim().parse().ok()?, y.trim().parse().ok()?])
}

/// A module in a frame as a run's modules.csv has it.
fn record_in_run(run: &Path, frame: &str, module: &str) -> Result<ModuleRecord, Failure> {
    let records = MODULES.read_csv(&run.join("modules.csv"))?;
    let is_wanted =
        |r: &ModuleRecord| r.asset_id == module || format!("{}.{}.{}", r.row, r.course, r.position) == module;
    let found = records.into_iter().find(|r| *r.frame == *frame && is_wanted(r));
    Ok(found.ok_or_else(|| {
        Error::argument(
            "--explain",
            format!("modules.csv of the run has no module {module} in {frame}"),
            "take row, course and position, or the asset_id, from a line of that frame",
        )
    })?)
}

fn words(result: &FrameResult, k: usize, settings: &FrameSettings) -> String {
    let (module, reading, level) = (&result.modules[k], &result.readings[k], &result.levels[k]);
    let limits = &settings.pattern;
    let [across, along] = side_px(&module.corners);
    let mut text = String::new();
    let mut line = |name: &str, value: String| {
        let _ = writeln!(text, "{name:<12} {value}");
    };
    line(
        "module",
        format!("row {}, course {}, position {} of {}", module.row, module.course, module.position, module.frame),
    );
    let corners: Vec<String> = module.corners.iter().map(|c| format!("{:.1},{:.1}", c[0], c[1])).collect();
    line("outline", format!("{} px; {across:.1} x {along:.1} px; whole: {}", corners.join("  "), module.whole));
    line(
        "levels",
        format!(
            "module {:.2} deg C, its sound part {:.2}, its row {:.2} (difference {:+.2} K)",
            module.t_median_c, reading.sound_c, module.row_median_c, module.delta_row_k
        ),
    );
    line(
        "compared",
        format!(
            "{:+.2} K to {:.2} deg C, the median of the {} nearest sound modules; limit {:.1} K{}",
            level.delta_k,
            level.reference_c,
            level.neighbours,
            limits.min_module_k,
            if level.run > 0 {
                format!("; in a run of {} warm modules, {:+.2} K", level.run, level.run_delta_k)
            } else {
                String::new()
            }
        ),
    );
    line("hottest", format!("{:.1} K over the sound part; limit {:.1} K", reading.hottest_over_k, limits.min_spot_k));
    if reading.pattern != Pattern::Substring {
        line(
            "sections",
            format!("none is {:.1} K warmer than the rest with a step at its border", limits.min_section_k),
        );
    }
    let part = if module.part.is_empty() { String::new() } else { format!(", {}", module.part) };
    line(
        "verdict",
        format!(
            "{}{part}; difference {:.2} K; confidence {:.2}",
            module.pattern.as_str(),
            module.delta_t_k,
            module.confidence
        ),
    );
    for reason in &module.reasons {
        line("because", reason.clone());
    }
    for flag in &module.flags {
        line("flag", format!("{}: {}", flag.info().name, flag.info().short));
    }
    text
}
