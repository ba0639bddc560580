//! Lattices of modules in the working image: grown cell by cell from the strongest seeds.
//! A neighbour is taken where its sides are boundaries and its inside looks like its lattice, not like the ground.

use std::collections::{BTreeMap, VecDeque};

use super::OutlineSettings;
use super::cell::{GrownCell, Scene, size_fits};
use super::energy::Energy;
use super::rectify::WorkImage;
use super::seed::Seed;
use crate::median::median;

/// A table in work coordinates: cells by (line, column); indices may be negative while growing.
#[derive(Debug, Clone, Default)]
pub(super) struct Lattice {
    pub cells: BTreeMap<(i32, i32), GrownCell>,
}

/// Least strength of a lattice's sides over the texture inside.
const LEAST_DISTINCT: f64 = 2.5;
/// Fewer cells than this wait until larger lattices have grown.
const FEW: usize = 4;
/// Least strength of a side, over the texture inside its lattice, where the cell is as smooth and warm as the lattice.
const FAINT: f32 = 4.0;
/// How far such sides may be from where those of the cell before would go on, work px.
const FAINT_ASIDE_PX: f64 = 1.2;
/// Rounds in which the cells at a lattice's border are looked at again, since what it holds for a module has changed.
const ROUNDS: usize = 3;

/// Tables of one frame agree on the size of a module within this share; what [`super::prove`] would turn away for its size.
const SIZE_OFF: f64 = 0.10;

/// Grows lattices from `seeds`, strongest first. `width_at`: expected width of a module at a height in the image, work px.
pub(super) fn grow(
    image: &WorkImage,
    energy: &Energy,
    seeds: &[Seed],
    width_at: impl Fn(f64) -> f64,
    settings: &OutlineSettings,
) -> Vec<Lattice> {
    let mut scene = Scene { image, energy, taken: vec![false; image.data.len()] };
    let mut out = scene.sweep(seeds, settings);
    // Where a start of a wrong size took the place of a table, the size that the others agree on gives it a second turn.
    let ratios: Vec<f64> = out.iter().map(|lattice| lattice.width() / width_at(lattice.middle())).collect();
    let evidence = |k: usize| out[k].distinctness().min(12.0) * out[k].cells.len() as f64;
    let agreed = |ratio: f64| move |other: f64| (other / ratio - 1.0).abs() < SIZE_OFF;
    let support = |k: usize| -> f64 { (0..out.len()).filter(|o| agreed(ratios[k])(ratios[*o])).map(evidence).sum() };
    let Some(main) = (0..out.len()).max_by(|a, b| support(*a).total_cmp(&support(*b))) else { return out };
    let fits = agreed(ratios[main]);
    if ratios.iter().all(|ratio| fits(*ratio)) {
        return out;
    }
    let mut kept = ratios.iter().map(|ratio| fits(*ratio));
    out.retain(|_| kept.next().unwrap_or(true));
    scene.taken.fill(false);
    for lattice in &out {
        mark(&mut scene.taken, image, lattice);
    }
    let sized: Vec<Seed> = seeds
        .iter()
        .copied()
        .filter(|seed| fits((seed.x[1] - seed.x[0]) / width_at(0.5 * (seed.y[0] + seed.y[1]))))
        .collect();
    out.extend(scene.sweep(&sized, settings));
    out
}

impl Scene<'_> {
    /// One turn of all seeds over what is not taken yet.
    fn sweep(&mut self, seeds: &[Seed], settings: &OutlineSettings) -> Vec<Lattice> {
        let mut seeded = vec![false; self.image.data.len()];
        let mut out = Vec::new();
        let mut small = Vec::new();
        for seed in seeds {
            if self.covers(&self.taken, seed.x, seed.y) || self.covers(&seeded, seed.x, seed.y) {
                continue;
            }
            let Some(first) = self.start(seed.x, seed.y, 0.7 * seed.strength) else { continue };
            let Some(lattice) = self.distinct_from(first, settings) else { continue };
            // The corner of a table stands out most, but seen from it the lines inside may be too weak to go on: few cells
            // are kept aside until a start inside has had its turn.
            if lattice.cells.len() < FEW {
                mark(&mut seeded, self.image, &lattice);
                small.push(first);
            } else {
                mark(&mut self.taken, self.image, &lattice);
                out.push(lattice);
            }
        }
        for first in small {
            // Grown again, since it may not run over what the larger ones have taken meanwhile.
            if self.covers(&self.taken, first.x, first.y) {
                continue;
            }
            let Some(lattice) = self.distinct_from(first, settings) else { continue };
            mark(&mut self.taken, self.image, &lattice);
            out.push(lattice);
        }
        out
    }

    /// The lattice that grows from a cell, if it stands out from the texture of its own inside.
    fn distinct_from(&self, first: GrownCell, settings: &OutlineSettings) -> Option<Lattice> {
        Some(grow_one(self, first, settings)).filter(|lattice| lattice.distinctness() >= LEAST_DISTINCT)
    }
}

/// Marks the inside of a lattice's cells.
fn mark(mask: &mut [bool], image: &WorkImage, lattice: &Lattice) {
    let clamp = |v: f64, n: usize| v.clamp(0.0, n as f64) as usize;
    let (w, h) = (image.width, image.height);
    for cell in lattice.cells.values() {
        let (from, to) = (clamp(cell.x[0] + 1.0, w), clamp(cell.x[1], w));
        for j in clamp(cell.y[0] + 1.0, h)..clamp(cell.y[1], h) {
            mask[j * w..][from..to.max(from)].fill(true);
        }
    }
}

impl Lattice {
    /// Median width of the cells, work px.
    fn width(&self) -> f64 {
        let mut widths: Vec<f64> = self.cells.values().map(|c| c.x[1] - c.x[0]).collect();
        median(&mut widths)
    }

    /// Mean height of the cells in the image, work px.
    fn middle(&self) -> f64 {
        let n = self.cells.len().max(1) as f64;
        self.cells.values().map(|c| 0.5 * (c.y[0] + c.y[1])).sum::<f64>() / n
    }

    /// Median strength of the sides, K.
    pub(super) fn strength(&self) -> f64 {
        let mut sides: Vec<f64> =
            self.cells.values().flat_map(|c| c.sides).filter(|s| *s >= 0.0).map(f64::from).collect();
        if sides.is_empty() { 0.0 } else { median(&mut sides) }
    }

    /// Median temperature inside the cells, deg C.
    pub(super) fn level(&self) -> f64 {
        let mut levels: Vec<f64> = self.cells.values().map(|c| f64::from(c.level)).collect();
        median(&mut levels)
    }

    /// Median over the cells of side strength over inner texture: large for modules, one to two for ground.
    pub(super) fn distinctness(&self) -> f64 {
        let mut ratios: Vec<f64> = self
            .cells
            .values()
            .filter_map(|c| {
                let mut sides: Vec<f64> = c.sides.iter().filter(|s| **s >= 0.0).map(|s| f64::from(*s)).collect();
                (!sides.is_empty()).then(|| median(&mut sides) / f64::from(c.texture).max(0.05))
            })
            .collect();
        if ratios.is_empty() { 0.0 } else { median(&mut ratios) }
    }
}

/// Whether a cell with one side not found is a module all the same: nothing else divides it, or a table in front hides
/// the rim of that side.
fn bears_gap(cell: &GrownCell, enough: [f32; 2], strong: [f32; 2]) -> bool {
    let Some(side) = (0..4).find(|k| cell.sides[*k] >= 0.0 && cell.sides[*k] < enough[k / 2]) else { return true };
    let strong = strong[side / 2];
    let (strength, share) = cell.through[side / 2];
    let from_side = if side % 2 == 0 { share } else { 1.0 - share };
    let of_module = [1.0 / 3.0, 0.5, 2.0 / 3.0].iter().any(|border| (share - border).abs() < 0.05);
    strength < strong || from_side < 0.25 || (cell.sides[side] > 0.5 * strong && (strength < 3.2 * strong || of_module))
}

/// Whether a strong boundary divides the cell near one end, as the gap between two tables does. Substrings and halves are
/// divided further inside; near a side that is itself missing lies the edge of what hides it.
fn crossed(cell: &GrownCell, strong: [f32; 2]) -> bool {
    (0..2).any(|axis| {
        let (strength, share) = cell.through[axis];
        let side = cell.sides[2 * axis + usize::from(share > 0.5)];
        strength > 3.2 * strong[axis] && (share - 0.5).abs() > 0.21 && !(side >= 0.0 && side < strong[axis])
    })
}

/// Whether a cell without both level sides is a module on ground of its own temperature: upright sides on both ends, and
/// inside as smooth as its lattice, which ground is not.
fn lies_bare(cell: &GrownCell, strong: [f32; 2], texture: f32) -> bool {
    cell.sides[0] >= strong[0]
        && cell.sides[1] >= strong[0]
        && cell.texture <= 1.5 * texture.max(0.1)
        && cell.through.iter().zip(strong).all(|(t, s)| t.0 < 0.7 * s)
}

/// What a lattice's cells have in common.
#[derive(Debug, Clone, Copy)]
struct Kind {
    /// Median width and height, work px.
    size: [f64; 2],
    /// Least strength of upright and level sides, K.
    strong: [f32; 2],
    /// Median temperature, deg C.
    level: f32,
    /// Median texture, K.
    texture: f32,
}

impl Kind {
    /// `None` while no cell lies wholly in the frame.
    fn of(lattice: &Lattice, settings: &OutlineSettings) -> Option<Self> {
        let cells = || lattice.cells.values();
        let median_of = |values: &mut dyn Iterator<Item = f64>| {
            let mut values: Vec<f64> = values.collect();
            (!values.is_empty()).then(|| median(&mut values))
        };
        let aspect = (settings.module_m[1] + settings.gap_m) / (settings.module_m[0] + settings.gap_m);
        // The shape is known: both sides tell the one scale, so that a wrong upper or lower edge does not decide it.
        let mut widths: Vec<f64> =
            cells().filter(|c| c.visible > 0.9).flat_map(|c| [c.x[1] - c.x[0], (c.y[1] - c.y[0]) / aspect]).collect();
        if widths.is_empty() {
            return None;
        }
        widths.sort_by(f64::total_cmp);
        let width = 0.5 * (widths[widths.len() / 2] + widths[(widths.len() - 1) / 2]);
        // Sides against the ground may be far stronger than lines between modules, so each direction goes by its weaker
        // ones.
        let strong = [0, 1].map(|axis| {
            let mut s: Vec<f32> =
                cells().flat_map(|c| [c.sides[2 * axis], c.sides[2 * axis + 1]]).filter(|s| *s >= 0.0).collect();
            let k = s.len() / 4;
            let weak = if s.is_empty() { 0.0 } else { *s.select_nth_unstable_by(k, f32::total_cmp).1 };
            (0.5 * weak).max(0.6 * settings.floor_k)
        });
        Some(Self {
            size: [width, width * aspect],
            strong,
            level: median_of(&mut cells().map(|c| f64::from(c.level)))? as f32,
            texture: median_of(&mut cells().map(|c| f64::from(c.texture)))? as f32,
        })
    }
}

/// Least strengths of the upright and level sides of a cell as warm as its lattice, found from the cell `here` beside it
/// `along` the course or across.
///
/// What is also as smooth as the lattice, of the given `texture`, is no ground: sides will do that stand out from the
/// inside alone. Lines between modules differ by what lies behind them, lit soil or shadow.
fn enough(cell: &GrownCell, here: &GrownCell, along: bool, strong: [f32; 2], texture: f32) -> [f32; 2] {
    if cell.texture > 1.5 * texture.max(0.1) {
        return strong;
    }
    let faint = strong.map(|s| s.min(FAINT * texture.max(0.1)));
    // Along the course the next module may be that of another table, a little aside: its far side is to be seen. From
    // course to course the lines go on where they are.
    let aside = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).abs().max((a[1] - b[1]).abs()) > FAINT_ASIDE_PX;
    [
        if along || aside(cell.x, here.x) { strong[0] } else { faint[0] },
        if along && aside(cell.y, here.y) { strong[1] } else { faint[1] },
    ]
}

fn grow_one(scene: &Scene<'_>, first: GrownCell, settings: &OutlineSettings) -> Lattice {
    let mut lattice = Lattice::default();
    lattice.cells.insert((0, 0), first);
    let mut queue = VecDeque::from([(0i32, 0i32)]);
    let mut lines = [0i32; 2];
    let Some(mut kind) = Kind::of(&lattice, settings) else { return lattice };
    let mut known = 1;
    let mut round = (1, 1);
    loop {
        let Some((line, column)) = queue.pop_front() else {
            let (number, cells) = round;
            if number == ROUNDS || lattice.cells.len() == cells {
                break;
            }
            round = (number + 1, lattice.cells.len());
            known = 0;
            queue.extend(lattice.cells.keys().copied());
            continue;
        };
        let Some(here) = lattice.cells.get(&(line, column)).copied() else { continue };
        // A few cells more do not change what hundreds have in common.
        if lattice.cells.len() > known + known / 16 {
            known = lattice.cells.len();
            kind = Kind::of(&lattice, settings).unwrap_or(kind);
        }
        let Kind { size: [w, h], strong, level: reference, texture } = kind;
        for (dl, dc) in [(0, 1), (0, -1), (1, 0), (-1, 0)] {
            let key = (line + dl, column + dc);
            if lattice.cells.contains_key(&key) {
                continue;
            }
            if lines[1].max(key.0) - lines[0].min(key.0) + 1 > settings.courses as i32 {
                continue;
            }
            let (x, y) = match (dl, dc) {
                (0, 1) => ([here.x[1], here.x[1] + w], here.y),
                (0, -1) => ([here.x[0] - w, here.x[0]], here.y),
                (1, 0) => (here.x, [here.y[1], here.y[1] + h]),
                _ => (here.x, [here.y[0] - h, here.y[0]]),
            };
            if scene.covers(&scene.taken, x, y) {
                continue;
            }
            let Some(mut cell) = scene.look(x, y, 2) else { continue };
            scene.hold_size(&mut cell, [x, y], [w, h]);
            let strong = strong.map(|s| s.max(1.6 * cell.texture.min(2.0 * texture)));
            let like = (cell.level - reference).abs().min((cell.level - here.level).abs()) < 2.5;
            let enough = if like { enough(&cell, &here, dc != 0, strong, texture) } else { strong };
            // A side that is none lies where the lattice has it, not at the noise nearby.
            for k in 0..2 {
                if cell.sides[k] < enough[0] {
                    cell.x[k] = x[k];
                }
                if cell.sides[2 + k] < enough[1] {
                    cell.y[k] = y[k];
                }
            }
            let measured = cell.sides.iter().filter(|s| **s >= 0.0).count();
            let good = (0..4).filter(|k| cell.sides[*k] >= enough[k / 2]).count();
            let missing = measured - good;
            let plausible_size = size_fits(cell.x, w) && size_fits(cell.y, h);
            // Over a gap between tables faint lines are found as well, but then the table's own edge runs through.
            let faint = (0..4).any(|k| (enough[k / 2]..strong[k / 2]).contains(&cell.sides[k]));
            let most = match (faint, measured) {
                (true, _) => 1.5,
                (false, 4) => f32::MAX,
                (false, _) => 2.4,
            };
            let accepted = plausible_size
                && good >= 2
                && cell.through.iter().zip(strong).all(|(t, s)| t.0 < most * s)
                && !crossed(&cell, strong)
                && (missing == 0
                    || (missing == 1 && like && bears_gap(&cell, enough, strong))
                    || (missing == 2 && like && lies_bare(&cell, strong, texture)));
            if accepted {
                lattice.cells.insert(key, cell);
                lines = [lines[0].min(key.0), lines[1].max(key.0)];
                queue.push_back(key);
            }
        }
    }
    drop_vacant(scene, &mut lattice);
    lattice
}

/// Takes out places without a module: the frames around them make four good sides, but inside lies ground or shadow.
fn drop_vacant(scene: &Scene<'_>, lattice: &mut Lattice) {
    let mut ground = Vec::new();
    for (&(line, column), cell) in &lattice.cells {
        let (w, h) = (cell.x[1] - cell.x[0], cell.y[1] - cell.y[0]);
        let (cx, cy) = (0.5 * (cell.x[0] + cell.x[1]), 0.5 * (cell.y[0] + cell.y[1]));
        for (dl, dc) in [(0, 1), (0, -1), (1, 0), (-1, 0)] {
            if lattice.cells.contains_key(&(line + dl, column + dc)) {
                continue;
            }
            for beyond in [0.65, 0.8] {
                let (x, y) = (cx + f64::from(dc) * beyond * w, cy + f64::from(dl) * beyond * h);
                if scene.inside(x, y) {
                    ground.push(f64::from(scene.value(x, y)));
                }
            }
        }
    }
    if ground.len() < 3 || lattice.cells.len() < 3 {
        return;
    }
    ground.sort_by(f64::total_cmp);
    let (coldest, middle) = (ground[ground.len() / 10] as f32, ground[ground.len() / 2] as f32);
    let mut levels: Vec<f64> = lattice.cells.values().map(|c| f64::from(c.level)).collect();
    let reference = median(&mut levels) as f32;
    let mut textures: Vec<f64> = lattice.cells.values().map(|c| f64::from(c.texture)).collect();
    let texture = median(&mut textures) as f32;
    lattice.cells.retain(|_, c| {
        let cold = c.level < reference - (0.45 * (reference - coldest)).max(5.0);
        let hot = middle > reference + 5.0
            && c.level > reference + 0.6 * (middle - reference)
            && c.texture > 2.0 * texture.max(0.1);
        !(cold || hot)
    });
}
