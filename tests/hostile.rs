//! Hostile and odd input: damaged files, tables in other notations, numbers at their extremes, things that only look like
//! frames. No panic, no more than 512 MB and 2 s a file; what cannot be used is named with its remedy, never misread.
//!
//! `THERMAL_MUTATIONS=10000` tries so many damaged files; the default is a share. Rasters alone are in `raster_hostile.rs`.
#![allow(missing_docs)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use peak_alloc::PeakAlloc;
use thermal_core::capture::{Capture, read_sidecar};
use thermal_core::finding::{FINDINGS, MODULES};
use thermal_core::frame::{FrameSettings, analyse};
use thermal_core::irradiance::Log;
use thermal_core::optics::Lens;
use thermal_core::outline::LoggedPose;
use thermal_core::plan::{Area, read_obstacles};
use thermal_core::radiometry::{Converter, Model};
use thermal_core::raster::{Limits, Pixels, decode};
use thermal_core::readings::read_values;
use thermal_core::run_record::RunRecord;
use thermal_core::scene;
use thermal_core::settings::Settings;
use thermal_core::site::Layout;
use thermal_tests::figures::{figures_in_bounds, no_number_is_none};
use thermal_tests::plant::Rng;
use thermal_tests::program::{contents, rows, thermal, thermal_path};

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// Tests of this file run one by one: the memory is that of the process.
static ALONE: Mutex<()> = Mutex::new(());

const MAX_BYTES: usize = 512 << 20;
const MAX_TIME: Duration = Duration::from_secs(2);

/// Runs a reader within the bounds. The time is that of the thread's work as far as the system lets it run; on a loaded
/// machine it is the slowest part, so a file that takes long is tried three times.
fn bounded<T>(what: &str, read: &dyn Fn() -> T) -> T {
    let mut least = Duration::MAX;
    for _ in 0..3 {
        MEMORY.reset_peak_usage();
        let (before, began) = (MEMORY.current_usage(), Instant::now());
        let result = catch_unwind(AssertUnwindSafe(read)).unwrap_or_else(|_| panic!("{what}: it panicked"));
        let taken = MEMORY.peak_usage().saturating_sub(before);
        assert!(taken <= MAX_BYTES, "{what}: {taken} bytes");
        least = least.min(began.elapsed());
        if least <= MAX_TIME {
            return result;
        }
    }
    panic!("{what}: {least:?}");
}

/// One frame from its bytes to modules.
fn inspect_bytes(bytes: &[u8], settings: &Settings) -> Result<usize, String> {
    let path = Path::new("f.tif");
    let limits = Limits { max_pixels: 1 << 16, ..Limits::default() };
    let raster = decode(bytes, path, &limits).map_err(|e| e.to_string())?;
    let capture = Capture::from_bytes(bytes, "f.tif", settings.site.offset());
    let model = Model::of_frame(settings.radiometry.as_ref(), &capture, &raster.pixels).map_err(|e| e.to_string())?;
    let thermogram =
        Converter::new(model).and_then(|c| c.thermogram(&raster.pixels, path)).map_err(|e| e.to_string())?;
    let focal = settings.camera.focal_length_mm.or(capture.focal_length_mm).unwrap_or(13.0);
    let lens = Lens::new(raster.width(), raster.height(), focal, settings.camera.pixel_pitch_um, settings.camera.k1);
    let pose = LoggedPose { attitude_deg: Some([0.0, -80.0, 0.0]), height_m: Some(25.0) };
    let result = analyse("f.tif", thermogram.celsius.view(), &lens, &pose, &FrameSettings::of(settings));
    for module in &result.modules {
        let figures = [module.delta_t_k, module.confidence, module.area_fraction];
        assert!(figures.iter().all(|v| v.is_finite()), "{module:?}");
    }
    Ok(result.modules.len())
}

/// What may be done to a file of this kind.
fn read_any(name: &str, bytes: &[u8], place: &Path, settings: &Settings) -> Result<(), String> {
    let path = place.join("mutated");
    let text = || String::from_utf8_lossy(bytes).into_owned();
    let on_disk = || fs::write(&path, bytes).unwrap();
    let words = |e: thermal_core::Error| e.to_string();
    match name {
        "frames.csv" => {
            on_disk();
            read_sidecar(&path, None).map(drop).map_err(words)
        }
        "irradiance.csv" => {
            on_disk();
            Log::read(&path, None).map(drop).map_err(words)
        }
        "values.csv" => {
            on_disk();
            read_values(&path).map(drop).map_err(words)
        }
        "obstacles.csv" => {
            on_disk();
            read_obstacles(&path).map(drop).map_err(words)
        }
        "inspection.toml" => {
            on_disk();
            Settings::read(&path).map(drop).map_err(words)
        }
        "layout.geojson" => {
            Area::parse(&text(), &path).map(drop).map_err(words)?;
            Layout::parse(&text(), &path).map(drop).map_err(words)
        }
        "findings.csv" => FINDINGS.read_csv_from(&path, bytes).map(drop).map_err(words),
        "modules.csv" => MODULES.read_csv_from(&path, bytes).map(drop).map_err(words),
        "findings.geojson" => FINDINGS.read_geojson_from(&path, bytes).map(drop).map_err(words),
        "run.json" => {
            fs::write(place.join("run.json"), bytes).unwrap();
            RunRecord::read(place).map(drop).map_err(words)
        }
        _ => inspect_bytes(bytes, settings).map(drop),
    }
}

fn is_frame(name: &str) -> bool {
    Path::new(name).extension().is_some_and(|ending| ending == "tif" || ending == "png")
}

/// Text of a table, the values or words of the refusal, and words that the problems must hold.
type Case<'a> = (&'a str, String, Result<&'a [f64], &'a str>, &'a str);

/// Valid files of every kind that is read.
fn valid(place: &Path) -> BTreeMap<String, Vec<u8>> {
    let folder = place.join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    scene::render(&spec, &folder).unwrap();
    let out = place.join("run");
    let words = ["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--no-evidence", "--quiet"];
    assert!(thermal(words).status.success());
    let mut files = BTreeMap::new();
    for name in ["frames.csv", "irradiance.csv", "inspection.toml", "layout.geojson"] {
        files.insert(name.to_owned(), fs::read(folder.join(name)).unwrap());
    }
    for name in ["findings.csv", "modules.csv", "findings.geojson", "run.json"] {
        files.insert(name.to_owned(), fs::read(out.join(name)).unwrap());
    }
    for (name, text) in [
        ("values.csv", "photo,poa_w_m2,air_temp_c,wind_m_s\nm1.jpg,812.5,24,1.5\nm2.jpg,95,,\n\"m,3.jpg\",905,24,2\n"),
        ("obstacles.csv", "name,lat,lon,height_m\nmast,39.5001,-3.5001,18\n\"tree, tall\",39.5002,-3.4999,12.5\n"),
    ] {
        files.insert(name.to_owned(), text.as_bytes().to_vec());
    }
    let captures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/capture");
    for entry in fs::read_dir(captures).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if is_frame(&name) {
            files.insert(name, fs::read(path).unwrap());
        }
    }
    files.insert("piece.tif".to_owned(), piece(&spec));
    files
}

/// A piece of a drawn frame with modules in it.
fn piece(spec: &scene::Spec) -> Vec<u8> {
    let (celsius, _) = scene::render_frame(spec, 0).unwrap();
    let counts = |t: &f32| ((t + 273.15) * 100.0).round();
    let values: Vec<f32> = celsius.slice(ndarray::s![150..342, 200..456]).iter().map(counts).collect();
    tiff_f32(256, 192, &values)
}

/// An uncompressed TIFF of 32-bit floats (TIFF 6.0, section 2 and 19), little-endian, one strip.
fn tiff_f32(width: u32, height: u32, values: &[f32]) -> Vec<u8> {
    let entries: [(u16, u16, u32, u32); 9] = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 32),
        (259, 3, 1, 1),
        (262, 3, 1, 1),
        (273, 4, 1, 8 + 2 + 9 * 12 + 4),
        (278, 4, 1, height),
        (279, 4, 1, 4 * values.len() as u32),
        (339, 3, 1, 3),
    ];
    let mut bytes = b"II*\0\x08\0\0\0\x09\0".to_vec();
    for (tag, kind, count, value) in entries {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(value.to_le_bytes());
    }
    bytes.extend([0; 4]);
    bytes.extend(values.iter().flat_map(|v| v.to_le_bytes()));
    bytes
}

fn below(rng: &mut Rng, n: usize) -> usize {
    ((rng.uniform() * n as f64) as usize).min(n.saturating_sub(1))
}

/// Damages a file as cards, editors and enemies do.
fn mutate(bytes: &[u8], rng: &mut Rng) -> Vec<u8> {
    const NASTY: [&str; 14] = [
        "nan",
        "-inf",
        "1e999",
        "-1",
        "99999999999999999999",
        "\"",
        ";",
        "\r\n",
        "\u{feff}",
        "[[[[[[[[[[[[",
        "{\"a\":",
        "\0",
        ",,,,,,,,",
        "1e-320",
    ];
    let mut out = bytes.to_vec();
    for _ in 0..=below(rng, 4) {
        if out.is_empty() {
            break;
        }
        let region = if rng.uniform() < 0.5 { out.len().min(400) } else { out.len() };
        let at = below(rng, region);
        match below(rng, 8) {
            0 => out[at] ^= 1 << below(rng, 8),
            1 => out[at] = [0, 0xFF, 0x7F, 0x80][below(rng, 4)],
            2 => out.truncate(512 * below(rng, out.len() / 512 + 1)),
            3 => out.truncate(at),
            4 => {
                // Swaps two entries of twelve bytes, or two cells.
                let other = below(rng, region);
                for k in 0..12 {
                    if at + k < out.len() && other + k < out.len() {
                        out.swap(at + k, other + k);
                    }
                }
            }
            5 => {
                let end = (at + 4).min(out.len());
                out[at..end].fill(0xFF);
            }
            6 => {
                let piece = out[at..(at + 1 + below(rng, 300)).min(out.len())].to_vec();
                out.splice(at..at, piece);
            }
            _ => {
                let word = NASTY[below(rng, NASTY.len())];
                // In place of a number, where there is one.
                let end = (at..out.len()).find(|k| !b"0123456789.+-e".contains(&out[*k])).unwrap_or(at);
                out.splice(at..end, word.bytes());
            }
        }
    }
    out
}

#[test]
fn no_damaged_file_brings_a_reader_down() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let count: usize = std::env::var("THERMAL_MUTATIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(500);
    let place = tempfile::tempdir().unwrap();
    let files = valid(place.path());
    let settings = Settings::read(place.path().join("plant/inspection.toml")).unwrap();
    for (name, bytes) in &files {
        let read = read_any(name, bytes, place.path(), &settings);
        // The samples of metadata hold pixels that are of no plant.
        let sample = is_frame(name) && name != "piece.tif";
        assert!(read.is_ok() || sample, "{name}: {read:?}");
    }
    // A card that was pulled: whatever is cut off, no reader takes the file of pixels for whole.
    for (name, bytes) in &files {
        for length in (0..bytes.len()).step_by(512) {
            let what = format!("{name} cut to {length}");
            let read = bounded(&what, &|| read_any(name, &bytes[..length], place.path(), &settings));
            assert!(read.is_err() || name != "piece.tif", "{what}");
        }
    }
    let (mut rng, mut refused) = (Rng(23), 0);
    for k in 0..count {
        let (name, bytes) = files.iter().nth(k % files.len()).unwrap();
        let bytes = mutate(bytes, &mut rng);
        let what = format!("mutation {k} of {name}");
        if let Err(message) = bounded(&what, &|| read_any(name, &bytes, place.path(), &settings)) {
            refused += 1;
            assert!(message.contains("; ") || message.contains("cannot "), "{what}: no remedy: {message}");
        }
    }
    eprintln!("{count} damaged files, {refused} refused");
    assert!(refused * 5 > count, "{refused} of {count}");
}

#[test]
fn tables_in_other_notations_are_read_or_refused_but_never_misread() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let place = tempfile::tempdir().unwrap();
    let path = place.path().join("irradiance.csv");
    let t = |minute: usize| format!("2026-06-18T11:{minute:02}:00+02:00");
    let plain = format!("time,poa_w_m2,wind_m_s\n{},812.5,2.5\n{},813.0,3.1\n{},814.5,2.0\n", t(10), t(11), t(12));
    let semicolons = plain.replace(',', ";");
    let commas = semicolons.replace('.', ",");
    let good: &[f64] = &[812.5, 813.0, 814.5];
    let cases: Vec<Case<'_>> = vec![
        ("plain", plain.clone(), Ok(good), ""),
        ("byte order mark", format!("\u{feff}{plain}"), Ok(good), ""),
        ("CRLF", plain.replace('\n', "\r\n"), Ok(good), ""),
        ("semicolons", semicolons.clone(), Ok(good), ""),
        ("tabs", plain.replace(',', "\t"), Ok(good), ""),
        ("decimal commas", commas.clone(), Ok(good), ""),
        ("all three", format!("\u{feff}{}", commas.replace('\n', "\r\n")), Ok(good), ""),
        ("quoted cells", plain.replace("812.5", "\"812.5\""), Ok(good), ""),
        ("capital header", plain.replace("poa_w_m2", "POA_W_M2"), Ok(good), ""),
        ("other order", "wind_m_s,poa_w_m2,time\n2,700.0,2026-06-18T11:10:00Z\n".into(), Ok(&[700.0]), ""),
        // A decimal comma between commas makes one value two: the row has too many.
        ("commas in commas", plain.replace("812.5", "812,5"), Ok(&[813.0, 814.5]), "write decimals with a point"),
        (
            "point and comma",
            commas.replace("813,0", "813.0"),
            Ok(&[812.5, 814.5]),
            "decimal point in a file with decimal commas",
        ),
        ("thousands", semicolons.replace("812.5", "1,812.5"), Ok(&[813.0, 814.5]), "is no number"),
        ("open quote", plain.replace("813.0", "\"813.0"), Ok(&[812.5, 814.5]), "quotation mark is not closed"),
        ("twice the same time", plain.replace(&t(11), &t(10)), Ok(&[814.5]), "the time does not rise"),
        ("nan", plain.replace("813.0", "nan"), Ok(&[812.5, 814.5]), "not used"),
        ("infinite", plain.replace("813.0", "inf"), Ok(&[812.5, 814.5]), "outside -20 to 2000"),
        ("huge", plain.replace("813.0", "1e300"), Ok(&[812.5, 814.5]), "outside -20 to 2000"),
        ("kilowatts", "time,poa_w_m2\n2026-06-18T11:10:00Z,0.8125\n".into(), Err("if it is in kW/m2"), ""),
        ("no offset", plain.replace("+02:00", ""), Err("carries no offset from UTC"), ""),
        ("no header", plain.lines().skip(1).collect::<Vec<_>>().join("\n"), Err("there is no column `time`"), ""),
        ("misspelt", plain.replace("poa_w_m2", "poa_wm2"), Err("rename column `poa_wm2`"), ""),
        ("twice a column", plain.replace("wind_m_s", "time"), Err("names the column twice"), ""),
        ("empty", String::new(), Err("there is no header line"), ""),
        ("header only", "time,poa_w_m2\n".into(), Err("it holds no reading"), ""),
        ("zeros", "\0".repeat(4096), Err(""), ""),
    ];
    for (what, text, expected, problem) in cases {
        fs::write(&path, &text).unwrap();
        let read = bounded(what, &|| Log::read(&path, None));
        match (read, expected) {
            (Ok((log, problems)), Ok(values)) => {
                let told = problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
                let got: Vec<f64> = log.rows().iter().map(|row| row.poa_w_m2).collect();
                // Of two readings at one time either may stay, but only one.
                let same = if what.starts_with("twice") { got.len() == 2 } else { got == values };
                assert!(same, "{what}: {got:?}\n{told}");
                assert!(told.contains(problem) && (problem.is_empty() == told.is_empty()), "{what}: {told}");
            }
            (Err(error), Err(words)) => {
                let told = error.to_string();
                assert!(
                    told.contains(words) && told.contains("irradiance.csv") && told.contains("; "),
                    "{what}: {told}"
                );
            }
            (read, expected) => panic!("{what}: {read:?} instead of {expected:?}"),
        }
    }
    let utf16: Vec<u8> = [0xFF, 0xFE].into_iter().chain(plain.encode_utf16().flat_map(u16::to_le_bytes)).collect();
    fs::write(&path, utf16).unwrap();
    assert!(Log::read(&path, None).unwrap_err().to_string().contains("UTF-16"));

    // A million rows.
    let mut long = String::from("time,poa_w_m2\n");
    let start: jiff::Timestamp = "2026-06-18T06:00:00Z".parse().unwrap();
    for k in 0..1_000_000 {
        let time = start + jiff::SignedDuration::from_millis(k * 40);
        writeln!(long, "{time},{}.{}", 700 + k % 100, k % 10).unwrap();
    }
    fs::write(&path, &long).unwrap();
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage();
    let (log, problems) = Log::read(&path, None).unwrap();
    let taken = MEMORY.peak_usage() - before;
    assert!(log.rows().len() == 1_000_000 && problems.is_empty() && taken <= MAX_BYTES, "{taken} bytes");
    // More lines than any spreadsheet holds.
    long.push_str(&"\n".repeat((1 << 20) - 1_000_000));
    fs::write(&path, long).unwrap();
    let said = Log::read(&path, None).unwrap_err().to_string();
    assert!(said.contains("more than 1048576 lines; give the rows that belong to this flight"), "{said}");
}

#[test]
fn settings_with_every_number_at_its_extremes() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let place = tempfile::tempdir().unwrap();
    let mut spec = scene::demo_spec();
    spec.flight.frames = 1;
    scene::render(&spec, place.path()).unwrap();
    let text = fs::read_to_string(place.path().join("inspection.toml")).unwrap();
    let frame = piece(&spec);
    let path = place.path().join("extreme.toml");
    let extremes = [
        "0",
        "0.0",
        "-0.0",
        "-1",
        "1",
        "1e-320",
        "1e308",
        "-1e308",
        "nan",
        "inf",
        "-inf",
        "9223372036854775807",
        "-9223372036854775808",
        "4294967296",
        "true",
        "\"x\"",
        "[]",
        "[1]",
        "[0, 0]",
        "[4294967295, 4294967295]",
        "{}",
    ];
    let number = |line: &str| {
        let value = line.split_once('=').map(|(_, value)| value.trim()).unwrap_or_default();
        value.starts_with(|c: char| c.is_ascii_digit() || "-[".contains(c)) && !line.starts_with('[')
    };
    let (mut tried, mut taken) = (0, 0);
    for (k, line) in text.lines().enumerate().filter(|(_, line)| number(line)) {
        let key = line.split_once(" = ").unwrap().0;
        for extreme in extremes {
            let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
            lines[k] = format!("{key} = {extreme}");
            fs::write(&path, lines.join("\n")).unwrap();
            tried += 1;
            let what = format!("{key} = {extreme}");
            match Settings::read(&path) {
                Err(error) => {
                    let told = error.to_string();
                    assert!(told.contains(key) && told.contains("line ") && told.contains("; "), "{what}: {told}");
                }
                Ok(settings) => {
                    taken += 1;
                    let _ = bounded(&what, &|| inspect_bytes(&frame, &settings));
                }
            }
        }
    }
    eprintln!("{tried} settings, {taken} taken");
    assert!(tried > 250 && taken > 20 && taken < tried / 2, "{tried} {taken}");
}

#[test]
fn things_that_only_look_like_frames() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    spec.storage.encoding = scene::spec::Encoding::Celsius;
    scene::render(&spec, &folder).unwrap();
    let frames = folder.join("frames");
    let at = |name: &str| frames.join(name);
    let all = |width: u32, height: u32, value: f32| tiff_f32(width, height, &vec![value; (width * height) as usize]);
    let mixed = |value: f32| {
        let values: Vec<f32> = (0..640 * 512).map(|k| if k % 7 == 0 { value } else { 30.0 }).collect();
        tiff_f32(640, 512, &values)
    };
    // Name, content, and a word of the reason where it must be left out; the others may be used.
    let files: Vec<(&str, Vec<u8>, Option<&str>)> = vec![
        ("a-one.tif", all(1, 1, 30.0), Some("")),
        ("b-line.tif", all(60_000, 1, 30.0), Some("")),
        ("c-column.tif", all(1, 60_000, 30.0), Some("")),
        ("d-equal.tif", all(640, 512, 30.0), None),
        ("e-void.tif", all(640, 512, f32::NAN), Some("")),
        ("f-some-void.tif", mixed(f32::NAN), None),
        ("g-endless.tif", mixed(f32::INFINITY), None),
        ("h-huge.tif", mixed(f32::MAX), None),
        ("i-minus-huge.tif", mixed(f32::MIN), None),
        ("j-empty.tif", Vec::new(), Some("it is empty")),
        ("k-text.tif", b"no frame at all".to_vec(), Some("neither TIFF nor PNG")),
        ("l-photo.png", vec![0xFF, 0xD8, 0xFF, 0xE0, 0, 0, 0, 0], Some("JPEG")),
    ];
    for (name, bytes, _) in &files {
        fs::write(at(name), bytes).unwrap();
    }
    fs::create_dir(at("m-folder.tif")).unwrap();
    let long = format!("{}.tif", "n".repeat(250));
    fs::write(at(&long), b"II").unwrap();
    let mut special: Vec<(String, &str)> =
        vec![("m-folder.tif".into(), "no ordinary file"), (long, "ends after 2 bytes")];
    #[cfg(unix)]
    {
        use std::os::unix::ffi::OsStrExt;
        use std::os::unix::fs::symlink;
        symlink("/nowhere", at("o-dangling.tif")).unwrap();
        symlink("p-loop.tif", at("p-loop.tif")).unwrap();
        symlink("/dev/zero", at("q-device.tif")).unwrap();
        assert!(Command::new("mkfifo").arg(at("r-pipe.tif")).status().unwrap().success());
        fs::write(frames.join(std::ffi::OsStr::from_bytes(b"s-\xFF\xFE.tif")), b"II").unwrap();
        special.extend([
            ("o-dangling.tif".into(), "No such file"),
            ("p-loop.tif".into(), "symbolic link"),
            ("q-device.tif".into(), "no ordinary file"),
            ("r-pipe.tif".into(), "no ordinary file"),
            ("s-\u{FFFD}\u{FFFD}.tif".into(), "not UTF-8"),
        ]);
    }
    let out = place.path().join("out");
    let words = ["inspect", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--quiet"];
    let output = thermal(words);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(3) && !said.contains("panicked"), "{said}");
    let skipped: BTreeMap<String, String> = rows(&out.join("skipped.csv"))
        .into_iter()
        .map(|row| {
            assert!(!row["remedy"].is_empty(), "{row:?}");
            (row["file"].trim_start_matches("frames/").to_owned(), row["reason"].clone())
        })
        .collect();
    let expected = files.iter().filter_map(|(name, _, reason)| Some(((*name).to_owned(), (*reason)?)));
    for (name, word) in expected.chain(special) {
        let reason = skipped.get(&name).unwrap_or_else(|| panic!("{name} was used: {skipped:?}"));
        assert!(reason.contains(word), "{name}: {reason}");
    }
    // The two drawn frames give what they give alone.
    assert!(rows(&out.join("findings.csv")).len() >= 3);
    no_number_is_none(&out);
    assert!(figures_in_bounds(&out) > 1000);
    let delivery = place.path().join("delivery");
    let words = ["deliver", out.to_str().unwrap(), "--out", delivery.to_str().unwrap(), "--quiet"];
    assert!(thermal(words).status.success());
    no_number_is_none(&delivery);
    assert!(figures_in_bounds(&delivery) > 50);
    // The same for tables and settings: a pipe must not be waited for.
    for name in ["irradiance.csv", "frames.csv", "layout.geojson", "inspection.toml"] {
        let (path, kept) = (folder.join(name), place.path().join("kept"));
        fs::rename(&path, &kept).unwrap();
        assert!(Command::new("mkfifo").arg(&path).status().unwrap().success());
        let again = place.path().join("again");
        let output = thermal(["inspect", folder.to_str().unwrap(), "--out", again.to_str().unwrap(), "--quiet"]);
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code() == Some(1) && said.contains(name) && said.contains("no ordinary file"), "{said}");
        fs::remove_file(&path).unwrap();
        fs::rename(&kept, &path).unwrap();
    }
}

#[test]
fn the_same_bytes_whatever_the_surroundings() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 3;
    scene::render(&spec, &folder).unwrap();
    let run = |folder: &Path, out: &Path, words: &[&str], variables: &[(&str, &str)]| {
        let mut command = Command::new(thermal_path());
        command.arg("inspect").arg(folder).arg("--out").arg(out).arg("--quiet").args(words);
        command.envs(variables.iter().copied());
        let output = command.output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let mut files = contents(out);
        let record: serde_json::Value = serde_json::from_slice(&files.remove(Path::new("run.json")).unwrap()).unwrap();
        (files, record)
    };
    let out = |name: &str| place.path().join(name);
    let (expected, record) = run(&folder, &out("one"), &["--threads", "1"], &[]);
    // What the run says of itself: version, settings with where each came from, digests of all inputs.
    assert_eq!(record["version"], env!("CARGO_PKG_VERSION"));
    let inputs: Vec<&str> = record["inputs"].as_array().unwrap().iter().map(|i| i["file"].as_str().unwrap()).collect();
    assert_eq!(inputs.len(), 3 + 4, "{inputs:?}");
    let settings = record["settings"].as_array().unwrap();
    assert!(settings.len() > 30 && settings.iter().all(|s| !s["source"].is_null()), "{:?}", settings[0]);
    assert!(run(&folder, &out("many"), &["--threads", "7"], &[]).0 == expected, "threads");
    let surroundings = [("LC_ALL", "de_DE.UTF-8"), ("LANG", "tr_TR.UTF-8"), ("TZ", "Asia/Kolkata"), ("COLUMNS", "40")];
    assert!(run(&folder, &out("elsewhere"), &[], &surroundings).0 == expected, "locale and time zone");
    // Another place with blanks and an umlaut in its path, the files laid down in another order.
    let moved = place.path().join("a plant, of Zoë's");
    fs::create_dir_all(moved.join("frames")).unwrap();
    let mut names: Vec<PathBuf> = contents(&folder).into_keys().collect();
    names.reverse();
    for name in &names {
        fs::copy(folder.join(name), moved.join(name)).unwrap();
    }
    assert!(run(&moved, &out("a run"), &[], &[]).0 == expected, "path");
    no_number_is_none(&out("one"));
    assert!(figures_in_bounds(&out("one")) > 1000);
    // The other build profile: `test.sh` makes it and names it here.
    let Some(release) = std::env::var_os("THERMAL_RELEASE") else {
        eprintln!("skipped: THERMAL_RELEASE names no release build to compare with");
        return;
    };
    let released = out("released");
    let output = Command::new(release).arg("inspect").arg(&folder).arg("--out").arg(&released).arg("--quiet").output();
    assert!(output.as_ref().unwrap().status.success(), "{}", String::from_utf8_lossy(&output.unwrap().stderr));
    let mut files = contents(&released);
    files.remove(Path::new("run.json"));
    let other: Vec<_> = expected.iter().filter(|(name, bytes)| files.get(*name) != Some(*bytes)).map(|e| e.0).collect();
    assert!(other.is_empty() && files.len() == expected.len(), "of the release build: {other:?}");
}

/// The corpora of the fuzz targets, and every input that once brought a reader down, are replayed.
#[test]
fn the_fuzz_corpora_are_replayed() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let corpora = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fuzz/corpus");
    let place = tempfile::tempdir().unwrap();
    let settings = Settings::default();
    let (mut files, mut bytes) = (0, 0);
    for (name, content) in contents(&corpora) {
        let what = name.display().to_string();
        files += 1;
        bytes += content.len();
        let kinds: &[&str] = match name.iter().next().and_then(|n| n.to_str()) {
            Some("tables") => {
                &["frames.csv", "irradiance.csv", "values.csv", "obstacles.csv", "findings.csv", "modules.csv"]
            }
            Some("texts") => &["inspection.toml", "layout.geojson", "findings.geojson", "run.json"],
            _ => &["frame"],
        };
        for kind in kinds {
            let _ = bounded(&what, &|| read_any(kind, &content, place.path(), &settings));
        }
    }
    assert!(files >= 20 && bytes < 5 << 20, "{files} files, {bytes} bytes");
}

/// Float and count rasters that hold what is no number come through the radiometry as gaps, not as figures.
#[test]
fn what_is_no_number_stays_a_gap() {
    let path = Path::new("f.tif");
    for value in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX] {
        let mut values = vec![30.0; 64 * 48];
        values[100] = value;
        let raster = decode(&tiff_f32(64, 48, &values), path, &Limits::default()).unwrap();
        assert!(matches!(raster.pixels, Pixels::F32(_)));
        let place = tempfile::tempdir().unwrap();
        fs::write(place.path().join("t.toml"), "[radiometry]\nencoding = \"celsius\"\n").unwrap();
        let settings = Settings::read(place.path().join("t.toml")).unwrap();
        let model = Model::of_frame(settings.radiometry.as_ref(), &Capture::default(), &raster.pixels).unwrap();
        match Converter::new(model).unwrap().thermogram(&raster.pixels, path) {
            Ok(thermogram) => {
                let bad = thermogram.celsius[[1, 36]];
                assert!(!bad.is_finite() || bad.abs() < 1e4, "{value}: {bad}");
                assert_eq!(thermogram.celsius.iter().filter(|t| (**t - 30.0).abs() < 1e-3).count(), 64 * 48 - 1);
            }
            Err(error) => assert!(error.to_string().contains("f.tif"), "{error}"),
        }
    }
}
