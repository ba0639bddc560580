use ab_glyph::{Font, FontRef};
use image::RgbImage;
use ndarray::Array2;

use super::letters::{BOLD, REGULAR};
use super::palette::Palette;
use super::*;
use crate::finding::{FLAGS, ModuleRecord, Pattern};

/// A frame of 50 deg C with a module of 52 deg C whose pixels are `x0..x1`, `y0..y1`.
fn frame(x0: usize, x1: usize, y0: usize, y1: usize) -> Array2<f32> {
    Array2::from_shape_fn((256, 320), |(y, x)| if (x0..x1).contains(&x) && (y0..y1).contains(&y) { 52.0 } else { 50.0 })
}

fn rectangle(x0: f64, x1: f64, y0: f64, y1: f64) -> [[f64; 2]; 4] {
    [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
}

fn finding(corners: [[f64; 2]; 4], pattern: Pattern) -> Finding {
    Finding {
        finding: "F0001".to_owned(),
        module: ModuleRecord {
            frame: "f_0001.tif".into(),
            corners,
            pattern,
            delta_t_k: 14.5,
            t_max_c: 66.5,
            t_median_c: 52.0,
            row_median_c: f64::NAN,
            confidence: 0.9,
            ..ModuleRecord::default()
        },
        ..Finding::default()
    }
}

fn draw(celsius: &Array2<f32>, finding: &Finding, neighbours: &[[[f64; 2]; 4]]) -> Result<Picture> {
    render(&celsius.view(), finding, neighbours, &Settings::default(), &Style::default())
}

/// A colour of the pictures.
fn rgb(index: u8) -> [u8; 3] {
    Palette::of(ColourMap::default()).colours[usize::from(index)]
}

/// The columns of the picture's line `y` whose pixels are `colour`.
fn columns(picture: &RgbImage, y: u32, colour: [u8; 3], within: std::ops::Range<u32>) -> Vec<u32> {
    within.filter(|x| picture.get_pixel(*x, y).0 == colour).collect()
}

#[test]
fn the_row_s_upper_edge_is_up_however_the_camera_was_held() {
    let mut celsius = frame(100, 140, 60, 140);
    // A spot near the lower right corner of the frame's module ...
    (124..130).for_each(|y| (128..132).for_each(|x| celsius[[y, x]] = 66.0));
    let [ul, ur, lr, ll] = rectangle(100.0, 140.0, 60.0, 140.0);
    for (corners, right, below) in [
        ([ul, ur, lr, ll], true, true),
        // ... is near the upper left one of a camera that flew upside down, and so on by quarter turns.
        ([lr, ll, ul, ur], false, false),
        ([ur, lr, ll, ul], true, false),
        ([ll, ul, ur, lr], false, true),
    ] {
        let finding = finding(corners, Pattern::Cell);
        let view = View::around(&celsius.view(), &finding, PANEL).unwrap();
        let (at, _) = view.hottest().unwrap();
        let middle = [f64::from(PANEL.x + PANEL.width / 2), f64::from(PANEL.y + PANEL.height / 2)];
        assert_eq!((at[0] > middle[0], at[1] > middle[1]), (right, below));
        // It is ringed where the frame has it.
        let [x, y] = view.to_picture([130.0, 127.0]);
        assert!((at[0] - x).hypot(at[1] - y) < 4.0, "{at:?} {x} {y}");
    }
}

#[test]
fn between_pixels_a_parabola_is_met_exactly() {
    // Keys (1981), "Cubic convolution interpolation for digital image processing": with a = -1/2 the interpolation of
    // a second-degree polynomial is exact. Pixel (i, j) has its centre at (j + 0.5, i + 0.5).
    let surface = |x: f64, y: f64| 40.0 + 0.02 * x * x - 0.01 * y * y + 0.03 * x * y;
    let celsius = Array2::from_shape_fn((60, 80), |(i, j)| surface(j as f64 + 0.5, i as f64 + 0.5) as f32);
    let finding = finding(rectangle(20.0, 40.0, 10.0, 50.0), Pattern::Module);
    let view = View::around(&celsius.view(), &finding, PANEL).unwrap();
    for [x, y] in [[20.5, 20.5], [33.1, 25.7], [50.99, 11.01], [2.5, 57.5]] {
        let t = view.temperature([x, y]).unwrap();
        // Single precision of values of some 100 deg C and of their weights.
        assert!((t - surface(x, y)).abs() < 1e-4, "{x} {y}: {t}");
    }
    assert_eq!(view.temperature([80.0, 10.0]), None);
    assert_eq!(view.temperature([10.0, -0.001]), None);
}

#[test]
fn the_length_scale_agrees_with_the_outline() {
    // A module of 1.04 m by 2 m, seen as 52 px by 100 px: 50 px a metre, and the picture's zoom on top.
    let finding = finding(rectangle(100.0, 152.0, 60.0, 160.0), Pattern::Module);
    let picture = draw(&frame(100, 152, 60, 160), &finding, &[]).unwrap().to_rgb();
    let middle = PANEL.y + PANEL.height / 2;
    let white = columns(&picture, middle, [255; 3], PANEL.x..PANEL.right());
    let (left, right) = (white[0], *white.last().unwrap());
    // Between the middles of the two heavy lines, which are as wide as each other.
    let lines = white.windows(2).filter(|pair| pair[1] - pair[0] > 10).count();
    assert_eq!(lines, 1, "{white:?}");
    let line_width = white.len() as f64 / 2.0;
    let module_px = f64::from(right + 1 - left) - line_width;
    let bar = columns(&picture, PANEL.bottom() + 26, rgb(INK), PANEL.x..PANEL.right());
    let bar_px = bar.iter().zip(PANEL.x..).take_while(|(a, b)| *a == b).count() as f64;
    assert!((module_px / bar_px - 1.04).abs() < 0.02, "{module_px} {bar_px}");
}

#[test]
fn the_module_is_no_neighbour_of_itself() {
    // A frame's outlines hold that of the finding, too.
    let own = rectangle(100.0, 140.0, 60.0, 140.0);
    let finding = finding(own, Pattern::Module);
    let view = View::around(&frame(100, 140, 60, 140).view(), &finding, PANEL).unwrap();
    let (module, around) = view.samples(&[own, rectangle(142.0, 182.0, 60.0, 140.0)]);
    assert!(module.len() > 2000 && module.iter().all(|t| (*t - 52.0).abs() < 1e-4));
    assert!(around.len() > 500 && around.iter().all(|t| (*t - 50.0).abs() < 1e-4));
}

#[test]
fn the_colours_of_the_bar_are_those_of_the_picture() {
    let finding = finding(rectangle(100.0, 140.0, 60.0, 140.0), Pattern::Module);
    let celsius = frame(80, 160, 40, 160);
    let picture = draw(&celsius, &finding, &[]).unwrap().to_rgb();
    let module = picture.get_pixel(PANEL.x + PANEL.width / 2, PANEL.y + PANEL.height / 2).0;
    let view = View::around(&celsius.view(), &finding, PANEL).unwrap();
    let scale = Scale::fit(&view, &[]);
    let share = (scale.high - 52.0) / (scale.high - scale.low);
    let y = BAR.y + (share * f64::from(BAR.height)) as u32;
    let bar = picture.get_pixel(BAR.x + 3, y).0;
    // One line of the bar is a step of the colours.
    assert!(module.iter().zip(bar).all(|(a, b)| a.abs_diff(b) <= 3), "{module:?} {bar:?}");
}

#[test]
fn colour_maps_grow_lighter_with_temperature() {
    // CIE 1976 lightness of sRGB (IEC 61966-2-1, CIE 15): a uniform map's grows all along, so that it also serves in
    // grey and for colour-blind readers.
    let lightness = |rgb: [u8; 3]| {
        let linear = rgb.map(|c| {
            let c = f64::from(c) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        });
        let y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
        if y > 0.008_856 { 116.0 * y.cbrt() - 16.0 } else { 903.3 * y }
    };
    for map in [ColourMap::Inferno, ColourMap::Magma, ColourMap::Viridis, ColourMap::Cividis] {
        let steps: Vec<_> = (0..=32).map(|i| lightness(map.at(f64::from(i) / 32.0))).collect();
        assert!(steps.windows(2).all(|pair| pair[1] > pair[0]), "{map:?}: {steps:?}");
        assert!(steps[32] - steps[0] > 70.0, "{map:?}");
    }
    // The ends of inferno as its authors published them, (0.001462, 0.000466, 0.013866) and (0.988362, 0.998364,
    // 0.644924), in steps of 1/255.
    assert_eq!(ColourMap::Inferno.at(0.0), [0, 0, 4]);
    assert_eq!(ColourMap::Inferno.at(1.0), [252, 255, 164]);
}

#[test]
fn the_fonts_hold_all_that_is_written() {
    let everything = FLAGS
        .iter()
        .map(|info| info.short)
        .chain(["0123456789.,;:/()%", "\u{b0}C W/m\u{b2} \u{2212}\u{b7}\u{2026}\u{2019}"]);
    let names = ["Łódź Çeşme Ågård Über straße", "Αθήνα", "Київ Ростов"];
    for bytes in [REGULAR, BOLD] {
        let font = FontRef::try_from_slice(bytes).unwrap();
        for letter in everything.clone().chain(names).flat_map(str::chars) {
            assert_ne!(font.glyph_id(letter).0, 0, "{letter:?} {}", letter.escape_unicode());
        }
    }
}

#[test]
fn explaining_text_has_the_contrast_of_the_guidelines() {
    // WCAG 2.2, relative luminance and contrast ratio; 1.4.6 asks 7:1.
    let luminance = |rgb: [u8; 3]| {
        let linear = rgb.map(|c| {
            let c = f64::from(c) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        });
        0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    };
    for colour in [INK, QUIET] {
        assert!(1.05 / (luminance(rgb(colour)) + 0.05) >= 7.0);
    }
}

#[test]
fn corners_that_enclose_nothing_are_refused() {
    let celsius = frame(100, 140, 60, 140);
    for corners in [
        [[f64::NAN; 2]; 4],
        [[120.0, 100.0]; 4],
        rectangle(100.0, 140.0, 100.0, 100.1),
        rectangle(400.0, 440.0, 60.0, 140.0),
        rectangle(-1e9, 1e9, -1e9, 1e9),
    ] {
        let message = draw(&celsius, &finding(corners, Pattern::Cell), &[]).unwrap_err().to_string();
        assert!(message.starts_with("module.corners: ") && message.contains("; "), "{message}");
    }
    let empty = Array2::zeros((0, 0));
    assert!(draw(&empty, &finding(rectangle(0.0, 1.0, 0.0, 1.0), Pattern::Cell), &[]).is_err());
}

#[test]
fn odd_input_still_gives_a_picture_and_always_the_same() {
    let celsius = frame(100, 140, 60, 140);
    let mut odd = finding(rectangle(100.0, 140.0, 60.0, 140.0), Pattern::Hotspot);
    odd.module.flags = FLAGS.iter().map(|info| info.flag).collect();
    odd.module.asset_id = "a very long identity ".repeat(50);
    odd.module.frame = "no-blank-to-break-at".repeat(30).into();
    odd.finding = "F\n0001\u{7}\u{1f600}".repeat(40);
    odd.module.part = "4/2".to_owned();
    odd.captured_at = Some("2025\u{e9}T1\u{20ac}".to_owned());
    odd.module.t_max_c = f64::INFINITY;
    odd.severity = "grave ".repeat(20);
    (odd.frames_seen, odd.loss_w, odd.irradiance_age_s) = (3, Some(1e9), Some(1e9));
    (odd.module.area_fraction, odd.irradiance_w_m2) = (0.5, Some(800.0));
    odd.module.delta_t_k = f64::NAN;
    odd.lat = Some(f64::NAN);
    odd.lon = Some(-200.0);
    let neighbours = [
        [[f64::NAN; 2]; 4],
        [[f64::INFINITY; 2]; 4],
        rectangle(-1e300, 1e300, -1e300, 1e300),
        rectangle(142.0, 182.0, 60.0, 140.0),
        [[142.0, 60.0]; 4],
    ];
    let picture = draw(&celsius, &odd, &neighbours).unwrap();
    assert_eq!(picture.png().unwrap(), draw(&celsius, &odd, &neighbours).unwrap().png().unwrap());
    let picture = picture.to_rgb();
    assert!(picture.width() == WIDTH && picture.height() > HEIGHT && picture.height() < 2 * HEIGHT);
    // What is written stays clear of the page's edges.
    let blank = |x: u32| (0..picture.height()).all(|y| picture.get_pixel(x, y).0 == [255; 3]);
    assert!((0..MARGIN as u32 - 4).chain(WIDTH - MARGIN as u32 + 4..WIDTH).all(blank));
    assert!(
        (picture.height() - 10..picture.height()).all(|y| (0..WIDTH).all(|x| picture.get_pixel(x, y).0 == [255; 3]))
    );
    // A frame without a single value, one of a single pixel, one of all the same value.
    for celsius in [Array2::from_elem((256, 320), f32::NAN), frame(0, 0, 0, 0)] {
        draw(&celsius, &odd, &neighbours).unwrap();
    }
    let one = finding(rectangle(0.0, 1.0, 0.0, 1.0), Pattern::Cell);
    draw(&Array2::from_elem((1, 1), 20.0), &one, &[]).unwrap();
    let huge = Array2::from_elem((256, 320), f32::MAX);
    draw(&huge, &odd, &[]).unwrap();
}

#[test]
fn figures_are_said_in_words() {
    let mut finding = finding(rectangle(0.0, 1.0, 0.0, 2.0), Pattern::Cell);
    finding.module.part = "4/2".to_owned();
    finding.module.delta_t_k = -0.5;
    finding.irradiance_w_m2 = Some(899.6);
    finding.irradiance_age_s = Some(610.0);
    finding.captured_at = Some("2025-06-14T12:03:04.25-02:00".to_owned());
    (finding.frames_seen, finding.frames_confirmed) = (1, 1);
    (finding.lat, finding.lon) = (Some(-33.5), Some(-70.25));
    let value = |label: &str| figures(&finding).into_iter().find(|f| f.label == label).map(|f| f.value);
    for (label, words) in [
        ("Where", Some("cell in column 4, line 2, from the upper left")),
        ("Hottest part", Some("66.5 \u{b0}C")),
        ("Row", None),
        ("Irradiance", Some("900 W/m\u{b2} (10 min from a reading)")),
        ("Captured", Some("2025-06-14 12:03:04 (UTC\u{2212}02:00)")),
        ("Confirmed", Some("in 1 of 1 frame that shows it whole")),
        ("Position", Some("33.500000\u{b0} S, 70.250000\u{b0} W")),
        ("Cautions", None),
    ] {
        assert_eq!(value(label).as_deref(), words, "{label}");
    }
    let mut several = finding.clone();
    several.module.part = "5/12 3/21".to_owned();
    let place = figures(&several).into_iter().find(|f| f.label == "Where").unwrap().value;
    assert_eq!(place, "cells in column 5, line 12; column 3, line 21, from the upper left");
    let headline = super::figures::headline(&finding);
    assert_eq!(headline.len(), 1);
    assert_eq!(headline[0].0, "\u{2212}0.5 K");
    assert_eq!(headline[0].1, "hotter than the rest of the module, at 900 W/m\u{b2}");
}
