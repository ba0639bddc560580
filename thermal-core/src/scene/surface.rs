//! Temperature of the glass: what a sample of a table shows.

use super::site::{Module, PoleShadow, Site, Table, Weed, grid};
use super::spec::Spec;
use super::view::{Patch, Sample, View, cover};

/// Steps of the slow noise a metre: the wind wanders over some five metres.
const WIND_PER_M: f64 = 0.22;

/// What holds for all samples of a table in a frame.
pub(super) struct Surface<'a> {
    spec: &'a Spec,
    site: &'a Site,
    table: &'a Table,
    /// Glass without offsets, deg C.
    base_c: f32,
    /// Irradiance over 1000 W/m2.
    strength: f32,
    /// Where the slow fields are read for this table: the wind's (at the origin, and for a metre along and up: it blows over
    /// the gaps), and the sky's in this frame.
    wind_at: [[f32; 2]; 3],
    sky_at: f32,
    /// Spots of reflection: place on the table, standard deviation, all m; peak, K.
    spots: Vec<[f32; 4]>,
    cells: [usize; 2],
    glass_m: [f32; 2],
}

impl<'a> Surface<'a> {
    pub(super) fn new(spec: &'a Spec, site: &'a Site, table: &'a Table, view: &View, g: f64, frame: usize) -> Self {
        let weather = &spec.weather;
        let lip = 2.0 * spec.plant.lip_m;
        let foot = Foot::new(view, &table.patch);
        let spots = weather.glare.iter().map(|glare| {
            let at = |deg: f64| foot.distance * deg.to_radians().tan();
            [
                (foot.u + at(glare.along_deg)) as f32,
                (foot.v + at(glare.up_deg)) as f32,
                at(glare.radius_deg) as f32,
                glare.peak_k as f32,
            ]
        });
        Self {
            spec,
            site,
            table,
            base_c: (weather.air_c + weather.rise_k_m2_w * g) as f32,
            strength: (g / 1000.0) as f32,
            wind_at: [table.drawn.origin, table.drawn.along, table.drawn.up]
                .map(|v| [(WIND_PER_M * v.x) as f32, (WIND_PER_M * v.y) as f32]),
            sky_at: frame as f32 * 0.35,
            spots: spots.collect(),
            cells: grid(spec.plant.cells),
            glass_m: [(spec.plant.mod_w_m - lip) as f32, (spec.plant.mod_l_m - lip) as f32],
        }
    }

    /// Cover (0 to 1) and temperature, deg C, of a sample.
    pub(super) fn at(&self, s: Sample) -> (f32, f32) {
        let table = self.table;
        let lip = self.spec.plant.lip_m as f32;
        let (nu, nv) = (table.across, table.modules.len() / table.across.max(1));
        let (su, sv) = (table.step_m[0] as f32, table.step_m[1] as f32);
        let (lu, lv) = (table.module_m[0] as f32, table.module_m[1] as f32);
        let first = |x: f32, step: f32| ((x - s.half) / step).floor().max(0.0) as usize;
        let last = |x: f32, step: f32, n: usize| (((x + s.half) / step).floor().max(0.0) as usize + 1).min(n);
        let (mut covered, mut heat, mut common) = (0.0, 0.0, None);
        for j in first(s.v, sv)..last(s.v, sv, nv) {
            let y = s.v - j as f32 * sv;
            for i in first(s.u, su)..last(s.u, su, nu) {
                let Some(module) = &table.modules[j * nu + i] else { continue };
                let x = s.u - i as f32 * su;
                let all = cover(x, s.half, 0.0, lu) * cover(y, s.half, 0.0, lv);
                if all <= 0.0 {
                    continue;
                }
                let glass = cover(x, s.half, lip, lu - lip) * cover(y, s.half, lip, lv - lip);
                let common = *common.get_or_insert_with(|| self.over_table(s));
                let t = common + self.in_module(module, x, y, s.half);
                heat += all * t + (all - glass) * self.spec.plant.lip_delta_k as f32;
                covered += all;
            }
        }
        if covered <= 0.0 {
            return (0.0, 0.0);
        }
        let mut t = heat / covered;
        for shadow in &table.pole_shadows {
            t -= POLE_SHADOW_K * self.strength * pole(shadow, s);
        }
        for weed in &table.weeds {
            let leaf = leaves(weed, s);
            // Leaves are near air temperature, and they hide a gap as well.
            t += leaf * (self.spec.weather.air_c as f32 + 4.0 - t);
            covered += leaf * (1.0 - covered);
        }
        (covered.min(1.0), t)
    }

    /// Base, wind, slope, sky and spots: what does not stop at a module's edge.
    fn over_table(&self, s: Sample) -> f32 {
        let weather = &self.spec.weather;
        let mut t = self.base_c;
        if weather.wander_k != 0.0 {
            let [origin, along, up] = self.wind_at;
            let [x, y] = [0, 1].map(|k| origin[k] + along[k] * s.u + up[k] * s.v);
            let noise = self.site.slow.linear(x, y);
            t += weather.wander_k as f32 * 0.7 * noise;
        }
        t += weather.upper_edge_k as f32 * (s.v / self.table.patch.size[1] as f32 - 0.5);
        if weather.reflection_k != 0.0 {
            let noise = self.site.slow.linear(self.sky_at + 5.0 * s.ray[0], 40.0 + 5.0 * s.ray[1]);
            t += weather.reflection_k as f32 * 0.4 * noise;
        }
        for [u, v, sigma, peak] in &self.spots {
            let far = ((s.u - u).powi(2) + (s.v - v).powi(2)) / (2.0 * sigma * sigma);
            if far < 12.0 {
                t += peak * (-far).exp();
            }
        }
        t
    }

    /// Offsets within a module at a place from its lower left corner along the row and up the slope, m.
    fn in_module(&self, module: &Module, along: f32, up: f32, half: f32) -> f32 {
        let (plant, weather) = (&self.spec.plant, &self.spec.weather);
        let lip = plant.lip_m as f32;
        let (x, y) = if plant.portrait { (along - lip, up - lip) } else { (up - lip, along - lip) };
        let [w, l] = self.glass_m;
        let mut t = module.offset_k + self.in_cells(module, x, y, half);

        let rim = x.min(y).min(w - x).min(l - y).max(0.0);
        if rim < RIM_M {
            t += weather.rim_k as f32 * (1.0 - rim / RIM_M).powi(2);
        }
        if weather.dirt_k != 0.0 && up < DIRT_M {
            let patchy = 0.6 + 0.4 * self.site.slow.linear(3.0 * along + module.offset_k * 50.0, 9.0);
            t += weather.dirt_k as f32 * self.strength * patchy.max(0.0) * (1.0 - up.max(0.0) / DIRT_M);
        }
        if weather.junction_k != 0.0 {
            t += weather.junction_k as f32 * self.strength * junction(plant.half_cut(), x / w, y, w, l);
        }
        for fault in &module.faults {
            if let (Some(fx), Some(fy), Some(r)) = (fault.x, fault.y, fault.r) {
                // Widened by the sample's own footprint, so that the spot's heat is kept.
                let r2 = (r * r) as f32 + half * half / 3.0;
                let (dx, dy) = (x + lip - fx as f32 * (w + 2.0 * lip), y + lip - fy as f32 * (l + 2.0 * lip));
                let far = (dx * dx + dy * dy) / (2.0 * r2);
                if far < 14.0 {
                    t += fault.amp as f32 * self.strength * (r * r) as f32 / r2 * (-far).exp();
                }
            }
        }
        t
    }

    /// Offsets of the cells under a sample, each by the part that it covers.
    fn in_cells(&self, module: &Module, x: f32, y: f32, half: f32) -> f32 {
        let [nx, ny] = self.cells;
        let (cw, cl) = (self.glass_m[0] / nx as f32, self.glass_m[1] / ny as f32);
        let span = |v: f32, size: f32, n: usize| {
            let cell = |v: f32| ((v / size).floor().max(0.0) as usize).min(n - 1);
            (cell(v - half), cell(v + half))
        };
        let ((x0, x1), (y0, y1)) = (span(x, cw, nx), span(y, cl, ny));
        let value = |i: usize, j: usize| module.cells_k[j * nx + i] + self.strength * module.faults_k[j * nx + i];
        if x0 == x1 && y0 == y1 {
            return value(x0, y0);
        }
        let (mut sum, mut weight) = (0.0, 0.0);
        for j in y0..=y1 {
            for i in x0..=x1 {
                let part = cover(x, half, i as f32 * cw, (i + 1) as f32 * cw)
                    * cover(y, half, j as f32 * cl, (j + 1) as f32 * cl);
                sum += part * value(i, j);
                weight += part;
            }
        }
        if weight > 0.0 { sum / weight } else { value(x0, y0) }
    }
}

/// The foot of the perpendicular from the camera to a table.
struct Foot {
    u: f64,
    v: f64,
    distance: f64,
}

impl Foot {
    fn new(view: &View, patch: &Patch) -> Self {
        let eye = view.place - patch.origin;
        Self { u: eye.dot(&patch.along), v: eye.dot(&patch.up), distance: eye.dot(&patch.normal()).abs() }
    }
}

/// Width of the cooler rim of the glass, m.
const RIM_M: f32 = 0.05;
/// Height of the dirt at a lower edge, m.
const DIRT_M: f32 = 0.07;
/// What a pole's shadow takes from the glass at 1000 W/m2, K.
const POLE_SHADOW_K: f32 = 4.0;

/// Shape (0 to 1) of the warmth of a module's junction boxes at `x` of its width, `y` m along its length.
fn junction(half_cut: bool, x: f32, y: f32, w: f32, l: f32) -> f32 {
    let bump = |dx: f32, dy: f32, r: f32| {
        let far = (dx * dx + dy * dy) / (2.0 * r * r);
        if far < 10.0 { (-far).exp() } else { 0.0 }
    };
    if half_cut {
        // Three small boxes on the middle line.
        [1.0 / 6.0, 0.5, 5.0 / 6.0].iter().map(|at| bump((x - at) * w, y - 0.5 * l, 0.035)).sum()
    } else {
        bump((x - 0.5) * w, y - (l - 0.12), 0.055)
    }
}

fn pole(shadow: &PoleShadow, s: Sample) -> f32 {
    let across = s.u - shadow.u - shadow.slope * s.v;
    // A penumbra of a few centimetres.
    let soft = s.half.max(0.03);
    cover(across, soft, -shadow.half_width, shadow.half_width) * cover(s.v, soft, -1.0, shadow.top)
}

fn leaves(weed: &Weed, s: Sample) -> f32 {
    let (dx, dy) = (s.u - weed.u, s.v - weed.v);
    let far = dx.hypot(dy);
    if far > 1.5 * weed.radius {
        return 0.0;
    }
    let edge = weed.radius * (0.95 + 0.4 * (weed.leaves * dy.atan2(dx) + weed.turn).sin());
    cover(far, s.half, -1.0, edge.max(s.half))
}
