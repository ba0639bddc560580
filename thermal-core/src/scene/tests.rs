use std::collections::BTreeSet;

use nalgebra::{Matrix3, Vector3};
use ndarray::Array2;

use super::range::{demo_spec, range_specs};
use super::spec::{Camera, Faults, Ground, Kind, Plant, Spec, Weather};
use super::view::{Patch, View};
use super::{Scene, render, render_frame};

/// A still, noiseless plant without texture: a bright table on a cold, even ground.
fn still() -> Spec {
    Spec {
        camera: Camera {
            width: 320,
            height: 256,
            netd_k: 0.0,
            column_k: 0.0,
            row_k: 0.0,
            vignette_k: 0.0,
            offset_k: 0.0,
            samples: 4,
            ..Camera::default()
        },
        plant: Plant { rows: 1, tables: 1, lip_delta_k: 0.0, gap_m: 0.0, ..Plant::default() },
        ground: Ground { texture_k: 0.0, shade_k: 0.0, objects: Vec::new(), ..Ground::default() },
        weather: Weather {
            module_spread_k: 0.0,
            wander_k: 0.0,
            upper_edge_k: 0.0,
            junction_k: 0.0,
            cell_spread_k: 0.0,
            rim_k: 0.0,
            ..Weather::default()
        },
        faults: Faults { share: 0.0, strings: 0, ..Faults::default() },
        ..Spec::default()
    }
}

/// Against OpenCV's `projectPoints` and `undistortPoints`, and `SciPy`'s rotations: `testdata/scene/make_projection.py`.
#[test]
fn the_camera_projects_as_opencv_does() {
    let table = include_str!("../../../testdata/scene/projection.csv");
    let mut lines = 0;
    for line in table.lines().skip(2) {
        let v: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
        let to_camera = Matrix3::from_row_slice(&v[3..12]);
        let camera = Camera {
            width: v[13] as usize,
            height: v[14] as usize,
            pitch_um: 10.0,
            focal_mm: v[12] / 100.0,
            k1: v[15],
            ..Camera::default()
        };
        let view = View::new(&camera, Vector3::new(5.0, -3.0, 21.0), to_camera.transpose());
        let point = Vector3::new(v[16], v[17], v[18]);
        let pixel = view.project(view.place + point).unwrap();
        // The file holds nine digits.
        assert!((pixel[0] - v[21]).abs() < 1e-4 && (pixel[1] - v[22]).abs() < 1e-4, "{line}: {pixel:?}");
        let ray = view.ray(v[21], v[22]);
        let plain = [0, 1].map(|k| view.centre[k] + view.focal_px * ray[k]);
        assert!((plain[0] - v[19]).abs() < 1e-4 && (plain[1] - v[20]).abs() < 1e-4, "{line}: {plain:?}");
        let angles = view.angles_deg();
        for (said, wanted) in angles.iter().zip(&v[0..3]) {
            let off = (said - wanted + 540.0).rem_euclid(360.0) - 180.0;
            assert!(off.abs() < 1e-5, "{line}: {angles:?}");
        }
        lines += 1;
    }
    assert_eq!(lines, 36);
}

/// Angles that the two geometries of the project give to one camera must agree, though they share no code.
#[test]
fn the_analysis_sees_the_same_pose() {
    let scene = Scene::new(&Spec {
        flight: super::spec::Flight { off_deg: 14.0, off_towards_deg: 70.0, ..still().flight },
        ..still()
    })
    .unwrap();
    for pose in &scene.poses {
        let [yaw, pitch, roll] = View::new(&scene.spec.camera, pose.place, pose.axes).angles_deg();
        assert!((crate::optics::camera_to_enu(yaw, pitch, roll) - pose.axes).norm() < 1e-9);
    }
}

/// Standard deviation of the edge's spread, px, from the profile across the straight line between two points.
fn edge_spread(image: &Array2<f32>, a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy);
    let (mut profile, mut count) = (vec![0.0; 240], vec![0.0; 240]);
    for ((y, x), &t) in image.indexed_iter() {
        let (px, py) = (x as f64 + 0.5 - a[0], y as f64 + 0.5 - a[1]);
        let along = (px * dx + py * dy) / length;
        let across = (px * dy - py * dx) / length;
        if along > 10.0 && along < length - 10.0 && across.abs() < 5.0 {
            let bin = ((across + 6.0) * 20.0) as usize;
            profile[bin] += f64::from(t);
            count[bin] += 1.0;
        }
    }
    let edge: Vec<f64> = profile.iter().zip(&count).filter(|(_, n)| **n > 0.0).map(|(p, n)| p / n).collect();
    // Second moment of the derivative.
    let weights: Vec<f64> = edge.windows(2).map(|w| w[1] - w[0]).collect();
    let total: f64 = weights.iter().sum();
    let mean = weights.iter().enumerate().map(|(i, w)| i as f64 * w).sum::<f64>() / total;
    let square = weights.iter().enumerate().map(|(i, w)| (i as f64 - mean).powi(2) * w).sum::<f64>() / total;
    square.sqrt() / 20.0
}

/// A Gaussian of s px behind square pixels spreads an edge by s^2 + 1/12; an even trail of length L across it adds L^2 / 12
/// (variances of the normal and the uniform distribution; handbook values).
#[test]
fn a_rendered_edge_is_as_soft_as_asked() {
    for (psf_px, motion_px) in [(0.5, 0.0), (0.65, 0.0), (1.2, 0.0), (0.65, 2.0)] {
        let mut spec = still();
        spec.camera = Camera { psf_px, motion_px, motion_deg: 90.0, ..spec.camera };
        spec.flight.sway_deg = 0.0;
        spec.flight.row_angle_deg = 4.0;
        spec.flight.distance_m = 30.0;
        // All frames: the fourth stands over the middle of the lower course.
        spec.flight.frames = 0;
        let (image, truth) = render_frame(&spec, 3).unwrap();
        // The lower edge of the table: from the first to the last module of the lower course that is whole.
        let lower: Vec<_> = truth.modules.iter().filter(|m| m.module.starts_with("01-1-1-") && m.whole).collect();
        let (a, b) = (lower[0].corners[0], lower[lower.len() - 1].corners[1]);
        let measured = edge_spread(&image, a, b);
        let turn = (b[1] - a[1]).atan2(b[0] - a[0]);
        let wanted = (psf_px * psf_px + 1.0 / 12.0 + (motion_px * turn.cos()).powi(2) / 12.0).sqrt();
        assert!((measured / wanted - 1.0).abs() < 0.04, "{psf_px} {motion_px}: {measured} for {wanted}");
    }
}

/// The peak of a Gaussian spot of r m behind a blur of s m falls to r^2 / (r^2 + s^2): the product of two normal
/// densities' variances (handbook). Irradiance scales it.
#[test]
fn a_hot_spot_loses_what_the_optics_take() {
    let mut spec = still();
    spec.faults = Faults { share: 1.0, strings: 0, kinds: vec![Kind::Hotspot], ..Faults::default() };
    spec.weather.g = [800.0, 800.0];
    spec.flight.sway_deg = 0.0;
    let scene = Scene::new(&spec).unwrap();
    let faults = scene.faults();
    let (image, truth) = scene.frame(1).unwrap();
    let ground_k = spec.weather.air_c + 0.8 * 30.0;
    let mut compared = 0;
    for module in truth.modules.iter().filter(|m| m.whole) {
        let fault = &faults[&module.module][0];
        let (x, y, r) = (fault.x.unwrap(), fault.y.unwrap(), fault.r.unwrap());
        if !(0.2..0.8).contains(&x) || !(0.15..0.85).contains(&y) {
            continue;
        }
        let [p, q, s, t] = module.corners;
        let at = |k: usize| p[k] * (1.0 - x) * (1.0 - y) + q[k] * x * (1.0 - y) + s[k] * x * y + t[k] * (1.0 - x) * y;
        let gsd_m = spec.plant.mod_w_m / (q[0] - p[0]).hypot(q[1] - p[1]);
        let blur2 = gsd_m * gsd_m * (spec.camera.psf_px.powi(2) + 1.0 / 12.0);
        // The hottest pixel lies off the peak; a Gaussian of the whole spread carries the peak there.
        let (cx, cy) = (at(0).floor() + 0.5, at(1).floor() + 0.5);
        let off2 = ((cx - at(0)).powi(2) + (cy - at(1)).powi(2)) * gsd_m * gsd_m;
        let spread2 = r * r + blur2;
        let wanted = 0.8 * fault.amp * r * r / spread2 * (-off2 / (2.0 * spread2)).exp();
        let measured = f64::from(image[[at(1) as usize, at(0) as usize]]) - ground_k;
        assert!((measured / wanted - 1.0).abs() < 0.03, "{}: {measured} for {wanted}", module.module);
        compared += 1;
    }
    assert!(compared > 3);
}

/// The sun in the south-east lays a shadow to the north-west, 1/tan(elevation) of its height long.
#[test]
fn shadows_fall_away_from_the_sun() {
    let mut spec = still();
    spec.weather.sun_azimuth_deg = 135.0;
    spec.weather.sun_elevation_deg = 45.0;
    spec.plant.twist_deg = 0.0;
    spec.plant.height_spread_m = 0.0;
    let scene = Scene::new(&spec).unwrap();
    let shadow = scene.site.things.iter().find(|t| matches!(t.paint, super::ground::Paint::Shadow)).unwrap();
    // The lower left corner stands 0.8 m over the origin.
    let wanted = Vector3::new(-0.8 * 0.5f64.sqrt(), 0.8 * 0.5f64.sqrt(), 0.0);
    assert!((shadow.patch.origin - wanted).norm() < 1e-9, "{:?}", shadow.patch.origin);
}

#[test]
fn the_noise_is_as_asked() {
    let mut spec = still();
    let (quiet, _) = render_frame(&spec, 0).unwrap();
    spec.camera.netd_k = 0.08;
    let (noisy, _) = render_frame(&spec, 0).unwrap();
    let difference = noisy - quiet;
    let sd = difference.std(0.0);
    // 82 thousand samples: the standard deviation is known to 0.25 %.
    assert!((sd / 0.08 - 1.0).abs() < 0.01, "{sd}");
}

#[test]
fn equal_specs_give_equal_files_and_other_seeds_give_others() {
    let folder = |name: &str| std::env::temp_dir().join(format!("thermal-scene-{}-{name}", std::process::id()));
    let mut spec = Spec { name: "Equal".into(), ..still() };
    spec.flight.frames = 2;
    let (one, two, other) = (folder("one"), folder("two"), folder("other"));
    render(&spec, &one).unwrap();
    render(&spec, &two).unwrap();
    spec.seed += 1;
    render(&spec, &other).unwrap();
    for file in
        ["frames/frame_0001.tif", "frames.csv", "irradiance.csv", "truth.json", "layout.geojson", "inspection.toml"]
    {
        let read = |folder: &std::path::Path| std::fs::read(folder.join(file)).unwrap();
        assert!(read(&one) == read(&two), "{file}");
        // The drawing of the plant and what is known beforehand do not hang on chance.
        let by_chance = !["layout.geojson", "inspection.toml"].contains(&file);
        assert_eq!(by_chance, read(&one) != read(&other), "{file}");
    }
    for folder in [one, two, other] {
        std::fs::remove_dir_all(folder).unwrap();
    }
}

#[test]
fn the_demo_shows_every_kind_whole() {
    use Kind::{Cell, Cells, Hotspot, Module, Sixth, String, Substring, Substring2};
    let scene = Scene::new(&demo_spec()).unwrap();
    let seen: BTreeSet<Kind> = scene
        .truths()
        .iter()
        .flat_map(|truth| &truth.modules)
        .filter(|m| m.whole)
        .flat_map(|m| m.kinds.iter().take(1).copied())
        .collect();
    let all = [Hotspot, Cell, Cells, Substring, Substring2, Sixth, Module, String];
    assert_eq!(seen, all.into_iter().collect());
    assert!((8..=14).contains(&scene.frames()), "{}", scene.frames());
}

#[test]
fn every_scene_of_the_range_can_be_drawn_and_shows_whole_modules() {
    let scenes = range_specs(11);
    let names: BTreeSet<_> = scenes.iter().map(|(name, _)| name.clone()).collect();
    assert!(scenes.len() >= 40 && names.len() == scenes.len());
    for (name, spec) in &scenes {
        let truths = Scene::new(spec).unwrap().truths();
        let whole = truths.iter().flat_map(|t| &t.modules).filter(|m| m.whole).count();
        assert!((3..=6).contains(&truths.len()) && whole >= 20, "{name}: {whole} in {} frames", truths.len());
    }
}

#[test]
fn what_cannot_be_drawn_is_named() {
    let mut spec = still();
    spec.plant.lip_m = 0.3;
    let message = Scene::new(&spec).unwrap_err().to_string();
    assert!(message.contains("plant.lip_m"), "{message}");
    spec = still();
    spec.flight.start = "noon".into();
    let message = Scene::new(&spec).unwrap_err().to_string();
    assert!(message.contains("flight.start"), "{message}");
}

#[test]
fn a_patch_hides_what_lies_behind_it_and_nothing_else() {
    let square =
        |z: f64| Patch { origin: Vector3::new(-1.0, -1.0, z), along: Vector3::x(), up: Vector3::y(), size: [2.0; 2] };
    let eye = Vector3::new(0.0, 0.0, 10.0);
    assert!(square(5.0).blocks(eye, Vector3::zeros()));
    // The line of sight to 4 m aside passes 2 m beside the middle of the square, which reaches 1 m.
    assert!(!square(5.0).blocks(eye, Vector3::new(4.0, 0.0, 0.0)));
    assert!(!square(5.0).blocks(eye, Vector3::new(0.5, 0.5, 5.0)), "its own surface");
    assert!(!square(-1.0).blocks(eye, Vector3::zeros()), "behind the point");
    assert!(!square(12.0).blocks(eye, Vector3::zeros()), "behind the eye");
}
