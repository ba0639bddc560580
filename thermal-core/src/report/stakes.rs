//! What is at stake: power by pattern with its range, energy and money only where the user gives what they follow from.

use serde::Serialize;

use crate::finding::{Finding, Pattern};
use crate::settings::Settings;
use crate::severity;

/// A whole module that gives nothing is this much warmer than its neighbours at 1000 W/m2, K: the power it does not lead
/// away becomes heat. 7.2 K in a light wind by `pvlib.temperature.pvsyst_cell` (21 %, see [`crate::severity`]); the upper end
/// is still air.
const IDLE_HIGH_K: f64 = 9.0;

/// Power, as a likely figure within a range, W.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Range {
    /// Lowest.
    pub low: f64,
    /// Likely.
    pub likely: f64,
    /// Highest.
    pub high: f64,
}

impl Range {
    fn plus(self, other: Self) -> Self {
        Self { low: self.low + other.low, likely: self.likely + other.likely, high: self.high + other.high }
    }

    /// Each end times a factor.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self { low: self.low * factor, likely: self.likely * factor, high: self.high * factor }
    }
}

/// The stakes of one pattern.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PatternStakes {
    /// The pattern's word.
    pub pattern: &'static str,
    /// Findings.
    pub findings: usize,
    /// Modules' worth of power.
    pub modules: Range,
    /// What was assumed.
    pub assumption: &'static str,
}

/// What the user gives to turn power into energy and money.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Prices {
    /// Energy a year of a kilowatt of rated power, kWh.
    pub specific_yield_kwh_kwp: Option<f64>,
    /// Price of a kilowatt-hour.
    pub price_per_kwh: Option<f64>,
    /// Its currency, as it shall be printed.
    pub currency: String,
}

/// All stakes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stakes {
    /// By pattern, those that occur.
    pub patterns: Vec<PatternStakes>,
    /// Sum in modules' worth of power.
    pub modules: Range,
    /// Sum, W; `None` without a rated power.
    pub power_w: Option<Range>,
    /// Energy a year, kWh; `None` without a specific yield.
    pub energy_kwh: Option<Range>,
    /// Money a year; `None` without a price.
    pub money: Option<Range>,
}

/// Share of a module's power that a finding stands for.
pub fn share(finding: &Finding, settings: &Settings) -> Range {
    let module = &settings.module;
    let sections = (module.substrings * if module.half_cut() { 2 } else { 1 }).max(1);
    let area = finding.module.area_fraction;
    let likely = severity::loss_w(finding.module.pattern, area, sections, 1.0);
    // Sums keep to the range even where a wide area makes the likely figure larger than a section.
    let section = (1.0 / f64::from(module.substrings.max(1))).max(likely);
    match finding.module.pattern {
        Pattern::None => Range::default(),
        Pattern::Hotspot | Pattern::Cell => Range { low: 0.0, likely, high: section },
        Pattern::Substring => Range { low: likely, likely, high: likely },
        Pattern::Module | Pattern::String => {
            let heat = finding.delta_t_ref_k.map_or(0.0, |k| (k / IDLE_HIGH_K).clamp(0.0, 1.0));
            Range { low: heat, likely, high: 1.0 }
        }
    }
}

/// The assumption behind a pattern's share, in one sentence.
fn assumption(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::None => "",
        Pattern::Hotspot | Pattern::Cell => {
            "From nothing, where the spot only warms, to a whole bypass section, where its diode takes over; likely is the \
             warm share of the area."
        }
        Pattern::Substring => {
            "A bypassed section gives nothing: a third is a third, half a third in a half-cut module."
        }
        Pattern::Module => {
            "A module without load gives nothing. The lower end is the share whose heat explains the difference: 9 K at \
             1000 W/m² would be all of it."
        }
        Pattern::String => {
            "All modules of the run give nothing. The lower end is the share whose heat explains the difference: 9 K at \
             1000 W/m² would be all of it."
        }
    }
}

/// The stakes of all findings.
pub(crate) fn stakes<'a>(
    findings: impl IntoIterator<Item = &'a Finding> + Clone,
    settings: &Settings,
    prices: &Prices,
) -> Stakes {
    let patterns: Vec<_> = Pattern::ANOMALIES
        .into_iter()
        .filter_map(|pattern| {
            let shares: Vec<Range> = findings
                .clone()
                .into_iter()
                .filter(|f| f.module.pattern == pattern)
                .map(|f| share(f, settings))
                .collect();
            let modules = shares.iter().fold(Range::default(), |sum, one| sum.plus(*one));
            let (findings, assumption) = (shares.len(), assumption(pattern));
            (findings > 0).then_some(PatternStakes { pattern: pattern.as_str(), findings, modules, assumption })
        })
        .collect();
    let modules = patterns.iter().fold(Range::default(), |sum, one| sum.plus(one.modules));
    let power_w = settings.module.p_stc_w.map(|p| modules.times(p));
    let energy_kwh = power_w.zip(prices.specific_yield_kwh_kwp).map(|(power, kwh)| power.times(kwh / 1000.0));
    let money = energy_kwh.zip(prices.price_per_kwh).map(|(energy, price)| energy.times(price));
    Stakes { patterns, modules, power_w, energy_kwh, money }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Module;

    fn finding(pattern: Pattern, area_fraction: f64, reference_k: f64) -> Finding {
        let mut f = Finding { delta_t_ref_k: Some(reference_k), ..Finding::default() };
        f.module.pattern = pattern;
        f.module.area_fraction = area_fraction;
        f
    }

    #[test]
    fn sums_by_hand() {
        let module = Module { p_stc_w: Some(300.0), ..Module::default() };
        let settings = Settings { module, ..Settings::default() };
        let list = [
            finding(Pattern::Cell, 1.0 / 60.0, 30.0),
            finding(Pattern::Substring, 0.33, 6.0),
            finding(Pattern::Module, 1.0, 4.5),
        ];
        let prices = Prices { specific_yield_kwh_kwp: Some(1500.0), price_per_kwh: Some(0.1), currency: "EUR".into() };
        let all = stakes(&list, &settings, &prices);
        // W: cell 0 / 5 / 100, third 100 / 100 / 100, module 150 / 300 / 300.
        let power = all.power_w.unwrap();
        assert!((power.low - 250.0).abs() < 1e-9 && (power.likely - 405.0).abs() < 1e-9);
        assert!((power.high - 500.0).abs() < 1e-9);
        assert!((all.energy_kwh.unwrap().high - 750.0).abs() < 1e-9 && (all.money.unwrap().high - 75.0).abs() < 1e-9);
        let bare = stakes(&list, &Settings::default(), &Prices { price_per_kwh: Some(0.1), ..Prices::default() });
        assert!(bare.power_w.is_none() && bare.energy_kwh.is_none() && bare.money.is_none());
    }
}
