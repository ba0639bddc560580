//! The tables that a placed frame should show and does not, or shows beside their places: by where the camera stood, as the
//! other tables in view tell.

use std::collections::BTreeMap;

use nalgebra::Matrix3;

use super::camera::{Camera, Sight};
use super::expected::{IN_THE_WAY, Neighbour, Plant, covered, ring};
use super::map::Slot;
use super::numbering::azimuth_of;
use super::order::distance;
use super::register::CERTAIN;
use super::{Asset, Place, Registration};
use crate::optics::array_to_enu;
use crate::outline::PlaneMap;
use crate::settings::{Array, Mounting};

/// An outline is at its place within this share of a module's short side, and within so many px in any case: the camera's place
/// is known to a few.
const AT_PLACE: f64 = 0.1;
const AT_PLACE_PX: f64 = 5.0;
/// How far about the modules in view others are looked for, in widths of what is in view.
const AROUND: f64 = 0.6;

/// The rows and tables of a plant, and what is needed to tell how high their modules lie.
pub(crate) struct Tables {
    by_name: BTreeMap<(u32, u32), Table>,
    tilt_deg: f64,
    /// Length of a module up the slope, m.
    up_m: f64,
}

/// A table of the plant.
struct Table {
    /// Numbers of its modules.
    modules: Vec<u32>,
    /// One of them, whose axes are the table's.
    axes: Slot,
    /// From that one to the middle between the uppermost and the lowest, down the slope along the ground, m.
    middle: f64,
}

/// A table of which a frame should show modules whole that its outlines do not.
#[derive(Debug, Clone)]
pub(crate) struct Overlooked {
    /// By line and column where each should lie on the plane parallel to the array at unit distance, upper left corner first.
    pub(crate) lattice: BTreeMap<(i32, i32), [[f64; 2]; 4]>,
    /// Their places as the registration words them, in the order of the lattice.
    pub(crate) places: Vec<Place>,
    /// Outlines in the way: those of this table, and those on no module.
    pub(crate) instead_of: Vec<usize>,
    /// Outlines of other tables, the nearest first.
    pub(crate) others: Vec<usize>,
}

impl Tables {
    /// `None` for a dual-tilt plant, of which a layout does not tell which way a table faces. `up_m`: length of a module up
    /// the slope.
    pub(crate) fn new(registration: &Registration, array: &Array, up_m: f64) -> Option<Self> {
        if array.mounting == Mounting::DualTilt {
            return None;
        }
        let mut by_name: BTreeMap<(u32, u32), Table> = BTreeMap::new();
        for (k, (asset, slot)) in registration.assets.iter().zip(&registration.map.slots).enumerate() {
            let fresh = || Table { modules: Vec::new(), axes: *slot, middle: 0.0 };
            by_name.entry((asset.row, asset.table)).or_insert_with(fresh).modules.push(k as u32);
        }
        for table in by_name.values_mut() {
            let down = table.modules.iter().map(|&k| table.down(registration.map.slots[k as usize].centre));
            let (low, high) = down.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), d| (l.min(d), h.max(d)));
            table.middle = f64::midpoint(low, high);
        }
        Some(Self { by_name, tilt_deg: array.tilt_deg, up_m })
    }

    /// Corners of a module of a table, m: east and north, and up from the middle of its table; upper left first.
    fn corners(&self, table: &Table, slot: &Slot) -> [[f64; 3]; 4] {
        let (sin, cos) = self.tilt_deg.to_radians().sin_cos();
        let [a, b] = slot.along;
        let off = table.down(slot.centre) - table.middle;
        // The layout's size up the slope may be that of the module or of its shadow on the ground.
        let courses = off / slot.size[1].max(1e-9);
        [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)].map(|(x, y)| {
            let (right, down) = (x * slot.size[0], (courses + y) * self.up_m);
            let level = down * cos - off;
            [slot.centre[0] + right * a + level * b, slot.centre[1] + right * b - level * a, -down * sin]
        })
    }
}

impl Table {
    /// How far down the slope a place lies from the module whose axes are the table's, along the ground, m.
    fn down(&self, [east, north]: [f64; 2]) -> f64 {
        let [a, b] = self.axes.along;
        (east - self.axes.centre[0]) * b - (north - self.axes.centre[1]) * a
    }
}

/// The tables that a frame with these outlines (px of the stored frame) and places should show and does not.
pub(crate) fn overlooked(
    registration: &Registration,
    tables: &Tables,
    outlines: &[[[f64; 2]; 4]],
    places: &[Place],
    view: &PlaneMap,
) -> Vec<Overlooked> {
    let plant = Plant::of(registration);
    let Some(named) = plant.named(outlines, places, view) else { return Vec::new() };
    let Some(seer) = Seer::new(registration, tables, &named, view) else { return Vec::new() };
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for n in &named {
        for k in 0..2 {
            low[k] = low[k].min(n.slot.centre[k]);
            high[k] = high[k].max(n.slot.centre[k]);
        }
    }
    let reach = AROUND * (high[0] - low[0]).max(high[1] - low[1]);
    let near = registration.map.within(low.map(|v| v - reach), high.map(|v| v + reach));
    let mut names: Vec<(u32, u32)> = near.iter().map(|&a| name(registration, a)).collect();
    names.sort_unstable();
    names.dedup();
    names.into_iter().filter_map(|table| seer.look(table, &named, outlines, places)).collect()
}

fn name(registration: &Registration, asset: u32) -> (u32, u32) {
    let asset = &registration.assets[asset as usize];
    (asset.row, asset.table)
}

/// A frame's camera over the plant.
struct Seer<'a> {
    registration: &'a Registration,
    tables: &'a Tables,
    view: &'a PlaneMap,
    camera: Camera,
    origin: [f64; 2],
}

impl<'a> Seer<'a> {
    fn new(
        registration: &'a Registration,
        tables: &'a Tables,
        named: &[Neighbour],
        view: &'a PlaneMap,
    ) -> Option<Self> {
        let n = named.len() as f64;
        let mean = |of: fn(&Slot) -> [f64; 2]| [0, 1].map(|k| named.iter().map(|m| of(&m.slot)[k]).sum::<f64>() / n);
        let (origin, along) = (mean(|s| s.centre), mean(|s| s.along));
        let azimuth_deg = azimuth_of(&Slot { centre: origin, along, size: [1.0; 2] });
        let to_array: Matrix3<f64> = array_to_enu(tables.tilt_deg, azimuth_deg).transpose();
        let mut sights = Vec::with_capacity(4 * named.len());
        for n in named {
            let table = tables.by_name.get(&name(registration, n.asset))?;
            for (at, uv) in tables.corners(table, &n.slot).into_iter().zip(n.uv) {
                sights.push(Sight { at: from(origin, at), uv });
            }
        }
        let camera = Camera::fit(to_array, &sights, 1.0 / view.lens.focal_px)?;
        Some(Self { registration, tables, view, camera, origin })
    }

    /// A table that the frame should show and does not.
    fn look(
        &self,
        table: (u32, u32),
        named: &[Neighbour],
        outlines: &[[[f64; 2]; 4]],
        places: &[Place],
    ) -> Option<Overlooked> {
        let of_plant = self.tables.by_name.get(&table)?;
        let told = |asset: u32| -> Option<[[f64; 2]; 4]> {
            let at = self.tables.corners(of_plant, &self.registration.map.slots[asset as usize]);
            let uv = at.map(|at| self.camera.uv(from(self.origin, at)));
            Some([uv[0]?, uv[1]?, uv[2]?, uv[3]?])
        };
        let in_view: Vec<(u32, [[f64; 2]; 4])> = of_plant
            .modules
            .iter()
            .filter_map(|&asset| Some((asset, told(asset)?)))
            .filter(|(_, uv)| uv.iter().all(|p| self.view.holds(self.view.pixel(*p))))
            .collect();
        let at_place = |(asset, uv): &(u32, [[f64; 2]; 4])| {
            let short = distance(uv[0], uv[1]).min(distance(uv[1], uv[2]));
            let near = (AT_PLACE * short).max(AT_PLACE_PX / self.view.lens.focal_px);
            let own = named.iter().filter(|n| n.asset == *asset);
            own.map(|n| (0..4).map(|k| distance(n.uv[k], uv[k])).fold(0.0, f64::max)).any(|off| off <= near)
        };
        if in_view.is_empty() || 2 * in_view.iter().filter(|m| at_place(m)).count() >= in_view.len() {
            return None;
        }
        let table_of = |i: usize| named.iter().find(|n| n.outline == i).map(|n| name(self.registration, n.asset));
        let pixels = |uv: &[[f64; 2]; 4]| uv.map(|p| self.view.pixel(p));
        let in_way: Vec<usize> = (0..outlines.len())
            .filter(|&i| in_view.iter().any(|(_, uv)| covered(&pixels(uv), &outlines[i]) >= IN_THE_WAY))
            .collect();
        if in_way.iter().any(|&i| table_of(i).is_some_and(|t| t != table)) {
            return None;
        }
        let of_table = |n: &&Neighbour| name(self.registration, n.asset) == table;
        let mut instead_of: Vec<usize> =
            in_way.into_iter().chain(named.iter().filter(of_table).map(|n| n.outline)).collect();
        instead_of.sort_unstable();
        instead_of.dedup();
        let centre = |c: &[[f64; 2]; 4]| [0, 1].map(|k| 0.25 * c.iter().map(|p| p[k]).sum::<f64>());
        let here = centre(&pixels(&in_view[in_view.len() / 2].1));
        let mut others: Vec<(f64, usize)> = named
            .iter()
            .filter(|n| !of_table(n))
            .map(|n| (distance(centre(&outlines[n.outline]), here), n.outline))
            .collect();
        others.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let (_, nearest) = *others.first()?;
        if !instead_of.is_empty() && f64::from(places[nearest].confidence) < CERTAIN {
            return None;
        }
        let asset = |a: u32| &self.registration.assets[a as usize];
        let first = |of: fn(&Asset) -> u32| in_view.iter().map(|(a, _)| of(asset(*a))).min().unwrap_or(0);
        let (course, position) = (first(|a| a.course), first(|a| a.position));
        let place = |number: u32| Place {
            asset: Some(number),
            other: None,
            ground_m: ring(&self.registration.map.slots[number as usize]).map(|p| p.map(|v| v as f32)),
            ..places[nearest]
        };
        let at = |a: u32| ((asset(a).course - course) as i32, (asset(a).position - position) as i32);
        let places: BTreeMap<(i32, i32), Place> = in_view.iter().map(|(a, _)| (at(*a), place(*a))).collect();
        Some(Overlooked {
            places: places.into_values().collect(),
            lattice: in_view.iter().map(|(a, uv)| (at(*a), *uv)).collect(),
            instead_of,
            others: others.into_iter().map(|(_, i)| i).collect(),
        })
    }
}

/// A place from the middle of those in view.
fn from(origin: [f64; 2], [east, north, up]: [f64; 3]) -> [f64; 3] {
    [east - origin[0], north - origin[1], up]
}
