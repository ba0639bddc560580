use std::path::Path;

use super::*;
use crate::scene::{self, Spec, spec};
use crate::settings::{Mounting, Orientation};

/// A flight over a plant as a new user has it: no `inspection.toml`.
fn flight(change: impl FnOnce(&mut Spec)) -> (tempfile::TempDir, Settings) {
    let mut spec = scene::demo_spec();
    spec.flight.frames = 3;
    change(&mut spec);
    let folder = tempfile::tempdir().unwrap();
    scene::render(&spec, folder.path()).unwrap();
    let toml = folder.path().join("inspection.toml");
    let drawn = Settings::read(&toml).unwrap();
    std::fs::remove_file(toml).unwrap();
    std::fs::remove_file(folder.path().join("irradiance.csv")).unwrap();
    (folder, drawn)
}

fn found(folder: &Path) -> (Survey, Settings) {
    let survey = survey(folder).unwrap();
    let settings = Settings::parse(Path::new("inspection.toml"), &survey.toml()).unwrap();
    (survey, settings)
}

fn sure(survey: &Survey, key: &str) -> Sure {
    survey.entries.iter().find(|e| e.key == key).unwrap().sure
}

fn assert_size(said: &Settings, drawn: &Settings, tolerance: f64) {
    for (said, drawn) in [(said.module.width_m, drawn.module.width_m), (said.module.length_m, drawn.module.length_m)] {
        assert!((said / drawn - 1.0).abs() < tolerance, "{said} m for {drawn} m");
    }
}

/// The renderer's plant is the truth: nothing of the analysis is used to draw it.
#[test]
fn a_plant_with_a_layout_is_described_as_it_was_drawn() {
    let (folder, drawn) = flight(|_| {});
    let (survey, said) = found(folder.path());
    assert_eq!(said.radiometry.as_ref().map(|r| (r.encoding, r.scale)), Some((Encoding::Linear, 0.01)));
    assert_eq!(said.camera.focal_length_mm, drawn.camera.focal_length_mm);
    assert_eq!((said.module.orientation, said.array.modules_up), (drawn.module.orientation, drawn.array.modules_up));
    assert_eq!(said.array.mounting, drawn.array.mounting);
    assert!((said.array.tilt_deg - drawn.array.tilt_deg).abs() <= 3.0, "{}", said.array.tilt_deg);
    assert!((said.array.azimuth_deg - drawn.array.azimuth_deg).abs() <= 1.0, "{}", said.array.azimuth_deg);
    assert_size(&said, &drawn, 0.05);
    assert_eq!(sure(&survey, "camera.focal_length_mm"), Sure::Known);
    assert_eq!(sure(&survey, "module.width_m"), Sure::Measured);
    assert_eq!(sure(&survey, "module.cells"), Sure::Assumed);
    assert_eq!(survey.open().count(), 0);
}

#[test]
fn without_a_layout_the_size_comes_from_the_lattice_and_the_height() {
    let (folder, drawn) = flight(|_| {});
    std::fs::remove_file(folder.path().join("layout.geojson")).unwrap();
    let (_, said) = found(folder.path());
    assert_eq!((said.module.orientation, said.array.modules_up), (drawn.module.orientation, drawn.array.modules_up));
    assert_size(&said, &drawn, 0.05);
}

#[test]
fn landscape_rows_of_four_courses_are_told_from_portrait_rows_of_two() {
    let (folder, drawn) = flight(|s| {
        s.plant = spec::Plant { courses: 4, portrait: false, across: 8, row_pitch_m: 8.5, ..spec::Plant::default() };
        s.plant.rows = 2;
    });
    std::fs::remove_file(folder.path().join("layout.geojson")).unwrap();
    let (_, said) = found(folder.path());
    assert_eq!((said.module.orientation, said.array.modules_up), (Orientation::Landscape, 4));
    assert_size(&said, &drawn, 0.05);
}

#[test]
fn rows_back_to_back_are_seen_in_the_layout() {
    let (folder, drawn) = flight(|s| {
        let (name, dual) = scene::range_specs(1).into_iter().find(|(name, _)| name == "roof-dual-tilt").unwrap();
        *s = Spec { flight: spec::Flight { frames: 3, ..dual.flight.clone() }, ..dual };
        s.name = name;
    });
    let (_, said) = found(folder.path());
    assert_eq!(said.array.mounting, Mounting::DualTilt);
    assert_eq!((said.module.orientation, said.array.modules_up), (drawn.module.orientation, drawn.array.modules_up));
    assert_size(&said, &drawn, 0.05);
}

#[test]
fn encodings_are_told_by_type_and_value_and_never_guessed_from_raw_counts() {
    for (encoding, said) in [
        (spec::Encoding::Celsius, Some("\"celsius\"")),
        (spec::Encoding::Kelvin, Some("\"kelvin\"")),
        (spec::Encoding::Centikelvin, Some("\"linear\"")),
        // Raw counts of a 14-bit detector.
        (spec::Encoding::Planck { r: 15_000.0, b: 1430.0, f: 1.0, o: 3000.0 }, None),
    ] {
        let (folder, _) = flight(|s| {
            s.storage.encoding = encoding;
            s.flight.frames = 1;
        });
        let survey = survey(folder.path()).unwrap();
        let entry = survey.entries.iter().find(|e| e.key == "radiometry.encoding").unwrap();
        assert_eq!(entry.value, said.unwrap_or("\"?\""), "{encoding:?}");
        if said.is_none() {
            let text = survey.toml();
            let error = Settings::parse(Path::new("inspection.toml"), &text).unwrap_err().to_string();
            assert!(
                error.contains("radiometry.encoding: this value is still to be filled in; in the place of"),
                "{error}"
            );
        }
    }
}

#[test]
fn answers_are_checked_and_what_is_written_is_never_overwritten() {
    let (folder, _) = flight(|s| s.flight.frames = 1);
    let mut survey = survey(folder.path()).unwrap();
    survey.answer("module.cells", "[6, 24]").unwrap();
    survey.answer("camera.pixel_pitch_um", "17").unwrap();
    let refused = survey.answer("camera.pixel_pitch_um", "0.017").unwrap_err().to_string();
    assert!(refused.contains("if 0.017 is in millimetres, write 17"), "{refused}");
    let written = survey.write().unwrap();
    assert_eq!(written.len(), 2);
    let said = Settings::read(&written[0]).unwrap();
    assert_eq!((said.module.cells, said.camera.pixel_pitch_um), ([6, 24], 17.0));
    let before = std::fs::read(&written[0]).unwrap();
    assert!(survey.write().is_err());
    assert_eq!(std::fs::read(&written[0]).unwrap(), before);
    let again = super::survey(folder.path()).unwrap_err().to_string();
    assert!(again.contains("it is there already; it is never overwritten"), "{again}");
    // The template tells what is to be done where it is left as it is.
    let log = crate::irradiance::Log::read(&written[1], None).unwrap_err().to_string();
    assert!(log.contains("holds a reading yet; write the meter's readings into it, or remove the file"), "{log}");
}

#[test]
fn readings_are_due_before_the_first_frame_and_after_the_last_and_never_far_apart() {
    let time = |text: &str| text.parse::<Timestamp>().unwrap();
    let survey = Survey {
        folder: PathBuf::from("flight"),
        frames: 2,
        entries: Vec::new(),
        times: Some((time("2026-06-18T10:02:10Z"), time("2026-06-18T10:31:00Z"))),
        offset: Offset::from_seconds(7200).ok(),
        notes: Vec::new(),
    };
    let due = survey.readings_due();
    assert!(due[0] < time("2026-06-18T10:02:10Z") && *due.last().unwrap() > time("2026-06-18T10:31:00Z"));
    assert!(due.windows(2).all(|pair| pair[0].duration_until(pair[1]).as_secs() <= 900));
    assert!(survey.irradiance_csv().unwrap().contains("2026-06-18T11:57:00+02:00,,,,\n"));
}

#[test]
fn each_bad_folder_is_one_sentence_that_tells_the_next_step() {
    let error = |folder: &Path| {
        let error = survey(folder).unwrap_err().to_string();
        assert!(!error.contains('\n'), "{error}");
        error
    };
    let folder = tempfile::tempdir().unwrap();
    assert!(error(&folder.path().join("nowhere")).contains("there is no such folder; give the folder"));
    assert!(error(folder.path()).contains("copy the radiometric frames"));
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    assert!(error(folder.path()).contains("copy the radiometric frames there"));
    std::fs::write(frames.join("a.jpg"), [0xFF, 0xD8]).unwrap();
    assert!(error(folder.path()).contains("it holds pictures (*.jpg, 1 of them) and no *.tif"));
    let (other, _) = flight(|s| {
        s.flight.frames = 1;
        s.camera = spec::Camera { width: 320, height: 256, focal_mm: 9.0, ..s.camera.clone() };
    });
    std::fs::copy(other.path().join("frames/frame_0001.tif"), frames.join("b.tif")).unwrap();
    let (other, _) = flight(|s| s.flight.frames = 1);
    std::fs::copy(other.path().join("frames/frame_0001.tif"), frames.join("c.tif")).unwrap();
    let two = error(folder.path());
    assert!(two.contains("frames of 2 cameras or settings") && two.contains("into a folder of its own"), "{two}");
}
