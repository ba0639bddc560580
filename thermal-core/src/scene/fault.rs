//! The faults: drawn by chance, laid on the cells of modules, told in the truth.

use serde::Serialize;

use super::random::Random;
use super::site::{Module, Table, grid};
use super::spec::{Kind, Plant, Spec};

/// A fault of a module. Places: x across the module's width, y along its length, from the lower left corner as seen in
/// its row (a landscape module's width runs up the slope, its length along the row).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fault {
    /// Kind.
    pub kind: Kind,
    /// Rise at 1000 W/m2, K.
    pub amp: f64,
    /// Hot cells.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cells: Vec<[usize; 2]>,
    /// Warm substrings, counted across the width.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<usize>,
    /// Half of a half-cut module that is warm, counted along the length.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<usize>,
    /// Hot spot's place, as a part of the width.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub x: Option<f64>,
    /// Hot spot's place, as a part of the length.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub y: Option<f64>,
    /// Hot spot's standard deviation, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r: Option<f64>,
}

impl Fault {
    fn new(kind: Kind, amp: f64) -> Self {
        Self { kind, amp, cells: Vec::new(), parts: Vec::new(), end: None, x: None, y: None, r: None }
    }
}

/// Puts the faults into the tables, then makes those of single modules stronger, weaker or none.
pub(super) fn draw(spec: &Spec, tables: &mut [Table], random: &mut Random) {
    deal(spec, tables, random);
    for module in tables.iter_mut().flat_map(|t| &mut t.modules).flatten() {
        let Some(factor) = spec.faults.by_module.get(&module.id).copied() else { continue };
        module.faults_k.iter_mut().for_each(|rise| *rise *= factor as f32);
        module.faults.iter_mut().for_each(|fault| fault.amp *= factor);
        if factor == 0.0 {
            module.faults.clear();
        }
    }
}

/// Puts strings, then single faults, into the tables.
fn deal(spec: &Spec, tables: &mut [Table], random: &mut Random) {
    let plant = &spec.plant;
    for _ in 0..spec.faults.strings {
        let k = random.below(tables.len());
        let Some(table) = tables.get_mut(k) else { return };
        let run = (plant.across.min(6) + random.below(plant.across)).min(plant.across);
        let first = random.below(plant.across - run + 1) + plant.across * random.below(plant.courses);
        let amp = random.range(3.5, 7.0) * spec.faults.strength;
        for module in table.modules[first..first + run].iter_mut().flatten() {
            put(plant, module, Fault::new(Kind::String, amp), random);
        }
    }
    let kinds = possible(spec);
    if kinds.is_empty() {
        return;
    }
    let mut deck = Vec::new();
    for module in tables.iter_mut().flat_map(|t| &mut t.modules).flatten() {
        if !module.faults.is_empty() || !random.chance(spec.faults.share) {
            continue;
        }
        // Dealt from a deck, so that even a small plant shows every kind.
        if deck.is_empty() {
            deck.clone_from(&kinds);
        }
        let kind = deck.swap_remove(random.below(deck.len()));
        let fault = make(spec, kind, random);
        put(plant, module, fault, random);
        if random.chance(spec.faults.second) {
            put_second(plant, module, spec, random);
        }
    }
}

/// Adds a warm substring to a module with hot cells or a hot spot, apart from them. The gravest stands first in the truth.
fn put_second(plant: &Plant, module: &mut Module, spec: &Spec, random: &mut Random) {
    let [nx, _] = grid(plant.cells);
    let Some(first) = module.faults.first() else { return };
    if !matches!(first.kind, Kind::Cell | Kind::Cells | Kind::Hotspot) || plant.substrings < 2 {
        return;
    }
    let columns = first.cells.iter().map(|c| c[0]).chain(first.x.map(|x| (x * nx as f64) as usize));
    let taken: Vec<usize> = columns.map(|column| column * plant.substrings / nx).collect();
    let mut second = make(spec, Kind::Substring, random);
    if let Some(free) = (0..plant.substrings).find(|part| !taken.contains(part)) {
        second.parts = vec![free];
        put(plant, module, second, random);
    }
}

fn possible(spec: &Spec) -> Vec<Kind> {
    use Kind::{Cell, Cells, Hotspot, Module, Sixth, Substring, Substring2};
    let all = [Hotspot, Cell, Cells, Substring, Substring2, Sixth, Module];
    let wanted = if spec.faults.kinds.is_empty() { &all[..] } else { &spec.faults.kinds };
    let cells = spec.plant.cells.iter().all(|&n| n > 1);
    let fits = |kind: &Kind| match kind {
        Cell | Cells => cells,
        Sixth => spec.plant.half_cut(),
        Substring => spec.plant.substrings > 1,
        Substring2 => spec.plant.substrings > 2,
        Hotspot | Module => true,
        Kind::String => false,
    };
    wanted.iter().copied().filter(fits).collect()
}

fn make(spec: &Spec, kind: Kind, random: &mut Random) -> Fault {
    let [nx, ny] = spec.plant.cells;
    let parts = spec.plant.substrings.max(1);
    let amp = match kind {
        Kind::Hotspot => random.range(12.0, 55.0),
        Kind::Cell => random.range(9.0, 40.0),
        Kind::Cells => random.range(8.0, 26.0),
        Kind::Substring | Kind::Substring2 | Kind::Sixth => random.range(4.0, 11.0),
        Kind::Module | Kind::String => random.range(3.0, 8.0),
    };
    let mut fault = Fault::new(kind, amp * spec.faults.strength);
    match kind {
        Kind::Hotspot => {
            fault.x = Some(random.range(0.08, 0.92));
            fault.y = Some(random.range(0.06, 0.94));
            fault.r = Some(random.range(0.020, 0.050));
        }
        Kind::Cell => fault.cells.push([random.below(nx), random.below(ny)]),
        Kind::Cells => {
            let wanted = 2 + random.below(3);
            while fault.cells.len() < wanted {
                let cell = [random.below(nx), random.below(ny)];
                if !fault.cells.contains(&cell) {
                    fault.cells.push(cell);
                }
            }
        }
        Kind::Substring => fault.parts.push(random.below(parts)),
        Kind::Substring2 => {
            let first = random.below(parts - 1);
            fault.parts.extend([first, first + 1]);
        }
        Kind::Sixth => {
            fault.parts.push(random.below(parts));
            fault.end = Some(random.below(2));
        }
        Kind::Module | Kind::String => {}
    }
    fault
}

/// Lays a fault on the cells of a module; a hot spot, which is no cell, is only noted.
fn put(plant: &Plant, module: &mut Module, fault: Fault, random: &mut Random) {
    let [nx, ny] = grid(plant.cells);
    for (i, rise) in module.faults_k.iter_mut().enumerate() {
        let (x, y) = (i % nx, i / nx);
        let in_part = fault.parts.contains(&(x * plant.substrings / nx));
        let in_end = fault.end.is_none_or(|end| y * 2 / ny == end);
        let warm = match fault.kind {
            Kind::Hotspot => false,
            Kind::Cell | Kind::Cells => fault.cells.contains(&[x, y]),
            Kind::Substring | Kind::Substring2 | Kind::Sixth => in_part && in_end,
            Kind::Module | Kind::String => true,
        };
        if warm {
            // The cells of a bypassed substring differ more than sound ones.
            let uneven = if fault.parts.is_empty() { 0.02 } else { 0.14 };
            *rise += (fault.amp * (1.0 + uneven * random.normal())) as f32;
        }
    }
    module.faults.push(fault);
}
