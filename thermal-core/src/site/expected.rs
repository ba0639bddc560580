//! The modules that a placed frame should show whole and where they lie in it, by the modules of the layout about them.

use super::map::{Map, Slot};
use super::order::distance;
use super::register::CERTAIN;
use super::{Asset, Place, Registration};
use crate::measure;
use crate::outline::PlaneMap;

/// A frame is trusted with its place from this probability: every module is proven by its look as well.
const LIKELY: f64 = 0.5;
/// How many modules to either side along the row and across it may tell a place.
const REACH: [f64; 2] = [4.2, 3.2];
/// Modules at most by which a place is told.
const MOST: usize = 10;
/// A neighbour may be off the places of the others by this share of a module's short side.
const MISFIT: f64 = 0.12;
/// An outline is beside its module's place where a corner is off by this share of the module's short side.
const BESIDE: f64 = 0.2;
/// An outline is in the way from this share of the expected module's area.
pub(super) const IN_THE_WAY: f64 = 0.1;

/// A module that a frame should show whole but does not, or shows beside its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Expected {
    /// Number in [`Registration::assets`].
    pub(crate) asset: u32,
    /// Corners in the stored frame, px, in the order of its neighbours' corners.
    pub(crate) corners: [[f64; 2]; 4],
    /// The outlines that tell its place, the nearest first.
    pub(crate) beside: Vec<usize>,
    /// How many modules it lies to the right of the nearest and below it, in the frame's own lattice.
    pub(crate) off: [i64; 2],
    /// Outlines that lie where it should be: those on no module, and its own one beside its place.
    pub(crate) instead_of: Vec<usize>,
    /// Its place as the registration words it.
    pub(crate) place: Place,
}

/// What a frame with these outlines (px of the stored frame) and places should show besides, by the modules of the plant.
pub(crate) fn expected(
    registration: &Registration,
    outlines: &[[[f64; 2]; 4]],
    places: &[Place],
    view: &PlaneMap,
) -> Vec<Expected> {
    let plant = Plant::of(registration);
    let Some(named) = plant.named(outlines, places, view) else { return Vec::new() };
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for Neighbour { slot, .. } in &named {
        let reach = REACH[0].max(REACH[1]) * slot.size[0].max(slot.size[1]);
        for k in 0..2 {
            low[k] = low[k].min(slot.centre[k] - reach);
            high[k] = high[k].max(slot.centre[k] + reach);
        }
    }
    let near = plant.map.within(low, high).into_iter();
    near.filter_map(|asset| plant.expect(asset, &named, outlines, places, view)).collect()
}

/// The plant's modules with their numbers.
pub(super) struct Plant<'a> {
    assets: &'a [Asset],
    map: &'a Map,
}

impl<'a> Plant<'a> {
    pub(super) fn of(registration: &'a Registration) -> Self {
        Self { assets: &registration.assets, map: &registration.map }
    }

    fn expect(
        &self,
        asset: u32,
        seen: &[Neighbour],
        outlines: &[[[f64; 2]; 4]],
        places: &[Place],
        view: &PlaneMap,
    ) -> Option<Expected> {
        let slot = self.map.slots[asset as usize];
        let own = seen.iter().find(|n| n.asset == asset);
        let mut beside = self.beside(asset, &slot, seen);
        let (fit, short) = loop {
            let fit = Affine::fit(beside.iter().flat_map(|n| ring(&n.slot).into_iter().zip(n.uv)), slot.centre)?;
            // A neighbour that does not agree with the others is left out.
            let off = |n: &Neighbour| {
                let worst = ring(&n.slot).into_iter().zip(n.uv).map(|(p, uv)| distance(fit.at(p), uv));
                worst.fold(0.0, f64::max)
            };
            let worst = (0..beside.len()).max_by(|&a, &b| off(beside[a]).total_cmp(&off(beside[b])))?;
            let short = fit.length([slot.size[0].min(slot.size[1]), 0.0]);
            if off(beside[worst]) <= MISFIT * short {
                break (fit, short);
            }
            if beside.len() < 3 {
                return None;
            }
            beside.remove(worst);
        };
        let nearest = beside.first()?;
        let uv = ring(&slot).map(|p| fit.at(p));
        let pixels = uv.map(|uv| view.pixel(uv));
        // Back in the order in which the frame's outlines have their corners.
        let corners = std::array::from_fn(|j| pixels[(j + 4 - nearest.turn) % 4]);
        if !corners.iter().all(|p| view.holds(*p)) {
            return None;
        }
        if own.is_some_and(|n| (0..4).all(|k| distance(n.uv[k], uv[k]) <= BESIDE * short)) {
            return None;
        }
        let instead_of: Vec<usize> =
            (0..outlines.len()).filter(|&i| covered(&corners, &outlines[i]) >= IN_THE_WAY).collect();
        let certain = f64::from(places[nearest.outline].confidence) >= CERTAIN;
        let named = |i: &usize| seen.iter().any(|n| n.outline == *i && n.asset != asset);
        if own.is_some_and(|n| !instead_of.contains(&n.outline)) {
            return None;
        }
        if !instead_of.is_empty() && (!certain || instead_of.iter().any(named)) {
            return None;
        }
        let beside_place = &places[nearest.outline];
        let place = Place {
            asset: Some(asset),
            other: beside_place.other.and_then(|o| self.moved(&nearest.slot, &slot, o)).filter(|o| *o != asset),
            ground_m: ring(&slot).map(|p| p.map(|v| v as f32)),
            ..*beside_place
        };
        Some(Expected {
            asset,
            corners,
            beside: beside.iter().map(|n| n.outline).collect(),
            off: steps(&outlines[nearest.outline], &corners),
            instead_of,
            place,
        })
    }

    /// The named outlines of a module's own table within reach; those of its row where its table has none.
    fn beside<'n>(&self, asset: u32, slot: &Slot, seen: &'n [Neighbour]) -> Vec<&'n Neighbour> {
        let own = &self.assets[asset as usize];
        let reach = |n: &Neighbour| {
            let off = n.slot.share(slot.centre);
            let parallel = n.slot.along[0] * slot.along[0] + n.slot.along[1] * slot.along[1] > 0.99;
            (parallel && off[0].abs() <= REACH[0] && off[1].abs() <= REACH[1]).then(|| off[0].hypot(off[1]))
        };
        let of = |table: bool| {
            let mut list: Vec<(f64, &Neighbour)> = seen
                .iter()
                .filter(|n| {
                    let other = &self.assets[n.asset as usize];
                    n.asset != asset && other.row == own.row && (!table || other.table == own.table)
                })
                .filter_map(|n| Some((reach(n)?, n)))
                .collect();
            list.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.outline.cmp(&b.1.outline)));
            list.truncate(MOST);
            list.into_iter().map(|(_, n)| n).collect::<Vec<_>>()
        };
        let same_table = of(true);
        if same_table.is_empty() { of(false) } else { same_table }
    }

    /// The outlines of a frame whose modules are known; `None` where there are too few to tell how the frame is turned.
    pub(super) fn named(
        &self,
        outlines: &[[[f64; 2]; 4]],
        places: &[Place],
        view: &PlaneMap,
    ) -> Option<Vec<Neighbour>> {
        let trusted = |p: &Place| !p.askew && !p.stray && f64::from(p.confidence) >= LIKELY;
        let named: Vec<(usize, u32, Slot, [[f64; 2]; 4])> = places
            .iter()
            .zip(outlines)
            .enumerate()
            .filter(|(_, (p, _))| trusted(p))
            .filter_map(|(i, (p, corners))| {
                let asset = p.asset?;
                Some((i, asset, *self.map.slots.get(asset as usize)?, corners.map(|c| view.plane(c))))
            })
            .collect();
        // Which corner is which: by how the modules lie to each other on the ground and in the frame.
        let pairs: Vec<_> = named.iter().map(|(_, _, slot, uv)| (slot.centre, middle(uv))).collect();
        let turn = Turn::fit(&pairs)?;
        let neighbour = |(outline, asset, slot, uv): (usize, u32, Slot, [[f64; 2]; 4])| {
            let first = turn.of([0, 1].map(|k| ring(&slot)[0][k] - slot.centre[k]));
            let centre = middle(&uv);
            let along = |j: &usize| (uv[*j][0] - centre[0]) * first[0] + (uv[*j][1] - centre[1]) * first[1];
            let turn = (0..4).max_by(|a, b| along(a).total_cmp(&along(b))).unwrap_or(0);
            Neighbour { outline, asset, slot, uv: std::array::from_fn(|k| uv[(k + turn) % 4]), turn }
        };
        Some(named.into_iter().map(neighbour).collect())
    }

    /// The module that lies to `other` as `to` does to `from`.
    fn moved(&self, from: &Slot, to: &Slot, other: u32) -> Option<u32> {
        let base = self.map.slots.get(other as usize)?.centre;
        let place = [0, 1].map(|k| base[k] + to.centre[k] - from.centre[k]);
        let found = self.map.nearest(place)?;
        let slot = &self.map.slots[found as usize];
        (distance(slot.centre, place) < 0.5 * slot.size[0].min(slot.size[1])).then_some(found)
    }
}

/// An outline whose module is known.
pub(super) struct Neighbour {
    pub(super) outline: usize,
    pub(super) asset: u32,
    pub(super) slot: Slot,
    /// Its corners on the plane parallel to the array, in the order of [`ring`].
    pub(super) uv: [[f64; 2]; 4],
    /// The frame's own number of its first corner.
    turn: usize,
}

/// Corners of a slot: upper left, upper right, lower right, lower left as seen from the front.
pub(super) fn ring(slot: &Slot) -> [[f64; 2]; 4] {
    let [a, b] = slot.along;
    [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)].map(|(x, y)| {
        let (x, y) = (x * slot.size[0], y * slot.size[1]);
        [slot.centre[0] + x * a + y * b, slot.centre[1] + x * b - y * a]
    })
}

fn middle(corners: &[[f64; 2]; 4]) -> [f64; 2] {
    measure::place(corners, 0.5, 0.5)
}

/// How many outlines one lies to the right of another and below it.
fn steps(from: &[[f64; 2]; 4], to: &[[f64; 2]; 4]) -> [i64; 2] {
    let between = |a: [f64; 2], b: [f64; 2]| [b[0] - a[0], b[1] - a[1]];
    let (right, down, way) = (between(from[0], from[1]), between(from[0], from[3]), between(middle(from), middle(to)));
    let cross = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    [cross(way, down), cross(right, way)]
        .map(|v| v / cross(right, down))
        .map(|v| if v.is_finite() { v.round() as i64 } else { 0 })
}

/// Share of a quadrilateral that another covers.
pub(super) fn covered(of: &[[f64; 2]; 4], by: &[[f64; 2]; 4]) -> f64 {
    const STEPS: u32 = 7;
    let share = |k: u32| (f64::from(k) + 0.5) / f64::from(STEPS);
    let place = |n: u32| measure::place(of, share(n % STEPS), share(n / STEPS));
    let hits = (0..STEPS * STEPS).filter(|n| measure::contains(by, place(*n))).count();
    hits as f64 / f64::from(STEPS * STEPS)
}

/// A turn and a scale from east and north to right and down.
struct Turn {
    a: [f64; 2],
}

impl Turn {
    fn fit(pairs: &[([f64; 2], [f64; 2])]) -> Option<Self> {
        let n = pairs.len() as f64;
        let mean =
            |k: usize| (pairs.iter().map(|p| p.0[k]).sum::<f64>() / n, pairs.iter().map(|p| p.1[k]).sum::<f64>() / n);
        let ((x0, u0), (y0, v0)) = (mean(0), mean(1));
        // In complex numbers: (u, v) is a times the conjugate of (east, north), since v runs downwards.
        let (mut a, mut norm) = ([0.0; 2], 0.0);
        for ([x, y], [u, v]) in pairs {
            let (x, y, u, v) = (x - x0, y - y0, u - u0, v - v0);
            a[0] += u * x - v * y;
            a[1] += u * y + v * x;
            norm += x * x + y * y;
        }
        (norm > 1e-6 && a[0].hypot(a[1]) > 1e-9 * norm).then(|| Self { a: a.map(|v| v / norm) })
    }

    fn of(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.a[0] * x + self.a[1] * y, self.a[1] * x - self.a[0] * y]
    }
}

/// An affine map of the ground about a place.
struct Affine {
    about: [f64; 2],
    rows: [[f64; 3]; 2],
}

impl Affine {
    /// Least squares; `None` where the places lie on a line.
    fn fit(pairs: impl Iterator<Item = ([f64; 2], [f64; 2])>, about: [f64; 2]) -> Option<Self> {
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        let mut right = [nalgebra::Vector3::<f64>::zeros(); 2];
        for (p, q) in pairs {
            let r = nalgebra::Vector3::new(p[0] - about[0], p[1] - about[1], 1.0);
            normal += r * r.transpose();
            for k in 0..2 {
                right[k] += r * q[k];
            }
        }
        let solve = normal.cholesky()?;
        Some(Self { about, rows: right.map(|v| solve.solve(&v).into()) })
    }

    fn at(&self, p: [f64; 2]) -> [f64; 2] {
        let d = [p[0] - self.about[0], p[1] - self.about[1]];
        self.rows.map(|r| r[0] * d[0] + r[1] * d[1] + r[2])
    }

    fn length(&self, [x, y]: [f64; 2]) -> f64 {
        let d = self.rows.map(|r| r[0] * x + r[1] * y);
        d[0].hypot(d[1])
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::Matrix3;

    use super::*;
    use crate::optics::Lens;
    use crate::site::LocalPlane;

    const LENS: Lens = Lens { width: 640, height: 512, focal_px: 800.0, k1: -0.05 };
    /// Height of the camera, m.
    const HEIGHT_M: f64 = 20.0;

    /// Two courses of six modules of 1 m by 2 m, the row along east.
    fn plant() -> Registration {
        let plane = LocalPlane::new(47.0, 8.0);
        let slots: Vec<Slot> = (0..12)
            .map(|k| Slot {
                centre: [1.02 * f64::from(k % 6) - 2.5, 1.0 - 2.02 * f64::from(k / 6)],
                along: [1.0, 0.0],
                size: [1.0, 2.0],
            })
            .collect();
        let asset = |(k, slot): (usize, &Slot)| Asset {
            id: format!("M{k}"),
            row_name: String::new(),
            table_name: String::new(),
            row: 1,
            table: 1,
            course: k as u32 / 6 + 1,
            position: k as u32 % 6 + 1,
            corners: ring(slot).map(|p| plane.to_lon_lat(p)),
            frames_seen: 0,
        };
        let assets = slots.iter().enumerate().map(asset).collect();
        let mut plant = Registration::empty(plane.clone(), assets, Vec::new());
        plant.map = Map::new(slots);
        plant
    }

    /// The modules as a camera straight above sees them, turned by `heading_deg`, with the corners counted from `first`.
    fn frame(plant: &Registration, heading_deg: f64, first: usize) -> (Vec<[[f64; 2]; 4]>, Vec<Place>, PlaneMap) {
        let (sin, cos) = heading_deg.to_radians().sin_cos();
        let pixel = |[x, y]: [f64; 2]| LENS.pixel([(cos * x - sin * y) / HEIGHT_M, -(sin * x + cos * y) / HEIGHT_M]);
        let outlines = plant.map.slots.iter().map(|s| {
            let corners = ring(s).map(pixel);
            std::array::from_fn(|k| corners[(k + first) % 4])
        });
        let place = |asset: u32| Place {
            asset: Some(asset),
            other: None,
            stray: false,
            askew: false,
            confidence: 1.0,
            view_deg: 0.0,
            ground_m: [[0.0; 2]; 4],
        };
        (outlines.collect(), (0..12).map(place).collect(), PlaneMap::new(LENS, Matrix3::identity()))
    }

    #[test]
    fn what_was_taken_out_is_expected_where_it_was() {
        let plant = plant();
        for heading_deg in [0.0, 37.0, 90.0, 181.0, 270.0] {
            for first in 0..4 {
                let (mut outlines, mut places, view) = frame(&plant, heading_deg, first);
                let (was, left) = (outlines[8], outlines[7]);
                outlines.remove(8);
                places.remove(8);
                let found = expected(&plant, &outlines, &places, &view);
                assert_eq!(found.iter().map(|e| e.asset).collect::<Vec<_>>(), [8], "{heading_deg} {first}");
                let off = (0..4).map(|k| distance(found[0].corners[k], was[k])).fold(0.0, f64::max);
                assert!(off < 0.05, "{off} px at {heading_deg} deg, first corner {first}");
                // Its place in the lattice is counted from the nearest outline, along the order of that one's corners.
                let nearest = outlines[found[0].beside[0]];
                let edge = |j: usize| f64::midpoint(nearest[j][0] - nearest[0][0], was[j][0] - was[0][0]);
                let edge_y = |j: usize| f64::midpoint(nearest[j][1] - nearest[0][1], was[j][1] - was[0][1]);
                let [right, down] = found[0].off.map(|v| v as f64);
                let told = [
                    middle(&nearest)[0] + right * edge(1) + down * edge(3),
                    middle(&nearest)[1] + right * edge_y(1) + down * edge_y(3),
                ];
                assert!(distance(told, middle(&was)) < 5.0, "{told:?} of {:?}, beside {left:?}", middle(&was));
            }
        }
    }

    #[test]
    fn a_whole_frame_expects_nothing_and_a_cut_module_is_not_expected() {
        let plant = plant();
        let (outlines, places, view) = frame(&plant, 0.0, 0);
        assert!(expected(&plant, &outlines, &places, &view).is_empty());
        let narrow = PlaneMap::new(Lens { width: 230, ..LENS }, Matrix3::identity());
        let inner: Vec<_> = (0..12).filter(|k| !matches!(k % 6, 0 | 5)).collect();
        let shift = |c: [[f64; 2]; 4]| c.map(|[x, y]| [x - 205.0, y]);
        let outlines: Vec<_> = inner.iter().map(|&k| shift(outlines[k])).collect();
        let places: Vec<_> = inner.iter().map(|&k| places[k]).collect();
        let found = expected(&plant, &outlines, &places, &narrow);
        assert!(found.is_empty(), "{found:?}");
    }

    #[test]
    fn an_outline_on_no_module_gives_way_in_a_certain_frame_only() {
        let plant = plant();
        let (mut outlines, mut places, view) = frame(&plant, 0.0, 0);
        // Half a module beside: on no module.
        outlines[4] = outlines[4].map(|[x, y]| [x + 18.0, y]);
        (places[4].asset, places[4].stray) = (None, true);
        let found = expected(&plant, &outlines, &places, &view);
        assert_eq!(found.iter().map(|e| (e.asset, &e.instead_of[..])).collect::<Vec<_>>(), [(4, &[4][..])]);
        outlines.remove(5);
        places.remove(5);
        let both = [(4, &[4][..]), (5, &[4][..])];
        let found = expected(&plant, &outlines, &places, &view);
        assert_eq!(found.iter().map(|e| (e.asset, &e.instead_of[..])).collect::<Vec<_>>(), both);
        // One that lies half a module beside its own module gives way as well, one of another module stays.
        let mut named = places.clone();
        (named[4].asset, named[4].stray) = (Some(5), false);
        let found = expected(&plant, &outlines, &named, &view);
        assert_eq!(found.iter().map(|e| (e.asset, &e.instead_of[..])).collect::<Vec<_>>(), [(5, &[4][..])]);
        named[4].asset = Some(11);
        assert!(expected(&plant, &outlines, &named, &view).is_empty());
        for place in &mut places {
            place.confidence = 0.8;
        }
        assert!(expected(&plant, &outlines, &places, &view).is_empty());
    }

    #[test]
    fn a_frame_that_may_stand_elsewhere_expects_nothing() {
        let plant = plant();
        let (mut outlines, mut places, view) = frame(&plant, 0.0, 0);
        outlines.remove(8);
        places.remove(8);
        for place in &mut places {
            place.confidence = 0.4;
        }
        assert!(expected(&plant, &outlines, &places, &view).is_empty());
    }
}
