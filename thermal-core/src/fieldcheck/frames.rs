//! The verdict on each frame: by itself, against the others, and by how it looked at the modules.

use std::collections::BTreeMap;

use super::{Card, Frame, Looked};
use crate::Result;
use crate::optics::Lens;
use crate::quality::{CameraAt, Code, Limits, MAP_COLUMNS, MAP_ROWS, PixelMeasures, Reason};
use crate::site::LocalPlane;
use crate::sun::{Place, Plane, Sun};

/// Fewest frames among which a spot that stays in its place means something.
const LEAST_FOR_GLARE: usize = 6;
/// Errors of the mean by which the rise must be over the limit: among some hundred places three would come by chance.
const ERRORS: f64 = 4.0;
/// Distances over which a spot is compared with its surroundings, blocks of the small picture.
const AROUND: [i64; 2] = [3, 4];

/// Puts together what is known of each frame, in order of time; those without a time stand last, by name.
pub(super) fn gather<'a>(card: &Card, looked: &'a [Looked], plane: Option<&LocalPlane>) -> Vec<Frame<'a>> {
    let mut frames: Vec<Frame> = looked
        .iter()
        .map(|looked| {
            let capture = card.capture(looked);
            let camera = plane.and_then(|plane| camera(card, looked, &capture, plane));
            let footprint = camera.as_ref().and_then(CameraAt::footprint);
            Frame { looked, capture, camera, footprint, reasons: looked.fault().into_iter().collect() }
        })
        .collect();
    frames.sort_by(|a, b| {
        let key = |f: &Frame| (f.capture.captured_at.is_none(), f.capture.captured_at);
        key(a).cmp(&key(b)).then_with(|| a.file().cmp(b.file()))
    });
    frames
}

fn camera(card: &Card, looked: &Looked, capture: &crate::capture::Capture, plane: &LocalPlane) -> Option<CameraAt> {
    let (lat, lon) = capture.position()?;
    let [east, north] = plane.to_local(lat, lon);
    let focal_mm = card.settings.camera.focal_length_mm.or(capture.focal_length_mm)?;
    // A frame that could not be read had most likely the size of the others.
    let [width, height] = looked.measures().map_or([640, 512], |m| m.size);
    let lens = Lens::new(width, height, focal_mm, card.settings.camera.pixel_pitch_um, card.settings.camera.k1);
    Some(CameraAt::new(lens, [east, north, card.height_m(capture)?], capture.attitude_deg()?))
}

/// Adds to each frame why it is not fit.
pub(super) fn judge(card: &Card, frames: &mut [Frame], limits: &Limits, notes: &mut Vec<String>) -> Result<()> {
    for frame in frames.iter_mut() {
        if let Some(measures) = frame.looked.measures() {
            frame.reasons.extend(measures.reasons(limits));
        }
    }
    duplicates(frames);
    settings(frames);
    places(frames, notes);
    for frame in frames.iter_mut() {
        if let Some(camera) = &frame.camera {
            let reasons = camera.reasons(&card.settings, card.surface_m(), limits);
            frame.reasons.extend(reasons);
        }
        if let Some(reason) = glare_predicted(card, frame, limits)? {
            frame.reasons.push(reason);
        }
    }
    glare_seen(frames, limits);
    Ok(())
}

fn duplicates(frames: &mut [Frame]) {
    let mut first: BTreeMap<u64, String> = BTreeMap::new();
    for frame in frames.iter_mut() {
        let Some(digest) = frame.looked.measures().map(|m| m.digest) else { continue };
        match first.get(&digest) {
            Some(name) => {
                let text = format!("pixel for pixel the same as {name}: copied twice, or the camera hung");
                frame.reasons.push(Reason::plain(Code::Duplicate, text));
            }
            None => {
                first.insert(digest, frame.file().to_owned());
            }
        }
    }
}

/// What must be the same over a flight, in words.
fn setting(frame: &Frame, measures: &PixelMeasures) -> [String; 5] {
    let number = |value: Option<f64>| value.map_or_else(|| "not told".to_owned(), |v| format!("{v}"));
    [
        format!("{} x {} px", measures.size[0], measures.size[1]),
        if measures.counts { "16-bit counts".to_owned() } else { "float32".to_owned() },
        format!("{} mm", number(frame.capture.focal_length_mm)),
        format!("{} K a count", number(frame.capture.kelvin_per_count)),
        format!("camera {}", frame.capture.camera_model.as_deref().unwrap_or("not told")),
    ]
}

fn settings(frames: &mut [Frame]) {
    let all: Vec<Option<[String; 5]>> =
        frames.iter().map(|frame| frame.looked.measures().map(|m| setting(frame, m))).collect();
    let mut count: BTreeMap<&[String; 5], usize> = BTreeMap::new();
    for setting in all.iter().flatten() {
        *count.entry(setting).or_default() += 1;
    }
    let Some(usual) = count.iter().max_by_key(|(_, n)| **n).map(|(setting, _)| (*setting).clone()) else { return };
    for (frame, setting) in frames.iter_mut().zip(&all) {
        let Some(setting) = setting else { continue };
        let other: Vec<String> =
            setting.iter().zip(&usual).filter(|(a, b)| a != b).map(|(a, b)| format!("{a} instead of {b}")).collect();
        if !other.is_empty() {
            let text = format!("{}, unlike most frames", other.join(", "));
            frame.reasons.push(Reason::plain(Code::OtherSettings, text));
        }
    }
}

/// A frame without time or place among frames that have them is lost; where none has them, the flight is judged without.
fn places(frames: &mut [Frame], notes: &mut Vec<String>) {
    let timed = frames.iter().filter(|frame| frame.capture.captured_at.is_some()).count();
    let placed = frames.iter().filter(|frame| frame.camera.is_some()).count();
    if timed == 0 {
        notes.push("no frame has a time: irradiance, sun and order of frames are not judged".to_owned());
    }
    if placed == 0 {
        notes.push(
            "no frame has place, height, attitude and focal length: view, overlap and coverage are not judged; give \
             frames.csv, and focal_length_mm under [camera]"
                .to_owned(),
        );
    }
    for frame in frames.iter_mut() {
        let c = &frame.capture;
        let mut missing = Vec::new();
        if timed > 0 && c.captured_at.is_none() {
            missing.push("time");
        }
        if placed > 0 && frame.camera.is_none() {
            let parts = [
                (c.position().is_none(), "place"),
                (c.height_above_takeoff_m.is_none(), "height over take-off"),
                (c.yaw_deg.is_none() || c.pitch_deg.is_none(), "attitude"),
            ];
            missing.extend(parts.into_iter().filter(|(gone, _)| *gone).map(|(_, name)| name));
        }
        // A file that cannot be read has told its fault already.
        if !missing.is_empty() && frame.looked.measures().is_some() {
            let text = format!("{} not known, unlike for most frames", missing.join(", "));
            frame.reasons.push(Reason::plain(Code::NoPose, text));
        }
    }
}

fn glare_predicted(card: &Card, frame: &Frame, limits: &Limits) -> Result<Option<Reason>> {
    let (Some(camera), Some(time), Some((lat_deg, lon_deg))) =
        (&frame.camera, frame.capture.captured_at, frame.capture.position())
    else {
        return Ok(None);
    };
    let place = Place { lat_deg, lon_deg, elevation_m: 0.0 };
    let sun = Sun::at(time, &place)?;
    if sun.apparent_elevation_deg <= 0.0 {
        return Ok(None);
    }
    let array = &card.settings.array;
    let nearest = Plane { tilt_deg: array.tilt_deg, azimuth_deg: array.azimuth_deg }
        .sides(array.mounting)
        .iter()
        .filter_map(|side| side.mirrored(&sun))
        .map(|direction| camera.angle_to_deg(&direction))
        .reduce(f64::min);
    Ok(nearest.filter(|angle| *angle < limits.glare_deg).map(|angle| {
        let place = if angle > 0.0 { format!("{angle:.1} deg beside") } else { "in".to_owned() };
        let text = format!(
            "the sun is mirrored {place} the frame, at least {:.0} deg: turn the heading, or fly at another hour",
            limits.glare_deg
        );
        Reason::new(Code::GlarePredicted, angle, limits.glare_deg, text)
    }))
}

/// A reflection of sun, drone or sky stands where the camera sees it: a warm spot at one place of the frame while the plant
/// passes by. Rows that lie alike in all frames of a line are bands, not spots: along the band nothing stands out. What
/// stands there by chance in a few frames does not outweigh the spread between the frames.
fn glare_seen(frames: &mut [Frame], limits: &Limits) {
    let maps: Vec<(usize, Vec<f64>)> = frames
        .iter()
        .enumerate()
        .filter(|(_, frame)| frame.fit())
        .filter_map(|(k, frame)| Some((k, frame.looked.measures()?)))
        .filter(|(_, m)| m.map_ck.len() == MAP_COLUMNS * MAP_ROWS)
        .map(|(k, m)| (k, m.map_ck.iter().map(|v| f64::from(*v) / 100.0).collect()))
        .collect();
    if maps.len() < LEAST_FOR_GLARE {
        return;
    }
    let rise_of = |block: usize| {
        let rises: Vec<Vec<f64>> = maps.iter().map(|(_, map)| over_surroundings(map, block)).collect();
        (0..rises[0].len())
            .map(|way| lasting(&rises.iter().map(|r| r[way]).collect::<Vec<f64>>()))
            .fold(f64::MAX, f64::min)
    };
    let strongest = (0..MAP_COLUMNS * MAP_ROWS)
        .map(|block| (block, rise_of(block)))
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
    let Some((block, _)) = strongest.filter(|(_, rise)| *rise > limits.glare_k) else { return };
    let (column, row) = (block % MAP_COLUMNS, block / MAP_COLUMNS);
    for (k, map) in maps {
        let rises = over_surroundings(&map, block);
        let rise = rises.iter().sum::<f64>() / rises.len().max(1) as f64;
        if rise > limits.glare_k {
            let text = format!(
                "a spot {rise:.1} K warmer than its surroundings stays at {:.0} % across and {:.0} % down the frame while \
                 the plant passes: a reflection; turn the camera a little",
                100.0 * (column as f64 + 0.5) / MAP_COLUMNS as f64,
                100.0 * (row as f64 + 0.5) / MAP_ROWS as f64
            );
            frames[k].reasons.push(Reason::new(Code::GlareSeen, rise, limits.glare_k, text));
        }
    }
}

/// The mean of a rise over the frames, less the error of that mean as many times as chance needs to be ruled out, K.
fn lasting(rises: &[f64]) -> f64 {
    let n = rises.len() as f64;
    let mean = rises.iter().sum::<f64>() / n;
    let variance = rises.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    mean - ERRORS * (variance / n).sqrt()
}

/// How much a block stands out over its surroundings, K: in each of four directions and at each distance.
fn over_surroundings(map: &[f64], block: usize) -> Vec<f64> {
    let (column, row) = ((block % MAP_COLUMNS) as i64, (block / MAP_COLUMNS) as i64);
    let at = |c: i64, r: i64| {
        let inside = (0..MAP_COLUMNS as i64).contains(&c) && (0..MAP_ROWS as i64).contains(&r);
        inside.then(|| map[(r * MAP_COLUMNS as i64 + c) as usize])
    };
    let mut out = Vec::with_capacity(4 * AROUND.len());
    for (dc, dr) in [(1, 0), (0, 1), (1, 1), (1, -1)] {
        for reach in AROUND {
            let (a, b) = (at(column + reach * dc, row + reach * dr), at(column - reach * dc, row - reach * dr));
            let beside = match (a, b) {
                (Some(a), Some(b)) => 0.5 * (a + b),
                (Some(one), None) | (None, Some(one)) => one,
                (None, None) => continue,
            };
            out.push(map[block] - beside);
        }
    }
    out
}
