//! A run that is killed, changed or spread over parts comes to the same bytes as one that is not; through the real binary.
#![allow(missing_docs)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use thermal_core::scene::{self, Spec};
use thermal_tests::plant::Rng;
use thermal_tests::program::{contents, thermal, thermal_path};

const FRAMES: usize = 6;

/// The demo plant with a few frames, flown once for a test.
fn flown(place: &Path) -> PathBuf {
    let folder = place.join("plant");
    let mut spec: Spec = scene::demo_spec();
    spec.flight.frames = FRAMES;
    scene::render(&spec, &folder).unwrap();
    folder
}

/// Runs the program; its exit code and what it said on stderr.
fn run(args: &[&Path], words: &[&str]) -> (i32, String) {
    let args = args.iter().map(|p| p.as_os_str().to_owned()).chain(words.iter().map(Into::into));
    let output = thermal(args);
    (output.status.code().unwrap_or(-1), String::from_utf8_lossy(&output.stderr).into_owned())
}

/// All files of a run but the record, which alone holds times and the command line.
fn result(out: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = contents(out);
    assert!(files.remove(Path::new("run.json")).is_some() && files.len() >= 6, "{:?}", files.keys());
    files
}

/// Names beside a run that begin with a point: what is not yet, or no longer, a run.
fn hidden(place: &Path) -> Vec<String> {
    let names = fs::read_dir(place).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned());
    names.filter(|n| n.starts_with('.')).collect()
}

/// Starts a run on one thread and kills it (SIGKILL) as soon as `due` says so; whether it had not ended before.
fn killed(folder: &Path, out: &Path, due: impl Fn() -> bool) -> bool {
    let mut child = Command::new(thermal_path())
        .args([Path::new("inspect"), folder, Path::new("--out"), out])
        .args(["--threads", "1", "--resume"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    while !due() && child.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(1));
    }
    let in_time = child.try_wait().unwrap().is_none();
    let _ = child.kill();
    child.wait().unwrap();
    in_time
}

/// Whether a journal holds at least `bytes`.
fn holds(journal: &Path, bytes: u64) -> bool {
    fs::metadata(journal).is_ok_and(|m| m.len() >= bytes)
}

#[test]
fn a_run_killed_at_any_moment_goes_on_to_the_same_bytes() {
    let place = tempfile::tempdir().unwrap();
    let folder = flown(place.path());
    let whole = place.path().join("whole");
    let began = Instant::now();
    let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), &whole], &["--threads", "1"]);
    assert_eq!(code, 0, "{said}");
    let time = began.elapsed();
    let expected = result(&whole);
    let mut rng = Rng(11);
    let (mut kills, mut taken_over) = (0, 0);
    for round in 0..3 {
        let out = place.path().join(format!("run {round}"));
        let journal = place.path().join(format!(".run {round}.journal"));
        for _ in 0..2 {
            let (began, after) = (Instant::now(), time.mul_f64(rng.within(0.05, 0.8)));
            kills += u32::from(killed(&folder, &out, || began.elapsed() >= after));
        }
        if out.exists() {
            // Faster than it was timed, with other tests beside it.
            assert_eq!(result(&out), expected);
            fs::remove_dir_all(&out).unwrap();
        }
        // A moment told by the work that is done comes on a machine of any speed.
        let bytes = rng.within(10_000.0, 40_000.0) as u64;
        kills += u32::from(killed(&folder, &out, || holds(&journal, bytes)));
        // The last one must not be stopped by what the killed ones left, half entries included.
        if journal.exists() {
            let mut bytes = fs::read(&journal).unwrap();
            bytes.extend([200, 1, 0, 0, 7, 7, 7, 7, 1, 2, 3]);
            fs::write(&journal, bytes).unwrap();
        }
        if out.exists() {
            // It ended before it could be killed.
            assert_eq!(result(&out), expected);
            continue;
        }
        let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), &out], &["--resume"]);
        assert_eq!(code, 0, "{said}");
        let kept = said.lines().find_map(|l| l.strip_suffix(" frames taken over from the stopped run"));
        taken_over += kept.and_then(|k| k.parse::<usize>().ok()).unwrap_or(0);
        assert_eq!(result(&out), expected);
    }
    assert!(kills > 0 && taken_over > 0, "{kills} kills, {taken_over} frames taken over");
    assert!(hidden(place.path()).is_empty(), "{:?}", hidden(place.path()));
}

#[test]
fn what_changed_since_the_stop_is_done_again() {
    let place = tempfile::tempdir().unwrap();
    let folder = flown(place.path());
    let (out, journal) = (place.path().join("run"), place.path().join(".run.journal"));
    let stop = || {
        let _ = fs::remove_dir_all(&out);
        let _ = fs::remove_file(&journal);
        // The head line is shorter, three reports are longer than this.
        assert!(killed(&folder, &out, || holds(&journal, 30_000)), "the run ended before it could be killed");
        assert!(!out.exists());
    };
    let go_on = |kept_at_least: usize, kept_at_most: usize| {
        let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), &out], &["--resume"]);
        assert_eq!(code, 0, "{said}");
        let kept: usize =
            said.lines().find_map(|l| l.strip_suffix(" frames taken over from the stopped run")?.parse().ok()).unwrap();
        assert!((kept_at_least..=kept_at_most).contains(&kept), "{said}");
        let fresh = place.path().join("fresh");
        let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), &fresh], &["--force"]);
        assert_eq!(code, 0, "{said}");
        assert_eq!(result(&out), result(&fresh));
    };
    let toml = folder.join("inspection.toml");
    let before = fs::read_to_string(&toml).unwrap();

    // Without a word the work of the stopped run is neither used nor lost.
    stop();
    let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), &out], &[]);
    assert_eq!(code, 2);
    assert!(said.contains("--resume to go on") && said.contains("--force"), "{said}");

    // Limits of severity do not touch the frames.
    fs::write(&toml, format!("{before}\n[severity]\nmarked_spot_k = 9.0\n")).unwrap();
    go_on(1, FRAMES - 1);

    // Another emissivity makes every temperature another.
    fs::write(&toml, &before).unwrap();
    stop();
    assert!(before.contains("[radiometry]") && !before.contains("emissivity"), "{before}");
    fs::write(&toml, before.replace("[radiometry]", "[radiometry]\nemissivity = 0.85\nreflected_c = 5.0")).unwrap();
    go_on(0, 0);

    // One frame is another.
    fs::write(&toml, &before).unwrap();
    stop();
    let mut names: Vec<PathBuf> = fs::read_dir(folder.join("frames")).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    fs::copy(&names[3], &names[0]).unwrap();
    let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), &out], &["--resume"]);
    assert_eq!(code, 0, "{said}");
    assert!(said.contains("1 frames done again"), "{said}");
}

#[test]
fn parts_gathered_equal_the_single_run() {
    let place = tempfile::tempdir().unwrap();
    let folder = flown(place.path());
    let inspect = |out: &Path, words: &[&str]| {
        let (code, said) = run(&[Path::new("inspect"), &folder, Path::new("--out"), out], words);
        assert_eq!(code, 0, "{said}");
    };
    let whole = place.path().join("whole");
    inspect(&whole, &[]);
    let expected = result(&whole);
    for of in [1, 3] {
        let parts: Vec<PathBuf> = (1..=of).map(|k| place.path().join(format!("part {k} of {of}"))).collect();
        for (k, part) in parts.iter().enumerate() {
            inspect(part, &["--part", &format!("{}/{of}", k + 1)]);
        }
        let out = place.path().join(format!("gathered {of}"));
        let mut args = vec![Path::new("gather"), &out];
        args.extend(parts.iter().rev().map(PathBuf::as_path));
        let (code, said) = run(&args, &[]);
        assert_eq!(code, 0, "{said}");
        assert_eq!(result(&out), expected);
    }

    let part = |k: usize| place.path().join(format!("part {k} of 3"));
    let out = place.path().join("never");
    let refused = |parts: &[PathBuf], words: &[&str]| {
        let mut args = vec![Path::new("gather"), &out];
        args.extend(parts.iter().map(PathBuf::as_path));
        let (code, said) = run(&args, &[]);
        assert!(code == 1 || code == 2, "{said}");
        for word in words {
            assert!(said.contains(word), "{said}");
        }
        assert!(!out.exists());
    };
    refused(&[part(1), part(3)], &["missing: part 2/3", "inspect --part"]);
    refused(&[part(1), part(2), part(3), part(2)], &["part 2 is given twice"]);
    refused(&[part(1), place.path().join("part 1 of 1")], &["given twice"]);
    refused(&[part(2), place.path().join("part 1 of 1")], &["part of 1"]);
    refused(&[part(1), whole.clone()], &["part.json"]);
    // Of another version, by what the part says of itself.
    let record = part(2).join("part.json");
    let sound = fs::read_to_string(&record).unwrap();
    let version = format!("\"version\": \"{}\"", env!("CARGO_PKG_VERSION"));
    assert!(sound.contains(&version));
    fs::write(&record, sound.replace(&version, "\"version\": \"0.0.9\"")).unwrap();
    refused(&[part(1), part(2), part(3)], &["version 0.0.9", "--part 2/3"]);
    fs::write(&record, &sound).unwrap();
    // A part that was cut off on its way.
    let reports = part(3).join("frames.reports");
    let bytes = fs::read(&reports).unwrap();
    fs::write(&reports, &bytes[..bytes.len() - 5]).unwrap();
    refused(&[part(1), part(2), part(3)], &["frames.reports", "damaged or cut off"]);
    fs::write(&reports, &bytes).unwrap();
    // Other settings, or another list of frames, than those of the parts.
    let toml = folder.join("inspection.toml");
    let before = fs::read_to_string(&toml).unwrap();
    fs::write(&toml, before.replace("[radiometry]", "[radiometry]\nemissivity = 0.85")).unwrap();
    refused(&[part(1), part(2), part(3)], &["other settings"]);
    fs::write(&toml, &before).unwrap();
    fs::write(folder.join("frames/zz.tif"), b"II*\0").unwrap();
    refused(&[part(1), part(2), part(3)], &["another list of frames"]);
}

#[test]
fn a_part_is_written_k_of_n() {
    for wrong in ["0/3", "4/3", "2", "a/b", "1/0"] {
        let output = thermal(["inspect", "nowhere", "--out", "out", "--part", wrong]);
        assert_eq!(output.status.code(), Some(2), "{wrong}");
        assert!(String::from_utf8_lossy(&output.stderr).contains("K/N with K from 1 to N"));
    }
}
