//! Outlines and medians of a drawn table against general-purpose libraries: scikit-image's contours and profiles, `SciPy`'s
//! medians and curve fit. `testdata/outline/make.py` draws the frame and writes what they find.
#![allow(missing_docs)]

use std::path::{Path, PathBuf};

use ndarray::Array2;
use thermal_core::finding::ModuleRecord;
use thermal_core::frame::{FrameSettings, analyse};
use thermal_core::optics::Lens;
use thermal_core::outline::LoggedPose;
use thermal_core::raster::{Limits, Pixels, read};
use thermal_core::settings::Settings;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/outline").join(name)
}

/// The numbers of a table of the reference, row by row.
fn rows(name: &str) -> Vec<Vec<f64>> {
    let mut reader = csv::Reader::from_path(data(name)).unwrap();
    reader.records().map(|r| r.unwrap().iter().map(|v| v.parse().unwrap()).collect()).collect()
}

/// The drawn frame, deg C.
fn frame() -> Array2<f32> {
    let Pixels::U16(counts) = read(&data("table.tif"), &Limits::default()).unwrap().pixels else { panic!("16 bits") };
    counts.mapv(|v| f32::from(v) * 0.01 - 273.15)
}

/// The modules of a frame by course and column, as the analysis finds them from a heading that is told half a degree wrong.
fn found(celsius: &Array2<f32>, heading_deg: f64) -> Vec<Vec<ModuleRecord>> {
    let mut settings = Settings::default();
    (settings.module.width_m, settings.module.length_m) = (1.04, 2.0);
    (settings.array.tilt_deg, settings.array.azimuth_deg, settings.array.modules_up) = (0.0, 180.0, 2);
    let lens = Lens { width: celsius.ncols(), height: celsius.nrows(), focal_px: 800.0, k1: 0.0 };
    let pose = LoggedPose { attitude_deg: Some([heading_deg + 0.5, -89.6, 0.3]), height_m: Some(20.3) };
    let modules = analyse("table.tif", celsius.view(), &lens, &pose, &FrameSettings::of(&settings)).modules;
    let mut courses = vec![Vec::new(), Vec::new()];
    for module in modules {
        courses[module.course as usize - 1].push(module);
    }
    for course in &mut courses {
        course.sort_by_key(|m| m.position);
    }
    assert_eq!(courses.iter().map(Vec::len).collect::<Vec<_>>(), [5, 5]);
    courses
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The contour halfway between soil and glass, cut into four straight lines: the corners where these cross. Two ways to
/// measure a blurred and noisy edge agree to a third of a pixel.
#[test]
fn the_corners_of_the_table_are_those_of_scikit_images_contour() {
    let courses = found(&frame(), 12.0);
    let ours = [courses[0][0].corners[0], courses[0][4].corners[1], courses[1][4].corners[2], courses[1][0].corners[3]];
    for row in rows("corners.csv") {
        let [k, x, y] = row[..] else { panic!("{row:?}") };
        let off = distance(ours[k as usize], [x, y]);
        assert!(off < 0.35, "corner {k}: {off} px from scikit-image's");
    }
}

/// A Gaussian fitted by `SciPy` to scikit-image's profile across each gap: the middle between the two modules' sides.
#[test]
fn the_gaps_between_modules_lie_where_a_fitted_profile_has_them() {
    let courses = found(&frame(), 12.0);
    for row in rows("lines.csv") {
        let [course, column, x, y] = row[..] else { panic!("{row:?}") };
        let (left, right) =
            (&courses[course as usize][column as usize], &courses[course as usize][column as usize + 1]);
        let middle = [0, 1]
            .map(|k| 0.25 * (left.corners[1][k] + left.corners[2][k] + right.corners[0][k] + right.corners[3][k]));
        let off = distance(middle, [x, y]);
        assert!(off < 0.2, "course {course}, right of column {column}: {off} px from the fitted profile");
    }
}

/// Medians over each module's pixels by `SciPy`, and over the row by `NumPy`: hot pixels, a warm third and a warm module do
/// not move them.
#[test]
fn the_medians_are_scipys() {
    let courses = found(&frame(), 12.0);
    for row in rows("modules.csv") {
        let [course, column, median_c, over_row_k] = row[..] else { panic!("{row:?}") };
        let module = &courses[course as usize][column as usize];
        let place = format!("course {course}, column {column}");
        assert!((module.t_median_c - median_c).abs() < 0.06, "{place}: {} against {median_c}", module.t_median_c);
        let off = module.delta_row_k - over_row_k;
        assert!(off.abs() < 0.08, "{place}: {} against {over_row_k}", module.delta_row_k);
    }
}

/// A frame that is shifted, mirrored or turned takes its outlines with it. `mirrored`: the columns
/// run the other way; `place`: where a pixel goes.
fn goes_with_it(changed: &Array2<f32>, heading_deg: f64, mirrored: bool, place: impl Fn([f64; 2]) -> [f64; 2]) {
    let (was, now) = (found(&frame(), 12.0), found(changed, heading_deg));
    for (course, modules) in was.iter().enumerate() {
        for (column, module) in modules.iter().enumerate() {
            let there = &now[course][if mirrored { 4 - column } else { column }];
            let to = module.corners.map(&place);
            for corner in to {
                let near = there.corners.iter().map(|c| distance(*c, corner)).fold(f64::INFINITY, f64::min);
                assert!(near < 0.15, "course {course}, column {column}: {near} px off");
            }
            assert_eq!(there.pattern, module.pattern, "course {course}, column {column}");
        }
    }
}

#[test]
fn outlines_go_with_a_shifted_mirrored_or_turned_frame() {
    let plain = frame();
    let (height, width) = plain.dim();
    // By whole pixels; what comes in at the edge is the soil of the other edge.
    let (right, down) = (9, 7);
    let shifted = Array2::from_shape_fn((height, width), |(y, x)| {
        plain[((y + height - down) % height, (x + width - right) % width)]
    });
    goes_with_it(&shifted, 12.0, false, |[x, y]| [x + right as f64, y + down as f64]);
    let mirrored = Array2::from_shape_fn((height, width), |(y, x)| plain[(y, width - 1 - x)]);
    goes_with_it(&mirrored, -12.0, true, |[x, y]| [width as f64 - x, y]);
    // A quarter turn clockwise: the camera's heading turns the other way.
    let turned = Array2::from_shape_fn((width, height), |(y, x)| plain[(height - 1 - x, y)]);
    goes_with_it(&turned, 12.0 - 90.0, false, |[x, y]| [height as f64 - y, x]);
}
