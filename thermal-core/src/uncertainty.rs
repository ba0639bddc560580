//! How far a temperature difference can be trusted: what decides whether two inspections differ, and what the report
//! states beside each figure.

use crate::finding::{Finding, Flag};

/// Half width of a 95 % interval in standard uncertainties (normal distribution).
pub const COVERAGE: f64 = 1.96;

/// Standard uncertainty of a difference within one frame, K: noise, drift and uneven response of an uncooled camera over
/// the width of a table (common practice, no source).
const FRAME_K: f64 = 0.4;
/// Part of it that more frames do not average away, K.
const COMMON_K: f64 = 0.25;
/// Standard uncertainty of a difference from emissivity, view angle and wind, as a share of it (common practice, no
/// source).
const SHARE: f64 = 0.04;
/// Standard uncertainty of the irradiance that a module felt, as a share: a field pyranometer in the plane of the modules.
const IRRADIANCE_SHARE: f64 = 0.03;
/// The same with an old or unsteady reading.
const ROUGH_IRRADIANCE_SHARE: f64 = 0.10;

/// Standard uncertainty of the difference as measured, K.
pub fn delta_t_k(finding: &Finding) -> f64 {
    let frames = f64::from(finding.frames_confirmed.max(1));
    let doubtful =
        [Flag::Oblique, Flag::Soft, Flag::ReflectionSuspect].iter().any(|f| finding.module.flags.contains(f));
    let share = if doubtful { 2.0 * SHARE } else { SHARE } * finding.module.delta_t_k;
    (FRAME_K * FRAME_K / frames + COMMON_K * COMMON_K + share * share).sqrt()
}

/// Standard uncertainty of the difference scaled to 1000 W/m2, K; `None` where it is not scaled.
pub fn delta_t_ref_k(finding: &Finding) -> Option<f64> {
    let scaled = finding.delta_t_ref_k?;
    let factor = if finding.module.delta_t_k.abs() > 1e-6 { scaled / finding.module.delta_t_k } else { 1.0 };
    let rough = [Flag::StaleIrradiance, Flag::UnsteadyIrradiance, Flag::LowIrradiance]
        .iter()
        .any(|f| finding.module.flags.contains(f));
    let share = if rough { ROUGH_IRRADIANCE_SHARE } else { IRRADIANCE_SHARE };
    Some((delta_t_k(finding) * factor).hypot(share * scaled))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_frames_and_a_fresh_reading_make_it_surer() {
        let finding = |frames: u32, flags: Vec<Flag>| {
            let mut f = Finding { delta_t_ref_k: Some(20.0), frames_confirmed: frames, ..Finding::default() };
            f.module.delta_t_k = 16.0;
            f.module.flags = flags;
            delta_t_ref_k(&f).unwrap()
        };
        assert!(finding(9, vec![]) < finding(1, vec![]));
        assert!(finding(1, vec![]) < finding(1, vec![Flag::StaleIrradiance]));
        // By hand: sqrt((1.25 sqrt(0.16 + 0.0625 + 0.64^2))^2 + 0.6^2).
        assert!((finding(1, vec![]) - 1.160_9).abs() < 1e-3, "{}", finding(1, vec![]));
        assert_eq!(delta_t_ref_k(&Finding::default()), None);
    }
}
