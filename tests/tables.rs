//! The tables and maps as other people's software reads them: CSV against its schema, GeoJSON against RFC 7946, the
//! GeoPackage through GDAL.

use std::fs;
use std::path::Path;

use thermal_core::finding::{
    FINDINGS, Finding, Flag, MODULES, ModuleRecord, Pattern, UNSEEN, Unseen, write_geopackage,
};
use thermal_tests::python_check;

/// A module a metre wide and two long, turned by some degrees, with its corners as seen from above.
fn ground(east: f64) -> [[f64; 2]; 4] {
    let at = |x: f64, y: f64| {
        let (sin, cos) = 0.2_f64.sin_cos();
        [11.5 + (east + x * cos - y * sin) / 72_600.0, 49.25 + (x * sin + y * cos) / 111_200.0]
    };
    [at(0.0, 2.0), at(1.0, 2.0), at(1.0, 0.0), at(0.0, 0.0)]
}

fn modules() -> Vec<ModuleRecord> {
    (0..12)
        .map(|i| ModuleRecord {
            frame: format!("frame_{:04}.tif", 1 + i / 4).into(),
            row: 1 + i / 6,
            course: 1,
            position: 1 + i % 6,
            corners: [[10.0, 20.0], [54.1, 21.5], [53.0, 106.25], [9.0, 104.6]]
                .map(|[x, y]| [x + 45.0 * f64::from(i), y]),
            ground: Some(ground(1.02 * f64::from(i))),
            whole: i != 5,
            t_median_c: 41.234,
            row_median_c: if i == 7 { f64::NAN } else { 40.0 },
            delta_row_k: if i == 7 { f64::NAN } else { 1.234 },
            pattern: if i == 3 { Pattern::Cell } else { Pattern::None },
            delta_t_k: if i == 3 { 14.5 } else { 0.0 },
            confidence: 0.9,
            asset_id: format!("A-01-{i:02}"),
            ..ModuleRecord::default()
        })
        .collect()
}

fn findings() -> Vec<Finding> {
    let module = ModuleRecord {
        t_max_c: 55.7,
        part: "4/2".to_owned(),
        area_fraction: 0.0167,
        flags: vec![Flag::OneFrame, Flag::LowIrradiance],
        ..modules().swap_remove(3)
    };
    let located = Finding {
        finding: "F0001".to_owned(),
        module,
        severity: "serious".to_owned(),
        abnormality_class: 3,
        delta_t_ref_k: Some(16.1),
        irradiance_w_m2: Some(900.0),
        irradiance_age_s: Some(61.5),
        captured_at: Some("2025-06-14T12:03:04.250+02:00".to_owned()),
        frames_seen: 1,
        frames_confirmed: 1,
        lat: Some(49.250_001),
        lon: Some(11.500_04),
        loss_w: Some(9.0),
        evidence: "evidence/F0001.png".to_owned(),
        review: String::new(),
        reviewer: "Zoë, \"the\" analyst".to_owned(),
        note: "two\nlines; a comma, and =1+1".to_owned(),
        delta_t_u95_k: Some(1.43),
        delta_t_ref_u95_k: None,
    };
    let mut point = Finding { finding: "F0002".to_owned(), ..located.clone() };
    point.module.ground = None;
    let mut bare = Finding { finding: "F0003".to_owned(), lat: None, lon: None, ..Finding::default() };
    bare.module.frame = "frame_0003.tif".into();
    bare.module.pattern = Pattern::Hotspot;
    vec![located, point, bare]
}

/// A module that no frame shows, and one of which a cut view hints at a fault.
fn unseen() -> Vec<Unseen> {
    let ground = findings()[0].module.ground;
    let whole = Unseen {
        asset_id: "07-2-1-04".to_owned(),
        row: 7,
        course: 1,
        position: 4,
        ground,
        lat: Some(49.250_001),
        lon: Some(11.500_04),
        ..Unseen::default()
    };
    let hint = Unseen {
        asset_id: "07-2-1-05".to_owned(),
        frames_cut: 2,
        hint: Pattern::Cell,
        hint_delta_t_k: Some(20.54),
        hint_frame: "frame_0004.tif".to_owned(),
        ..whole.clone()
    };
    vec![whole, hint]
}

fn write(folder: &Path) {
    let (findings, modules, unseen) = (findings(), modules(), unseen());
    UNSEEN.write_csv(&folder.join("unseen.csv"), &unseen).unwrap();
    UNSEEN.write_geojson(&folder.join("unseen.geojson"), &unseen).unwrap();
    fs::write(folder.join("unseen.schema.json"), UNSEEN.schema_json()).unwrap();
    FINDINGS.write_csv(&folder.join("findings.csv"), &findings).unwrap();
    MODULES.write_csv(&folder.join("modules.csv"), &modules).unwrap();
    FINDINGS.write_geojson(&folder.join("findings.geojson"), &findings).unwrap();
    MODULES.write_geojson(&folder.join("modules.geojson"), &modules).unwrap();
    fs::write(folder.join("findings.schema.json"), FINDINGS.schema_json()).unwrap();
    fs::write(folder.join("modules.schema.json"), MODULES.schema_json()).unwrap();
    let last_change = "2025-06-14T12:05:00+02:00".parse().unwrap();
    write_geopackage(&folder.join("site.gpkg"), &findings, &modules, &unseen, last_change).unwrap();
}

#[test]
fn others_read_the_tables_and_maps() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path());
    python_check("check_tables.py", &["frictionless", "pandas", "geopandas", "pyogrio", "shapely"], &[folder.path()]);
}

#[test]
fn the_same_records_give_the_same_bytes() {
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    write(one.path());
    write(two.path());
    let mut files = 0;
    for entry in fs::read_dir(one.path()).unwrap() {
        let name = entry.unwrap().file_name();
        assert_eq!(
            fs::read(one.path().join(&name)).unwrap(),
            fs::read(two.path().join(&name)).unwrap(),
            "{}",
            name.display()
        );
        files += 1;
    }
    assert_eq!(files, 10);
}
