//! How far a temperature difference can be trusted: what decides whether two inspections differ, and what the report
//! states beside each figure.

use crate::finding::{Finding, Flag, Pattern};
use crate::severity::REFERENCE_W_M2;

/// Half width of a 95 % interval in standard uncertainties (normal distribution).
pub(crate) const COVERAGE: f64 = 1.96;

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

/// Frames that the usual noise counts for beside the scatter that was seen.
const PRIOR_FRAMES: f64 = 2.0;
/// Usual noise of one frame, K, and what is common to all frames (fixed pattern, fall towards the corners): of a spot or a
/// cell, which are few pixels, and of a substring or a module, which are many. Set on rendered flights, see
/// `tests/uncertainty.rs`.
const SPOT_NOISE_K: [f64; 2] = [0.4, 0.25];
const AREA_NOISE_K: [f64; 2] = [0.15, 0.08];
/// Emissivity known to 0.02 at 0.88, as a share of the difference.
const EMISSIVITY_SHARE: f64 = 0.023;
/// What the fit of whole cells leaves open of a cell of few pixels, as a share.
const CELL_SHARE: f64 = 0.03;
/// Row scatter where none could be measured, K (common practice, no source).
const ROW_K: f64 = 0.6;
/// Standard uncertainty of the exponent that scales a difference with the irradiance.
const EXPONENT: f64 = 0.05;

/// What was seen to scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// The difference over the frames that show the pattern, one standard deviation, K; 0 from a single frame.
    pub frames_k: f64,
    /// Sound modules about their row, one standard deviation, K; NaN where none could be measured.
    pub row_k: f64,
}

/// Standard uncertainty of the difference as measured, K, propagated as the GUM has it (JCGM 100:2008, 5.1.2) from
/// - noise: the scatter over the frames, pooled with what is usual, over the root of their number, and what is common to
///   all frames;
/// - row scatter, where a module or a string is compared with its row: sound modules differ as well; the mean of a run
///   evens their scatter out, but not the row's own slow change, and half of the variance is taken to stay;
/// - emissivity, view and reflection: a share of the difference, twice that where a flag warns of them;
/// - resolution: what optics of the usual blur take of a spot, as a half width.
fn measured_k(finding: &Finding, scatter: Scatter) -> f64 {
    let module = &finding.module;
    let frames = f64::from(finding.frames_confirmed.max(1));
    let spot = matches!(module.pattern, Pattern::Hotspot | Pattern::Cell);
    let [noise, common] = if spot { SPOT_NOISE_K } else { AREA_NOISE_K };
    let pooled = (PRIOR_FRAMES * noise * noise + (frames - 1.0) * scatter.frames_k * scatter.frames_k)
        / (PRIOR_FRAMES + frames - 1.0);
    let row_k = if scatter.row_k.is_finite() { scatter.row_k } else { ROW_K };
    let row_k = match module.pattern {
        Pattern::Module => row_k,
        Pattern::String => row_k * std::f64::consts::FRAC_1_SQRT_2,
        Pattern::None | Pattern::Hotspot | Pattern::Cell | Pattern::Substring => 0.0,
    };
    let share = doubt(finding) * EMISSIVITY_SHARE.hypot(if spot { CELL_SHARE } else { 0.0 }) * module.delta_t_k;
    let taken = module.taken_k / COVERAGE;
    (pooled / frames + common * common + row_k * row_k + share * share + taken * taken).sqrt()
}

/// Writes the half widths of both 95 % intervals into a finding that has been judged; none where a figure is no number.
pub fn state(finding: &mut Finding, scatter: Scatter) {
    let measured = measured_k(finding, scatter);
    let half = |u: f64| Some(COVERAGE * u).filter(|half| half.is_finite());
    finding.delta_t_u95_k = half(measured);
    finding.delta_t_ref_u95_k = finding.delta_t_ref_k.and_then(|scaled| {
        let far = finding.irradiance_w_m2.map_or(0.0, |g| EXPONENT * (REFERENCE_W_M2 / g).ln());
        half((measured * factor(finding, scaled)).hypot(irradiance_share(finding).hypot(far) * scaled))
    });
}

/// What the scaling multiplies the difference with.
fn factor(finding: &Finding, scaled: f64) -> f64 {
    if finding.module.delta_t_k.abs() > 1e-6 { scaled / finding.module.delta_t_k } else { 1.0 }
}

/// What the uncertainty by emissivity, view and reflection is multiplied with: twice where a flag warns of them.
fn doubt(finding: &Finding) -> f64 {
    let flags = [Flag::Oblique, Flag::Soft, Flag::ReflectionSuspect];
    if flags.iter().any(|f| finding.module.flags.contains(f)) { 2.0 } else { 1.0 }
}

/// Standard uncertainty of the irradiance, as a share.
fn irradiance_share(finding: &Finding) -> f64 {
    let rough = [Flag::StaleIrradiance, Flag::UnsteadyIrradiance, Flag::LowIrradiance]
        .iter()
        .any(|f| finding.module.flags.contains(f));
    if rough { ROUGH_IRRADIANCE_SHARE } else { IRRADIANCE_SHARE }
}

/// Standard uncertainty of the difference where two inspections are compared, K: what is common to both (resolution, the
/// module's own place in its row) cancels.
pub fn delta_t_k(finding: &Finding) -> f64 {
    let frames = f64::from(finding.frames_confirmed.max(1));
    let share = doubt(finding) * SHARE * finding.module.delta_t_k;
    (FRAME_K * FRAME_K / frames + COMMON_K * COMMON_K + share * share).sqrt()
}

/// Standard uncertainty of the difference scaled to 1000 W/m2, K; `None` where it is not scaled.
pub fn delta_t_ref_k(finding: &Finding) -> Option<f64> {
    let scaled = finding.delta_t_ref_k?;
    Some((delta_t_k(finding) * factor(finding, scaled)).hypot(irradiance_share(finding) * scaled))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_add_up_as_by_hand() {
        let mut f = Finding {
            delta_t_ref_k: Some(10.0),
            irradiance_w_m2: Some(800.0),
            frames_confirmed: 3,
            ..Finding::default()
        };
        f.module.pattern = Pattern::Module;
        f.module.delta_t_k = 8.0;
        state(&mut f, Scatter { frames_k: 0.3, row_k: 0.5 });
        // By hand: pooled (2 * 0.15^2 + 2 * 0.3^2) / 4 / 3, 0.08^2, 0.5^2, (0.023 * 8)^2.
        let u: f64 = (0.056_25_f64 / 3.0 + 0.0064 + 0.25 + 0.033_856).sqrt();
        assert!((f.delta_t_u95_k.unwrap() - 1.96 * u).abs() < 1e-9);
        // Scaled by 1.25; 3 % of 10 K and 0.05 ln 1.25 of it.
        let scaled = ((1.25 * u).powi(2) + 0.3_f64.powi(2) + (0.05 * 1.25_f64.ln() * 10.0).powi(2)).sqrt();
        assert!((f.delta_t_ref_u95_k.unwrap() - 1.96 * scaled).abs() < 1e-9);
        f.module.delta_t_k = f64::NAN;
        f.delta_t_ref_k = None;
        state(&mut f, Scatter { frames_k: 0.3, row_k: f64::NAN });
        assert_eq!((f.delta_t_u95_k, f.delta_t_ref_u95_k), (None, None));
    }

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
