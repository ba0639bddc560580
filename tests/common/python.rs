//! Runs a check that is written in Python against libraries from outside the project.

use std::path::Path;
use std::process::Command;

/// Runs `tests/python/<script>` with the arguments and panics with its output unless it succeeds.
///
/// The packages it imports are pinned in `tests/requirements.txt`. Where one is absent the check is skipped with a
/// word on stderr, unless the variable `THERMAL_REQUIRE_PYTHON` is set, as it is in CI: then the test fails.
///
/// # Panics
/// Where the script fails.
pub fn python_check(script: &str, packages: &[&str], arguments: &[&Path]) {
    let imports = format!("import {}", packages.join(", "));
    let there = Command::new("python3").args(["-c", &imports]).output().is_ok_and(|run| run.status.success());
    if !there {
        assert!(
            std::env::var_os("THERMAL_REQUIRE_PYTHON").is_none(),
            "python3 with {packages:?} is needed: python3 -m pip install -r tests/requirements.txt"
        );
        eprintln!(
            "skipped {script}: python3 with {packages:?} is absent; python3 -m pip install -r tests/requirements.txt"
        );
        return;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("python").join(script);
    let run = Command::new("python3").arg(&script).args(arguments).output().expect("python3 ran a moment ago");
    assert!(
        run.status.success(),
        "{}\n{}{}",
        script.display(),
        String::from_utf8_lossy(&run.stdout),
        String::from_utf8_lossy(&run.stderr)
    );
}
