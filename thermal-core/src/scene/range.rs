//! Ready specs: the demo plant, and scenes spread over the range that the analysis must serve.

use super::random::Random;
use super::spec::{Camera, Encoding, Faults, Flight, Glare, Ground, Object, Plant, Spec, Storage, Weather};
use crate::settings::Mounting;

/// The demo: a small invented plant of two rows in which every pattern stands.
pub fn demo_spec() -> Spec {
    Spec {
        name: "Larkmoor Pool".into(),
        seed: 3,
        plant: Plant { rows: 2, tables: 2, across: 10, ..half_cut(&Plant::default()) },
        ground: Ground { objects: vec![Object::Cable, Object::Plate], ..Ground::default() },
        weather: Weather { weeds: 2, ..Weather::default() },
        flight: Flight { frames: 0, receiver_bias_m: [0.4, -0.5, 0.2], ..Flight::default() },
        faults: Faults { share: 0.16, ..Faults::default() },
        ..Spec::default()
    }
}

/// Names and specs of the scenes of a seed: each factor of the range alone, then many at once. Different seeds give the
/// same list of names with other draws: one for tuning, another for proof.
pub fn range_specs(seed: u64) -> Vec<(String, Spec)> {
    let mut scenes: Vec<(String, Spec)> = Vec::new();
    let mut add = |name: &str, change: &dyn Fn(&mut Spec, &mut Random)| {
        let number = scenes.len() as u64;
        let mut random = Random::new(seed, 100 + number);
        let mut spec = Spec { name: format!("Scene {name}"), seed: seed * 1000 + number, ..Spec::default() };
        let flight = &mut spec.flight;
        flight.frames = 4;
        flight.receiver_bias_m = [random.range(-2.0, 2.0), random.range(-2.0, 2.0), random.range(-0.6, 0.6)];
        flight.receiver_drift_m_min = [random.range(-1.0, 1.0), random.range(-1.0, 1.0)];
        flight.heading_bias_deg = random.range(-1.0, 1.0);
        change(&mut spec, &mut random);
        scenes.push((name.into(), spec));
    };

    add("plain", &|_, _| {});
    // View and scale.
    add("view-up-12", &|s, _| (s.flight.off_deg, s.flight.off_towards_deg) = (12.0, 0.0));
    add("view-side-18", &|s, _| (s.flight.off_deg, s.flight.off_towards_deg) = (18.0, 90.0));
    add("view-down-25", &|s, r| (s.flight.off_deg, s.flight.off_towards_deg) = (25.0, r.range(150.0, 210.0)));
    add("view-any-25", &|s, r| (s.flight.off_deg, s.flight.off_towards_deg) = (25.0, r.range(0.0, 360.0)));
    add("row-angle-30", &|s, r| s.flight.row_angle_deg = r.range(20.0, 40.0));
    add("row-angle-90", &|s, r| s.flight.row_angle_deg = r.range(80.0, 100.0));
    add("row-angle-any", &|s, r| s.flight.row_angle_deg = r.range(100.0, 350.0));
    add("near-1.5cm", &|s, _| s.flight.distance_m = 0.0155 * s.camera.focal_px());
    add("far-3.6cm", &|s, _| s.flight.distance_m = 0.036 * s.camera.focal_px());
    add("far-5cm", &|s, _| (s.flight.distance_m, s.flight.frames) = (0.05 * s.camera.focal_px(), 3));
    add("sensor-320", &|s, _| {
        s.camera = Camera { width: 320, height: 256, focal_mm: 9.0, netd_k: 0.06, ..s.camera.clone() };
        s.flight.distance_m = 0.03 * s.camera.focal_px();
        s.flight.frames = 6;
    });
    add("sensor-1280", &|s, _| {
        s.camera = Camera { width: 1280, height: 1024, focal_mm: 19.0, ..s.camera.clone() };
        (s.flight.distance_m, s.flight.frames) = (0.026 * s.camera.focal_px(), 3);
    });
    add("barrel-10", &|s, _| (s.camera.k1, s.camera.focal_mm, s.flight.distance_m) = (-0.10, 9.0, 20.0));
    add("pincushion-5", &|s, _| (s.camera.k1, s.camera.focal_mm, s.flight.distance_m) = (0.05, 9.0, 20.0));
    // The plant.
    add("gap-8mm", &|s, _| s.plant.gap_m = 0.008);
    add("lip-lighter", &|s, r| s.plant.lip_delta_k = r.range(2.0, 5.0));
    add("lip-none", &|s, _| (s.plant.lip_delta_k, s.plant.gap_m) = (0.0, 0.022));
    add("course-1-tracker", &|s, r| {
        let angle = r.range(-25.0, 25.0f64);
        let azimuth_deg = if angle < 0.0 { 270.0 } else { 90.0 };
        s.plant = Plant {
            mounting: Mounting::Tracker,
            tilt_deg: angle.abs(),
            azimuth_deg,
            rows: 6,
            row_pitch_m: 5.4,
            tables: 1,
            across: 30,
            courses: 1,
            low_edge_m: 1.1,
            ..half_cut(&s.plant)
        };
        s.flight.distance_m = 29.0;
    });
    add("course-3", &|s, _| {
        s.plant = Plant { courses: 3, row_pitch_m: 10.5, tilt_deg: 20.0, ..s.plant.clone() };
        s.flight.distance_m = 30.0;
    });
    add("course-6-landscape", &|s, _| {
        s.plant = Plant { courses: 6, portrait: false, across: 9, row_pitch_m: 11.0, rows: 3, ..s.plant.clone() };
        s.flight.distance_m = 30.0;
    });
    add("landscape-4", &|s, _| {
        s.plant = Plant { courses: 4, portrait: false, across: 8, row_pitch_m: 8.5, ..s.plant.clone() };
    });
    add("tables-of-2", &|s, _| {
        s.plant = Plant { tables: 9, across: 2, table_gap_m: 0.5, table_gap_spread: 0.8, ..s.plant.clone() };
        s.faults.strings = 0;
    });
    add("twisted", &|s, _| {
        s.plant = Plant { twist_deg: 1.0, tables: 4, across: 7, height_spread_m: 0.06, ..s.plant.clone() };
        s.plant.table_gap_spread = 0.9;
    });
    add("vacant", &|s, _| s.plant.vacant = 0.08);
    add("roof-dual-tilt", &|s, _| dual_tilt(s));
    add("roof-flush", &|s, _| {
        s.plant = Plant { tilt_deg: 12.0, low_edge_m: 0.12, row_pitch_m: 5.0, ..s.plant.clone() };
        s.ground = Ground { soil_c: 50.0, texture_k: 1.5, roof: true, above_takeoff_m: 8.0, ..s.ground.clone() };
    });
    add("half-cut", &|s, _| (s.plant, s.flight.distance_m, s.faults.share) = (half_cut(&s.plant), 24.0, 0.16));
    add("cells-72", &|s, _| (s.plant.cells, s.plant.mod_l_m) = ([6, 12], 2.0));
    add("cells-120-two-substrings", &|s, _| {
        s.plant = Plant { cells: [6, 20], mod_l_m: 1.76, substrings: 2, ..s.plant.clone() };
    });
    add("thin-film", &|s, _| {
        s.plant = Plant { cells: [1, 1], mod_w_m: 0.6, mod_l_m: 1.2, gap_m: 0.012, across: 20, ..s.plant.clone() };
        s.plant.row_pitch_m = 5.0;
        s.flight.distance_m = 17.0;
    });
    // Ground.
    add("soil-equal", &|s, _| hot_soil(s, 52.0, 2.0));
    add("soil-hotter", &|s, _| hot_soil(s, 60.0, 3.5));
    add("gap-faint", &|s, _| {
        s.ground = Ground { soil_c: 56.0, texture_k: 2.0, shade_k: 11.0, ..s.ground.clone() };
        (s.plant.lip_delta_k, s.plant.gap_m) = (-3.0, 0.012);
    });
    add("soil-cold", &|s, _| (s.ground.soil_c, s.ground.texture_k) = (18.0, 3.0));
    add("objects", &|s, _| s.ground.objects = everything());
    add("slabs", &|s, _| (s.ground.objects, s.ground.soil_c) = (vec![Object::Slabs, Object::Slabs], 40.0));
    // Weather.
    add("dim-600", &|s, _| s.weather.g = [600.0, 615.0]);
    add("windy", &|s, _| (s.weather.wander_k, s.weather.upper_edge_k) = (2.0, 2.0));
    add("sky", &|s, _| s.weather.reflection_k = 2.0);
    add("glare", &|s, r| {
        let sun = Glare { peak_k: 9.0, radius_deg: 0.5, along_deg: r.range(-9.0, 9.0), up_deg: r.range(-6.0, 6.0) };
        let drone = Glare { peak_k: 2.5, radius_deg: 0.8, along_deg: 0.0, up_deg: 0.0 };
        s.weather.glare = vec![sun, drone];
        s.flight.overlap = 0.75;
    });
    add("weeds-and-poles", &|s, _| {
        (s.weather.weeds, s.weather.pole_shadows, s.weather.dirt_k) = (24, 4, 1.5);
    });
    // Camera.
    add("soft-1.2px", &|s, _| s.camera.psf_px = 1.2);
    add("motion-2px", &|s, r| (s.camera.motion_px, s.camera.motion_deg) = (2.0 * 3f64.sqrt(), r.range(0.0, 180.0)));
    add("noisy", &|s, _| {
        s.camera = Camera { netd_k: 0.12, column_k: 0.15, row_k: 0.1, vignette_k: 1.0, ..s.camera.clone() };
        s.camera.offset_k = 1.0;
    });
    // Storage.
    add("deflate-planck", &|s, _| {
        let encoding = Encoding::Planck { r: 366_545.0, b: 1428.0, f: 1.0, o: -342.0 };
        s.storage = Storage { encoding, deflate: true, ..Storage::default() };
    });
    add("celsius-emissivity", &|s, _| {
        s.storage = Storage { encoding: Encoding::Celsius, apparent: Some([0.88, -8.0]), ..Storage::default() };
    });
    add("kelvin-apparent", &|s, _| {
        let apparent = Some([0.9, 5.0]);
        s.storage = Storage { encoding: Encoding::Kelvin, apparent, tells_emissivity: false, deflate: true };
    });
    // Many at once.
    for number in 1..=10 {
        add(&format!("mixed-{number:02}"), &mixed);
    }
    scenes
}

fn half_cut(plant: &Plant) -> Plant {
    Plant { mod_w_m: 1.13, mod_l_m: 2.28, cells: [6, 24], gap_m: 0.018, ..plant.clone() }
}

fn dual_tilt(spec: &mut Spec) {
    spec.plant = Plant {
        mounting: Mounting::DualTilt,
        tilt_deg: 10.0,
        azimuth_deg: 90.0,
        rows: 5,
        row_pitch_m: 4.9,
        across: 12,
        portrait: false,
        low_edge_m: 0.15,
        height_spread_m: 0.005,
        ..spec.plant.clone()
    };
    spec.flight.nadir = true;
    spec.flight.distance_m = 22.0;
    spec.ground = Ground { soil_c: 46.0, texture_k: 1.2, roof: true, above_takeoff_m: 11.0, ..spec.ground.clone() };
}

/// Soil as warm as the modules or warmer; under the tables it has not seen the sun and is nearer to the air.
fn hot_soil(spec: &mut Spec, soil_c: f64, texture_k: f64) {
    let shade_k = 0.75 * (soil_c - spec.weather.air_c);
    spec.ground = Ground { soil_c, texture_k, shade_k, ..spec.ground.clone() };
}

fn everything() -> Vec<Object> {
    use Object::{Cable, Container, Fence, Plate, Road, Trench};
    vec![Cable, Trench, Road, Container, Fence, Plate, Cable, Container, Trench]
}

/// Every factor drawn from its range.
fn mixed(s: &mut Spec, r: &mut Random) {
    let mut plant = match r.below(4) {
        0 => half_cut(&s.plant),
        1 => Plant { mod_w_m: 1.0, mod_l_m: 1.98, cells: [6, 12], ..s.plant.clone() },
        2 => Plant { mod_w_m: 1.05, mod_l_m: 1.76, cells: [6, 20], ..s.plant.clone() },
        _ => s.plant.clone(),
    };
    plant.portrait = r.chance(0.65);
    plant.courses = if plant.portrait { 1 + r.below(3) } else { 2 + r.below(4) };
    plant.across = if plant.portrait { 4 + r.below(24) } else { 3 + r.below(12) };
    plant.tables = (40 / plant.across).clamp(1, 5);
    plant.tilt_deg = r.range(8.0, 32.0);
    plant.azimuth_deg = r.range(140.0, 220.0);
    plant.gap_m = r.range(0.008, 0.025);
    plant.lip_delta_k = if r.chance(0.3) { r.range(0.0, 5.0) } else { r.range(-10.0, -2.0) };
    plant.twist_deg = r.range(0.0, 0.7);
    plant.table_gap_m = r.range(0.15, 1.2);
    plant.table_gap_spread = r.range(0.0, 0.8);
    plant.vacant = if r.chance(0.4) { 0.04 } else { 0.0 };
    plant.row_pitch_m = plant.table_m()[1] * plant.tilt_deg.to_radians().cos() + r.range(1.6, 5.0);
    s.plant = plant;

    let wide = r.chance(0.3);
    let (width, height) = if wide { (1280, 1024) } else { [(640, 512), (640, 512), (384, 288)][r.below(3)] };
    s.camera = Camera {
        width,
        height,
        focal_mm: if wide { 19.0 } else { r.range(9.0, 14.0) },
        k1: r.range(-0.10, 0.05),
        psf_px: r.range(0.5, 1.1),
        motion_px: if r.chance(0.4) { r.range(0.3, 2.0) } else { 0.0 },
        motion_deg: r.range(0.0, 180.0),
        netd_k: r.range(0.03, 0.12),
        column_k: r.range(0.02, 0.1),
        row_k: r.range(0.02, 0.08),
        vignette_k: r.range(0.2, 1.0),
        offset_k: r.range(0.0, 0.8),
        ..s.camera.clone()
    };
    s.flight.distance_m = r.range(0.016, 0.045) * s.camera.focal_px();
    s.flight.off_deg = r.range(0.0, 22.0);
    s.flight.off_towards_deg = r.range(0.0, 360.0);
    s.flight.row_angle_deg = r.range(0.0, 360.0);
    s.flight.frames = if wide { 3 } else { 4 };
    let soil = r.below(3);
    s.ground.soil_c = [r.range(20.0, 38.0), r.range(42.0, 52.0), r.range(54.0, 62.0)][soil];
    s.ground.texture_k = r.range(1.0, 3.5);
    s.ground.shade_k = (0.75 * (s.ground.soil_c - s.weather.air_c) + r.range(-3.0, 3.0)).max(4.0);
    let objects = everything();
    s.ground.objects = (0..3).map(|_| objects[r.below(objects.len())]).collect();
    let start = r.range(600.0, 1000.0);
    s.weather = Weather {
        g: [start, start + r.range(-20.0, 20.0)],
        wander_k: r.range(0.3, 1.8),
        upper_edge_k: r.range(-0.5, 1.8),
        reflection_k: if r.chance(0.5) { r.range(0.3, 2.0) } else { 0.0 },
        weeds: r.below(16),
        pole_shadows: r.below(3),
        dirt_k: if r.chance(0.4) { r.range(0.4, 1.6) } else { 0.0 },
        junction_k: r.range(0.8, 2.0),
        cell_spread_k: r.range(0.15, 0.3),
        sun_azimuth_deg: r.range(110.0, 250.0),
        sun_elevation_deg: r.range(35.0, 68.0),
        ..s.weather.clone()
    };
    if r.chance(0.3) {
        let along_deg = r.range(-8.0, 8.0);
        s.weather.glare = vec![Glare { peak_k: r.range(3.0, 10.0), radius_deg: 0.5, along_deg, up_deg: 0.0 }];
    }
    s.faults = Faults { share: 0.12, second: 0.2, ..Faults::default() };
}
