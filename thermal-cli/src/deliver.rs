//! `thermal deliver`: the owner's bundle.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use thermal_core::bundle::{self, Difference, Options, verify};
use thermal_core::report::{People, Prices};
use thermal_core::run_folder::RunFolder;

use crate::{
    PARTLY,
    console::{Console, print},
    failure::Failure,
};

/// For the asset owner, after the review: a folder that opens anywhere without a network, and the same as a zip file
///
/// It holds the report as one page for screen and paper, the findings as spreadsheet, table and maps, the pictures, who
/// decided what, and a list of checksums. Dismissed findings are left out and counted.
#[derive(clap::Args)]
#[command(after_help = "Examples:
  thermal demo quarry
  thermal deliver quarry/run --thermographer \"A. Weaver\" \\
          --camera \"640 x 512, no. 17\" --calibration \"March 2026\"
  thermal deliver quarry/run --force --specific-yield-kwh-kwp 1450 \\
          --price-per-kwh 0.08 --currency EUR
  thermal deliver --verify quarry/run-delivery")]
pub(crate) struct Args {
    /// Run folder
    #[arg(value_name = "RUN", required_unless_present = "verify")]
    run: Option<PathBuf>,
    /// Delivery to write; RUN-delivery beside the run by default
    #[arg(long, value_name = "DIR", help_heading = "The delivery")]
    out: Option<PathBuf>,
    /// Replace the delivery that stands there
    #[arg(long, help_heading = "The delivery")]
    force: bool,
    /// Where the inspection folder is now, if it was moved
    #[arg(long, value_name = "DIR", help_heading = "The delivery")]
    inspection: Option<PathBuf>,
    /// Check a delivery against its list of checksums and say what was changed since
    #[arg(long, value_name = "DIR", conflicts_with = "run", help_heading = "Later")]
    verify: Option<PathBuf>,
    /// For whom the report is
    #[arg(long, value_name = "NAME", default_value = "", help_heading = "Who and with what")]
    client: String,
    /// Who flew and measured, with the certificate
    #[arg(long, value_name = "NAME", default_value = "", help_heading = "Who and with what")]
    thermographer: String,
    /// Camera and lens with serial numbers
    #[arg(long, value_name = "TEXT", default_value = "", help_heading = "Who and with what")]
    camera: String,
    /// When and by whom the camera was calibrated
    #[arg(long, value_name = "TEXT", default_value = "", help_heading = "Who and with what")]
    calibration: String,
    /// Aircraft
    #[arg(long, value_name = "TEXT", default_value = "", help_heading = "Who and with what")]
    aircraft: String,
    /// Remarks for the first page
    #[arg(long, value_name = "TEXT", default_value = "", help_heading = "Who and with what")]
    remarks: String,
    /// Energy a year of a kilowatt of rated power, kWh; without it no energy is stated
    #[arg(long, value_name = "KWH", value_parser = positive, help_heading = "What is at stake")]
    specific_yield_kwh_kwp: Option<f64>,
    /// Price of a kilowatt-hour; without it no money is stated
    #[arg(long, value_name = "PRICE", value_parser = positive, requires = "specific_yield_kwh_kwp", help_heading = "What is at stake")]
    price_per_kwh: Option<f64>,
    /// Currency of the price
    #[arg(
        long,
        value_name = "WORD",
        default_value = "",
        requires = "price_per_kwh",
        help_heading = "What is at stake"
    )]
    currency: String,
    /// Write no zip file
    #[arg(long, help_heading = "The delivery")]
    no_zip: bool,
    /// Print what was done as JSON
    #[arg(long, help_heading = "For machines")]
    json: bool,
}

/// A number above zero.
fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(x) if x.is_finite() && x > 0.0 => Ok(x),
        _ => Err("give a number above zero, with a decimal point".to_owned()),
    }
}

pub(crate) fn run(args: &Args, console: Console) -> Result<ExitCode, Failure> {
    if let Some(folder) = &args.verify {
        return check(folder, args.json);
    }
    let Some(run) = &args.run else { return Err(Failure::Usage("name the run folder".to_owned())) };
    let run = RunFolder::open(run, args.inspection.as_deref())?;
    let out = args.out.clone().map_or_else(|| beside(&run.folder), Ok)?;
    let options = Options {
        force: args.force,
        people: People {
            client: args.client.clone(),
            thermographer: args.thermographer.clone(),
            camera: args.camera.clone(),
            calibration: args.calibration.clone(),
            aircraft: args.aircraft.clone(),
            remarks: args.remarks.clone(),
        },
        prices: Prices {
            specific_yield_kwh_kwp: args.specific_yield_kwh_kwp,
            price_per_kwh: args.price_per_kwh,
            currency: args.currency.clone(),
        },
        no_zip: args.no_zip,
    };
    let done = bundle::deliver(&run, &out, &options)?;
    for note in &done.notes {
        Console::warn(note);
    }
    let said = &done.tally;
    if said.open > 0 {
        console.note(&format!(
            "{} findings are not reviewed, and the report says so. Review them with `thermal review {}`",
            said.open,
            run.folder.display()
        ));
    }
    if args.json {
        let json = serde_json::json!({
            "folder": done.folder, "zip": done.zip, "seal": done.seal, "findings": done.findings, "review": said,
            "notes": done.notes,
        });
        print(&json.to_string())?;
    } else {
        let zip = done.zip.as_ref().map_or_else(String::new, |zip| format!("\nAs one file: {}", zip.display()));
        print(&format!(
            "{} findings delivered, {} dismissed and left out\nReport: {}{zip}\nSeal: {}",
            done.findings,
            said.dismissed,
            done.folder.join("report.html").display(),
            done.seal
        ))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// `RUN-delivery` beside the run.
fn beside(run: &Path) -> Result<PathBuf, Failure> {
    let whole = std::fs::canonicalize(run).map_err(|e| thermal_core::Error::io(run, "find the run folder", e))?;
    let name = whole.file_name().ok_or_else(|| Failure::Usage("name a delivery folder with --out".to_owned()))?;
    Ok(whole.with_file_name(format!("{}-delivery", name.to_string_lossy())))
}

/// `--verify`.
fn check(folder: &Path, json: bool) -> Result<ExitCode, Failure> {
    let found = verify(folder)?;
    if json {
        print(&serde_json::to_string(&found).map_err(|e| Failure::Runtime(e.to_string()))?)?;
    } else if found.differences.is_empty() {
        print(&format!("{} files are as they were delivered\nSeal: {}", found.files, found.seal))?;
    } else {
        let lines: Vec<String> = found
            .differences
            .iter()
            .map(|difference| match difference {
                Difference::Changed(name) => format!("changed: {name}"),
                Difference::Missing(name) => format!("missing: {name}"),
                Difference::Added(name) => format!("added:   {name}"),
            })
            .collect();
        print(&format!(
            "{} of {} files differ from what was delivered:\n{}\nSeal: {}",
            found.differences.len(),
            found.files,
            lines.join("\n"),
            found.seal
        ))?;
    }
    Ok(if found.differences.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(PARTLY) })
}
