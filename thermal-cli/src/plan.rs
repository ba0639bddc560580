//! `thermal plan`: flight geometry and the hours fit to fly.

use std::process::ExitCode;

use thermal_core::optics::{Lens, max_speed_m_s};

use crate::{
    console::{Console, print},
    failure::Failure,
};

/// Plan a flight: distance and speed for the wanted resolution
#[derive(clap::Args)]
#[command(after_help = "Example:\n  thermal plan --focal-mm 13 --gsd-m 0.025")]
pub(crate) struct Args {
    /// Focal length, mm
    #[arg(long, default_value_t = 13.0)]
    focal_mm: f64,
    /// Distance between pixel centres on the sensor, micrometres
    #[arg(long, default_value_t = 12.0)]
    pitch_um: f64,
    /// Wanted ground sample distance, m a pixel (IEC TS 62446-3: at most 0.03)
    #[arg(long, default_value_t = 0.03)]
    gsd_m: f64,
    /// Thermal time constant of the detector, or exposure time, s
    #[arg(long, default_value_t = 0.01)]
    time_constant_s: f64,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    let lens = Lens::new(640, 512, args.focal_mm, args.pitch_um, 0.0);
    let distance_m = lens.distance_for_gsd_m(args.gsd_m)?;
    let speed = max_speed_m_s(args.gsd_m, 0.5, args.time_constant_s)?;
    if args.json {
        let plan =
            serde_json::json!({ "gsd_m": args.gsd_m, "height_above_modules_m": distance_m, "max_speed_m_s": speed });
        print(&plan.to_string())?;
    } else {
        print(&format!(
            "Distance to the modules  {distance_m:.1} m\nGreatest speed           {speed:.1} m/s (half a pixel of blur)"
        ))?;
    }
    console.note("The hours fit to fly follow in the next version.");
    Ok(ExitCode::SUCCESS)
}
