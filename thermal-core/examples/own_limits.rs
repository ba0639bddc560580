//! Own severity limits: judges the same differences by the built-in limits and by those of an owner's contract.

use thermal_core::finding::Pattern;
use thermal_core::settings::{Settings, Severity};
use thermal_core::severity::judge;

fn main() -> thermal_core::Result<()> {
    let built_in = Severity::default();
    // K at 1000 W/m2, as `[severity]` in inspection.toml has them. Contradictions are refused by `validate`.
    let contract = Severity { marked_spot_k: 8.0, grave_spot_k: 15.0, exponent_spot: 1.2, ..Severity::default() };
    Settings { severity: contract.clone(), ..Settings::default() }.validate()?;

    println!("{:>8} {:>12} {:>16} {:>16}", "dT, K", "W/m2", "built in", "contract");
    for (delta_t_k, irradiance_w_m2) in [(7.0, 900.0), (12.0, 650.0), (12.0, 250.0)] {
        let [a, b] = [&built_in, &contract].map(|l| judge(Pattern::Cell, delta_t_k, Some(irradiance_w_m2), l));
        let words = |j: &thermal_core::severity::Judgement| {
            format!("{} {}", j.band, j.delta_t_ref_k.map_or_else(|| "unscaled".into(), |k| format!("{k:.1} K")))
        };
        println!("{delta_t_k:>8} {irradiance_w_m2:>12} {:>16} {:>16}", words(&a), words(&b));
    }
    Ok(())
}
