//! Runs the real binary in a fresh folder.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, Once};

static BUILD: Once = Once::new();

/// The path of the `thermal` binary, built once for all tests of a process with the profile of the tests.
///
/// # Panics
/// Where the binary cannot be built.
pub fn thermal_path() -> PathBuf {
    let mut folder = std::env::current_exe().expect("a test has a path");
    folder.pop();
    if folder.ends_with("deps") {
        folder.pop();
    }
    BUILD.call_once(|| {
        let mut cargo = Command::new(env!("CARGO"));
        // The whole workspace, so that features are those of the tests and nothing is compiled twice.
        cargo.args(["build", "--quiet", "--workspace", "--bin", "thermal"]);
        if folder.ends_with("release") {
            cargo.arg("--release");
        }
        assert!(cargo.status().expect("cargo runs").success(), "thermal-cli does not build");
    });
    folder.join(format!("thermal{}", std::env::consts::EXE_SUFFIX))
}

/// Runs `thermal` with `args` and returns what it said.
///
/// # Panics
/// Where the binary cannot be started.
pub fn thermal<S: AsRef<std::ffi::OsStr>>(args: impl IntoIterator<Item = S>) -> Output {
    Command::new(thermal_path()).args(args).output().expect("the binary starts")
}

/// Lines of a CSV as maps from column to text.
///
/// # Panics
/// Where the file is not there.
pub fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).expect("the table is there");
    reader.deserialize().map(|row| row.expect("a row reads")).collect()
}

/// All files under a folder with their bytes, by relative path.
///
/// # Panics
/// Where the folder cannot be read.
pub fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut out = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(place) = open.pop() {
        for entry in std::fs::read_dir(&place).expect("the folder is there") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(folder).expect("below").to_owned();
                out.insert(name, std::fs::read(&path).expect("a file"));
            }
        }
    }
    out
}

/// The library `shim/NAME.c`, compiled once for all tests of a process, to be preloaded. Rust links with `cc`, so it is
/// there.
///
/// # Panics
/// Where it cannot be compiled.
pub fn shim(name: &str) -> PathBuf {
    static MADE: Mutex<BTreeMap<String, PathBuf>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().expect("no test panicked while it compiled");
    let compile = || {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("shim").join(name).with_extension("c");
        let library = std::env::temp_dir().join(format!("thermal-{name}-{}.so", std::process::id()));
        let mut cc = Command::new("cc");
        cc.args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(source).arg("-ldl");
        let done = cc.output().expect("cc is there");
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        library
    };
    made.entry(name.to_owned()).or_insert_with(compile).clone()
}
