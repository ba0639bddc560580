//! What the layout shows a frame should hold and its outlines lack: where the frame stands is known by the other modules
//! in it, and where a missing one lies in it by those beside it, or, of a whole table, by where the camera stood. It is added
//! where it looks like the others.

use nalgebra::Matrix3;
use ndarray::ArrayView2;

use super::frames::rows;
use super::{FrameReport, Inputs, Records, read_frame};
use crate::Result;
use crate::finding::{Flag, ModuleRecord};
use crate::frame::{FrameResult, FrameSettings, describe};
use crate::median::median;
use crate::optics::Lens;
use crate::outline::{Cell, LatticePlace, Look, Outlines, PlaneMap, Table, locate};
use crate::radiometry::Converter;
use crate::shelf::{Shelf, Shelved};
use crate::site::{
    self, Expected, FrameOutlines, Overlooked, Place, Problem, Registration, Seen, Tables, expected, overlooked,
};
use crate::threads::in_order;

/// Each round adds what lies beside what the one before added.
const ROUNDS: usize = 4;
/// How much stronger the lines must be for which an outline gives way; one that does not belong to the lattice of the modules
/// beside it, but to that of the next table, gives way to lines that are about as strong.
const STRONGER: f64 = 1.1;
const AS_STRONG: f64 = 0.85;
/// How much clearer a whole table must be for which outlines of its own give way.
const CLEARER: f64 = 1.03;
/// Share of the modules in view that may not look like one, covered or dark, without the frame's place being in doubt.
const UNLIKE_SHARE: f64 = 0.1;
/// Share of a table's modules that must look like modules.
const LIKE_SHARE: f64 = 0.7;
/// Neighbours that an added module must look like.
const ALIKE: usize = 4;

/// The frames of a flight at their places on the plant.
#[derive(Debug, Clone)]
pub struct Placed {
    /// The frames as they were registered, in the order of the reports.
    pub frames: Vec<FrameOutlines>,
    /// Where they stand.
    pub registration: Registration,
}

/// Places the frames on the plant, and outlines what their layout shows to be missing. The frames that lack a module are
/// read again, on `threads` threads; the modules added say so among their reasons. `None` where no frame has a position.
/// What there is for each outline goes to `shelf`.
///
/// # Errors
/// The shelf cannot be written to, or what was put there cannot be read back.
pub fn complete(inputs: &Inputs, reports: &mut [FrameReport], shelf: &Shelf, threads: usize) -> Result<Option<Placed>> {
    if !reports.iter().any(|r| r.lens.is_some() && r.capture.position().is_some()) {
        return Ok(None);
    }
    let frames = in_order(reports.len(), threads, |k, (): &mut ()| {
        let seen = reports[k].records.read().and_then(|records| shelf.put(records.seen()));
        Some(seen.map(|seen| reports[k].outlines(seen)))
    });
    let mut frames: Vec<FrameOutlines> = frames.into_iter().collect::<Result<_>>()?;
    let mut registration = site::register_on(&frames, &inputs.settings, inputs.layout.as_ref(), shelf, threads)?;
    if registration.reconstructed {
        return Ok(Some(Placed { frames, registration }));
    }
    let strangers = site::strangers(&registration)?;
    let settings = FrameSettings::of(&inputs.settings);
    let tables = Tables::new(&registration, &inputs.settings.array, inputs.settings.module.size_along_up_m().1);
    let plant = Plant { registration: &registration, tables: tables.as_ref() };
    let done = in_order(reports.len(), threads, |k, converter| {
        let mut change = || -> Result<Option<Box<Change>>> {
            let (records, places) = (reports[k].records.read()?, registration.frames[k].places.read()?);
            let frame = Frame::of(&records, &places, &strangers[k]);
            let done = complete_frame(inputs, &settings, &plant, &reports[k], frame, converter);
            let soft = records.modules.iter().any(|m| m.flags.contains(&Flag::Soft));
            done.map(|done| done.put(soft, shelf)).transpose()
        };
        Some(change())
    });
    let (mut changed, mut left_out) = (false, (0, 0));
    for (k, change) in done.into_iter().enumerate() {
        let Some(Change { outlined, to_array, records, seen, places, dropped }) = change?.map(|change| *change) else {
            continue;
        };
        let report = &mut reports[k];
        (report.outlined, report.to_array, report.records) = (outlined, to_array, records);
        (frames[k].modules, registration.frames[k].places) = (seen, places);
        left_out = (left_out.0 + dropped, left_out.1 + usize::from(dropped > 0));
        changed = true;
    }
    if changed {
        registration.count_seen(&frames)?;
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
    Ok(Some(Placed { frames, registration }))
}

/// The plant as registered.
struct Plant<'a> {
    registration: &'a Registration,
    tables: Option<&'a Tables>,
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
    fn of(records: &Records, places: &[Place], strangers: &[usize]) -> Self {
        let list = records.modules.iter().zip(&records.lattice).zip(places).enumerate();
        let outline = |(i, ((m, at), place)): (usize, ((&ModuleRecord, &LatticePlace), &Place))| {
            let LatticePlace { table, line, column, confidence } = *at;
            let (column, line) = (column as usize, line as usize);
            let cell = Cell { column, line, corners: m.corners, whole: m.whole, confidence };
            Outline { table, cell, place: *place, added: false, strange: strangers.contains(&i) }
        };
        Self { outlines: list.map(outline).collect() }
    }

    fn corners_and_places(&self) -> (Vec<[[f64; 2]; 4]>, Vec<Place>) {
        self.outlines.iter().map(|o| (o.cell.corners, o.place)).unzip()
    }

    /// The modules that the frame should show besides.
    fn lacks(&self, plant: &Plant<'_>, view: &PlaneMap) -> Vec<Expected> {
        let (corners, places) = self.corners_and_places();
        expected(plant.registration, &corners, &places, view)
    }

    /// The tables that the frame should show besides, or elsewhere.
    fn lacks_tables(&self, plant: &Plant<'_>, view: &PlaneMap) -> Vec<Overlooked> {
        let (corners, places) = self.corners_and_places();
        plant.tables.map_or_else(Vec::new, |t| overlooked(plant.registration, t, &corners, &places, view))
    }

    /// The outlines on this module's place that are its own.
    fn own<'a>(&'a self, module: &'a Expected) -> impl Iterator<Item = &'a Outline> {
        module.instead_of.iter().map(|&i| &self.outlines[i]).filter(|o| o.place.asset == Some(module.asset))
    }

    /// Whether the lattice of an outline belongs to another table of the plant than the outline.
    fn is_of_the_next_table(&self, outline: &Outline, registration: &Registration) -> bool {
        let table = |o: &Outline| registration.assets.get(o.place.asset? as usize).map(|a| (a.row, a.table));
        let own = table(outline);
        let lattice = self.outlines.iter().filter(|o| o.table == outline.table && o.place.asset.is_some());
        let (same, others): (Vec<_>, Vec<_>) = lattice.map(table).partition(|t| *t == own);
        others.len() > 2 * same.len()
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

    /// Puts the modules of a table in, as a lattice of its own.
    fn add_table(&mut self, table: &Overlooked, found: Vec<[[f64; 2]; 4]>) {
        let number = self.outlines.iter().map(|o| o.table + 1).max().unwrap_or(0);
        let mut sure: Vec<f64> = table.others.iter().take(ALIKE).map(|&i| self.outlines[i].cell.confidence).collect();
        let sure = median(&mut sure);
        for ((corners, place), (line, column)) in found.into_iter().zip(&table.places).zip(table.lattice.keys()) {
            let (line, column) = (*line as usize, *column as usize);
            let cell = Cell { column, line, corners, whole: true, confidence: sure * f64::from(place.confidence) };
            self.outlines.push(Outline { table: number, cell, place: *place, added: true, strange: false });
        }
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

/// The same on the shelf.
struct Change {
    outlined: usize,
    to_array: Option<[[f64; 3]; 3]>,
    records: Shelved<Records>,
    seen: Shelved<Vec<Seen>>,
    places: Shelved<Vec<Place>>,
    dropped: usize,
}

impl Completed {
    /// Lays it down; `soft`: the frame is out of focus or blurred.
    fn put(self, soft: bool, shelf: &Shelf) -> Result<Box<Change>> {
        let to_array = self.result.outlines.view.map(|(_, m)| rows(&m));
        let records = Records::of(self.result, soft);
        Ok(Box::new(Change {
            outlined: records.modules.len(),
            to_array,
            seen: shelf.put(records.seen())?,
            records: shelf.put(records)?,
            places: shelf.put(self.places)?,
            dropped: self.dropped,
        }))
    }
}

/// Looks for what a frame lacks; `None` where nothing of it looks like a module and nothing is to be left out. Only a frame
/// in question is read.
fn complete_frame(
    inputs: &Inputs,
    settings: &FrameSettings,
    plant: &Plant<'_>,
    report: &FrameReport,
    mut frame: Frame,
    converter: &mut Option<Converter>,
) -> Option<Completed> {
    let (lens, to_array): (Lens, Matrix3<f64>) = report.view()?;
    let view = PlaneMap::new(lens, to_array);
    let mut lacking = frame.lacks(plant, &view);
    let tables = frame.lacks_tables(plant, &view);
    if lacking.is_empty() && tables.is_empty() && !frame.outlines.iter().any(|o| o.strange) {
        return None;
    }
    let (thermogram, ..) = read_frame(inputs, &report.file, converter).ok()?;
    let celsius = thermogram.celsius.view();
    if complete_tables(&mut frame, tables, &celsius, &view, settings) {
        lacking = frame.lacks(plant, &view);
    }
    for _ in 0..ROUNDS {
        let look = |o: &Outline| Look::of(&celsius, &o.cell.corners);
        let found: Vec<&Expected> = lacking
            .iter()
            .filter(|module| {
                let others: Vec<Look> = module.beside.iter().take(ALIKE).map(|&i| look(&frame.outlines[i])).collect();
                let here = Look::of(&celsius, &module.corners);
                let gives_way = |own: &Outline| {
                    let factor = if frame.is_of_the_next_table(own, plant.registration) { AS_STRONG } else { STRONGER };
                    here.lines_k(&others) > factor * look(own).lines_k(&others)
                };
                here.is_like(&others) && frame.own(module).all(gives_way)
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
        lacking = frame.lacks(plant, &view);
    }
    // Where a module that should be there does not look like one, its lattice may lie a course or a position aside, and what
    // lies on no module may be one. A lattice wholly on no module needs more than one such, and many in a full frame.
    let unlike = lacking.iter().filter(|module| frame.own(module).next().is_none()).count();
    let named: Vec<u32> = frame.outlines.iter().filter(|o| o.place.asset.is_some()).map(|o| o.table).collect();
    let aside = |o: &Outline| match unlike {
        0 => false,
        n => named.contains(&o.table) || n as f64 > (UNLIKE_SHARE * named.len() as f64).max(1.0),
    };
    let before = frame.outlines.len();
    frame.outlines.retain(|o| !o.strange || aside(o));
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

/// Looks for whole tables that a frame lacks or has beside their places; whether any was found.
fn complete_tables(
    frame: &mut Frame,
    tables: Vec<Overlooked>,
    celsius: &ArrayView2<'_, f32>,
    view: &PlaneMap,
    settings: &FrameSettings,
) -> bool {
    let mut instead = Vec::new();
    for table in tables {
        let look = |i: &usize| Look::of(celsius, &frame.outlines[*i].cell.corners);
        let others: Vec<Look> = table.others.iter().take(ALIKE).map(look).collect();
        let Some(found) = locate(celsius, view, &table.lattice, &settings.outline) else { continue };
        let looks: Vec<Look> = found.iter().map(|c| Look::of(celsius, c)).collect();
        let alike = looks.iter().filter(|l| l.is_like(&others)).count();
        let mean = |looks: &[Look]| looks.iter().map(Look::clearness).sum::<f64>() / looks.len().max(1) as f64;
        let old: Vec<Look> = table.instead_of.iter().map(look).collect();
        // A few outlines on some of its modules, or any on none, tell less than a whole table.
        let named = table.instead_of.iter().filter(|&&i| frame.outlines[i].place.asset.is_some()).count();
        let factor = if 2 * named > looks.len() { CLEARER } else { AS_STRONG };
        if alike as f64 >= LIKE_SHARE * looks.len() as f64 && mean(&looks) > factor * mean(&old) {
            frame.add_table(&table, found);
            instead.extend(table.instead_of);
        }
    }
    frame.drop(&instead);
    !instead.is_empty() || frame.outlines.iter().any(|o| o.added)
}
