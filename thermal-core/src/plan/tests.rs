//! Worked examples by hand, properties of every plan, and inputs that no plan can be made from.

use std::path::Path;

use super::*;
use crate::optics::camera_to_enu;
use crate::settings::Mounting;
use crate::site::LocalPlane;
use crate::sun::Place;
use jiff::tz::Offset;

const PLACE: Place = Place { lat_deg: 48.1, lon_deg: 11.6, elevation_m: 520.0 };

fn input(date: &str) -> PlanInput {
    PlanInput::new(PLACE, date.parse().expect("a date"), Offset::constant(2))
}

fn made(input: &PlanInput) -> Plan {
    plan(input).expect("a plan")
}

fn close(own: f64, by_hand: f64, within: f64) {
    assert!((own - by_hand).abs() <= within, "{own} is not {by_hand}");
}

/// By hand, for level modules under a camera that looks straight down: 13 mm / 12 um = 1083.333 px. 0.03 m a pixel, the
/// same all over the frame, is 0.03 * 1083.333 = 32.5 m. A cell of 1.04 / 6 = 0.17333 m has 5.78 px. The frame covers
/// 640 * 0.03 = 19.2 m by 15.36 m: a frame each 0.3 * 19.2 = 5.76 m, lines 0.7 * 15.36 = 10.752 m apart (rounded down).
/// Half a pixel in 10 ms is 1.5 m/s. One hectare takes 1 + ceil((100 - 15.36) / 10.75) = 9 lines of 100 m with
/// ceil(100 / 5.76) + 1 = 19 frames. 900 m at 1.5 m/s and 8 * 10.75 m at 5 m/s and 8 turns of 5 s are 657.2 s: 10.95 min,
/// one battery, 13.95 min with its 3 min of way. 171 frames of 640 * 512 * 2 bytes are 0.112 GB. The wind at 32.5 m is
/// (32.5 / 2)^(1/7) = 1.489 times that at 2 m.
#[test]
fn level_modules_worked_by_hand() {
    let mut input = input("2026-06-21");
    input.array.tilt_deg = 0.0;
    input.camera.pitch_deg = Some(-90.0);
    let plan = made(&input);
    close(plan.height_above_modules_m, 32.5, 0.005);
    close(plan.gsd_m, 0.03, 1e-5);
    close(plan.gsd_centre_m, 0.03, 1e-5);
    close(plan.px_per_cell.expect("cells"), 5.78, 0.005);
    close(plan.trigger_m, 5.76, 0.011);
    close(plan.line_spacing_m, 10.75, 0.011);
    close(plan.max_speed_m_s, 1.5, 0.011);
    close(plan.speed_by_frames_m_s, 5.76, 0.011);
    assert_eq!((plan.lines, plan.frames, plan.batteries), (9, 171, 1));
    close(plan.line_length_m, 900.0, 0.1);
    close(plan.flight_min, 13.95, 0.06);
    close(plan.gigabytes, 0.112, 0.0005);
    close(plan.wind.factor, 1.489, 0.001);
    close(plan.wind.reading_limit_km_h, 24.0 / 1.489, 0.05);
    // The drone sees itself in the middle of the frame: 0.6 m at twice 32.5 m are 10 px.
    assert_eq!(plan.own_reflection.at_px, Some([320.0, 256.0]));
    close(plan.own_reflection.width_px, 10.0, 0.05);
}

/// Common practice: 100 ft over a roof of 50 ft is 150 ft over the take-off point.
#[test]
fn height_over_a_roof() {
    let mut input = input("2026-06-21");
    input.array.tilt_deg = 0.0;
    input.array.surface_above_takeoff_m = 50.0 * 0.3048;
    input.camera.pitch_deg = Some(-90.0);
    input.wanted.gsd_m = 100.0 * 0.3048 / 1083.3333;
    let plan = made(&input);
    close(plan.height_above_modules_m, 100.0 * 0.3048, 0.006);
    close(plan.height_above_takeoff_m, 150.0 * 0.3048, 0.006);
}

/// By hand: seen perpendicularly a tilted plane is as far as a level one, 32.5 m; 25 deg off the vertical that is
/// 32.5 * cos 25 = 29.455 m up. A half-cut cell of 2.0 / 24 = 0.08333 m wants 0.016667 m a pixel: 18.056 m.
#[test]
fn tilted_modules_worked_by_hand() {
    let mut input = input("2026-06-21");
    input.camera.pitch_deg = Some(-65.0);
    let plan = made(&input);
    close(plan.distance_m, 32.5, 0.005);
    close(plan.height_above_modules_m, 29.455, 0.006);
    close(plan.view_angle_deg, 0.0, 1e-6);
    input.module.cells = [6, 24];
    let plan = made(&input);
    close(plan.px_per_cell.expect("cells"), 5.0, 0.005);
    close(plan.distance_m, 18.056, 0.01);
    // Thin film has no cells to resolve.
    input.module.cells = [1, 1];
    let plan = made(&input);
    assert_eq!(plan.px_per_cell, None);
    close(plan.distance_m, 32.5, 0.005);
}

/// By hand: level modules mirror the sun as far below the horizon as it stands above it. A frame that looks straight down
/// with its upper edge to the south reaches atan(256 / 1083.333) = 13.296 deg from the vertical, so about noon the image
/// stands 90 - elevation - 13.296 deg beside it.
#[test]
fn glare_at_noon_worked_by_hand() {
    let mut input = input("2026-10-21");
    input.place.lon_deg = 0.0;
    input.utc_offset = Offset::UTC;
    input.array.tilt_deg = 0.0;
    input.camera.pitch_deg = Some(-90.0);
    input.camera.heading_deg = Some(180.0);
    let plan = made(&input);
    let noon = plan.hours.iter().find(|hour| hour.time.contains("T12:")).expect("noon");
    assert!((noon.sun_azimuth_deg - 180.0).abs() < 6.0, "{noon:?}");
    close(noon.glare_deg.expect("in front"), 90.0 - noon.sun_apparent_elevation_deg - 13.296, 0.2);
    close(noon.incidence_deg, 90.0 - noon.sun_apparent_elevation_deg, 0.001);
    // At the equator in March the noon sun stands in the zenith, and its image in the middle of the frame.
    input.place.lat_deg = 0.0;
    input.dates = ["2026-03-20".parse().expect("a date"); 2];
    let noon = made(&input).hours.into_iter().find(|hour| hour.time.contains("T12:")).expect("noon");
    assert_eq!(noon.glare_deg, Some(0.0));
    assert!(!noon.fit && noon.reasons.iter().any(|reason| reason.contains("mirrored")), "{noon:?}");
}

/// The windows against every minute of the day.
#[test]
fn windows_are_right_to_the_minute() {
    for (date, mounting) in [("2026-06-21", Mounting::Fixed), ("2026-04-11", Mounting::Tracker)] {
        let mut input = input(date);
        input.array.mounting = mounting;
        let plan = made(&input);
        let day = &plan.days[0];
        assert!(!day.windows.is_empty(), "{date}");
        let field = Field::new(input.camera.lens());
        let look = Look { pitch_deg: plan.camera_pitch_deg, heading_deg: plan.heading_deg };
        let mut differ = 0;
        for at in hours::times(&input, input.dates[0], 1).expect("times") {
            let moment = Moment::new(&input, at).expect("a moment");
            let fit = hours::Judged::new(&input, &field, look, &moment).fit();
            let inside = day.windows.iter().any(|w| w.start <= at && at <= w.end);
            differ += usize::from(fit != inside);
        }
        assert_eq!(differ, 0, "{date}");
        assert!(plan.hours.iter().filter(|hour| hour.fit).all(|hour| hour.reasons.is_empty()));
        assert!(plan.hours.iter().filter(|hour| !hour.fit).all(|hour| !hour.reasons.is_empty()));
    }
}

/// A direction is told once: north is 0, never 360 and never -0, in the figures as in the words.
#[test]
fn north_is_told_as_zero() {
    for (given, wanted) in [(360.0, 0.0), (359.97, 0.0), (-0.0, 0.0), (359.94, 359.9), (0.04, 0.0)] {
        let mut input = input("2026-06-21");
        (input.camera.pitch_deg, input.camera.heading_deg) = (Some(-90.0), Some(given));
        let plan = made(&input);
        assert_eq!(plan.heading_deg.to_string(), f64::to_string(&wanted), "{given}");
        let figures: String = plan.figures().into_iter().map(|(_, value)| value).collect();
        assert!(figures.contains("upper edge of the frame to 0 deg"), "{figures}");
    }
    for azimuth in [0.0, 180.0, 360.0] {
        let mut input = input("2026-06-21");
        input.array.azimuth_deg = azimuth;
        let plan = made(&input);
        let all = plan.hours.iter().flat_map(|hour| [hour.sun_azimuth_deg, hour.azimuth_deg]).chain([plan.heading_deg]);
        assert!(all.into_iter().all(|deg| (0.0..360.0).contains(&deg) && deg.is_sign_positive()));
    }
}

/// What is chosen keeps the limits: perpendicular within 20 deg, straight down over dual-tilt roofs.
#[test]
fn the_chosen_view_keeps_the_limits() {
    for tilt in [0.0, 10.0, 25.0, 40.0, 60.0] {
        for azimuth in [0.0, 90.0, 180.0, 300.0] {
            let mut input = input("2026-06-21");
            (input.array.tilt_deg, input.array.azimuth_deg) = (tilt, azimuth);
            let plan = made(&input);
            assert!((plan.camera_pitch_deg - (tilt - 90.0)).abs() <= 20.0, "{tilt} {azimuth}");
            close(plan.heading_deg, (azimuth + 180.0) % 360.0, 1e-9);
            assert!(plan.gsd_m <= 0.03 + 1e-5 && plan.px_per_cell.is_some_and(|px| px >= 5.0 - 0.005));
            assert!(plan.view_angle_deg <= 20.0 + 1e-6);
        }
    }
    let mut input = input("2026-06-21");
    input.array.mounting = Mounting::DualTilt;
    input.array.tilt_deg = 10.0;
    assert_eq!(made(&input).camera_pitch_deg, -90.0);
}

/// A camera turned off the perpendicular sees the sun's image leave the frame: the chosen pitch has at least as much time
/// fit to fly as the perpendicular one.
#[test]
fn the_chosen_pitch_gains_time() {
    let mut input = input("2026-06-21");
    input.array.tilt_deg = 20.0;
    let chosen = made(&input);
    input.camera.pitch_deg = Some(-70.0);
    let perpendicular = made(&input);
    assert!(chosen.days[0].fit_min > perpendicular.days[0].fit_min + 60.0);
    let hidden = |plan: &Plan| plan.hours.iter().filter(|hour| hour.poa_w_m2 >= 600.0 && !hour.fit).count();
    assert!(hidden(&perpendicular) > 0);
    assert_eq!(hidden(&chosen), 0);
}

/// Every point of the area is projected into every frame of the lines: each is seen, and on a line by as many frames as
/// the overlap promises.
#[test]
fn the_lines_cover_the_area() {
    let area = r#"{"type":"Polygon","coordinates":[[[11.6,48.1],[11.6012,48.1001],[11.6011,48.1006],[11.6005,48.1004],
        [11.6001,48.1007],[11.6,48.1]]]}"#;
    for (pitch, heading) in [(None, None), (Some(-90.0), Some(40.0)), (Some(-50.0), Some(0.0))] {
        let mut input = input("2026-06-21");
        input.camera.pitch_deg = pitch;
        input.camera.heading_deg = heading;
        let area = Area::parse(area, Path::new("area.geojson")).expect("an area");
        let (lat, lon) = area.centre();
        let plane = LocalPlane::new(lat, lon);
        let ring = area.local(&plane).remove(0);
        input.area = Some(area);
        let plan = made(&input);
        let lens = input.camera.lens();
        let to_camera = camera_to_enu(plan.heading_deg, plan.camera_pitch_deg, 0.0).transpose();
        let mut points = Vec::new();
        for k in 0..60 {
            for l in 0..60 {
                let p = [-60.0 + 2.0 * f64::from(k), -60.0 + 2.0 * f64::from(l)];
                if inside(&ring, p) {
                    points.push(p);
                }
            }
        }
        assert!(points.len() > 500);
        for p in points {
            let mut best_line = 0;
            for line in &plan.flight_lines {
                let [a, b] = line.ends.map(|[lon, lat]| plane.to_local(lat, lon));
                let mut seen = 0;
                for k in 0..line.frames {
                    let along = (plan.trigger_m * k as f64 / line.length_m.max(1e-9)).min(1.0);
                    let at = [a[0] + (b[0] - a[0]) * along, a[1] + (b[1] - a[1]) * along];
                    let sight = nalgebra::Vector3::new(p[0] - at[0], p[1] - at[1], -plan.height_above_modules_m);
                    let in_camera = to_camera * sight;
                    if in_camera.z > 0.0 {
                        let [x, y] = lens.pixel([in_camera.x / in_camera.z, in_camera.y / in_camera.z]);
                        seen += usize::from((0.0..=640.0).contains(&x) && (0.0..=512.0).contains(&y));
                    }
                }
                best_line = best_line.max(seen);
            }
            // At the end of a line half of the frames lie beyond it: 0.5 / (1 - 0.7) = 1.67, so at least one.
            assert!(best_line >= 1, "{pitch:?} {heading:?} {p:?}");
        }
    }
}

/// Even-odd rule.
fn inside(ring: &[[f64; 2]], p: [f64; 2]) -> bool {
    let crossed = |i: usize| {
        let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
        (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1])
    };
    (0..ring.len()).filter(|i| crossed(*i)).count() % 2 == 1
}

/// Fiji, across 180 deg: lines are cut there (RFC 7946, 3.1.9), no coordinate leaves the range, and KML is XML.
#[test]
fn lines_across_the_date_line() {
    let area = r#"{"type":"Feature","properties":null,"geometry":{"type":"Polygon","coordinates":
        [[[179.9995,-16.8],[-179.9995,-16.8],[-179.9995,-16.7995],[179.9995,-16.7995],[179.9995,-16.8]]]}}"#;
    let area = Area::parse(area, Path::new("area.geojson")).expect("an area");
    let (lat, lon) = area.centre();
    close(lat, -16.79975, 1e-9);
    assert!((lon.abs() - 180.0).abs() < 1e-9);
    let mut input = input("2026-06-21");
    input.place = Place { lat_deg: lat, lon_deg: lon, elevation_m: 0.0 };
    input.array.azimuth_deg = 0.0;
    input.area = Some(area);
    input.obstacles = vec![Obstacle { name: "mast <north> & wire".into(), lat, lon, height_m: 40.0 }];
    let plan = made(&input);
    // 0.001 deg of longitude at 16.8 deg south are about 106.6 m.
    close(plan.flight_lines[0].length_m, 106.6, 0.3);
    let text = plan.to_geojson().to_string();
    let read: geojson::GeoJson = text.parse().expect("GeoJSON");
    let geojson::GeoJson::FeatureCollection(all) = read else { panic!("no collection") };
    assert_eq!(all.features.len(), plan.lines + 1);
    assert!(text.contains("MultiLineString"), "{text}");
    let again = Area::parse(&text, Path::new("lines.geojson"));
    assert!(again.is_err(), "lines are no area");
    let kml = plan.to_kml();
    let xml = roxmltree::Document::parse(&kml).expect("KML is XML");
    let positions: Vec<f64> = xml
        .descendants()
        .filter(|node| node.has_tag_name(("http://www.opengis.net/kml/2.2", "coordinates")))
        .flat_map(|node| node.text().unwrap_or_default().split_whitespace())
        .map(|position| position.split(',').next().expect("a longitude").parse().expect("a number"))
        .collect();
    assert_eq!(positions.len(), 2 * plan.lines + 1);
    assert!(positions.iter().all(|lon| lon.abs() <= 180.0));
    assert!(kml.contains("mast &lt;north&gt; &amp; wire"));
    assert!(plan.cautions.iter().any(|caution| caution.contains("Lines pass within 10 m of: mast")));
    close(plan.clearance_height_m, 50.0, 1e-9);
    close(plan.return_height_m, 50.0, 1e-9);
}

#[test]
fn obstacles_are_read_or_refused() {
    let folder = std::env::temp_dir().join(format!("thermal-obstacles-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let read = |name: &str, text: &str| {
        let file = folder.join(name);
        std::fs::write(&file, text).expect("written");
        read_obstacles(file)
    };
    let all =
        read("good.csv", "name,lat,lon,height_m\n\"mast, north\",48.1,11.6,30\noak,48.2,11.7,12.5\n").expect("read");
    assert_eq!(all[0], Obstacle { name: "mast, north".into(), lat: 48.1, lon: 11.6, height_m: 30.0 });
    assert_eq!(all.len(), 2);
    for (text, part) in [
        ("name,lat,lon,height_m\nmast,48.1,,30\n", "line 2"),
        ("name,lat,lon,height_m\nmast,148.1,11.6,30\n", "line 2, column lat"),
        ("name,lat,lon,height_m\nmast,48.1,11.6\n", "line 2"),
        ("name,lat,lon\nmast,48.1,11.6\n", "height_m"),
    ] {
        let error = read("bad.csv", text).expect_err("refused").to_string();
        assert!(error.contains(part), "{text}: {error}");
    }
    std::fs::remove_dir_all(&folder).expect("removed");
}

/// Trackers: the angle of each hour is the tracker's own, and moves within the windows are told.
#[test]
fn trackers_are_told_with_their_moves() {
    let mut input = input("2026-04-11");
    input.array.mounting = Mounting::Tracker;
    let plan = made(&input);
    for hour in plan.hours.iter().filter(|hour| hour.sun_apparent_elevation_deg > 0.0) {
        let sun = crate::sun::Sun::at(hour.at, &input.place).expect("a position");
        let angle = input.tracker.angle_deg(&sun).expect("sun up");
        close(hour.tracker_deg.expect("a tracker"), angle, 0.001);
    }
    assert!(!plan.tracker_moves.is_empty());
    assert!(plan.cautions.iter().any(|caution| caution.contains("trackers turn")));
}

/// The outputs of a plan are whole: XML, no unfilled places, and the same bytes each time.
#[test]
fn chart_and_briefing_are_whole() {
    for (date, mounting) in
        [("2026-06-21", Mounting::Fixed), ("2026-04-11", Mounting::Tracker), ("2026-12-21", Mounting::DualTilt)]
    {
        let mut input = input(date);
        input.array.mounting = mounting;
        input.site = "Hill & <dale>".into();
        let plan = made(&input);
        let svg = plan.to_svg();
        roxmltree::Document::parse(&svg).expect("SVG is XML");
        let page = plan.to_briefing().expect("a page");
        assert!(page.contains("Hill &amp; &lt;dale&gt;") && !page.contains("{{") && !page.contains("NaN"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
        for word in ["Wind at most 28 km/h", "2/8", "second place to land", "inverters", "every 20 minutes"] {
            assert!(page.contains(word), "{word}");
        }
        let again = made(&input);
        assert_eq!((svg, page), (again.to_svg(), again.to_briefing().expect("a page")));
        assert_eq!(plan.to_text(), again.to_text());
    }
}

#[test]
fn inputs_that_no_plan_can_be_made_from() {
    type Change = fn(&mut PlanInput);
    let cases: [(Change, &str, &str); 13] = [
        (|i| i.place.lat_deg = 80.0, "date", "does not rise on 2026-12-21"),
        (|i| i.array.tilt_deg = 95.0, "tilt", "between 0 and 90"),
        (|i| i.array.azimuth_deg = 720.0, "azimuth", "between 0 and 360"),
        (|i| i.camera.focal_length_mm = 0.0, "focal length", "between 0.5 and 500"),
        (|i| i.camera.focal_length_mm = 1.0, "focal length", "take a lens of"),
        (|i| i.camera.focal_length_mm = f64::NAN, "focal length", "NaN"),
        (|i| i.camera.pitch_deg = Some(-4.0), "camera pitch", "too flat"),
        (|i| i.array.surface_above_takeoff_m = 119.0, "greatest height", "take off from"),
        (|i| i.dates[0] = i.dates[1].tomorrow().expect("a day"), "date", "lies before"),
        (|i| i.dates = ["2200-06-01".parse().expect("a date"); 2], "date", "1950 to 2100"),
        (|i| i.dates[1] = "2029-06-01".parse().expect("a date"), "date", "at most 366 days"),
        (|i| i.wanted.overlap_along = 1.0, "overlap along", "0.95"),
        (|i| i.flight.battery_min = 2.0, "minutes a battery", "more minutes"),
    ];
    for (change, name, part) in cases {
        let mut input = input("2026-12-21");
        change(&mut input);
        let error = plan(&input).expect_err(name).to_string();
        assert!(error.starts_with(name) && error.contains(part), "{error}");
    }
    // A sun that rises but never suffices is a table with a reason, not an error.
    let mut low = input("2026-12-21");
    low.array.tilt_deg = 0.0;
    let plan = made(&low);
    assert!(plan.days[0].windows.is_empty() && plan.days[0].reason.contains("limit 600"));
    assert!(plan.cautions[0].contains("the next day that reaches 600 W/m2 is 2027-"), "{}", plan.cautions[0]);
}

/// Any input gives a plan of finite figures or an error that names what to change.
#[test]
fn no_input_makes_a_figure_that_is_none() {
    let mut state = 1u64;
    let mut random = |low: f64, high: f64| {
        // Knuth's linear congruential generator; its upper bits are good enough to pick test cases.
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        low + (high - low) * ((state >> 11) as f64 / (1u64 << 53) as f64)
    };
    let (mut plans, mut errors) = (0, 0);
    for _ in 0..150 {
        let date = Date::new(2026, 1 + random(0.0, 11.99) as i8, 1 + random(0.0, 27.9) as i8).expect("a date");
        let place =
            Place { lat_deg: random(-90.0, 90.0), lon_deg: random(-180.0, 180.0), elevation_m: random(0.0, 4000.0) };
        let mut input = PlanInput::new(place, date, Offset::UTC);
        input.array.mounting = [Mounting::Fixed, Mounting::Tracker, Mounting::DualTilt][random(0.0, 2.99) as usize];
        input.array.tilt_deg = random(0.0, 91.0);
        input.array.azimuth_deg = random(0.0, 361.0);
        input.camera.focal_length_mm = random(3.0, 40.0);
        input.camera.k1 = random(-0.1, 0.1);
        input.camera.pitch_deg = (random(0.0, 1.0) < 0.3).then(|| random(-90.0, -10.0));
        input.camera.heading_deg = (random(0.0, 1.0) < 0.3).then(|| random(0.0, 360.0));
        input.wanted.gsd_m = random(0.005, 0.05);
        match plan(&input) {
            Ok(plan) => {
                plans += 1;
                let text = serde_json::to_string(&plan).expect("JSON");
                let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
                for (key, value) in value.as_object().expect("an object") {
                    // A figure that is not finite would be written as null.
                    assert!(!value.is_null() || key.starts_with("px_per_cell"), "{key}: {input:?}");
                }
                for hour in &plan.hours {
                    let figures = [hour.poa_w_m2, hour.incidence_deg, hour.view_angle_deg, hour.change_w_m2_per_min];
                    assert!(figures.iter().all(|v| v.is_finite()), "{hour:?}");
                    assert!(hour.glare_deg.is_none_or(|v| (0.0..=180.0).contains(&v)), "{hour:?}");
                }
                assert!(plan.max_speed_m_s > 0.0 && plan.trigger_m > 0.0 && plan.line_spacing_m > 0.0, "{input:?}");
                assert!(plan.to_briefing().is_ok() && !plan.to_svg().contains("NaN"));
            }
            Err(error) => {
                errors += 1;
                assert!(error.to_string().contains("; "), "no remedy: {error}");
            }
        }
    }
    assert!(plans > 60 && errors > 10, "{plans} {errors}");
}
