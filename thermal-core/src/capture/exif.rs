//! EXIF to [`Capture`]: time with sub-seconds and zone, position, altitude, focal length, pixel pitch.
//! Tags after CIPA DC-008 (Exif 2.31 and later for the offsets).

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::Offset;

use super::ifd::{Directory, Entry, Structure};
use super::{Capture, is_position};

/// Difference between the camera's and the satellites' clock that is worth a note; zones differ by at least this.
const CLOCK_TOLERANCE_S: f64 = 900.0;

/// Reads a TIFF structure into `capture` and returns its XMP packet.
pub(super) fn read<'a>(bytes: &'a [u8], utc_offset: Option<Offset>, capture: &mut Capture) -> Option<&'a [u8]> {
    let opened = Structure::open(bytes).and_then(|(tiff, first)| Some((tiff, tiff.directory(first)?)));
    let Some((tiff, main)) = opened else {
        capture.notes.push("no metadata could be read: the file has no sound TIFF directory".into());
        return None;
    };
    let mut sub = |tag: u16, name: &str| {
        let entry = main.get(tag)?;
        let directory = entry.pointer().and_then(|offset| tiff.directory(offset));
        if directory.is_none() {
            capture.notes.push(format!("the {name} directory cannot be read"));
        }
        directory
    };
    let exif = sub(34665, "EXIF").unwrap_or_default();
    let gps = sub(34853, "GPS").unwrap_or_default();
    let broken = main.broken + exif.broken + gps.broken;
    if broken > 0 {
        capture.notes.push(format!("{broken} metadata values lie outside the file"));
    }

    let maker = [271, 272].iter().filter_map(|tag| main.get(*tag)?.text()).collect::<Vec<_>>().join(" ");
    capture.camera_model = (!maker.is_empty()).then_some(maker);
    // Some writers put EXIF tags into the main directory.
    let get = |tag: u16| exif.get(tag).or_else(|| main.get(tag));
    read_time(&get, &gps, utc_offset, capture);
    read_position(&gps, capture);
    capture.focal_length_mm = get(37386).and_then(|e| e.number(0)).filter(|mm| *mm > 0.0);
    read_pixel_pitch(&get, capture);
    main.get(700).map(|entry| entry.bytes())
}

fn read_time<'a>(
    get: &impl Fn(u16) -> Option<Entry<'a>>,
    gps: &Directory<'_>,
    utc_offset: Option<Offset>,
    capture: &mut Capture,
) {
    let text = |tag: u16| get(tag).and_then(|entry| entry.text());
    let satellite_time = gps_time(gps);
    capture.captured_at = satellite_time;
    // The original time, then the digitised one, then the file's, each with its own sub-seconds and zone.
    let Some((local, zone_tag)) = [(36867, 37521, 36881), (36868, 37522, 36882), (306, 37520, 36880)]
        .into_iter()
        .find_map(|(time, fraction, zone)| Some((local_time(text(time)?, text(fraction))?, zone)))
    else {
        return;
    };
    let zone = text(zone_tag).or_else(|| text(36880)).and_then(crate::table::utc_offset).or(utc_offset);
    match zone.and_then(|zone| zone.to_timestamp(local).ok()) {
        Some(time) => {
            let apart = satellite_time.map_or(0.0, |t| t.duration_until(time).as_secs_f64());
            if apart.abs() > CLOCK_TOLERANCE_S {
                capture.notes.push(format!(
                    "the capture time is {apart:.0} s off the satellites' time; check utc_offset and clock_offset_s"
                ));
            }
            capture.captured_at = Some(time);
        }
        None if satellite_time.is_some() => {
            capture.notes.push("the capture time carries no zone; the satellites' time is used".into());
        }
        None => capture.notes.push("the capture time carries no zone; set utc_offset under [site]".into()),
    }
}

/// `2026:06:18 11:40:00` and `33` (hundredths, as many digits as there are).
fn local_time(text: &str, fraction: Option<&str>) -> Option<DateTime> {
    let time = DateTime::strptime("%Y:%m:%d %H:%M:%S", text.get(..19)?).ok()?;
    let digits = fraction.filter(|f| f.bytes().all(|b| b.is_ascii_digit())).unwrap_or_default();
    let nanoseconds = format!("{digits:0<9}").get(..9)?.parse().ok()?;
    time.with().subsec_nanosecond(nanoseconds).build().ok()
}

fn gps_time(gps: &Directory<'_>) -> Option<Timestamp> {
    let date = jiff::civil::Date::strptime("%Y:%m:%d", gps.get(29)?.text()?).ok()?;
    let clock = gps.get(7)?;
    let seconds = clock.number(0)? * 3600.0 + clock.number(1)? * 60.0 + clock.number(2)?;
    let midnight = Offset::UTC.to_timestamp(date.at(0, 0, 0, 0)).ok()?;
    midnight.checked_add(jiff::SignedDuration::try_from_secs_f64(seconds).ok()?).ok()
}

fn read_position(gps: &Directory<'_>, capture: &mut Capture) {
    let degrees = |value: u16, reference: u16, negative: &str| {
        let entry = gps.get(value)?;
        let angle = entry.number(0)? + entry.number(1).unwrap_or(0.0) / 60.0 + entry.number(2).unwrap_or(0.0) / 3600.0;
        let is_negative = gps.get(reference)?.text()?.eq_ignore_ascii_case(negative);
        Some(if is_negative { -angle } else { angle })
    };
    let (Some(lat), Some(lon)) = (degrees(2, 1, "S"), degrees(4, 3, "W")) else { return };
    if !is_position(lat, lon) {
        // The altitude belongs to the same fix.
        capture.notes.push(format!("the position {}, {} is no fix and is not used", lat + 0.0, lon + 0.0));
        return;
    }
    (capture.lat, capture.lon) = (Some(lat), Some(lon));
    let below_sea = gps.get(5).and_then(|e| e.number(0)) == Some(1.0);
    capture.altitude_m = gps.get(6).and_then(|e| e.number(0)).map(|m| if below_sea { -m } else { m });
}

/// Many cameras write the sensor's size or the print resolution into the focal-plane tags; only a pitch that a thermal
/// sensor can have (3 to 60 um), the same in both directions, is believed.
fn read_pixel_pitch<'a>(get: &impl Fn(u16) -> Option<Entry<'a>>, capture: &mut Capture) {
    let number = |tag: u16| get(tag).and_then(|entry| entry.number(0));
    let (Some(across), Some(down)) = (number(41486), number(41487)) else { return };
    // Unit 2 is the inch and the default; 4 and 5 are millimetre and micrometre after the TIFF/EP extension.
    let unit_um = match number(41488) {
        Some(3.0) => 1e4,
        Some(4.0) => 1e3,
        Some(5.0) => 1.0,
        _ => 25_400.0,
    };
    let (pitch_across, pitch_down) = (unit_um / across, unit_um / down);
    if (3.0..=60.0).contains(&pitch_across) && (pitch_down / pitch_across - 1.0).abs() < 0.05 {
        capture.pixel_pitch_um = Some(pitch_across);
    } else {
        capture.notes.push(format!(
            "the focal plane resolution gives pixels of {pitch_across:.1} x {pitch_down:.1} um, which is not credible"
        ));
    }
}
