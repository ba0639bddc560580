//! Each example of a subcommand's `--help`, run as it is typed, on the demo plant in a fresh folder.
#![allow(missing_docs)]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::Once;

use thermal_tests::program::{thermal, thermal_path};

/// The commands under "Example" in the help of a subcommand; a line that ends in `\` goes on in the next.
fn examples(subcommand: &str) -> Vec<String> {
    let help = String::from_utf8(thermal([subcommand, "--help"]).stdout).unwrap();
    let (_, after) = help.split_once("\nExample").unwrap_or_else(|| panic!("{subcommand} shows no example"));
    let joined = after.replace("\\\n", " ");
    let is_command = |line: &&str| ["thermal ", "mv ", "man "].iter().any(|word| line.starts_with(word));
    let lines: Vec<String> = joined.lines().map(str::trim).filter(is_command).map(str::to_owned).collect();
    assert!(!lines.is_empty(), "{subcommand}: {after}");
    lines
}

fn shell(line: &str, folder: &Path) -> Command {
    let program = thermal_path();
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap_or_default());
    let mut command = Command::new("sh");
    // `exec`, so that ending the process ends the program and not a shell around it.
    command.args(["-c", &format!("exec {line}")]).current_dir(folder).env("PATH", path);
    // What a person types where the program asks.
    command.stdin(fs::File::open(folder.join("typed.txt")).map_or_else(|_| Stdio::null(), Stdio::from));
    command
}

/// The demo plant with its run, made once; a copy of it stands for `thermal demo quarry` where an example begins with it.
fn plant(into: &Path) {
    static MADE: Once = Once::new();
    let made = Path::new(env!("CARGO_TARGET_TMPDIR")).join("help-examples");
    MADE.call_once(|| {
        let _ = fs::remove_dir_all(&made);
        fs::create_dir_all(&made).unwrap();
        check("thermal demo quarry", &shell("thermal demo quarry", &made).output().unwrap(), 0);
    });
    assert!(Command::new("cp").arg("-r").arg(made.join("quarry")).arg(into).status().unwrap().success());
}

fn check(line: &str, run: &Output, code: i32) {
    let said = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert_eq!(run.status.code(), Some(code), "{line}\n{said}");
}

/// Runs the examples of a subcommand one after the other; `code` says how each ends.
fn run(subcommand: &str, code: impl Fn(&str) -> i32, before: impl Fn(&Path)) {
    let folder = tempfile::tempdir().unwrap();
    plant(folder.path());
    before(folder.path());
    for line in examples(subcommand) {
        if line == "thermal demo quarry" || line == "thermal demo quarry --render-only" {
            continue;
        }
        if line.starts_with("man ") && Command::new("man").arg("--version").output().is_err() {
            continue;
        }
        check(&line, &shell(&line, folder.path()).output().unwrap(), code(&line));
    }
}

#[test]
fn the_examples_of_the_desk_run_as_typed() {
    for subcommand in ["compare", "deliver", "inspect", "prepare", "manual"] {
        run(subcommand, |_| 0, |_| {});
    }
}

#[test]
fn the_examples_of_the_field_run_as_typed() {
    run("plan", |_| 0, |_| {});
    run("fieldcheck", |_| 0, |_| {});
    // A photo of the sample has no time: 3, something was left out.
    run(
        "readings",
        |_| 3,
        |folder| {
            let (from, to) = (Path::new(env!("CARGO_MANIFEST_DIR")).join("../testdata/meter"), folder.join("meter"));
            assert!(Command::new("cp").arg("-r").arg(from).arg(to).status().unwrap().success());
            fs::write(folder.join("typed.txt"), "712\n705\n710\n").unwrap();
            fs::write(folder.join("read.csv"), "photo,poa_w_m2\nm1.jpg,712\nm2.jpg,705\nm3.jpg,710\n").unwrap();
        },
    );
}

#[test]
fn the_examples_of_gather_run_as_typed() {
    run("gather", |_| 0, |_| {});
}

#[test]
fn the_examples_of_review_run_as_typed() {
    let folder = tempfile::tempdir().unwrap();
    plant(folder.path());
    for line in examples("review") {
        if line.contains("--export") || line.contains("--apply") {
            check(&line, &shell(&line, folder.path()).output().unwrap(), 0);
            continue;
        }
        // The page is served until it is stopped; its address is what the example is for.
        let mut child = shell(&line, folder.path()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut address = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut address).unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
        assert!(address.starts_with("http://127.0.0.1:"), "{line}: {address}");
    }
}
