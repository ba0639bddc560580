//! Reference values: Planck's law integrated numerically over 8 to 14 um with scipy, see `testdata/radiometry/make.py`.

use ndarray::array;

use super::*;

fn rows(text: &str) -> Vec<Vec<f64>> {
    text.lines().skip(1).map(|line| line.split(',').map(|v| v.parse().unwrap()).collect()).collect()
}

fn converter(radiometry: Radiometry) -> Converter {
    Converter::new(Model { radiometry, from_metadata: false }).unwrap()
}

#[test]
fn corrected_temperatures_agree_with_the_integration_of_plancks_law() {
    let mut worst = 0.0_f64;
    let rows = rows(include_str!("../../../testdata/radiometry/apparent.csv"));
    assert_eq!(rows.len(), 105);
    for row in rows {
        let [object, emissivity, reflected, transmission, air, apparent] = row[..] else { panic!() };
        // The reference gives the transmission itself; the formula for it is another matter.
        let mut converter = converter(Radiometry { encoding: Encoding::Celsius, ..Radiometry::default() });
        let at = |celsius: f64| Curve::LongWave.signal(celsius + ZERO_C_IN_K);
        converter.correction.gain = transmission * emissivity;
        converter.correction.background =
            transmission * (1.0 - emissivity) * at(reflected) + (1.0 - transmission) * at(air);
        worst = worst.max((converter.celsius(apparent) - object).abs());
    }
    assert!(worst < 0.03, "{worst} K");
    assert!(worst > 1e-4, "an approximation cannot be exact: {worst} K");
}

#[test]
fn emissivity_of_the_settings_is_what_is_corrected() {
    for row in rows(include_str!("../../../testdata/radiometry/apparent.csv")) {
        let [object, emissivity, reflected_c, transmission, _, apparent] = row[..] else { panic!() };
        if transmission == 1.0 {
            let settings = Radiometry { encoding: Encoding::Kelvin, emissivity, reflected_c, ..Radiometry::default() };
            let pixels = Pixels::F32(array![[(apparent + 273.15) as f32]]);
            let found = converter(settings).thermogram(&pixels, "f").unwrap().celsius[[0, 0]];
            assert!((f64::from(found) - object).abs() < 0.03, "{row:?}: {found}");
        }
    }
}

#[test]
fn the_cameras_own_curve_is_inverted() {
    for row in rows(include_str!("../../../testdata/radiometry/planck_curve.csv")) {
        let [r, b, f, o, object, emissivity, reflected_c, counts] = row[..] else { panic!() };
        let settings = Radiometry {
            encoding: Encoding::Planck,
            r: Some(r),
            b: Some(b),
            f: Some(f),
            o: Some(o),
            emissivity,
            reflected_c,
            ..Radiometry::default()
        };
        let converter = converter(settings);
        let float = converter.thermogram(&Pixels::F32(array![[counts as f32]]), "f").unwrap().celsius[[0, 0]];
        assert!((f64::from(float) - object).abs() < 1e-3, "{row:?}: {float}");
        // Half a count is 0.015 K at -20 deg C.
        let whole = converter.thermogram(&Pixels::U16(array![[counts.round() as u16]]), "f").unwrap().celsius[[0, 0]];
        assert!((f64::from(whole) - object).abs() < 0.016, "{row:?}: {whole}");
    }
}

#[test]
fn encodings_without_correction_are_exact() {
    let plain = |encoding| converter(Radiometry { encoding, ..Radiometry::default() });
    let t = |converter: &Converter, pixels| converter.thermogram(&pixels, "f").unwrap().celsius[[0, 0]];
    // 29315 counts of 0.01 K are 293.15 K, 20 deg C.
    assert!((t(&plain(Encoding::Linear), Pixels::U16(array![[29315]])) - 20.0).abs() < 1e-5);
    assert!((t(&plain(Encoding::Kelvin), Pixels::F32(array![[293.15]])) - 20.0).abs() < 1e-4);
    assert!((t(&plain(Encoding::Celsius), Pixels::F32(array![[-20.5]])) + 20.5).abs() < 1e-5);
}

#[test]
fn values_that_stand_for_no_temperature_are_nan_and_counted() {
    let pixels = Pixels::F32(array![[300.0, f32::NAN, f32::INFINITY], [0.0, -9999.0, 310.0]]);
    let kelvin = Radiometry { encoding: Encoding::Kelvin, ..Radiometry::default() };
    let thermogram = converter(kelvin).thermogram(&pixels, "f").unwrap();
    assert_eq!(thermogram.invalid, 4);
    assert!(thermogram.celsius[[0, 0]].is_finite() && thermogram.celsius[[1, 2]].is_finite());
    // Below the offset of the curve, and darker than what is reflected alone.
    let planck = Radiometry {
        encoding: Encoding::Planck,
        r: Some(500_000.0),
        b: Some(1428.0),
        f: Some(1.0),
        o: Some(4000.0),
        emissivity: 0.5,
        reflected_c: 20.0,
        ..Radiometry::default()
    };
    let thermogram = converter(planck).thermogram(&Pixels::U16(array![[3999, 4000, 5000, 9000, 9001]]), "f").unwrap();
    assert_eq!(thermogram.invalid, 3);
}

#[test]
fn a_wrong_encoding_is_refused_with_the_remedy() {
    let raw = Pixels::U16(Array2::from_elem((10, 10), 8000));
    let error = converter(Radiometry::default()).thermogram(&raw, "a.tif").unwrap_err().to_string();
    assert!(
        error.starts_with("a.tif: pixels: the median temperature comes out as -193 deg C; check encoding"),
        "{error}"
    );
    let none = Pixels::F32(array![[f32::NAN]]);
    let error = converter(Radiometry::default()).thermogram(&none, "a.tif").unwrap_err().to_string();
    assert!(error.contains("no value gives a temperature"), "{error}");
    let empty = Pixels::U16(Array2::zeros((0, 0)));
    assert!(converter(Radiometry::default()).thermogram(&empty, "a.tif").is_err());
    let incomplete = Radiometry { encoding: Encoding::Planck, ..Radiometry::default() };
    assert!(Converter::new(Model { radiometry: incomplete, from_metadata: false }).is_err());
}

#[test]
fn the_frames_own_gain_is_used_only_without_settings_and_only_for_counts() {
    let counts = Pixels::U16(array![[768]]);
    let capture = Capture { file: "a.tif".into(), kelvin_per_count: Some(0.4), ..Capture::default() };
    let model = Model::of_frame(None, &capture, &counts).unwrap();
    assert!(model.from_metadata);
    // 768 counts of 0.40 K: 307.2 K.
    let t = Converter::new(model).unwrap().thermogram(&counts, "a.tif").unwrap().celsius[[0, 0]];
    assert!((t - 34.05).abs() < 1e-4, "{t}");

    let settings = Radiometry { scale: 0.04, ..Radiometry::default() };
    assert!(!Model::of_frame(Some(&settings), &capture, &counts).unwrap().from_metadata);
    let error = Model::of_frame(None, &Capture { kelvin_per_count: None, ..capture.clone() }, &counts).unwrap_err();
    assert_eq!(
        error.to_string(),
        "a.tif: radiometry: nothing says how its values become temperatures; set encoding under [radiometry] in inspection.toml"
    );
    assert!(Model::of_frame(None, &capture, &Pixels::F32(array![[1.0]])).is_err());
}

/// No published table of this formula was at hand: bounds that any model of the window must keep, and the order of
/// magnitude, common practice: a few per cent at the distances of a drone.
#[test]
fn the_path_absorbs_more_the_longer_and_damper_it_is() {
    assert!((path_transmission(0.0, 25.0, 0.5) - 1.0).abs() < 1e-12);
    for humidity in [0.0, 0.3, 0.6, 1.0] {
        let along: Vec<f64> =
            [0.0, 10.0, 30.0, 100.0, 300.0].iter().map(|d| path_transmission(*d, 25.0, humidity)).collect();
        assert!(along.windows(2).all(|w| w[1] < w[0]), "{humidity}: {along:?}");
        assert!(along[2] > 0.93 && along[4] > 0.6, "{humidity}: {along:?}");
    }
    assert!(path_transmission(100.0, 30.0, 0.9) < path_transmission(100.0, 30.0, 0.4));
}

/// Density of saturated water vapour, handbook values from memory (CRC): 4.85 g/m3 at 0, 17.3 at 20, 30.4 at 30 deg C.
#[test]
fn water_vapour_agrees_with_the_handbook() {
    for (celsius, g_m3) in [(0.0, 4.85), (20.0, 17.3), (30.0, 30.4)] {
        let found = band::saturation_g_m3(celsius);
        assert!((found / g_m3 - 1.0).abs() < 0.03, "{celsius}: {found}");
    }
}

#[test]
fn a_path_beyond_the_formula_is_refused() {
    let path = |distance| Radiometry {
        distance_m: Some(distance),
        air_temp_c: Some(40.0),
        relative_humidity: Some(1.0),
        ..Radiometry::default()
    };
    let error = Converter::new(Model { radiometry: path(1000.0), from_metadata: false }).unwrap_err().to_string();
    assert!(error.contains("radiometry.distance_m: 1000 m of such air would pass -0.14"), "{error}");
    // Air colder than the object takes some of its radiation: the object is warmer than it seems.
    let near = Converter::new(Model { radiometry: path(30.0), from_metadata: false }).unwrap();
    let counts = Pixels::U16(array![[34315]]);
    assert!(near.thermogram(&counts, "f").unwrap().celsius[[0, 0]] > 71.0);
}

#[test]
fn interpolation_for_float_frames_agrees_with_the_equation() {
    let corrected =
        Radiometry { encoding: Encoding::Kelvin, emissivity: 0.8, reflected_c: -40.0, ..Radiometry::default() };
    let converter = converter(corrected);
    // Beyond the ends of the table too.
    let kelvin = Array2::from_shape_fn((300, 100), |(y, x)| 195.0 + (y * 100 + x) as f32 * 0.017);
    let found = converter.celsius_of_floats(&kelvin);
    let mut worst = 0.0_f32;
    for (kelvin, found) in kelvin.iter().zip(&found) {
        let exact = converter.celsius(f64::from(*kelvin)) as f32;
        assert_eq!(found.is_nan(), exact.is_nan(), "{kelvin}: {found} {exact}");
        if !exact.is_nan() {
            worst = worst.max((found - exact).abs());
        }
    }
    // Half a unit in the last place of 400 deg C as float32 is 1.5e-5.
    assert!(worst < 1e-4, "{worst}");
}
