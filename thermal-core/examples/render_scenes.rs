//! Writes scenes of invented plants with their truth: `render_scenes OUTDIR [--set tuning|heldout|demo|SEED] [--only NAME]`; a
//! seed nobody has used gives flights that nothing was tuned on, and all names that begin with NAME are drawn.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};

use thermal_core::scene::{Spec, demo_spec, range_specs, render};

/// Seed of the scenes to tune on.
const TUNING: u64 = 11;
/// Seed of the scenes to prove on; never to tune on.
const HELD_OUT: u64 = 2077;

fn main() -> ExitCode {
    let mut out = None;
    let (mut set, mut only) = (String::from("tuning"), None);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--set" => set = arguments.next().unwrap_or_default(),
            "--only" => only = arguments.next(),
            _ => out = Some(PathBuf::from(argument)),
        }
    }
    let scenes: Vec<(String, Spec)> = match set.as_str() {
        "tuning" => range_specs(TUNING),
        "heldout" => range_specs(HELD_OUT),
        "demo" => vec![("demo".into(), demo_spec())],
        seed => seed.parse().map_or_else(|_| Vec::new(), range_specs),
    };
    let scenes: Vec<_> =
        scenes.into_iter().filter(|(name, _)| only.as_ref().is_none_or(|o| name.starts_with(o))).collect();
    let Some(out) = out.filter(|_| !scenes.is_empty()) else {
        eprintln!("usage: render_scenes OUTDIR [--set tuning|heldout|demo|SEED] [--only NAME]");
        return ExitCode::from(2);
    };
    let (next, failed) = (AtomicUsize::new(0), AtomicUsize::new(0));
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Some((name, spec)) = scenes.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let start = std::time::Instant::now();
                    if let Err(error) = render(spec, &out.join(name)) {
                        eprintln!("{name}: {error}");
                        failed.fetch_add(1, Ordering::Relaxed);
                    }
                    println!("{name}: {:.2} s", start.elapsed().as_secs_f64());
                }
            });
        }
    });
    if failed.load(Ordering::Relaxed) > 0 { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}
