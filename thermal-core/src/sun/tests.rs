//! Against pvlib 0.16.1 over 1,000 places, times and planes (`testdata/make_sun.py`), and worked examples.

use std::path::Path;

use super::*;

/// Largest difference of each quantity, with the case where it is.
#[derive(Default)]
struct Worst(Vec<(&'static str, f64, String)>);

impl Worst {
    fn note(&mut self, name: &'static str, difference: f64, case: &str) {
        assert!(difference.is_finite(), "{name}: {case}");
        match self.0.iter_mut().find(|(n, ..)| *n == name) {
            Some(entry) if entry.1 < difference => *entry = (name, difference, case.to_owned()),
            Some(_) => (),
            None => self.0.push((name, difference, case.to_owned())),
        }
    }

    fn assert_within(&self, name: &str, limit: f64) {
        let (_, difference, case) = self.0.iter().find(|(n, ..)| *n == name).expect("quantity was compared");
        println!("{name}: {difference:.6} (limit {limit}) at {case}");
        assert!(*difference <= limit, "{name}: {difference} at {case}");
    }
}

fn turn(a: f64, b: f64) -> f64 {
    ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs()
}

#[test]
fn agrees_with_pvlib_over_the_grid() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/sun.csv");
    let mut reader = csv::Reader::from_path(path).expect("testdata/sun.csv");
    let mut worst = Worst::default();
    let mut cases = 0;
    for record in reader.records() {
        let record = record.expect("a row of values");
        let case = record.iter().take(7).collect::<Vec<_>>().join(" ");
        let value = |column: usize| record[column].parse::<f64>().expect("a number");
        let time: Timestamp = record[1].parse().expect("a time");
        let place = Place { lat_deg: value(2), lon_deg: value(3), elevation_m: value(4) };
        let plane = Plane { tilt_deg: value(5), azimuth_deg: value(6) };
        let tracker = Tracker {
            axis_tilt_deg: value(8),
            axis_azimuth_deg: value(9),
            max_angle_deg: value(10),
            ground_cover: value(11),
            backtracking: true,
        };
        let sun = Sun::at(time, &place).expect("a position");
        worst.note("elevation", (sun.elevation_deg - value(12)).abs(), &case);
        worst.note("apparent elevation", (sun.apparent_elevation_deg - value(13)).abs(), &case);
        // Near the zenith and at the poles an azimuth says little: compared as an angle on the sky.
        worst.note("azimuth", turn(sun.azimuth_deg, value(14)) * value(12).to_radians().cos(), &case);
        worst.note("incidence", (plane.incidence_deg(&sun) - value(15)).abs(), &case);

        let sky = clear_sky(time, &sun, &place, value(7));
        let poa = plane.irradiance_w_m2(&sun, &sky, DEFAULT_ALBEDO);
        // One percent, or a tenth of a watt where one percent would be less than that.
        for (name, own, reference) in [
            ("global", sky.global_w_m2, value(16)),
            ("direct", sky.direct_normal_w_m2, value(17)),
            ("diffuse", sky.diffuse_w_m2, value(18)),
            ("in-plane", poa, value(19)),
        ] {
            worst.note(name, (own - reference).abs() / reference.max(10.0), &case);
        }

        match tracker.angle_deg(&sun) {
            Some(angle) if !record[20].is_empty() => {
                worst.note("tracker", (angle - value(20)).abs(), &case);
                let plane = tracker.plane(angle);
                worst.note("tracker tilt", (plane.tilt_deg - value(21)).abs(), &case);
                let face = turn(plane.azimuth_deg, value(22)) * value(21).to_radians().sin();
                worst.note("tracker azimuth", face, &case);
            }
            // The two may disagree on which side of the horizon a sun on the horizon is, nowhere else.
            angle => assert!(angle.is_some() != record[20].is_empty() || value(13).abs() < 0.001, "{case}"),
        }
        cases += 1;
    }
    assert_eq!(cases, 1000);
    for (name, limit) in [
        ("elevation", 0.01),
        ("apparent elevation", 0.01),
        ("azimuth", 0.01),
        ("incidence", 0.01),
        ("global", 0.01),
        ("direct", 0.01),
        ("diffuse", 0.01),
        ("in-plane", 0.01),
        ("tracker", 0.05),
        ("tracker tilt", 0.05),
        ("tracker azimuth", 0.05),
    ] {
        worst.assert_within(name, limit);
    }
}

/// The worked example of NREL/TP-560-34302, appendix A.5: Golden, Colorado, 17 October 2003, 12:30:30 at UTC-7, 1830 m;
/// topocentric zenith angle 50.11162, azimuth 194.34024, incidence on a plane of 30 degrees facing 170 degrees 25.18700.
/// It takes 820 mbar, 11 deg C and 67 s where this code takes the standard atmosphere, 12 deg C and 69.2 s.
#[test]
fn agrees_with_the_worked_example_of_the_algorithm() {
    let place = Place { lat_deg: 39.742476, lon_deg: -105.1786, elevation_m: 1830.14 };
    let sun = Sun::at("2003-10-17T12:30:30-07:00".parse().expect("a time"), &place).expect("a position");
    assert!((90.0 - sun.apparent_elevation_deg - 50.11162).abs() < 0.001, "{sun:?}");
    assert!((sun.azimuth_deg - 194.34024).abs() < 0.001, "{sun:?}");
    let plane = Plane { tilt_deg: 30.0, azimuth_deg: 170.0 };
    assert!((plane.incidence_deg(&sun) - 25.187).abs() < 0.002, "{}", plane.incidence_deg(&sun));
}

/// By hand: the sun at 60 degrees in the south over a plane of 30 degrees facing south stands on its normal, so its image
/// lies straight into the plane, 60 degrees down in the north; over a level plane it is mirrored 60 degrees down in the
/// south.
#[test]
fn mirrors_the_sun() {
    let sun = Sun { elevation_deg: 60.0, apparent_elevation_deg: 60.0, azimuth_deg: 180.0 };
    let seen = Plane { tilt_deg: 30.0, azimuth_deg: 180.0 }.mirrored(&sun).expect("in front");
    assert!((seen - direction(-60.0, 0.0)).norm() < 1e-12);
    let seen = Plane { tilt_deg: 0.0, azimuth_deg: 0.0 }.mirrored(&sun).expect("in front");
    assert!((seen - direction(-60.0, 180.0)).norm() < 1e-12);
    assert_eq!(Plane { tilt_deg: 80.0, azimuth_deg: 0.0 }.mirrored(&sun), None);
}

#[test]
fn refuses_a_place_or_a_year_without_data() {
    let place = Place { lat_deg: 50.0, lon_deg: 8.0, elevation_m: 0.0 };
    let time = |text: &str| text.parse::<Timestamp>().expect("a time");
    let error = Sun::at(time("2300-01-01T12:00:00Z"), &place).expect_err("no data");
    assert!(error.to_string().contains("1950 to 2100"), "{error}");
    for (bad, name) in [
        (Place { lat_deg: 90.1, ..place }, "latitude"),
        (Place { lon_deg: 181.0, ..place }, "longitude"),
        (Place { elevation_m: f64::NAN, ..place }, "elevation"),
    ] {
        let error = Sun::at(time("2026-06-21T12:00:00Z"), &bad).expect_err("out of range");
        assert!(error.to_string().starts_with(name), "{error}");
    }
}
