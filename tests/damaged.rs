//! Damaged files of every kind that the program reads, given to the real binary by proptest: it never panics, never hangs,
//! and where it gives up it names the file. Readers alone, in greater number, are tried in `hostile.rs`.
#![allow(missing_docs)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestError, TestRng, TestRunner};
use thermal_core::scene;
use thermal_tests::program::thermal_path;

/// For the slowest job on a loaded machine; a loop without end is longer.
const MAX_TIME: Duration = Duration::from_secs(20);
/// Damaged files tried by default, over all kinds in turn.
const CASES: u32 = 110;

/// A file that is read and the command that reads it, both relative to the folder that [`prepared`] lays down.
const KINDS: [(&str, &[&str]); 13] = [
    ("quarry/frames/frame_0001.tif", &["inspect", "quarry", "--out", "again", "--no-evidence"]),
    ("quarry/frames.csv", &["inspect", "quarry", "--out", "again", "--no-evidence"]),
    ("quarry/irradiance.csv", &["inspect", "quarry", "--out", "again", "--no-evidence"]),
    ("quarry/layout.geojson", &["inspect", "quarry", "--out", "again", "--no-evidence"]),
    ("quarry/inspection.toml", &["inspect", "quarry", "--out", "again", "--no-evidence"]),
    ("decisions.csv", &["review", "run", "--apply", "decisions.csv", "--reviewer", "Ada"]),
    ("run/decisions.jsonl", &["deliver", "run", "--out", "again"]),
    ("run/findings.csv", &["compare", "earlier", "run", "--out", "again"]),
    ("run/modules.csv", &["compare", "earlier", "run", "--out", "again"]),
    ("run/run.json", &["compare", "earlier", "run", "--out", "again"]),
    ("part1/frames.reports", &["gather", "again", "part1", "part2"]),
    ("part1/part.json", &["gather", "again", "part1", "part2"]),
    (".again.journal", &["inspect", "quarry", "--out", "again", "--no-evidence", "--resume", "--threads", "1"]),
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
fn run(words: &[&str], place: &Path) -> (Option<i32>, String) {
    let errors = place.join("said.txt");
    let mut child = Command::new(thermal_path())
        .args(words)
        .current_dir(place)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(fs::File::create(&errors).unwrap())
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
            return (None, format!("{words:?}: not done after {MAX_TIME:?}"));
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    (status.code(), String::from_utf8_lossy(&fs::read(&errors).unwrap()).into_owned())
}

/// A small flight, its run twice, decisions, two parts and the journal of a run that was killed.
fn prepared(place: &Path) {
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    scene::render(&spec, &place.join("quarry")).unwrap();
    let done = |words: &[&str]| {
        let (code, said) = run(words, place);
        assert_eq!(code, Some(0), "{words:?}: {said}");
    };
    for out in ["earlier", "run"] {
        done(&["inspect", "quarry", "--out", out, "--no-evidence"]);
    }
    done(&["inspect", "quarry", "--part", "1/2", "--out", "part1"]);
    done(&["inspect", "quarry", "--part", "2/2", "--out", "part2"]);
    done(&["review", "run", "--export", "decisions.csv"]);
    let table = fs::read_to_string(place.join("decisions.csv")).unwrap();
    let mut table = csv::Reader::from_reader(table.as_bytes());
    let finding = table.records().next().unwrap().unwrap()[0].to_owned();
    fs::write(place.join("decisions.csv"), format!("finding,decision,note\n{finding},confirmed,seen 2 times\n"))
        .unwrap();
    done(&["review", "run", "--apply", "decisions.csv", "--reviewer", "Ada"]);
    let journal = place.join(".again.journal");
    let words = ["inspect", "quarry", "--out", "again", "--no-evidence", "--threads", "1"];
    let mut child = Command::new(thermal_path()).args(words).current_dir(place).stderr(Stdio::null()).spawn().unwrap();
    while !fs::metadata(&journal).is_ok_and(|m| m.len() > 1000) {
        assert!(child.try_wait().unwrap().is_none(), "the run ended before it could be killed");
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

fn copy(from: &Path, to: &Path) {
    assert!(Command::new("cp").arg("-r").arg(from).arg(to).status().unwrap().success());
}

#[test]
fn damage_to_any_file_is_told_by_its_name_and_nothing_panics() {
    let folder = tempfile::tempdir().unwrap();
    let sound = folder.path().join("sound");
    fs::create_dir(&sound).unwrap();
    prepared(&sound);
    let strategy = (0..KINDS.len(), prop::collection::vec(damage(), 1..4));
    let config = Config { cases: CASES, failure_persistence: None, max_shrink_iters: 40, ..Config::default() };
    // The same damage each time: what fails once fails again.
    let mut runner = TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    let refused = std::cell::Cell::new(0);
    let result = runner.run(&strategy, |(kind, damages)| {
        let place: PathBuf = folder.path().join("tried");
        let _ = fs::remove_dir_all(&place);
        copy(&sound, &place);
        let (file, words) = KINDS[kind];
        let mut bytes = fs::read(place.join(file)).unwrap();
        for damage in &damages {
            damage.apply(&mut bytes);
        }
        fs::write(place.join(file), &bytes).unwrap();
        if !words.contains(&"--resume") {
            fs::remove_file(place.join(".again.journal")).unwrap();
        }
        let (code, said) = run(words, &place);
        prop_assert!(!said.contains("panicked"), "{file}: {said}");
        prop_assert!(matches!(code, Some(0 | 1 | 3)), "{file}: {code:?}: {said}");
        if code == Some(1) {
            refused.set(refused.get() + 1);
            let name = Path::new(file).file_name().unwrap().to_string_lossy();
            prop_assert!(said.contains(&*name), "{file}: {said}");
        }
        Ok(())
    });
    match result {
        Ok(()) => {}
        Err(TestError::Fail(reason, (kind, damages))) => panic!("{}: {damages:?}: {reason}", KINDS[kind].0),
        Err(TestError::Abort(reason)) => panic!("{reason}"),
    }
    // Where nothing is refused, nothing was damaged.
    assert!(refused.get() >= CASES as usize / 10, "{} refused", refused.get());
}
