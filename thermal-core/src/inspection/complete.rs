//! What the layout shows a frame should hold and its outlines lack: where the frame stands is known by the other modules
//! in it, and where a missing one lies in it by those beside it. It is added where it looks like them.

use nalgebra::Matrix3;

use super::conclude::outlines;
use super::{FrameReport, Inputs, read_frame};
use crate::finding::{Flag, ModuleRecord};
use crate::frame::{FrameResult, FrameSettings, describe};
use crate::median::median;
use crate::optics::Lens;
use crate::outline::{Cell, LatticePlace, Look, Outlines, PlaneMap, Table};
use crate::radiometry::Converter;
use crate::site::{self, Expected, FrameOutlines, Place, Problem, Registration, expected};
use crate::threads::in_order;

/// Each round adds what lies beside what the one before added.
const ROUNDS: usize = 4;
/// How much stronger the lines must be for which an outline gives way.
const STRONGER: f64 = 1.1;
/// Neighbours that an added module must look like.
const ALIKE: usize = 4;

/// Places the frames on the plant, and outlines what their layout shows to be missing. The frames that lack a module are
/// read again, on `threads` threads; the modules added say so among their reasons. `None` where no frame has a position.
pub fn complete(inputs: &Inputs, reports: &mut [FrameReport], threads: usize) -> Option<Registration> {
    if !reports.iter().any(|r| r.lens.is_some() && r.capture.position().is_some()) {
        return None;
    }
    let frames: Vec<FrameOutlines> = reports.iter().map(outlines).collect();
    let mut registration = site::register_on(&frames, &inputs.settings, inputs.layout.as_ref(), threads);
    if registration.reconstructed {
        return Some(registration);
    }
    let strangers = site::strangers(&registration);
    let settings = FrameSettings::of(&inputs.settings);
    let done = in_order(reports.len(), threads, |k, converter| {
        let frame = Frame::of(&reports[k], &registration.frames[k].places, &strangers[k]);
        Some(complete_frame(inputs, &settings, &registration, &reports[k], frame, converter))
    });
    let (mut changed, mut left_out) = (false, (0, 0));
    for (k, Completed { result, places, dropped }) in done.into_iter().enumerate().filter_map(|(k, d)| Some((k, d?))) {
        let soft = reports[k].modules.iter().any(|m| m.flags.contains(&Flag::Soft));
        reports[k].take(result, soft);
        registration.frames[k].places = places;
        left_out = (left_out.0 + dropped, left_out.1 + usize::from(dropped > 0));
        changed = true;
    }
    if changed {
        let frames: Vec<FrameOutlines> = reports.iter().map(outlines).collect();
        registration.count_seen(&frames);
    }
    if left_out.0 > 0 {
        registration.problems.push(Problem::new(
            "layout.geojson",
            format!(
                "{} outlines in {} frames lie on none of its modules, between its rows or in one frame only; they were left out",
                left_out.0, left_out.1
            ),
            "add the modules to the layout if the plant has more than it lists",
        ));
    }
    Some(registration)
}

/// An outline of a frame while it is completed.
struct Outline {
    /// The lattice that it belongs to.
    table: u32,
    cell: Cell,
    place: Place,
    /// It was added.
    added: bool,
    /// It is one of [`site::strangers`].
    strange: bool,
}

/// The outlines of a frame while it is completed.
struct Frame {
    outlines: Vec<Outline>,
}

impl Frame {
    fn of(report: &FrameReport, places: &[Place], strangers: &[usize]) -> Self {
        let list = report.modules.iter().zip(&report.lattice).zip(places).enumerate();
        let outline = |(i, ((m, at), place)): (usize, ((&ModuleRecord, &LatticePlace), &Place))| {
            let LatticePlace { table, line, column, confidence } = *at;
            let (column, line) = (column as usize, line as usize);
            let cell = Cell { column, line, corners: m.corners, whole: m.whole, confidence };
            Outline { table, cell, place: *place, added: false, strange: strangers.contains(&i) }
        };
        Self { outlines: list.map(outline).collect() }
    }

    /// What the frame should show besides.
    fn lacks(&self, registration: &Registration, view: &PlaneMap) -> Vec<Expected> {
        let corners: Vec<[[f64; 2]; 4]> = self.outlines.iter().map(|o| o.cell.corners).collect();
        let places: Vec<Place> = self.outlines.iter().map(|o| o.place).collect();
        expected(registration, &corners, &places, view)
    }

    /// The outlines on this module's place that are its own.
    fn own<'a>(&'a self, module: &'a Expected) -> impl Iterator<Item = &'a Outline> {
        module.instead_of.iter().map(|&i| &self.outlines[i]).filter(|o| o.place.asset == Some(module.asset))
    }

    /// Puts an expected module in, in the lattice of the nearest one that tells its place.
    fn add(&mut self, module: &Expected) {
        let mut sure: Vec<f64> = module.beside.iter().map(|&i| self.outlines[i].cell.confidence).collect();
        let confidence = median(&mut sure) * f64::from(module.place.confidence);
        let Outline { table, cell: ref nearest, .. } = self.outlines[module.beside[0]];
        let [right, down] = module.off;
        let (column, line) = (nearest.column as i64 + right, nearest.line as i64 + down);
        // A lattice that gains a line or a column before its first one is renumbered.
        let (before, above) = ((-column).max(0) as usize, (-line).max(0) as usize);
        for other in self.outlines.iter_mut().filter(|o| o.table == table) {
            other.cell.column += before;
            other.cell.line += above;
        }
        let (column, line) = (column.max(0) as usize, line.max(0) as usize);
        let cell = Cell { column, line, corners: module.corners, whole: true, confidence };
        self.outlines.push(Outline { table, cell, place: module.place, added: true, strange: false });
    }

    /// Takes outlines out.
    fn drop(&mut self, numbers: &[usize]) {
        let mut number = 0..;
        self.outlines.retain(|_| number.next().is_none_or(|k| !numbers.contains(&k)));
    }

    /// The tables, from the outlines in the order of their tables.
    fn tables(&self) -> Vec<Table> {
        let of_table =
            |part: &[Outline]| Table { cells: part.iter().map(|o| o.cell.clone()).collect(), ..Table::default() };
        self.outlines.chunk_by(|a, b| a.table == b.table).map(of_table).collect()
    }
}

/// What a frame was completed to.
struct Completed {
    result: FrameResult,
    /// The modules' places, in the order of the result.
    places: Vec<Place>,
    /// Outlines that were left out as strangers.
    dropped: usize,
}

/// Looks for what a frame lacks; `None` where nothing of it looks like a module and nothing is to be left out. Only a frame
/// in question is read.
fn complete_frame(
    inputs: &Inputs,
    settings: &FrameSettings,
    registration: &Registration,
    report: &FrameReport,
    mut frame: Frame,
    converter: &mut Option<Converter>,
) -> Option<Completed> {
    let (lens, to_array): (Lens, Matrix3<f64>) = report.view()?;
    let view = PlaneMap::new(lens, to_array);
    let mut lacking = frame.lacks(registration, &view);
    if lacking.is_empty() && !frame.outlines.iter().any(|o| o.strange) {
        return None;
    }
    let (thermogram, ..) = read_frame(inputs, &report.file, converter).ok()?;
    let celsius = thermogram.celsius.view();
    for _ in 0..ROUNDS {
        let look = |o: &Outline| Look::of(&celsius, &o.cell.corners);
        let found: Vec<&Expected> = lacking
            .iter()
            .filter(|module| {
                let others: Vec<Look> = module.beside.iter().take(ALIKE).map(|&i| look(&frame.outlines[i])).collect();
                let here = Look::of(&celsius, &module.corners);
                // Its own outline gives way to one on stronger lines only.
                let stronger = |own: Look| here.lines_k(&others) > STRONGER * own.lines_k(&others);
                here.is_like(&others) && frame.own(module).map(look).all(stronger)
            })
            .collect();
        if found.is_empty() {
            break;
        }
        for module in &found {
            frame.add(module);
        }
        let instead: Vec<usize> = found.iter().flat_map(|module| module.instead_of.iter().copied()).collect();
        frame.drop(&instead);
        lacking = frame.lacks(registration, &view);
    }
    // Where a module that should be there does not look like one, the frame may stand elsewhere, and what lies on no module
    // may be one.
    let borne_out = lacking.iter().all(|module| frame.own(module).next().is_some());
    let before = frame.outlines.len();
    frame.outlines.retain(|o| !(borne_out && o.strange));
    let dropped = before - frame.outlines.len();
    if dropped == 0 && !frame.outlines.iter().any(|o| o.added) {
        return None;
    }
    frame.outlines.sort_by_key(|o| o.table);
    let outlines = Outlines { tables: frame.tables(), view: Some((lens, to_array)) };
    let mut result = describe(&report.file, celsius, outlines, settings);
    for (module, _) in result.modules.iter_mut().zip(&frame.outlines).filter(|(_, o)| o.added) {
        module.reasons.push("outlined by the layout and the modules beside it".to_owned());
    }
    Some(Completed { result, places: frame.outlines.iter().map(|o| o.place).collect(), dropped })
}
