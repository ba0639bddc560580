//! One frame: the ideal image, painted from the ground up, and its truth.

use nalgebra::Vector3;
use ndarray::Array2;
use serde::Serialize;

use super::flight::Pose;
use super::ground::Paint;
use super::random::Tile;
use super::sensor;
use super::site::Site;
use super::spec::{Kind, Spec};
use super::surface::Surface;
use super::view::{Patch, Sample, View, cover, each_sample};

/// What is true of a frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrameTruth {
    /// Irradiance in the plane of array, W/m2.
    pub g: f64,
    /// True place of the camera, m east, north and up of the plant's origin on the ground.
    #[serde(rename = "C")]
    pub place_m: [f64; 3],
    /// The modules that the frame shows, wholly or in part.
    pub modules: Vec<ModuleTruth>,
}

/// What is true of a module in a frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModuleTruth {
    /// Identity in the layout.
    pub module: String,
    /// It lies wholly in the frame, and no nearer table hides more than a small part of it.
    pub whole: bool,
    /// Corners in pixels of the stored image, the first pixel's centre at (0.5, 0.5): lower left, lower right, upper
    /// right, upper left as seen in its row.
    pub corners: [[f64; 2]; 4],
    /// Kinds of its faults, the gravest first.
    pub kinds: Vec<Kind>,
}

/// Draws a frame: object temperature as the camera reads it, deg C, by row and column; and its truth.
pub(super) fn draw(spec: &Spec, site: &Site, pose: &Pose, frame: usize) -> (Array2<f32>, FrameTruth) {
    let view = View::new(&spec.camera, pose.place, pose.axes);
    let mut ideal = ground(spec, site, &view);
    let mut order: Vec<_> = site.tables.iter().collect();
    order.sort_by(|a, b| {
        let far = |p: &Patch| (p.point(p.size[0] / 2.0, p.size[1] / 2.0) - view.place).norm();
        far(&b.patch).total_cmp(&far(&a.patch))
    });
    for table in order {
        let surface = Surface::new(spec, site, table, &view, pose.g, frame);
        each_sample(&view, spec.camera.samples, &table.patch, |at, sample| {
            let (covered, t) = surface.at(sample);
            ideal[at] += covered * (t - ideal[at]);
        });
    }
    if let Some([emissivity, reflected_c]) = spec.storage.apparent {
        for t in &mut ideal {
            *t = apparent(*t, emissivity as f32, reflected_c as f32);
        }
    }
    let mut image = sensor::expose(&mut ideal, &spec.camera);
    sensor::detect(&mut image, &spec.camera, spec.seed, frame);
    (image, truth(spec, site, pose))
}

/// Apparent temperature, deg C, of a grey surface, by the fourth power of Stefan and Boltzmann.
fn apparent(t_c: f32, emissivity: f32, reflected_c: f32) -> f32 {
    let power = |t: f32| (t + 273.15).powi(4);
    (emissivity * power(t_c) + (1.0 - emissivity) * power(reflected_c)).sqrt().sqrt() - 273.15
}

/// The ground with all that lies on it.
fn ground(spec: &Spec, site: &Site, view: &View) -> Vec<f32> {
    let n = spec.camera.samples;
    let total = view.size[0] * view.size[1] * n * n;
    let mut image = vec![spec.ground.soil_c as f32; total];
    let mut texture = vec![0.0f32; total];
    let mut shade = vec![0.0f32; total];
    let half = FIELD_M / 2.0;
    let field = Patch {
        origin: Vector3::new(view.place.x - half, view.place.y - half, 0.0),
        along: Vector3::x(),
        up: Vector3::y(),
        size: [FIELD_M; 2],
    };
    let corner = [(view.place.x - half) as f32, (view.place.y - half) as f32];
    each_sample(view, n, &field, |at, s| {
        texture[at] = spec.ground.texture_k as f32 * soil(&site.soil, corner[0] + s.u, corner[1] + s.v);
        image[at] += texture[at];
    });
    for thing in &site.things {
        let [a, b] = thing.patch.size.map(|v| v as f32);
        let inside = |s: &Sample| cover(s.u, s.half, 0.0, a) * cover(s.v, s.half, 0.0, b);
        let soil_c = spec.ground.soil_c as f32;
        match thing.paint {
            Paint::Shadow => each_sample(view, n, &thing.patch, |at, s| {
                // Shadow wanders with the sun and the ground is slow: its edge is soft.
                let soft = s.half.max(0.04);
                shade[at] = shade[at].max(cover(s.u, soft, 0.0, a) * cover(s.v, soft, 0.0, b));
            }),
            Paint::Flat { delta_k, texture: through } => each_sample(view, n, &thing.patch, |at, s| {
                let t = soil_c + delta_k + through * texture[at];
                image[at] += inside(&s) * (t - image[at]);
                // What stands up is in the sun; what lies flat comes before the shadows.
                shade[at] *= 1.0 - inside(&s);
            }),
            Paint::Slabs { delta_k, slab_m, joint_m } => each_sample(view, n, &thing.patch, |at, s| {
                let joint = |x: f32, slab: f32| {
                    let off = (x / slab).round().mul_add(-slab, x);
                    cover(off, s.half, -joint_m / 2.0, joint_m / 2.0)
                };
                let joints = 1.0 - (1.0 - joint(s.u, slab_m[0])) * (1.0 - joint(s.v, slab_m[1]));
                let t = soil_c + delta_k + 0.3 * texture[at] - joints * 7.0;
                image[at] += inside(&s) * (t - image[at]);
            }),
        }
    }
    for (t, shade) in image.iter_mut().zip(&shade) {
        *t -= spec.ground.shade_k as f32 * shade;
    }
    image
}

/// Side of the field that is drawn, m; beyond it the ground is even.
const FIELD_M: f64 = 400.0;

/// Texture of the ground: two turns of one tile, so that its repeat does not show.
fn soil(tile: &Tile, x: f32, y: f32) -> f32 {
    let (a, b) = (x * 9.0, y * 9.0);
    0.85 * tile.linear(a, b) + 0.5 * tile.linear(0.31 * (0.8 * a - 0.6 * b), 0.31 * (0.6 * a + 0.8 * b))
}

/// A module of which a greater share is hidden is not seen whole.
const HIDDEN: f64 = 0.1;

/// Share of a patch that nearer tables hide from the camera.
fn hidden(patch: &Patch, view: &View, site: &Site) -> f64 {
    const STEPS: u32 = 6;
    let share = |k: u32| (f64::from(k) + 0.5) / f64::from(STEPS);
    let covered = |k: &u32| {
        let point = patch.point(share(k % STEPS) * patch.size[0], share(k / STEPS) * patch.size[1]);
        site.tables.iter().any(|table| table.patch.blocks(view.place, point))
    };
    f64::from((0..STEPS * STEPS).filter(covered).count() as u32) / f64::from(STEPS * STEPS)
}

/// What is true of a frame.
pub(super) fn truth(spec: &Spec, site: &Site, pose: &Pose) -> FrameTruth {
    let view = View::new(&spec.camera, pose.place, pose.axes);
    let [width, height] = view.size.map(|n| n as f64);
    let mut modules = Vec::new();
    for table in &site.tables {
        for (index, module) in table.modules.iter().enumerate() {
            let Some(module) = module else { continue };
            let patch = table.place(&table.patch, index);
            let corners = patch.corners().map(|p| view.project(p));
            let [Some(a), Some(b), Some(c), Some(d)] = corners else { continue };
            let corners = [a, b, c, d];
            let inside = |p: &[f64; 2]| p[0] >= 0.0 && p[1] >= 0.0 && p[0] <= width && p[1] <= height;
            let beyond =
                |k: usize, limit: f64| corners.iter().all(|p| p[k] <= 0.0) || corners.iter().all(|p| p[k] >= limit);
            if beyond(0, width) || beyond(1, height) {
                continue;
            }
            modules.push(ModuleTruth {
                module: module.id.clone(),
                whole: corners.iter().all(inside) && hidden(&patch, &view, site) <= HIDDEN,
                corners: corners.map(|p| p.map(|v| (v * 1000.0).round() / 1000.0)),
                kinds: module.faults.iter().map(|f| f.kind).collect(),
            });
        }
    }
    FrameTruth { g: pose.g, place_m: [pose.place.x, pose.place.y, pose.place.z], modules }
}
