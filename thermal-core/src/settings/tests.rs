use std::path::Path;

use super::*;

fn error(text: &str) -> String {
    Settings::parse(Path::new("inspection.toml"), text).unwrap_err().to_string()
}

/// The registry and the structs must name the same keys.
#[test]
fn every_key_is_in_the_registry_and_every_registered_key_exists() {
    let full = Settings {
        site: Site { name: "a".into(), utc_offset: Some("+02:00".into()) },
        camera: Camera { focal_length_mm: Some(13.0), ..Camera::default() },
        radiometry: Some(Radiometry {
            encoding: Encoding::Planck,
            r: Some(15_000.0),
            b: Some(1430.0),
            f: Some(1.0),
            o: Some(-300.0),
            distance_m: Some(20.0),
            air_temp_c: Some(25.0),
            relative_humidity: Some(0.4),
            ..Radiometry::default()
        }),
        module: Module { p_stc_w: Some(540.0), ..Module::default() },
        ..Settings::default()
    };
    full.validate().unwrap();
    let table = full.to_table();
    let in_structs: Vec<String> = table
        .iter()
        .flat_map(|(section, keys)| keys.as_table().unwrap().keys().map(move |key| format!("{section}.{key}")))
        .collect();
    let mut registered: Vec<String> = keys::KEYS.iter().map(keys::Key::dotted).collect();
    registered.sort();
    assert_eq!(in_structs, registered);
    // What is written can be read.
    let text = toml::to_string(&full).unwrap();
    let read = Settings::parse(Path::new("inspection.toml"), &text).unwrap();
    assert_eq!(Settings { sources: BTreeMap::new(), ..read }, full);
}

#[test]
fn each_error_names_line_key_reason_and_remedy() {
    for (text, message) in [
        (
            "[module]\nwidht_m = 1.04",
            "inspection.toml: line 2, module.widht_m: [module] has no key `widht_m`; did you mean `width_m`?",
        ),
        ("\n[modul]\nwidth_m = 1.0", "line 2, modul: there is no table [modul]; did you mean [module]?"),
        (
            "[module]\nfocal_length_mm = 13.0",
            "line 2, module.focal_length_mm: [module] has no key `focal_length_mm`; it belongs under [camera]",
        ),
        ("tilt_deg = 20.0", "line 1, tilt_deg: the key stands in no table; put it under [array]"),
        ("[array]\nfoo = 1", "remove it; the keys of [array] are mounting, tilt_deg"),
        (
            "[module]\nwidth_m = 1040",
            "line 2, module.width_m: 1040 is outside 0.2 to 4; if 1040 is in millimetres, write 1.04",
        ),
        ("[module]\nlength_m = 200.0", "if 200 is in centimetres, write 2"),
        ("[module]\np_stc_w = 0.54", "if 0.54 is in kilowatts, write 540"),
        ("[camera]\npixel_pitch_um = 0.012", "if 0.012 is in millimetres, write 12"),
        ("[camera]\nfocal_length_mm = 0.013", "if 0.013 is in metres, write 13"),
        ("[radiometry]\nreflected_c = 253.15", "if 253.15 is in kelvin, write -20"),
        ("[radiometry]\nemissivity = 85", "if 85 is in percent, write 0.85"),
        ("[module]\nwidth_m = nan", "line 2, module.width_m: NaN is no number; give short side"),
        ("[array]\ntilt_deg = -inf", "line 2, array.tilt_deg: -inf is no number"),
        (
            "[module]\nwidth_m = \"1.04\"",
            "line 2, module.width_m: invalid type: string \"1.04\", expected f64; write a number without quotation marks",
        ),
        ("[module]\nwidth_m = 1,04", "line 2: "),
        ("[module]\nwidth_m = 1,04", "; write decimals with a point, 1.04"),
        ("[module]\nwidth_m = 1.0\nwidth_m = 1.1", "line 3: duplicate key; keep one of the two"),
        (
            "[module]\norientation = \"upright\"",
            "line 2, module.orientation: unknown variant `upright`, expected `portrait` or `landscape`; use one of the words",
        ),
        ("[module]\ncells = 6", "line 2, module.cells: "),
        ("[module]\ncells = [6]", "write two numbers, cells = [6, 10]"),
        (
            "[module]\ncells = [10, 6]",
            "line 2, module.cells: cells would be 3.2 times as long as wide; give the count across the width first",
        ),
        (
            "[module]\nwidth_m = 2.0\nlength_m = 1.04",
            "line 2, module.width_m: the short side, 2 m, is longer than length_m, 1.04 m; swap the two",
        ),
        ("[module]\nsubstrings = -3", "line 2, module.substrings: "),
        (
            "[site]\nutc_offset = \"CEST\"",
            "line 2, site.utc_offset: this is no offset from UTC; write hours and minutes, \"+02:00\"",
        ),
        (
            "[radiometry]\nencoding = \"planck\"\nr = 15000.0\nb = 1430.0",
            "radiometry.f: encoding \"planck\" needs r, b, f and o; add f",
        ),
        (
            "[radiometry]\ndistance_m = 20.0\nair_temp_c = 30.0",
            "radiometry.relative_humidity: the path's transmission needs",
        ),
        (
            "[severity]\nmarked_spot_k = 30.0",
            "line 2, severity.marked_spot_k: marked begins at 30 K, above grave at 20 K",
        ),
        ("module = 3", "line 1, module: this must be one table; write [module] on a line of its own"),
        ("[[module]]\nwidth_m = 1.0", "line 1, module: this must be one table"),
    ] {
        let error = error(text);
        assert!(error.contains(message), "{text}\n  {error}\n  {message}");
        assert!(!error.contains('\n'), "{error}");
    }
}

#[test]
fn validate_names_the_key() {
    let mut settings = Settings::default();
    settings.validate().unwrap();
    settings.array.tilt_deg = f64::NAN;
    assert_eq!(
        settings.validate().unwrap_err().to_string(),
        "array.tilt_deg: NaN is no number; give tilt from horizontal, deg"
    );
}

#[test]
fn what_was_assumed_says_where_each_value_came_from() {
    let text = "\u{feff}[module]\r\nwidth_m = 1.13\r\n";
    let path = std::env::temp_dir().join(format!("thermal-settings-{}.toml", std::process::id()));
    std::fs::write(&path, text).unwrap();
    let mut settings = Settings::read(&path).unwrap();
    std::fs::remove_file(&path).unwrap();
    settings.camera.focal_length_mm = Some(13.0);
    settings.sources.insert("camera.focal_length_mm".into(), Source::Derived);
    let assumed = settings.assumed();
    let of = |key: &str| assumed.iter().find(|a| a.key == key).map(|a| (a.value.as_str(), a.source)).unwrap();
    assert_eq!(of("module.width_m"), ("1.13", Source::File));
    assert_eq!(of("module.length_m"), ("2.0", Source::Default));
    assert_eq!(of("camera.focal_length_mm"), ("13.0", Source::Derived));
    assert_eq!(of("radiometry.scale"), ("", Source::Default));
    assert_eq!(of("module.cells"), ("[6, 10]", Source::Default));
}

#[test]
fn files_that_are_no_text_or_not_there_are_errors() {
    assert!(matches!(Settings::read("/nowhere/inspection.toml"), Err(crate::Error::Io { .. })));
    let path = std::env::temp_dir().join(format!("thermal-settings-latin-{}.toml", std::process::id()));
    std::fs::write(&path, b"[site]\nname = \"Caf\xE9\"\n").unwrap();
    let error = Settings::read(&path).unwrap_err().to_string();
    std::fs::remove_file(&path).unwrap();
    assert!(error.contains("line 2: the text is not UTF-8; save the file with UTF-8 encoding"), "{error}");
}

#[test]
fn damaged_files_are_errors_and_never_panic() {
    let text =
        b"[site]\nutc_offset = \"+02:00\"\n[module]\nwidth_m = 1.04\ncells = [6, 10]\n[array]\nmounting = \"fixed\"\n";
    let mut refused = 0;
    for at in 0..text.len() {
        for byte in *b"\n\"[]=.,-9\0\xC3" {
            let mut damaged = text.to_vec();
            damaged[at] = byte;
            refused += usize::from(Settings::parse(Path::new("f"), &String::from_utf8_lossy(&damaged)).is_err());
        }
    }
    assert!(refused > 500, "{refused}");
}
