//! Merging: what several frames say of one module. Registrations here are written by hand.

use super::*;
use crate::finding::Flag;

/// One outline: asset, pattern, difference, confidence, whole.
type Word = (Option<u32>, Pattern, f32, f32, bool);

/// Frames of a row of unit modules; the camera steps 4 m east between frames.
fn told(frames: &[&[Word]]) -> (Vec<FrameOutlines>, Registration) {
    let lens = Lens::new(640, 512, 13.0, 12.0, 0.0);
    let mut outlines = Vec::new();
    let mut placed = Vec::new();
    for (f, words) in frames.iter().enumerate() {
        let seen = |w: &Word| Seen { pattern: w.1, delta_t_k: w.2, confidence: w.3, whole: w.4, ..Seen::default() };
        outlines.push(FrameOutlines {
            file: format!("{f}.tif"),
            captured_at: None,
            lens,
            pose: Pose::default(),
            blur_px: Some(1.0),
            modules: words.iter().map(seen).collect::<Vec<_>>().into(),
        });
        let place = |w: &Word| {
            let x = w.0.unwrap_or(50) as f32;
            Place {
                asset: w.0,
                other: None,
                stray: false,
                askew: false,
                confidence: 1.0,
                view_deg: 3.0 + f as f32,
                ground_m: [[x, 2.0], [x + 1.0, 2.0], [x + 1.0, 0.0], [x, 0.0]],
            }
        };
        placed.push(PlacedFrame {
            file: format!("{f}.tif"),
            shift_m: [0.0; 2],
            camera_m: [4.0 * f as f64, -10.0],
            bias_m: [0.0; 2],
            yaw_correction_deg: 0.0,
            height_m: 25.0,
            misfit_px: 0.4,
            confidence: 1.0,
            attitude_from_lattice: false,
            places: words.iter().map(place).collect::<Vec<_>>().into(),
        });
    }
    let mut registration = Registration::empty(LocalPlane::new(50.0, 8.0), Vec::new(), Vec::new());
    registration.frames = placed;
    (outlines, registration)
}

/// Changes the place of a frame's first outline.
fn change(registration: &mut Registration, frame: usize, by: impl FnOnce(&mut Place)) {
    let places = &mut registration.frames[frame].places;
    let mut changed = places.read().unwrap();
    by(&mut changed[0]);
    *places = changed.into();
}

fn merged(frames: &[&[Word]]) -> Vec<MergedModule> {
    let (outlines, registration) = told(frames);
    merge(&outlines, &registration).unwrap()
}

const SOUND: Word = (Some(0), Pattern::None, 0.0, 0.9, true);
const CELL: Word = (Some(0), Pattern::Cell, 8.0, 0.9, true);

#[test]
fn frames_that_agree_give_one_finding_with_their_median() {
    let m = merged(&[
        &[CELL],
        &[(Some(0), Pattern::Cell, 9.0, 0.9, true)],
        &[(Some(0), Pattern::Hotspot, 10.0, 0.6, true)],
    ]);
    assert_eq!(m.len(), 1);
    assert_eq!((m[0].pattern, m[0].frames_seen, m[0].frames_confirmed), (Pattern::Cell, 3, 3));
    // The two frames that say "cell": 8 and 9 K; scaled median absolute deviation 1.4826 * 0.5.
    assert!((m[0].delta_t_k - 8.5).abs() < 1e-9 && (m[0].delta_t_spread_k - 0.7413).abs() < 1e-9, "{:?}", m[0]);
    assert!(m[0].flags.is_empty());
    // The first frame looks the most perpendicular.
    assert_eq!(m[0].best, Sight { frame: 0, module: 0 });
    assert!(m[0].confidence > 0.9);
}

#[test]
fn a_lone_alarm_among_many_frames_does_not_stand() {
    let m = merged(&[&[SOUND], &[SOUND], &[CELL], &[SOUND]]);
    assert_eq!((m[0].pattern, m[0].frames_seen, m[0].frames_confirmed), (Pattern::None, 4, 1));
    assert_eq!(m[0].delta_t_k, 0.0);
}

#[test]
fn half_the_frames_stand_but_are_contradicted() {
    let m = merged(&[&[SOUND], &[CELL], &[CELL], &[SOUND]]);
    assert_eq!(m[0].pattern, Pattern::Cell);
    assert_eq!(m[0].flags, vec![Flag::Contradicted]);
    assert!(m[0].confidence < 0.6);
}

#[test]
fn one_frame_is_said_and_a_cut_outline_counts_only_alone() {
    let cut = (Some(0), Pattern::Cell, 30.0, 0.9, false);
    let m = merged(&[&[CELL], &[cut]]);
    assert_eq!((m[0].frames_seen, m[0].delta_t_k), (1, 8.0));
    assert_eq!(m[0].flags, vec![Flag::OneFrame]);
    let m = merged(&[&[cut]]);
    assert!(m[0].flags.contains(&Flag::Cut) && m[0].flags.contains(&Flag::OneFrame));
}

#[test]
fn frames_that_prove_the_place_outvote_those_that_do_not() {
    let (outlines, mut registration) = told(&[&[SOUND], &[CELL], &[CELL]]);
    for f in 1..3 {
        change(&mut registration, f, |place| (place.other, place.confidence) = (Some(1), 0.9));
    }
    let m = merge(&outlines, &registration).unwrap();
    assert_eq!((m[0].pattern, m[0].frames_seen, m[0].other), (Pattern::None, 1, None));
    change(&mut registration, 0, |place| place.other = Some(1));
    let m = merge(&outlines, &registration).unwrap();
    assert_eq!((m[0].pattern, m[0].other), (Pattern::Cell, Some(1)));
    assert!(m[0].flags.contains(&Flag::AmbiguousPlace));
}

/// What lies across modules of the plant is a misread outline, not a module.
#[test]
fn stray_outlines_make_no_finding() {
    let (outlines, mut registration) = told(&[&[(None, Pattern::Cell, 20.0, 0.9, true), SOUND]]);
    change(&mut registration, 0, |place| place.stray = true);
    let m = merge(&outlines, &registration).unwrap();
    assert_eq!(m.iter().map(|m| m.asset).collect::<Vec<_>>(), [Some(0)]);
}

/// A lattice misread where the frame cuts it counts as little as a cut outline.
#[test]
fn askew_outlines_count_as_cut() {
    let (outlines, mut registration) = told(&[&[CELL], &[SOUND]]);
    change(&mut registration, 0, |place| place.askew = true);
    let m = merge(&outlines, &registration).unwrap();
    assert_eq!((m[0].pattern, m[0].frames_seen), (Pattern::None, 1));
    change(&mut registration, 1, |place| place.askew = true);
    assert!(merge(&outlines, &registration).unwrap()[0].flags.contains(&Flag::Cut));
}

#[test]
fn nameless_outlines_are_joined_by_their_place() {
    let lost = (None, Pattern::Module, 6.0, 0.9, true);
    let m = merged(&[&[lost], &[lost]]);
    assert_eq!((m.len(), m[0].asset, m[0].frames_seen), (1, None, 2));
}

/// The sun's image stands 10 m before the camera in every frame, each time on another module.
#[test]
fn a_spot_that_travels_with_the_camera_is_suspect() {
    let words: Vec<Vec<Word>> = (0..3)
        .map(|f| {
            (0..12)
                .map(|a| {
                    if a == 4 * f {
                        (Some(a), Pattern::Hotspot, 6.0, 0.8, true)
                    } else {
                        (Some(a), Pattern::None, 0.0, 0.9, true)
                    }
                })
                .collect()
        })
        .collect();
    let frames: Vec<&[Word]> = words.iter().map(Vec::as_slice).collect();
    let (mut outlines, registration) = told(&frames);
    for f in &mut outlines {
        let mut modules = f.modules.read().unwrap();
        for m in &mut modules {
            m.spot = (m.pattern == Pattern::Hotspot).then_some([0.5, 0.5]);
        }
        f.modules = modules.into();
    }
    let m = merge(&outlines, &registration).unwrap();
    let suspect: Vec<Option<u32>> =
        m.iter().filter(|m| m.flags.contains(&Flag::ReflectionSuspect)).map(|m| m.asset).collect();
    assert_eq!(suspect, vec![Some(0), Some(4), Some(8)]);
}
