//! Damaged files of every kind that the program reads, given to the real binary by proptest: it never panics, never hangs,
//! and where it gives up it names the file. Readers alone, in greater number, are tried in `hostile.rs`.
#![allow(missing_docs)]

use std::cell::Cell;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestError, TestRng, TestRunner};
use thermal_core::scene;
use thermal_tests::program::thermal_path;

/// For the slowest job on a loaded machine; a loop without end is longer.
const MAX_TIME: Duration = Duration::from_secs(60);
/// Damaged files tried of each kind by default; `THERMAL_MUTATIONS=10000` tries so many over all kinds.
const CASES: usize = 3;

/// What must come of a damaged file.
#[derive(Clone, Copy, PartialEq)]
enum Expected {
    /// It is read as far as it makes sense, or refused by its name.
    Named,
    /// The program wrote it, with digests: it is refused by its name whatever was changed.
    Refused,
}
use Expected::{Named, Refused};

const INSPECT: &str = "inspect quarry --out again --no-evidence";
const RESUME: &str = "inspect quarry --out again --no-evidence --resume --threads 1";
const CHECK: &str = "fieldcheck quarry --out check";
const PREPARE: &str = "prepare bare --no-questions";
const PLAN: &str = "plan --site quarry --area area.geojson --obstacles obstacles.csv --date 2026-06-18 --out again";
const READINGS: &str = "readings meter --values values.csv --out log.csv --utc-offset +02:00";
const APPLY: &str = "review run --apply decisions.csv --reviewer Ada";
const DELIVER: &str = "deliver run --out again";
const VERIFY: &str = "deliver --verify bundle";
const COMPARE: &str = "compare earlier run --out again";
const GATHER: &str = "gather again part1 part2";

/// A file that is read and the command that reads it, both relative to the folder that [`prepared`] lays down.
const KINDS: [(&str, &str, Expected); 36] = [
    ("quarry/frames/frame_0001.tif", INSPECT, Named),
    ("quarry/frames/frame_0001.tif", CHECK, Named),
    ("bare/frames/frame_0001.tif", PREPARE, Named),
    ("quarry/frames.csv", INSPECT, Named),
    ("quarry/frames.csv", CHECK, Named),
    ("bare/frames.csv", PREPARE, Named),
    ("quarry/irradiance.csv", INSPECT, Named),
    ("quarry/irradiance.csv", CHECK, Named),
    ("quarry/layout.geojson", INSPECT, Named),
    ("bare/layout.geojson", PREPARE, Named),
    ("quarry/inspection.toml", INSPECT, Named),
    ("quarry/inspection.toml", PLAN, Named),
    ("area.geojson", PLAN, Named),
    ("obstacles.csv", PLAN, Named),
    ("meter/m1.jpg", READINGS, Named),
    ("values.csv", READINGS, Named),
    ("log.csv", READINGS, Named),
    ("check/fieldcheck.cache", CHECK, Named),
    (".again.journal", RESUME, Named),
    ("part1/part.json", GATHER, Named),
    ("part1/frames.reports", GATHER, Refused),
    ("decisions.csv", APPLY, Named),
    ("run/decisions.jsonl", APPLY, Named),
    ("run/decisions.jsonl", DELIVER, Named),
    ("run/run.json", DELIVER, Named),
    ("run/run.json", COMPARE, Named),
    ("run/findings.csv", DELIVER, Refused),
    ("run/findings.geojson", COMPARE, Refused),
    ("run/modules.csv", DELIVER, Refused),
    ("run/modules.geojson", COMPARE, Refused),
    ("run/unseen.csv", DELIVER, Refused),
    ("run/skipped.csv", DELIVER, Refused),
    ("run/evidence/F0001.png", DELIVER, Refused),
    ("bundle/SHA256SUMS", VERIFY, Named),
    ("bundle/findings.csv", VERIFY, Refused),
    ("bundle/findings.xlsx", VERIFY, Refused),
];

#[derive(Debug, Clone)]
enum Damage {
    Flip { place: f64, bit: u8 },
    Cut { place: f64 },
    Swap { a: f64, b: f64 },
    Number { place: f64, digits: &'static str },
}

fn damage() -> impl Strategy<Value = Damage> {
    let huge = ["1e308", "-1e308", "NaN", "inf", "18446744073709551616", "-9223372036854775809", "0", "1e-320"];
    prop_oneof![
        (0.0..1.0, 0u8..8).prop_map(|(place, bit)| Damage::Flip { place, bit }),
        (0.0..1.0).prop_map(|place| Damage::Cut { place }),
        (0.0..1.0, 0.0..1.0).prop_map(|(a, b)| Damage::Swap { a, b }),
        (0.0..1.0, prop::sample::select(huge.to_vec())).prop_map(|(place, digits)| Damage::Number { place, digits }),
    ]
}

fn at(place: f64, length: usize) -> usize {
    ((place * length as f64) as usize).min(length.saturating_sub(1))
}

impl Damage {
    fn apply(&self, bytes: &mut Vec<u8>) {
        if bytes.is_empty() {
            return;
        }
        match self {
            Self::Flip { place, bit } => {
                // Half of the flips fall on the head, where sizes and offsets stand.
                let reach = if *bit < 4 { bytes.len().min(400) } else { bytes.len() };
                bytes[at(*place, reach)] ^= 1 << bit;
            }
            Self::Cut { place } => bytes.truncate(at(*place, bytes.len())),
            Self::Swap { a, b } => {
                let mut lines: Vec<&[u8]> = bytes.split_inclusive(|byte| *byte == b'\n').collect();
                let (a, b) = (at(*a, lines.len()), at(*b, lines.len()));
                lines.swap(a, b);
                *bytes = lines.concat();
            }
            Self::Number { place, digits } => {
                let is_part = |byte: &u8| byte.is_ascii_digit() || *byte == b'.';
                let from = at(*place, bytes.len());
                let Some(start) = bytes[from..].iter().position(is_part).map(|k| from + k) else { return };
                let end = bytes[start..].iter().position(|b| !is_part(b)).map_or(bytes.len(), |k| start + k);
                bytes.splice(start..end, digits.bytes());
            }
        }
    }
}

/// Runs in `place` within the time; the exit code and what was said.
fn run(words: &str, place: &Path) -> (Option<i32>, String) {
    let path = place.join("said.txt");
    let said = fs::File::create(&path).unwrap();
    let mut child = Command::new(thermal_path())
        .args(words.split(' '))
        .current_dir(place)
        .stdin(Stdio::null())
        .stdout(said.try_clone().unwrap())
        .stderr(said)
        .spawn()
        .unwrap();
    let began = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if began.elapsed() > MAX_TIME {
            child.kill().unwrap();
            child.wait().unwrap();
            return (None, format!("{words}: not done after {MAX_TIME:?}"));
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    (status.code(), String::from_utf8_lossy(&fs::read(&path).unwrap()).into_owned())
}

/// A small flight and what every command leaves of it, and the journal of a run that was killed.
fn prepared(place: &Path) {
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    scene::render(&spec, &place.join("quarry")).unwrap();
    copy(&place.join("quarry"), &place.join("bare"));
    fs::remove_file(place.join("bare/inspection.toml")).unwrap();
    fs::copy(place.join("quarry/layout.geojson"), place.join("area.geojson")).unwrap();
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/meter"), &place.join("meter"));
    let write = |name: &str, text: &str| fs::write(place.join(name), text).unwrap();
    write("obstacles.csv", "name,lat,lon,height_m\nmast,39.5001,-3.5001,18\n\"tree, tall\",39.5002,-3.4999,12.5\n");
    write("values.csv", "photo,poa_w_m2,air_temp_c\nm1.jpg,812,24\nm2.jpg,795.5,24\n");
    let done = |words: &str| {
        let (code, said) = run(words, place);
        assert!(matches!(code, Some(0 | 3)), "{words}: {said}");
    };
    done("inspect quarry --out earlier --no-evidence");
    done("inspect quarry --out run");
    done("inspect quarry --part 1/2 --out part1");
    done("inspect quarry --part 2/2 --out part2");
    done(CHECK);
    done(READINGS);
    write("values.csv", "photo,poa_w_m2,air_temp_c\nm1.jpg,812,24\nm2.jpg,795.5,24\nm3.jpg,905,25\n");
    write("decisions.csv", "finding,decision,note\nF0001,confirmed,seen 2 times\n");
    done(APPLY);
    done("deliver run --out bundle --no-zip");
    write("decisions.csv", "finding,decision,reason,note\nF0001,confirmed,,seen 3 times\nF0002,dismissed,dirt,\n");
    let journal = place.join(".again.journal");
    let mut killed = Command::new(thermal_path());
    killed.args(RESUME.split(' ')).current_dir(place).stdout(Stdio::null()).stderr(Stdio::null());
    let mut child = killed.spawn().unwrap();
    while !fs::metadata(&journal).is_ok_and(|m| m.len() > 1000) {
        assert!(child.try_wait().unwrap().is_none(), "the run ended before it could be killed");
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

fn copy(from: &Path, to: &Path) {
    assert!(Command::new("cp").arg("-rp").arg(from).arg(to).status().unwrap().success());
}

/// Damages a file of `sound` in as many ways as the config says, each time in a copy at `place`, and runs the command that
/// reads it; how many were refused.
fn tried(kind: usize, sound: &Path, place: &Path, config: &Config) -> usize {
    let (file, words, expected) = KINDS[kind];
    let refused = Cell::new(0);
    // The same damage each time: what fails once fails again.
    let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &[kind as u8; 32]);
    let mut runner = TestRunner::new_with_rng(config.clone(), rng);
    let result = runner.run(&prop::collection::vec(damage(), 1..4), |damages| {
        let _ = fs::remove_dir_all(place);
        copy(sound, place);
        let kept = fs::read(place.join(file)).unwrap();
        let mut bytes = kept.clone();
        for damage in &damages {
            damage.apply(&mut bytes);
        }
        fs::write(place.join(file), &bytes).unwrap();
        if words != RESUME {
            fs::remove_file(place.join(".again.journal")).unwrap();
        }
        let (code, said) = run(words, place);
        prop_assert!(!said.contains("panicked"), "{file}: {said}");
        prop_assert!(matches!(code, Some(0 | 1 | 3)), "{file}: {code:?}: {said}");
        let must = expected == Refused && bytes != kept;
        prop_assert!(code != Some(0) || !must, "{file} was changed and taken: {said}");
        if code == Some(1) || must {
            refused.set(refused.get() + 1);
            let name = Path::new(file).file_name().unwrap().to_string_lossy();
            // A digest in the record that is no longer that of a file: which of the two was changed is not known.
            let disagrees = name == "run.json" && said.contains("it was changed after the run");
            prop_assert!(said.contains(&*name) || disagrees, "{file}: {said}");
        }
        Ok(())
    });
    match result {
        Ok(()) => refused.get(),
        Err(TestError::Fail(reason, damages)) => panic!("{file}, {words}: {damages:?}: {reason}"),
        Err(TestError::Abort(reason)) => panic!("{reason}"),
    }
}

#[test]
fn damage_to_any_file_is_told_by_its_name_and_nothing_panics() {
    let folder = tempfile::tempdir().unwrap();
    let sound = folder.path().join("sound");
    fs::create_dir(&sound).unwrap();
    prepared(&sound);
    let asked = std::env::var("THERMAL_MUTATIONS").ok().and_then(|n| n.parse::<usize>().ok());
    let cases = asked.map_or(CASES, |all| all / KINDS.len()) as u32;
    let config = Config { cases, failure_persistence: None, max_shrink_iters: 40, ..Config::default() };
    let (next, refused) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let hands = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for hand in 0..hands {
            let place = folder.path().join(format!("tried{hand}"));
            let (sound, config, next, refused) = (&sound, &config, &next, &refused);
            scope.spawn(move || {
                loop {
                    let kind = next.fetch_add(1, Ordering::Relaxed);
                    if kind >= KINDS.len() {
                        break;
                    }
                    refused.fetch_add(tried(kind, sound, &place, config), Ordering::Relaxed);
                }
            });
        }
    });
    let refused = refused.into_inner();
    // Where nothing is refused, nothing was damaged.
    eprintln!("{} damaged files, {refused} refused", KINDS.len() * cases as usize);
    assert!(refused >= KINDS.len() * cases as usize / 4, "{refused} refused");
}
