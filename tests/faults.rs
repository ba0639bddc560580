//! Kills, full disks, missing rights and sources that fail part-way: inputs stay untouched, no half-written file bears a
//! final name, what was said saved is there, and going on ends with the bytes of an undisturbed run.
//!
//! The faults are made by `shim/fault.c`, preloaded into the real binary: it counts system calls and fails one, or kills
//! the program before it. `THERMAL_FAULTS=200` tries so many moments a case; the default is a sample.
#![allow(missing_docs)]
#![cfg(target_os = "linux")]

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use thermal_core::scene;
use thermal_tests::plant::Rng;
use thermal_tests::program::{contents, rows, shim, thermal_path};

type Files = BTreeMap<PathBuf, Vec<u8>>;

/// Errors of Linux, `asm-generic/errno-base.h`.
const EIO: i32 = 5;
const ENOSPC: i32 = 28;
const EROFS: i32 = 30;

/// Moments to try in a case.
fn moments(sample: usize) -> usize {
    std::env::var("THERMAL_FAULTS").ok().and_then(|n| n.parse().ok()).unwrap_or(sample)
}

/// A plant of two frames, as an inspection folder, and its undisturbed run.
struct Plant {
    place: tempfile::TempDir,
    folder: PathBuf,
    sources: Files,
    expected: Files,
}

fn plant() -> Plant {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("plant");
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    scene::render(&spec, &folder).unwrap();
    let sources = contents(&folder);
    let whole = place.path().join("whole");
    let output = inspect(&folder, &whole, &[]).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let expected = result(&whole);
    assert!(expected.keys().filter(|name| name.starts_with("evidence")).count() >= 3, "{:?}", expected.keys());
    Plant { place, folder, sources, expected }
}

fn inspect(folder: &Path, out: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(thermal_path());
    command.arg("inspect").arg(folder).arg("--out").arg(out).args(["--threads", "1"]).args(words);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Fails the calls `call` on paths that hold `part`, `times` from number `at` on, with `error`; 0 kills.
fn faulty<'a>(
    command: &'a mut Command,
    call: &str,
    part: &Path,
    at: usize,
    times: usize,
    error: i32,
) -> &'a mut Command {
    command.env("LD_PRELOAD", shim("fault")).env("FAULT_CALL", call).env("FAULT_PATH", part);
    command.env("FAULT_AT", at.to_string()).env("FAULT_TIMES", times.to_string()).env("FAULT_ERRNO", error.to_string())
}

/// How many calls an undisturbed run makes.
fn calls(command: &mut Command, call: &str, part: &Path, place: &Path) -> usize {
    let count = place.join("count");
    let output = faulty(command, call, part, usize::MAX >> 2, 1, EIO).env("FAULT_COUNT", &count).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let calls = fs::read_to_string(count).unwrap().parse().unwrap();
    assert!(calls > 20, "{calls}");
    calls
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// All files of a run but its record, which alone holds times and the command line.
fn result(out: &Path) -> Files {
    let mut files = contents(out);
    assert!(files.remove(Path::new("run.json")).is_some(), "{:?}", files.keys());
    files
}

/// Nothing of a run stands under the final name, or all of it.
fn nothing_or_all(out: &Path, all: &[&Files], what: &str) {
    if out.exists() {
        let mut there = result(out);
        // Of the last moment, when all is in its place.
        there.remove(Path::new(".lock"));
        assert!(all.iter().any(|files| **files == there), "{what}: {:?}", there.keys());
    }
}

/// A fault must be told on one line of stderr that names what failed; never a panic.
fn told(output: &Output, words: &[&str], what: &str) {
    let text = said(output);
    let stopped = output.status.code() != Some(3);
    assert!(!text.contains("panicked") && (!stopped || text.contains("thermal: ")), "{what}: {text}");
    // The database of the map layer has its own words for it.
    let text = text.replace("site.gpkg: GeoPackage: ", "site.gpkg: No space left on device: ");
    assert!(words.iter().all(|word| text.contains(word)), "{what}: {text}");
}

#[test]
fn inspect_killed_or_on_a_full_disk_goes_on_to_the_same_bytes() {
    let plant = plant();
    let place = plant.place.path();
    let calls = calls(&mut inspect(&plant.folder, &place.join("counted"), &[]), "write", place, place);
    let mut rng = Rng(5);
    let (mut stopped, mut finished) = (0, 0);
    for round in 0..moments(10) {
        let out = place.join(format!("run {round}"));
        let error = if round % 2 == 0 { 0 } else { ENOSPC };
        // Once or twice before it is let through.
        for _ in 0..=round % 3 / 2 {
            let at = (rng.within(1.0, calls as f64 + 1.0)) as usize;
            let what = format!("round {round}, call {at} of {calls}, error {error}");
            let resume: &[&str] = &["--resume"];
            let output = faulty(&mut inspect(&plant.folder, &out, resume), "write", place, at, usize::MAX >> 2, error)
                .output()
                .unwrap();
            stopped += usize::from(!output.status.success());
            nothing_or_all(&out, &[&plant.expected], &what);
            if error != 0 && !output.status.success() {
                assert_eq!(output.status.code(), Some(1), "{what}");
                told(&output, &["No space left on device"], &what);
            }
        }
        finished += usize::from(out.exists());
        let output = inspect(&plant.folder, &out, &["--resume"]).output().unwrap();
        assert!(output.status.success(), "round {round}: {}", said(&output));
        assert!(result(&out) == plant.expected, "round {round}");
        fs::remove_dir_all(out).unwrap();
    }
    assert!(stopped * 3 > moments(10) * 2, "{stopped} of {} were stopped", moments(10));
    eprintln!("{stopped} faults, {finished} after the run was in its place");
    assert!(contents(&plant.folder) == plant.sources);
    let left: Vec<_> = fs::read_dir(place).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|name| ["plant", "whole", "counted", "count"].iter().any(|n| name == n)), "{left:?}");
}

#[test]
fn a_run_is_replaced_in_one_moment() {
    let plant = plant();
    let place = plant.place.path();
    let out = place.join("out");
    let again = place.join("again");
    // Another result: other limits of severity.
    let toml = plant.folder.join("inspection.toml");
    let before = fs::read_to_string(&toml).unwrap();
    fs::write(&toml, format!("{before}\n[severity]\ngrave_spot_k = 60.0\nsafety_spot_k = 70.0\n")).unwrap();
    assert!(inspect(&plant.folder, &out, &[]).output().unwrap().status.success());
    let old = result(&out);
    assert!(old != plant.expected);
    fs::write(&toml, before).unwrap();
    assert!(inspect(&plant.folder, &again, &[]).output().unwrap().status.success());
    let mut counted = inspect(&plant.folder, &again, &["--force"]);
    let calls = calls(&mut counted, "write", place, place);
    let mut rng = Rng(6);
    // The moments of the exchange, which are the last, and some others.
    let last = (calls.saturating_sub(6)..=calls).chain((0..moments(3)).map(|_| rng.within(1.0, calls as f64) as usize));
    for (round, at) in last.enumerate() {
        let error = if round % 2 == 0 { 0 } else { ENOSPC };
        let mut command = inspect(&plant.folder, &out, &["--force"]);
        let output = faulty(&mut command, "write", place, at, usize::MAX >> 2, error).output().unwrap();
        let what = format!("call {at} of {calls}, error {error}: {}", said(&output));
        assert!(out.exists(), "{what}");
        nothing_or_all(&out, &[&old, &plant.expected], &what);
    }
    let output = inspect(&plant.folder, &out, &["--resume", "--force"]).output().unwrap();
    assert!(output.status.success() && result(&out) == plant.expected, "{}", said(&output));
}

fn deliver(run: &Path, out: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(thermal_path());
    command.arg("deliver").arg(run).arg("--out").arg(out).args(words);
    command
}

#[test]
fn deliver_stands_whole_or_not_at_all() {
    let plant = plant();
    let place = plant.place.path();
    let run = place.join("whole");
    let out = place.join("delivery");
    let zip = place.join("delivery.zip");
    assert!(deliver(&run, &out, &[]).output().unwrap().status.success());
    let (old, old_zip) = (contents(&out), fs::read(&zip).unwrap());
    let decide = |name: &str| {
        let table = place.join("decisions.csv");
        fs::write(&table, format!("finding,decision,reason\n{name},dismissed,dirt\n")).unwrap();
        let mut review = Command::new(thermal_path());
        let output = review.arg("review").arg(&run).arg("--apply").arg(&table).args(["--reviewer", "Ada"]);
        assert!(output.output().unwrap().status.success());
    };
    decide("F0001");
    let again = place.join("again");
    let calls = calls(&mut deliver(&run, &again, &[]), "write", place, place);
    let (new, new_zip) = (contents(&again), fs::read(place.join("again.zip")).unwrap());
    assert!(new != old && new_zip != old_zip);
    // The same files under another name of the folder in the zip.
    let zipped = |bytes: &[u8]| {
        let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
        let mut files = Files::new();
        for k in 0..archive.len() {
            let mut file = archive.by_index(k).unwrap();
            let name = PathBuf::from(file.name().unwrap().into_owned()).components().skip(1).collect();
            let mut bytes = Vec::new();
            file.read_to_end(&mut bytes).unwrap();
            files.insert(name, bytes);
        }
        files
    };
    let mut rng = Rng(7);
    let sample = (calls - 8..=calls).step_by(2).chain((0..moments(8)).map(|_| rng.within(1.0, calls as f64) as usize));
    for (round, at) in sample.enumerate() {
        let error = if round % 2 == 0 { 0 } else { ENOSPC };
        let mut command = deliver(&run, &out, &["--force"]);
        let output = faulty(&mut command, "write", place, at, usize::MAX >> 2, error).output().unwrap();
        let what = format!("call {at} of {calls}, error {error}: {}", said(&output));
        let mut there = contents(&out);
        there.remove(Path::new(".lock"));
        assert!(there == old || there == new, "{what}");
        if zip.exists() {
            assert!(zipped(&fs::read(&zip).unwrap()) == there, "{what}");
        }
        if error != 0 && !output.status.success() {
            told(&output, &["No space left on device"], &what);
        }
    }
    let output = deliver(&run, &out, &["--force"]).output().unwrap();
    assert!(output.status.success() && contents(&out) == new, "{}", said(&output));
    assert!(zipped(&fs::read(&zip).unwrap()) == new);
    assert!(result(&run).iter().filter(|(name, _)| **name != *"decisions.jsonl").eq(plant.expected.iter()));
    // A zip file that somebody put there is not written over.
    let other = place.join("other");
    fs::write(place.join("other.zip"), "mine").unwrap();
    let output = deliver(&run, &other, &[]).output().unwrap();
    told(&output, &["other.zip: zip file: a file of this name stands there already; ", "--force"], "zip");
    assert!(!other.exists() && fs::read(place.join("other.zip")).unwrap() == b"mine");
}

/// The review page's server and how it is talked to.
struct Server {
    child: Child,
    port: u16,
    key: String,
}

impl Server {
    /// `None`: it was killed before it served.
    fn start(run: &Path, change: impl FnOnce(&mut Command)) -> Option<Self> {
        let mut command = Command::new(thermal_path());
        command.arg("review").arg(run).args(["--no-open", "--reviewer", "Ada"]);
        change(&mut command);
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let Some((port, key)) = line.trim().strip_prefix("http://127.0.0.1:").and_then(|rest| rest.split_once("/#"))
        else {
            child.wait().unwrap();
            return None;
        };
        Some(Self { port: port.parse().unwrap(), key: key.to_owned(), child })
    }

    /// Posts a note on a finding; status and body, `None` where the server is gone.
    fn note(&self, finding: &str, note: &str) -> Option<(u16, String)> {
        let body =
            serde_json::json!({ "finding": finding, "action": "note", "reviewer": "Ada", "note": note }).to_string();
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(20))).ok()?;
        let head = format!(
            "POST /api/decide HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nX-Review-Token: {}\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
            self.port,
            self.key,
            body.len()
        );
        stream.write_all(head.as_bytes()).ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        let status = answer.split(' ').nth(1)?.parse().ok()?;
        Some((status, answer))
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The notes that are on record, by finding.
fn on_record(run: &Path, place: &Path) -> BTreeMap<String, String> {
    let table = place.join("record.csv");
    let mut command = Command::new(thermal_path());
    let output = command.arg("review").arg(run).arg("--export").arg(&table).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    rows(&table).into_iter().map(|row| (row["finding"].clone(), row["note"].clone())).collect()
}

#[test]
fn review_loses_nothing_that_was_said_saved() {
    let plant = plant();
    let place = plant.place.path();
    let run = place.join("whole");
    let findings: Vec<String> = rows(&run.join("findings.csv")).into_iter().map(|row| row["finding"].clone()).collect();
    let mut saved: BTreeMap<String, String> = BTreeMap::new();
    let mut rng = Rng(8);
    let mut count = 0;
    for round in 0..moments(10) {
        // Killed before a call that changes the log, or in the middle of whatever it does.
        let at_call = round % 2 == 0;
        let at = rng.within(1.0, 20.0) as usize;
        let server = Server::start(&run, |command| {
            if at_call {
                faulty(command, "write", &run, at, usize::MAX >> 2, 0);
            }
        });
        let Some(server) = server else { continue };
        let pid = server.child.id().to_string();
        let killer = (!at_call).then(|| {
            let after = Duration::from_millis(rng.within(0.0, 60.0) as u64);
            std::thread::spawn(move || {
                std::thread::sleep(after);
                Command::new("kill").args(["-9", &pid]).status().unwrap();
            })
        });
        let mut asked = None;
        for n in 0.. {
            let (finding, note) = (&findings[n % findings.len()], format!("round {round}, note {n}"));
            let Some((status, answer)) = server.note(finding, &note) else {
                asked = Some((finding.clone(), note));
                break;
            };
            assert_eq!(status, 200, "{answer}");
            saved.insert(finding.clone(), note);
            count += 1;
        }
        if let Some(killer) = killer {
            killer.join().unwrap();
        }
        drop(server);
        let record = on_record(&run, place);
        for (finding, note) in &saved {
            // The one that was never answered may stand or not.
            let unanswered = asked.as_ref().is_some_and(|(f, n)| f == finding && *n == record[finding]);
            assert!(unanswered || record[finding] == *note, "round {round}: {finding}: {}", record[finding]);
        }
        saved.extend(record.into_iter().filter(|(_, note)| !note.is_empty()));
    }
    assert!(count > 2 * moments(10), "{count} notes were saved");

    // The disk is full for a while: said so, nothing taken, and going on works.
    let server = Server::start(&run, |command| {
        faulty(command, "write", &run, 5, 3, ENOSPC);
    })
    .unwrap();
    let mut refused = 0;
    for n in 0..12 {
        let (finding, note) = (&findings[n % findings.len()], format!("full {n}"));
        let (status, answer) = server.note(finding, &note).unwrap();
        if status == 200 {
            saved.insert(finding.clone(), note);
        } else {
            assert!(answer.contains("nothing was saved") && answer.contains("No space left"), "{answer}");
            refused += 1;
        }
    }
    drop(server);
    assert!((1..=3).contains(&refused), "{refused}");
    let record = on_record(&run, place);
    assert!(saved.iter().all(|(finding, note)| record[finding] == *note), "{saved:?}\n{record:?}");

    // The clock runs backwards: the order of the log holds.
    let server = Server::start(&run, |command| {
        command.env("LD_PRELOAD", shim("fault")).env("FAULT_CALL", "clock");
    })
    .unwrap();
    for n in 0..5 {
        assert_eq!(server.note(&findings[0], &format!("back {n}")).unwrap().0, 200);
    }
    drop(server);
    assert_eq!(on_record(&run, place)[&findings[0]], "back 4");
    assert!(result(&run).iter().filter(|(name, _)| **name != *"decisions.jsonl").eq(plant.expected.iter()));

    // A run folder that cannot be written to: said, not worked around.
    let log = run.join("decisions.jsonl");
    let lines = fs::read(&log).unwrap();
    let readable = readable(&plant);
    let mut command = Command::new(&readable.program);
    command.arg("review").arg(&run).args(["--no-open"]);
    let output = as_nobody(&mut command).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    told(&output, &["decisions.jsonl", "Permission denied"], "read-only run");
    // What needs no writing still works.
    let delivery = readable.open.join("delivery");
    let output =
        as_nobody(Command::new(&readable.program).arg("deliver").arg(&run).arg("--out").arg(&delivery)).output();
    assert!(output.as_ref().unwrap().status.success(), "{}", said(&output.unwrap()));
    assert_eq!(fs::read(&log).unwrap(), lines);
}

/// A note into a file that no name leads to any more would be lost with the program: it is refused, and taken again when
/// the folder is back.
#[test]
fn a_review_whose_run_is_gone_does_not_say_saved() {
    let plant = plant();
    let place = plant.place.path();
    let (run, moved) = (place.join("whole"), place.join("elsewhere"));
    let finding = rows(&run.join("findings.csv"))[0]["finding"].clone();
    let server = Server::start(&run, |_| {}).unwrap();
    assert_eq!(server.note(&finding, "before").unwrap().0, 200);
    fs::rename(&run, &moved).unwrap();
    let (status, answer) = server.note(&finding, "while away").unwrap();
    assert!(status == 500 && answer.contains("nothing was saved") && answer.contains("decisions.jsonl"), "{answer}");
    fs::rename(&moved, &run).unwrap();
    assert_eq!(server.note(&finding, "after").unwrap().0, 200);
    let log = fs::read_to_string(run.join("decisions.jsonl")).unwrap();
    assert!(log.contains("before") && log.contains("after") && !log.contains("while away"), "{log}");
    fs::remove_dir_all(&run).unwrap();
    let (status, answer) = server.note(&finding, "too late").unwrap();
    assert!(status == 500 && answer.contains("nothing was saved"), "{answer}");
    assert!(!run.exists());
}

/// More connections than there are places, none of which asks anything: they lose their places, and the page answers.
#[test]
fn idle_connections_do_not_keep_the_page_from_answering() {
    let plant = plant();
    let run = plant.place.path().join("whole");
    let finding = rows(&run.join("findings.csv"))[0]["finding"].clone();
    let server = Server::start(&run, |_| {}).unwrap();
    let mut idle: Vec<TcpStream> = (0..64).map(|_| TcpStream::connect(("127.0.0.1", server.port)).unwrap()).collect();
    for stream in &mut idle {
        stream.write_all(b"GET / HTTP/1.1\r\nHost: 127").unwrap();
    }
    std::thread::sleep(Duration::from_millis(300));
    // No place is free: the first try runs into its own time-out of 20 s or is served when the others are dropped.
    let began = std::time::Instant::now();
    let answer = server.note(&finding, "at last").or_else(|| server.note(&finding, "at last")).unwrap();
    let waited = began.elapsed();
    assert!(answer.0 == 200 || answer.1.contains("is that already"), "{}", answer.1);
    assert!(waited > Duration::from_secs(10) && waited < Duration::from_secs(45), "{waited:?}");
    // The idle ones were ended by the server.
    idle[0].set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    let mut rest = Vec::new();
    assert!(idle[0].read_to_end(&mut rest).is_ok(), "still open");
}

#[test]
fn an_unplugged_source_never_gives_a_wrong_result() {
    let plant = plant();
    let place = plant.place.path();
    let frames = plant.folder.join("frames");
    let reads = calls(&mut inspect(&plant.folder, &place.join("counted"), &[]), "read", &plant.folder, place);
    let mut rng = Rng(9);
    for round in 0..moments(8) {
        let out = place.join(format!("run {round}"));
        let at = rng.within(1.0, reads as f64 + 1.0) as usize;
        // Gone for good, or one bad place of a frame.
        let (part, at, times) =
            if round % 2 == 0 { (&plant.folder, at, usize::MAX >> 2) } else { (&frames, at % 9 + 1, 1) };
        let mut command = inspect(&plant.folder, &out, &[]);
        let output = faulty(&mut command, "read", part, at, times, EIO).output().unwrap();
        let what = format!("round {round}, read {at}: {}", said(&output));
        match output.status.code() {
            Some(0) => assert!(result(&out) == plant.expected, "{what}"),
            Some(1) => {
                told(&output, &["Input/output error"], &what);
                assert!(!out.exists(), "{what}");
                let output = inspect(&plant.folder, &out, &["--resume"]).output().unwrap();
                assert!(output.status.success(), "{what}\n{}", said(&output));
                assert!(result(&out) == plant.expected, "{what}");
            }
            // Named on stderr and in the table.
            Some(3) => {
                let skipped = rows(&out.join("skipped.csv"));
                assert!(!skipped.is_empty(), "{what}");
                for row in skipped {
                    assert!(row["reason"].contains("Input/output error") && what.contains(&row["file"]), "{what}");
                }
            }
            code => panic!("{code:?}: {what}"),
        }
    }
    assert!(contents(&plant.folder) == plant.sources);
}

/// A copy of the program and a place to write that everybody can reach; the plant is made readable.
struct Readable {
    program: PathBuf,
    open: PathBuf,
    _place: tempfile::TempDir,
}

fn readable(plant: &Plant) -> Readable {
    let place = tempfile::tempdir().unwrap();
    let mode = |path: &Path, mode: u32| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    let (program, open) = (place.path().join("thermal"), place.path().join("open"));
    fs::copy(thermal_path(), &program).unwrap();
    fs::create_dir(&open).unwrap();
    mode(place.path(), 0o755);
    mode(&program, 0o755);
    mode(&open, 0o777);
    mode(plant.place.path(), 0o755);
    Readable { program, open, _place: place }
}

/// Root may write everywhere, so that the rights of an ordinary user are taken.
fn as_nobody(command: &mut Command) -> &mut Command {
    let root = fs::metadata("/proc/self").is_ok_and(|me| std::os::unix::fs::MetadataExt::uid(&me) == 0);
    if root { command.uid(65534).gid(65534) } else { command }
}

#[test]
fn places_that_refuse() {
    let plant = plant();
    let place = plant.place.path();
    let readable = readable(&plant);
    let closed = readable.open.join("closed");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o555)).unwrap();
    let run = |folder: &Path, out: &Path| {
        let mut command = Command::new(&readable.program);
        command.arg("inspect").arg(folder).arg("--out").arg(out).arg("--quiet");
        as_nobody(&mut command).output().unwrap()
    };
    let output = run(&plant.folder, &closed.join("out"));
    assert_eq!(output.status.code(), Some(1));
    told(&output, &["closed", "Permission denied"], "no right to write");
    assert!(!closed.join("out").exists());
    // A disk that takes nothing at all.
    let out = place.join("fixed");
    let mut command = inspect(&plant.folder, &out, &[]);
    let output = faulty(&mut command, "write", place, 1, usize::MAX >> 2, EROFS).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    told(
        &output,
        &["fixed", "Read-only file system", "the disk is read-only: copy the folder to another"],
        "read-only",
    );
    assert!(!out.exists());
    // A frame that may not be read is skipped by name; settings that may not be read end the run.
    let frame = fs::read_dir(plant.folder.join("frames")).unwrap().next().unwrap().unwrap().path();
    fs::set_permissions(&frame, fs::Permissions::from_mode(0o000)).unwrap();
    let output = run(&plant.folder, &readable.open.join("out"));
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    let name = frame.file_name().unwrap().to_string_lossy().into_owned();
    told(&output, &[&name, "Permission denied"], "a frame without right to read");
    fs::set_permissions(&frame, fs::Permissions::from_mode(0o644)).unwrap();
    let toml = plant.folder.join("inspection.toml");
    fs::set_permissions(&toml, fs::Permissions::from_mode(0o000)).unwrap();
    let output = run(&plant.folder, &readable.open.join("never"));
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    told(&output, &["inspection.toml", "Permission denied"], "settings without right to read");
    assert!(!readable.open.join("never").exists());
    fs::set_permissions(&toml, fs::Permissions::from_mode(0o644)).unwrap();

    // The output's folder vanishes while the run goes on.
    for moment in 0..2 {
        let above = place.join("above");
        let out = above.join("out");
        let mut child = inspect(&plant.folder, &out, &[]).spawn().unwrap();
        let sign = if moment == 0 { above.join(".out.journal") } else { above.join(".out.part") };
        while !sign.exists() && child.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        let _ = fs::remove_dir_all(&above);
        let output = child.wait_with_output().unwrap();
        match output.status.code() {
            Some(0) => nothing_or_all(&out, &[&plant.expected], "vanished"),
            Some(1) => {
                told(&output, &["above"], "vanished");
                assert!(!out.exists());
            }
            code => panic!("{code:?}: {}", said(&output)),
        }
        let _ = fs::remove_dir_all(&above);
    }

    // Two at once: the second is told, the first is not disturbed.
    let out = place.join("both");
    let mut first = inspect(&plant.folder, &out, &[]).spawn().unwrap();
    while !place.join(".both.journal").exists() && first.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(1));
    }
    std::thread::sleep(Duration::from_millis(20));
    for words in [&[][..], &["--resume"], &["--force"]] {
        let output = inspect(&plant.folder, &out, words).output().unwrap();
        if first.try_wait().unwrap().is_none() {
            assert_eq!(output.status.code(), Some(1), "{words:?}: {}", said(&output));
            told(&output, &["another run is being written there at this moment"], "two at once");
        }
    }
    let output = first.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert!(result(&out) == plant.expected);

    // The clock runs backwards all the time.
    let out = place.join("back");
    let mut command = inspect(&plant.folder, &out, &[]);
    let output = command.env("LD_PRELOAD", shim("fault")).env("FAULT_CALL", "clock").output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert!(result(&out) == plant.expected);
    let record = thermal_core::run_record::RunRecord::read(&out).unwrap();
    assert!(record.finished_at >= record.started_at);
    assert!(contents(&plant.folder) == plant.sources);
}

/// A real full disk where the system lets one be made: a small file system in memory.
#[test]
fn a_small_disk_that_is_really_full() {
    let plant = plant();
    let disk = plant.place.path().join("disk");
    fs::create_dir(&disk).unwrap();
    for kilobytes in [16, 200, 600] {
        let size = format!("size={kilobytes}k");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(&disk).output();
        if !mounted.is_ok_and(|m| m.status.success()) {
            eprintln!("skipped: no right to mount a file system");
            return;
        }
        let out = disk.join("out");
        let output = inspect(&plant.folder, &out, &[]).output().unwrap();
        let left: Vec<_> = fs::read_dir(&disk).unwrap().map(|e| e.unwrap().file_name()).collect();
        let grown = Command::new("mount").args(["-o", "remount,size=100m"]).arg(&disk).status().unwrap();
        let again = inspect(&plant.folder, &out, &["--resume"]).output().unwrap();
        let there = out.exists().then(|| result(&out));
        assert!(Command::new("umount").arg(&disk).status().unwrap().success());
        assert_eq!(output.status.code(), Some(1), "{kilobytes} k: {}", said(&output));
        told(&output, &["No space left on device"], &size);
        assert!(left.iter().all(|name| name.to_string_lossy().starts_with('.')), "{left:?}");
        assert!(grown.success() && again.status.success(), "{}", said(&again));
        assert!(there.as_ref() == Some(&plant.expected), "{kilobytes} k");
    }
}
