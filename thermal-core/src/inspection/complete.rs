//! What the layout shows a frame should hold and its outlines lack: where the frame stands is known by the other modules
//! in it, and where a missing one lies in it by those beside it. It is added where it looks like them.

use nalgebra::Matrix3;

use super::conclude::outlines;
use super::{FrameReport, Inputs, read_frame};
use crate::finding::Flag;
use crate::frame::{FrameResult, FrameSettings, describe};
use crate::median::median;
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
    let mut registration = site::register(&frames, &inputs.settings, inputs.layout.as_ref());
    if registration.reconstructed {
        return Some(registration);
    }
    let strangers = site::strangers(&registration);
    let wanting: Vec<usize> = (0..reports.len())
        .filter(|&k| {
            let view = view(&reports[k]);
            view.is_some_and(|view| {
                let frame = Frame::of(&reports[k], &registration, k, &strangers[k]);
                !strangers[k].is_empty() || !missing(&registration, &frame, &view).is_empty()
            })
        })
        .collect();
    let settings = FrameSettings::of(&inputs.settings);
    let done = in_order(wanting.len(), threads, |n, converter| {
        let k = wanting[n];
        let frame = Frame::of(&reports[k], &registration, k, &strangers[k]);
        Some(complete_frame(inputs, &settings, &registration, &reports[k], frame, converter))
    });
    let mut left_out = (0, 0);
    for (k, (result, places, dropped)) in wanting.into_iter().zip(done).filter_map(|(k, done)| Some((k, done?))) {
        let soft = reports[k].modules.iter().any(|m| m.flags.contains(&Flag::Soft));
        reports[k].take(result);
        if soft {
            reports[k].modules.iter_mut().for_each(|m| m.flags.push(Flag::Soft));
        }
        registration.frames[k].places = places;
        left_out = (left_out.0 + dropped, left_out.1 + usize::from(dropped > 0));
    }
    let frames: Vec<FrameOutlines> = reports.iter().map(outlines).collect();
    registration.count_seen(&frames);
    if left_out.0 > 0 {
        registration.problems.push(Problem::new(
            "layout.geojson",
            format!(
                "{} outlines in {} frames lie on none of its modules and no other frame shows them; they were left out",
                left_out.0, left_out.1
            ),
            "add the modules to the layout if the plant has more than it lists",
        ));
    }
    Some(registration)
}

/// How a frame looks at the array; `None` where nothing was outlined in it.
fn view(report: &FrameReport) -> Option<PlaneMap> {
    let rows = report.to_array?;
    Some(PlaneMap::new(report.lens?, Matrix3::from_fn(|j, k| rows[j][k])))
}

/// The outlines of a frame while it is completed.
struct Frame {
    cells: Vec<(LatticePlace, Cell)>,
    places: Vec<Place>,
    /// Those that were added.
    added: Vec<bool>,
    /// Those on no module that no other frame shows.
    strange: Vec<bool>,
}

impl Frame {
    fn of(report: &FrameReport, registration: &Registration, number: usize, strangers: &[usize]) -> Self {
        let cell = |(m, at): (&crate::finding::ModuleRecord, &LatticePlace)| {
            let cell = Cell {
                column: at.column as usize,
                line: at.line as usize,
                corners: m.corners,
                whole: m.whole,
                confidence: at.confidence,
            };
            (*at, cell)
        };
        let cells: Vec<(LatticePlace, Cell)> = report.modules.iter().zip(&report.lattice).map(cell).collect();
        let places = registration.frames[number].places.clone();
        let strange = (0..cells.len()).map(|i| strangers.contains(&i)).collect();
        Self { added: vec![false; cells.len()], strange, cells, places }
    }

    /// Puts an expected module in, in the lattice of the nearest one that tells its place.
    fn add(&mut self, module: &Expected) {
        let (at, _) = self.cells[module.beside[0]];
        let mut sure: Vec<f64> = module.beside.iter().map(|&i| self.cells[i].0.confidence).collect();
        let confidence = median(&mut sure) * f64::from(module.place.confidence);
        // A lattice that gains a line or a column before its first one is renumbered.
        let [right, down] = module.off;
        let (column, line) = (i64::from(at.column) + right, i64::from(at.line) + down);
        let (before, above) = ((-column).max(0) as u32, (-line).max(0) as u32);
        for (other, cell) in self.cells.iter_mut().filter(|(other, _)| other.table == at.table) {
            other.column += before;
            other.line += above;
            (cell.column, cell.line) = (other.column as usize, other.line as usize);
        }
        let (column, line) = (column.max(0) as u32, line.max(0) as u32);
        let cell =
            Cell { column: column as usize, line: line as usize, corners: module.corners, whole: true, confidence };
        self.cells.push((LatticePlace { table: at.table, line, column, confidence }, cell));
        self.places.push(module.place);
        self.added.push(true);
        self.strange.push(false);
    }

    /// Takes outlines out.
    fn drop(&mut self, numbers: &[usize]) {
        fn keep<T>(list: &mut Vec<T>, numbers: &[usize]) {
            let mut k = 0;
            list.retain(|_| {
                k += 1;
                !numbers.contains(&(k - 1))
            });
        }
        keep(&mut self.cells, numbers);
        keep(&mut self.places, numbers);
        keep(&mut self.added, numbers);
        keep(&mut self.strange, numbers);
    }

    /// The outlines table by table, with the places in the same order.
    fn into_outlines(self, view: &PlaneMap) -> (Outlines, Vec<Place>, Vec<bool>) {
        let mut order: Vec<usize> = (0..self.cells.len()).collect();
        order.sort_by_key(|&k| self.cells[k].0.table);
        let mut tables: Vec<Table> = Vec::new();
        let mut last = None;
        for &k in &order {
            let (at, cell) = &self.cells[k];
            if last != Some(at.table) {
                tables.push(Table::default());
                last = Some(at.table);
            }
            if let Some(table) = tables.last_mut() {
                table.cells.push(cell.clone());
            }
        }
        let places = order.iter().map(|&k| self.places[k]).collect();
        let added = order.iter().map(|&k| self.added[k]).collect();
        (Outlines { tables, view: Some(view.parts()) }, places, added)
    }
}

/// What a frame should show besides its outlines.
fn missing(registration: &Registration, frame: &Frame, view: &PlaneMap) -> Vec<Expected> {
    let corners: Vec<[[f64; 2]; 4]> = frame.cells.iter().map(|(_, c)| c.corners).collect();
    expected(registration, &corners, &frame.places, view)
}

/// Looks for what a frame lacks; `None` where nothing of it looks like a module.
fn complete_frame(
    inputs: &Inputs,
    settings: &FrameSettings,
    registration: &Registration,
    report: &FrameReport,
    mut frame: Frame,
    converter: &mut Option<Converter>,
) -> Option<(FrameResult, Vec<Place>, usize)> {
    let view = view(report)?;
    let (thermogram, ..) = read_frame(inputs, &report.file, converter).ok()?;
    let celsius = thermogram.celsius.view();
    for _ in 0..ROUNDS {
        let look = |i: &usize| Look::of(&celsius, &frame.cells[*i].1.corners);
        let mut found = missing(registration, &frame, &view);
        found.retain(|module| {
            let others: Vec<Look> = module.beside.iter().take(ALIKE).map(look).collect();
            let here = Look::of(&celsius, &module.corners);
            // Its own outline gives way to one on stronger lines only.
            let own = module.instead_of.iter().filter(|&&i| frame.places[i].asset == Some(module.asset));
            here.is_like(&others) && own.map(look).all(|own| here.lines_k(&others) > STRONGER * own.lines_k(&others))
        });
        if found.is_empty() {
            break;
        }
        for module in &found {
            frame.add(module);
        }
        let instead: Vec<usize> = found.iter().flat_map(|module| module.instead_of.iter().copied()).collect();
        frame.drop(&instead);
    }
    // Where a module that should be there does not look like one, the frame may stand elsewhere, and what lies on no module
    // may be one.
    let absent = |module: &Expected| module.instead_of.iter().all(|&i| frame.places[i].asset != Some(module.asset));
    let borne_out = !missing(registration, &frame, &view).iter().any(absent);
    let strange: Vec<usize> = (0..frame.strange.len()).filter(|&i| borne_out && frame.strange[i]).collect();
    if !frame.added.contains(&true) && strange.is_empty() {
        return None;
    }
    frame.drop(&strange);
    let (outlines, places, added) = frame.into_outlines(&view);
    let mut result = describe(&report.file, celsius, outlines, settings);
    for (module, _) in result.modules.iter_mut().zip(added).filter(|(_, added)| *added) {
        module.reasons.push("outlined by the layout and the modules beside it".to_owned());
    }
    Some((result, places, strange.len()))
}
