//! What became of one module: its finding then against its finding now.
//!
//! Two differences of one kind are compared at 1000 W/m2 with the uncertainty of both (JCGM 100:2008, 5.1.2); two of unlike
//! kinds by what they add to the whole module, so that a fault told by another name is no change.

use super::{Change, Changed};
use crate::finding::{Finding, Pattern};
use crate::pattern::PatternSettings;
use crate::report::share;
use crate::run_folder::RunFolder;
use crate::uncertainty::{COVERAGE, delta_t_k, delta_t_ref_k};

/// A finding then and now.
pub(super) fn both(then: Finding, now: Finding, old: &RunFolder, new: &RunFolder) -> Changed {
    let scaled = then.delta_t_ref_k.zip(now.delta_t_ref_k);
    let (a, b) = scaled.unwrap_or((then.module.delta_t_k, now.module.delta_t_k));
    let u = |f: &Finding| if scaled.is_some() { delta_t_ref_k(f) } else { None }.unwrap_or_else(|| delta_t_k(f));
    let (difference, half) = (b - a, COVERAGE * u(&then).hypot(u(&now)));
    let spot = |f: &Finding| matches!(f.module.pattern, Pattern::Hotspot | Pattern::Cell);
    let alike = spot(&then) == spot(&now);
    let part = share(&now, &new.settings).likely - share(&then, &old.settings).likely;
    let words = [then.module.pattern.as_str(), now.module.pattern.as_str()];
    // The difference of a spot and that of a third are not of one kind; what either adds to the whole module is.
    let (change, mut reason) = if !alike {
        let ([x, u_then], [y, u_now]) = (mean_rise_k(&then, u(&then)), mean_rise_k(&now, u(&now)));
        let change = match y - x {
            k if k.abs() <= COVERAGE * u_then.hypot(u_now) => Change::Same,
            k if k > 0.0 => Change::Worse,
            _ => Change::Better,
        };
        let reason =
            format!("{} then, {} now: {x:.1} K then and {y:.1} K now over the whole module", words[0], words[1]);
        (change, reason)
    } else if !spot(&now) && part.abs() > 0.15 {
        let change = if part > 0.0 { Change::Worse } else { Change::Better };
        let more = if part > 0.0 { "more" } else { "less" };
        (change, format!("{} then, {} now: {more} of the module", words[0], words[1]))
    } else if difference.abs() > half {
        let change = if difference > 0.0 { Change::Worse } else { Change::Better };
        (change, format!("changed by {difference:+.1} K, more than the ±{half:.1} K that both figures leave open"))
    } else {
        (
            Change::Same,
            format!("a change of {difference:+.1} K lies within the ±{half:.1} K that both figures leave open"),
        )
    };
    if scaled.is_none() {
        reason += "; without irradiance both are as measured, and two days hardly compare";
    }
    Changed {
        change,
        asset_id: String::new(),
        old_asset_id: String::new(),
        old: Some(then),
        new: Some(now),
        difference_k: alike.then_some(difference),
        uncertainty_k: alike.then_some(half),
        reason,
        outline_then: None,
        outline_now: None,
    }
}

/// What a finding adds to the temperature of the whole module, K, with its standard uncertainty from that of the difference;
/// at 1000 W/m2 where it is scaled. A fault that is told by another name, a strong third cell by cell for instance, adds the
/// same. A spot counts with its area; it may lie on a module that is warm as a whole, and that rise counts too.
fn mean_rise_k(finding: &Finding, uncertainty_k: f64) -> [f64; 2] {
    let module = &finding.module;
    let delta_k = finding.delta_t_ref_k.unwrap_or(module.delta_t_k);
    let scale = if module.delta_t_k > 0.0 { delta_k / module.delta_t_k } else { 1.0 };
    let area = match module.pattern {
        Pattern::Module | Pattern::String => 1.0,
        _ => module.area_fraction.clamp(0.0, 1.0),
    };
    // Sound modules differ from their row by less than a warm module must.
    let warm = matches!(module.pattern, Pattern::Hotspot | Pattern::Cell)
        && module.delta_row_k >= f64::from(PatternSettings::default().min_module_k);
    let row_k = if warm { module.delta_row_k * scale } else { 0.0 };
    [area * delta_k + row_k, uncertainty_k * area.max(if warm { 1.0 } else { 0.0 })]
}

/// Its difference under another irradiance, K.
fn expected_k(finding: &Finding, irradiance_w_m2: Option<f64>) -> Option<f64> {
    finding.delta_t_ref_k.zip(irradiance_w_m2).map(|(k, g)| k * g / 1000.0)
}

/// What is only just found on one day can slip under the limit by chance or on a dimmer day.
pub(super) fn faint(finding: &Finding, irradiance_w_m2: Option<f64>) -> bool {
    let limits = PatternSettings::default();
    let least = f64::from(match finding.module.pattern {
        Pattern::Hotspot | Pattern::Cell => limits.min_spot_k,
        Pattern::Substring => limits.min_section_k,
        _ => limits.min_module_k,
    });
    let half = COVERAGE * delta_t_k(finding);
    expected_k(finding, irradiance_w_m2).is_some_and(|k| k < least + 0.5 * half)
}

/// A finding then, none now.
pub(super) fn only_then(then: Finding, matched: bool, seen: bool, irradiance_w_m2: Option<f64>) -> Changed {
    let expected = expected_k(&then, irradiance_w_m2);
    let (change, reason) = if !matched {
        (Change::NotSeen, "the new inspection has no module at this place".to_owned())
    } else if !seen {
        (Change::NotSeen, "no frame of the new inspection shows the module whole".to_owned())
    } else if let Some(k) = expected.filter(|_| faint(&then, irradiance_w_m2)) {
        (Change::NotSeen, format!("it would show {k:.1} K at this day's irradiance, too little to be found for sure"))
    } else {
        (Change::Gone, "seen now without a finding".to_owned())
    };
    Changed {
        change,
        asset_id: String::new(),
        old_asset_id: String::new(),
        old: Some(then),
        new: None,
        difference_k: None,
        uncertainty_k: None,
        reason,
        outline_then: None,
        outline_now: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(pattern: Pattern, delta_k: f64, area_fraction: f64, delta_row_k: f64) -> Finding {
        let mut f = Finding { delta_t_ref_k: Some(1.25 * delta_k), frames_confirmed: 4, ..Finding::default() };
        (f.module.pattern, f.module.delta_t_k) = (pattern, delta_k);
        (f.module.area_fraction, f.module.delta_row_k) = (area_fraction, delta_row_k);
        f
    }

    /// A third of 12 K, told as a substring or cell by cell, adds a third of 15 K at 1000 W/m2; a hot cell among 60 adds a
    /// sixtieth; a spot on a module of which most is warm adds the module's own rise.
    #[test]
    fn a_name_changes_nothing_of_the_heat() {
        let rise = |f: &Finding| mean_rise_k(f, 0.6);
        let [third, u] = rise(&finding(Pattern::Substring, 12.0, 1.0 / 3.0, 0.1));
        assert!((third - 5.0).abs() < 1e-9 && (u - 0.2).abs() < 1e-9);
        assert!((rise(&finding(Pattern::Cell, 12.0, 1.0 / 3.0, 0.1))[0] - third).abs() < 1e-9);
        assert!((rise(&finding(Pattern::Cell, 12.0, 1.0 / 60.0, 0.4))[0] - 0.25).abs() < 1e-9);
        // 1.25 (12 + 4 / 10).
        let [two_thirds, u] = rise(&finding(Pattern::Cell, 4.0, 0.1, 12.0));
        assert!((two_thirds - 15.5).abs() < 1e-9 && (u - 0.6).abs() < 1e-9);
        assert!((rise(&finding(Pattern::Module, 4.0, 0.2, 4.0))[0] - 5.0).abs() < 1e-9);
    }

    /// What would be seen for sure on a bright day is faint at a third of its light.
    #[test]
    fn faint_on_a_dim_day() {
        let module = finding(Pattern::Module, 4.0, 1.0, 4.0);
        assert!(!faint(&module, Some(900.0)) && faint(&module, Some(300.0)) && !faint(&module, None));
        let word = |matched, seen, g| only_then(module.clone(), matched, seen, g).change;
        assert_eq!([word(true, true, Some(900.0)), word(true, true, Some(300.0))], [Change::Gone, Change::NotSeen]);
        assert_eq!([word(true, false, Some(900.0)), word(false, false, None)], [Change::NotSeen; 2]);
    }
}
