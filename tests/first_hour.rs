//! The first hour of a new user: the guide's commands, what help and errors say, prepare, the examples, the tables in pandas.
#![allow(missing_docs)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use thermal_core::finding::FLAGS;
use thermal_core::settings::Settings;
use thermal_core::{fieldcheck, quality};
use thermal_tests::program::{thermal, thermal_path};
use thermal_tests::python_check;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

fn guide() -> String {
    std::fs::read_to_string(root().join("docs/guide.md")).unwrap()
}

/// The commands of the blocks marked as shell, line by line.
fn commands(page: &str) -> Vec<&str> {
    let mut inside = false;
    let mut lines = Vec::new();
    for line in page.lines() {
        match line {
            "```sh" => inside = true,
            "```" => inside = false,
            _ if inside => lines.push(line),
            _ => {}
        }
    }
    lines
}

/// Runs a line in a shell that finds the program as a user's would.
fn shell(line: &str, folder: &Path) -> Output {
    let program = thermal_path();
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap_or_default());
    Command::new("sh").args(["-c", line]).current_dir(folder).env("PATH", path).output().unwrap()
}

#[test]
fn every_command_of_the_guide_runs_and_data_people_can_go_on_from_its_tables() {
    let folder = tempfile::tempdir().unwrap();
    let page = guide();
    let lines = commands(&page);
    assert!(lines.len() >= 14, "{lines:?}");
    for line in lines {
        let run = shell(line, folder.path());
        let code = run.status.code();
        // 3: done, but something is to be flown again or looked at; the guide says so.
        let fine = code == Some(0) || (code == Some(3) && line.starts_with("thermal fieldcheck"));
        assert!(fine, "{line}\n{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    }
    // What `prepare` worked out is what the plant was drawn with, as far as the guide lets it.
    let [said, drawn] =
        ["card", "quarry"].map(|f| Settings::read(folder.path().join(f).join("inspection.toml")).unwrap());
    assert_eq!((said.module.orientation, said.array.modules_up), (drawn.module.orientation, drawn.array.modules_up));
    assert!((said.module.length_m / drawn.module.length_m - 1.0).abs() < 0.05);
    let run = folder.path().join("card-run");
    let typed = folder.path().join("typed-run");
    let again = shell("thermal inspect card --out typed-run --no-evidence --parquet", folder.path());
    assert!(again.status.success(), "{}", String::from_utf8_lossy(&again.stderr));
    python_check("check_pandas.py", &["pandas", "pyarrow"], &[&typed]);
    let picture = folder.path().join("plant.png");
    python_check("plot_plant.py", &["pandas", "matplotlib"], &[&run, &picture]);
    if picture.exists() {
        assert!(std::fs::metadata(&picture).unwrap().len() > 10_000);
    } else {
        assert!(std::env::var_os("THERMAL_REQUIRE_PYTHON").is_none());
    }
}

#[test]
fn the_guide_names_every_flag_and_limit_as_the_program_has_them() {
    let page = guide();
    for flag in FLAGS {
        let line = format!("| `{}` | {} |", flag.name, flag.long);
        assert!(page.contains(&line), "docs/guide.md lacks or words otherwise:\n{line}");
    }
    let listed = page.lines().filter(|line| line.starts_with("| `irradiance.") || line.starts_with("| `severity."));
    let mut keys = 0;
    for a in Settings::default().assumed() {
        if a.key.starts_with("irradiance.") || a.key.starts_with("severity.") {
            keys += 1;
            let value: f64 = a.value.parse().unwrap();
            let start = format!("| `{}` | {value} |", a.key);
            assert!(page.lines().any(|line| line.starts_with(&start)), "docs/guide.md lacks {start}");
        }
    }
    assert_eq!(listed.count(), keys);
}

/// A limit that is added does not compile here until the guide has it.
#[test]
fn the_guide_gives_the_limits_of_a_flight_and_the_parts_of_the_uncertainty() {
    let page = guide();
    let has = |name: &str, value: String| {
        let start = format!("| `{name}` | {value} |");
        assert!(page.lines().any(|line| line.starts_with(&start)), "docs/guide.md lacks {start}");
    };
    let fieldcheck::Limits { frame, reading_age_s, wind_m_s, practice_wind_m_s, cloud_okta, over_sky_s, sights } =
        fieldcheck::Limits::default();
    #[rustfmt::skip]
    let quality::Limits {
        clipped_px, flat_k, edge_px, trail_px, noise_k, step_k, gsd_m, px_per_cell, view_angle_deg, height_m, glare_deg, glare_k,
    } = frame;
    has("frame.clipped_px", clipped_px.to_string());
    has("frame.height_m", format!("{} to {}", height_m[0], height_m[1]));
    has("flight.sights", sights.to_string());
    has("flight.wind_m_s", format!("{wind_m_s:.1}"));
    has("flight.practice_wind_m_s", format!("{practice_wind_m_s:.1}"));
    let plan = thermal_core::plan::Limits::default();
    for (name, value) in [
        ("frame.flat_k", flat_k),
        ("frame.edge_px", edge_px),
        ("frame.trail_px", trail_px),
        ("frame.noise_k", noise_k),
        ("frame.step_k", step_k),
        ("frame.gsd_m", gsd_m),
        ("frame.px_per_cell", px_per_cell),
        ("frame.view_angle_deg", view_angle_deg),
        ("frame.glare_deg", glare_deg),
        ("frame.glare_k", glare_k),
        ("flight.reading_age_s", reading_age_s),
        ("flight.cloud_okta", cloud_okta),
        ("flight.over_sky_s", over_sky_s),
        ("plan.irradiance_w_m2", plan.irradiance_w_m2),
        ("plan.view_angle_deg", plan.view_angle_deg),
        ("plan.glare_deg", plan.glare_deg),
    ] {
        has(name, value.to_string());
    }
    let source = std::fs::read_to_string(root().join("thermal-core/src/uncertainty.rs")).unwrap();
    let constants = source.lines().filter_map(|line| line.split_once("const ")?.1.strip_suffix(';'));
    let mut count = 0;
    for (declared, value) in constants.filter_map(|line| line.split_once(" = ")) {
        has(declared.split(':').next().unwrap(), value.to_owned());
        count += 1;
    }
    assert!(count >= 10, "{count}");
}

/// What a person reads on the terminal, both streams, with what differs from machine to machine put in words.
fn said(run: &Output, folder: &Path) -> String {
    let both = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    let text = both.replace(&folder.display().to_string(), "DIR");
    format!("{}exit code {}\n", text, run.status.code().unwrap_or(-1))
}

#[test]
fn help_and_wrong_usage_read_as_they_are_meant_to() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).display().to_string();
    std::fs::create_dir_all(folder.path().join("empty")).unwrap();
    std::fs::create_dir_all(folder.path().join("pictures/frames")).unwrap();
    std::fs::write(folder.path().join("pictures/frames/a.jpg"), [0xFF, 0xD8]).unwrap();
    let cases: Vec<(&str, Vec<String>)> = vec![
        ("help", vec!["--help".into()]),
        ("inspect-help", vec!["inspect".into(), "--help".into()]),
        ("prepare-help", vec!["prepare".into(), "--help".into()]),
        ("wrong-subcommand", vec!["inspekt".into(), at("empty")]),
        ("wrong-option", vec!["inspect".into(), at("empty"), "--output".into(), at("run")]),
        ("missing-option", vec!["inspect".into(), at("empty")]),
        ("no-such-folder", vec!["prepare".into(), at("nowhere")]),
        ("empty-folder", vec!["prepare".into(), at("empty")]),
        ("pictures-only", vec!["prepare".into(), at("pictures")]),
        ("no-run", vec!["deliver".into(), at("empty")]),
    ];
    for (name, arguments) in cases {
        insta::assert_snapshot!(name, said(&thermal(&arguments), folder.path()));
    }
    let version = said(&thermal(["--version"]), folder.path());
    assert!(version.starts_with(&format!("thermal {} (", env!("CARGO_PKG_VERSION"))), "{version}");
    assert!(version.contains("built 20"), "{version}");
}

/// The first sentence says for whom and when; an example is there, and its commands parse.
#[test]
fn every_subcommand_says_for_whom_and_has_an_example() {
    let help = |arguments: &[&str]| String::from_utf8(thermal(arguments).stdout).unwrap();
    let top = help(&["--help"]);
    let names: Vec<&str> = top
        .split("Commands:")
        .nth(1)
        .and_then(|rest| rest.split("Options:").next())
        .unwrap()
        .lines()
        .filter_map(|line| line.strip_prefix("  ").filter(|l| !l.starts_with(' '))?.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(names.len() >= 11, "{names:?}");
    for name in names {
        let text = help(&[name, "--help"]);
        assert!(text.starts_with("For the ") || text.starts_with("For a "), "{name}: {text}");
        assert!(text.contains(&format!("  thermal {name} ")), "{name} shows no example");
    }
}

#[test]
fn man_pages_and_completions_come_from_the_same_definitions() {
    let folder = tempfile::tempdir().unwrap();
    let run = thermal(["manual", folder.path().to_str().unwrap()]);
    assert!(run.status.success());
    let page = std::fs::read_to_string(folder.path().join("man1/thermal-inspect.1")).unwrap();
    assert!(page.contains("explain") && page.contains("thermal demo quarry"));
    let bash = folder.path().join("completions/thermal.bash");
    let completes = Command::new("bash")
        .args(["-c", r#"source "$0"; COMP_WORDS=(thermal insp); COMP_CWORD=1; _thermal thermal insp thermal; echo "${COMPREPLY[*]}""#])
        .arg(&bash)
        .output()
        .unwrap();
    assert_eq!(String::from_utf8_lossy(&completes.stdout).trim(), "inspect");
}

#[cfg(unix)]
#[test]
fn a_place_that_cannot_be_written_to_is_one_sentence() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("flight");
    assert!(thermal(["demo", "--render-only", place.to_str().unwrap()]).status.success());
    std::fs::remove_file(place.join("inspection.toml")).unwrap();
    // Permissions do not bind the super-user, who runs tests in containers: then another user runs a copy of the program.
    let program = folder.path().join("thermal");
    std::fs::copy(thermal_tests::program::thermal_path(), &program).unwrap();
    for (path, mode) in [(folder.path(), 0o755), (&place, 0o555)] {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    }
    let mut command = Command::new(&program);
    if std::fs::metadata(&place).unwrap().uid() == 0 {
        command.uid(65534);
    }
    let run = command.args(["prepare", "--quiet", place.to_str().unwrap()]).output().unwrap();
    let error = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(1), "{error}");
    let last = error.trim().lines().last().unwrap();
    assert!(last.contains("cannot write the file; copy the flight to a place that you may write to"), "{error}");
    std::fs::set_permissions(&place, std::fs::Permissions::from_mode(0o755)).unwrap();
}

#[test]
fn the_examples_of_the_library_run() {
    let mut folder = std::env::current_exe().unwrap();
    folder.pop();
    if folder.ends_with("deps") {
        folder.pop();
    }
    let names = ["one_frame", "own_limits", "own_radiometry", "own_polygon", "stream"];
    if names.iter().any(|name| !folder.join("examples").join(name).exists()) {
        // `cargo test` builds them; a single test binary may be run before that.
        let built =
            Command::new(env!("CARGO")).args(["build", "--quiet", "--workspace", "--examples"]).status().unwrap();
        assert!(built.success());
    }
    for (name, expected) in [
        ("one_frame", "table 0, course 0, position"),
        ("own_limits", "unscaled"),
        ("own_radiometry", "the path passes 0.9"),
        ("own_polygon", "median "),
        ("stream", "frame 1: "),
    ] {
        let run = Command::new(folder.join("examples").join(name)).output().unwrap();
        let text = String::from_utf8_lossy(&run.stdout);
        assert!(
            run.status.success() && text.contains(expected),
            "{name}: {text}{}",
            String::from_utf8_lossy(&run.stderr)
        );
    }
}
