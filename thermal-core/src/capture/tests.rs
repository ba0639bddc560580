//! Frames and expected values in `testdata/capture` come from Pillow and tifffile, see `make.py` there.

use jiff::tz::Offset;

use super::*;
use crate::Error;

const ELEMENTS: &[u8] = include_bytes!("../../../testdata/capture/elements.tif");
const NO_FIX: &[u8] = include_bytes!("../../../testdata/capture/no_fix.tif");
const COMPRESSED_XMP: &[u8] = include_bytes!("../../../testdata/capture/compressed_xmp.png");
const BIG_ENDIAN: &[u8] = include_bytes!("../../../testdata/capture/big_endian.tif");
const BIGTIFF: &[u8] = include_bytes!("../../../testdata/capture/bigtiff.tif");

fn expected(name: &str) -> serde_json::Value {
    let all: serde_json::Value = serde_json::from_str(include_str!("../../../testdata/capture/expected.json")).unwrap();
    all[name].clone()
}

fn close(value: Option<f64>, expected: &serde_json::Value) -> bool {
    match (value, expected.as_f64()) {
        (Some(a), Some(b)) => (a - b).abs() < 1e-9,
        (None, None) => true,
        _ => false,
    }
}

#[test]
fn exif_values_are_those_that_pillow_reads() {
    for (name, bytes) in [("elements.tif", ELEMENTS), ("compressed_xmp.png", COMPRESSED_XMP)] {
        let expected = expected(name);
        let capture = Capture::from_bytes(bytes, name, None);
        assert_eq!(capture.camera_model.as_deref(), expected["model"].as_str(), "{name}");
        assert!(close(capture.lat, &expected["lat"]), "{name}: {capture:?}");
        assert!(close(capture.lon, &expected["lon"]), "{name}: {capture:?}");
        assert!(close(capture.altitude_m, &expected["altitude_m"]), "{name}: {capture:?}");
        assert!(close(capture.focal_length_mm, &expected["focal_length_mm"]), "{name}: {capture:?}");
        assert!(close(capture.pixel_pitch_um, &expected["pitch_um"]), "{name}: {capture:?}");
        // 11:40:02 at +02:00 with sub-seconds "33", which are hundredths (CIPA DC-008, SubSecTimeOriginal).
        assert_eq!(capture.captured_at.unwrap().to_string(), "2026-06-18T09:40:02.33Z", "{name}");
    }
}

#[test]
fn xmp_is_read_in_both_forms_and_by_local_name() {
    for (name, bytes) in [("elements.tif", ELEMENTS), ("compressed_xmp.png", COMPRESSED_XMP)] {
        let capture = Capture::from_bytes(bytes, name, None);
        let pose = (capture.yaw_deg, capture.pitch_deg, capture.roll_deg);
        assert_eq!(pose, (Some(93.52), Some(-65.23), Some(-0.12)), "{name}");
        assert_eq!(capture.height_above_takeoff_m, Some(24.9), "{name}");
        assert_eq!(capture.kelvin_per_count, Some(0.04), "{name}");
    }
    for (name, bytes) in [("no_fix.tif", NO_FIX), ("big_endian.tif", BIG_ENDIAN), ("bigtiff.tif", BIGTIFF)] {
        let capture = Capture::from_bytes(bytes, name, Some(Offset::constant(2)));
        // The gimbal's attitude, not the airframe's; a height of 0/1000 is none.
        let pose = (capture.yaw_deg, capture.pitch_deg, capture.roll_deg);
        assert_eq!(pose, (Some(-176.5), Some(-90.0), Some(0.0)), "{name}");
        assert_eq!(capture.height_above_takeoff_m, None, "{name}");
        assert_eq!(capture.kelvin_per_count, Some(0.4), "{name}");
        let second = capture.captured_at.unwrap().round(jiff::Unit::Minute).unwrap();
        assert_eq!(second.to_string(), "2026-06-18T09:40:00Z", "{name}");
    }
}

#[test]
fn no_fix_and_no_zone_are_said_and_not_used() {
    let capture = Capture::from_bytes(NO_FIX, "no_fix.tif", None);
    assert_eq!((capture.position(), capture.altitude_m, capture.captured_at), (None, None, None));
    assert_eq!(capture.pixel_pitch_um, None);
    let notes = capture.notes.join("\n");
    for part in ["is no fix", "set utc_offset under [site]", "not credible"] {
        assert!(notes.contains(part), "{part}: {notes}");
    }
}

/// Real cameras point to the EXIF directory with type IFD (13) in the place of LONG (4).
#[test]
fn sub_directory_pointers_of_type_ifd_are_followed() {
    let mut bytes = ELEMENTS.to_vec();
    for tag in [34665u16, 34853] {
        let mut head = tag.to_le_bytes().to_vec();
        head.extend([4, 0]);
        let at = bytes.windows(4).position(|w| w == head).unwrap();
        bytes[at + 2] = 13;
    }
    let (patched, whole) = (Capture::from_bytes(&bytes, "f", None), Capture::from_bytes(ELEMENTS, "f", None));
    assert_eq!(patched, whole);
    assert!(patched.position().is_some());
}

#[test]
fn cut_or_damaged_files_leave_notes_and_never_panic() {
    for bytes in [ELEMENTS, COMPRESSED_XMP, BIGTIFF] {
        for end in 0..bytes.len() {
            Capture::from_bytes(&bytes[..end], "f", None);
        }
        for at in 0..bytes.len() {
            for value in [0x00, 0x01, 0x7F, 0xFF] {
                let mut damaged = bytes.to_vec();
                damaged[at] = value;
                Capture::from_bytes(&damaged, "f", None);
            }
        }
    }
    assert!(!Capture::from_bytes(b"neither", "f", None).notes.is_empty());
    assert!(!Capture::from_bytes(&ELEMENTS[..200], "f", None).notes.is_empty());
}

#[test]
fn hostile_xmp_is_refused_with_a_note() {
    let deep = format!("{}{}", "<a>".repeat(50_000), "</a>".repeat(50_000));
    let bomb = "<!DOCTYPE x [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;\">]><x>&b;</x>";
    let gain = "<x TlinearGain='NaN'/>";
    let nested = format!("{}{}", "<a>".repeat(4_900), "</a>".repeat(4_900));
    xmp::read(nested.as_bytes(), &mut Capture::default());
    for packet in [deep.as_str(), bomb, gain, "<x", "\u{0}"] {
        let mut capture = Capture::default();
        xmp::read(packet.as_bytes(), &mut capture);
        assert_eq!(capture.kelvin_per_count, None);
        assert_eq!(capture.notes.len(), 1, "{}: {:?}", &packet[..packet.len().min(40)], capture.notes);
    }
}

#[test]
fn the_clock_is_shifted() {
    let mut capture = Capture { captured_at: Some(Timestamp::UNIX_EPOCH), ..Capture::default() };
    capture.shift_clock(-3600.5);
    assert_eq!(capture.captured_at.unwrap().to_string(), "1969-12-31T22:59:59.5Z");
    capture.shift_clock(f64::NAN);
    assert_eq!((capture.captured_at, capture.notes.len()), (None, 1));
}

fn sidecar(text: &[u8]) -> Result<(std::collections::BTreeMap<String, Capture>, Vec<String>), String> {
    let name = format!("thermal-sidecar-{:?}-{:p}.csv", std::thread::current().id(), text);
    let path = std::env::temp_dir().join(format!("{}-{name}", std::process::id()));
    std::fs::write(&path, text).unwrap();
    let read = read_sidecar(&path, None);
    std::fs::remove_file(&path).unwrap();
    let by_file = |list: Vec<Capture>| list.into_iter().map(|capture| (capture.file.clone(), capture)).collect();
    read.map(|(captures, problems)| (by_file(captures), problems.iter().map(ToString::to_string).collect()))
        .map_err(|e| e.to_string())
}

#[test]
fn sidecar_wins_where_it_speaks() {
    let (captures, problems) = sidecar(
        b"file,captured_at,lat,lon,yaw_deg,pitch_deg\r\nframes/elements.tif,2026-06-18T11:40:04+02:00,,,361.1,-90.08\r\n",
    )
    .unwrap();
    assert!(problems.is_empty(), "{problems:?}");
    let mut capture = Capture::from_bytes(ELEMENTS, "elements.tif", None);
    capture.overlay(&captures["elements.tif"]);
    assert_eq!(capture.captured_at.unwrap().to_string(), "2026-06-18T09:40:04Z");
    assert_eq!((capture.yaw_deg, capture.pitch_deg, capture.roll_deg), (Some(361.1), Some(-90.08), Some(-0.12)));
    assert!(capture.position().is_some());
}

#[test]
fn sidecar_from_a_spreadsheet_with_decimal_commas() {
    let text = "\u{feff}File;Captured_at;Lat;Lon;Altitude_m\r\na.tif;2026-06-18T11:40:00+02:00;41,2386161;-3,91416958;637\r\n;;;;\r\n";
    let (captures, problems) = sidecar(text.as_bytes()).unwrap();
    assert!(problems.is_empty(), "{problems:?}");
    assert_eq!(captures["a.tif"].position(), Some((41.2386161, -3.91416958)));
    assert_eq!(captures["a.tif"].altitude_m, Some(637.0));
}

/// Each bad row is named by line, column, reason and remedy, and the good row behind it is read.
#[test]
fn each_fault_of_a_sidecar_is_named_and_the_rest_goes_on() {
    let cases: &[(&str, &str)] = &[
        (
            "a.tif,2026-06-18T11:40:00+02:00,41,2386161,-3,91416958",
            "6 values where the header names 4; the row is left out; write decimals with a point",
        ),
        ("a.tif,2026-06-18T11:40:00+02:00,41.2", "line 2: 3 values where the header names 4"),
        (
            "a.tif,2026-06-18T11:40:00,41.2,-3.9",
            "line 2, column captured_at: `2026-06-18T11:40:00` carries no offset from UTC",
        ),
        (
            "a.tif,18.06.2026 11:40,41.2,-3.9",
            "column captured_at: `18.06.2026 11:40` is no time; write it after RFC 3339",
        ),
        ("a.tif,,141.2,-3.9", "line 2, column lat: 141.2 is outside -90 to 90"),
        ("a.tif,,NaN,-3.9", "line 2, column lat: NaN is outside -90 to 90"),
        ("a.tif,,41.2,west", "line 2, column lon: `west` is no number"),
        ("a.tif,,41.2,", "line 2, column lon: half of the position is missing"),
        (",,41.2,-3.9", "line 2, column file: no frame is named"),
        ("good.tif,,41.2,-3.9\ngood.tif,,42.2,-3.9", "line 3, column file: good.tif stands on line 2 already"),
        ("\"a.tif,,41.2,-3.9", "line 2: a quotation mark is not closed"),
        ("\"41.2\",,\"41,2\",-3.9", "line 2, column lat: `41,2` is no number"),
    ];
    for (row, message) in cases {
        let text = format!("file,captured_at,lat,lon\n{row}\ngood.tif,,41.25,-3.95\n");
        let (captures, problems) = sidecar(text.as_bytes()).unwrap();
        assert!(problems.iter().any(|p| p.contains(message)), "{row}: {problems:?}");
        assert!(captures["good.tif"].lat.is_some(), "{row}");
        assert!(problems.iter().all(|p| p.contains("; ")), "no remedy: {problems:?}");
    }
    let (captures, problems) = sidecar(b"file,lat,lon\na.tif,41.2,-3.9\n\xFF.tif,41.2,-3.9\n").unwrap();
    assert!(captures.len() == 1 && problems[0].contains("line 3: the row is not UTF-8"), "{problems:?}");
    let (captures, _) = sidecar(b"file,lat,lon\na.tif,0,0\n").unwrap();
    assert!(captures["a.tif"].position().is_none() && captures["a.tif"].notes.len() == 1);
    let (_, problems) = sidecar(b"file,pitch\na.tif,-90\n").unwrap();
    assert!(
        problems[0].contains("line 1, column pitch: the column is not known and is ignored; did you mean `pitch_deg`?")
    );
    let (_, problems) = sidecar("file;lat;lon\na.tif;41,2;-3,9\nb.tif;41.2;-3,9\n".as_bytes()).unwrap();
    assert!(problems[0].contains("line 3, column lat: `41.2` has a decimal point in a file with decimal commas"));
}

#[test]
fn a_file_that_is_no_sidecar_is_an_error() {
    let blank = "\n".repeat(999);
    let header = |before: &str| format!("{before}\nfile,lat\n");
    assert!(sidecar(header(&blank[1..]).as_bytes()).is_ok());
    let late = header(&blank);
    for (text, message) in [
        (&b""[..], "there is no header line"),
        (late.as_bytes(), "there is no header line"),
        (b"name,lat\n", "there is no column `file`"),
        (b"file,lat,lat\n", "line 1, column lat: the header names the column twice"),
        (b"\xFF\xFEf\0i\0", "the text is UTF-16"),
    ] {
        let error = sidecar(text).unwrap_err();
        assert!(error.contains(message), "{error}");
    }
    assert!(matches!(read_sidecar("/nowhere/frames.csv", None), Err(Error::Io { .. })));
}

#[test]
fn damaged_sidecars_never_panic() {
    let text = b"file;captured_at;lat;lon\na.tif;2026-06-18T11:40:00+02:00;41,2;-3,9\n\"b\".tif;;;\n";
    for at in 0..text.len() {
        for byte in *b"\n\";,.\r\0\xFF" {
            let mut damaged = text.to_vec();
            damaged[at] = byte;
            let _ = sidecar(&damaged);
        }
    }
    let quotes = format!("file\n{}", "\"a\nb\n".repeat(100));
    let (_, problems) = sidecar(quotes.as_bytes()).unwrap();
    assert!(problems.iter().any(|p| p.contains("quotation mark")), "{problems:?}");
}
