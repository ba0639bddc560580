//! Fills the page.

use std::collections::{BTreeMap, BTreeSet};

use base64::Engine as _;
use jiff::Timestamp;
use jiff::tz::Offset;
use minijinja::{Value, context};

use super::plan::{PlantMap, band_class, draw, mark};
use super::stakes::{Prices, Range, stakes};
use super::weather::{Conditions, chart, conditions};
use super::words;
use crate::evidence::title;
use crate::finding::{FLAGS, Finding, Flag, ModuleRecord, Pattern};
use crate::inspection::Inputs;
use crate::irradiance::Log;
use crate::page::fill;
use crate::review::{Decision, Outcome, tally};
use crate::run_folder::RunFolder;
use crate::settings::Source;
use crate::severity::BANDS;
use crate::{Result, uncertainty};

const PAGE: &str = include_str!("report.html");

/// Who did what, as the user gives it; empty: not given, and the page says so where the standard asks for it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct People {
    /// For whom.
    pub client: String,
    /// Who flew and measured, with the certificate.
    pub thermographer: String,
    /// Camera, lens and serial number.
    pub camera: String,
    /// When and by whom the camera was calibrated.
    pub calibration: String,
    /// Aircraft.
    pub aircraft: String,
    /// Anything that the reader should know.
    pub remarks: String,
}

/// What the page is made of.
#[derive(Debug)]
pub struct Report<'a> {
    /// The run.
    pub run: &'a RunFolder,
    /// The findings after review, gravest first, the dismissed among them.
    pub outcomes: &'a [Outcome],
    /// Every outlined module.
    pub modules: &'a [ModuleRecord],
    /// The inspection folder, where it is still at hand.
    pub inputs: Option<&'a Inputs>,
    /// The JPEG picture of each finding by its name.
    pub pictures: &'a BTreeMap<String, Vec<u8>>,
    /// Names.
    pub people: &'a People,
    /// Yield and price.
    pub prices: &'a Prices,
}

/// The page as HTML.
///
/// # Errors
/// [`Error::Argument`](crate::Error::Argument) where the page cannot be filled, which would be a fault of this library.
pub fn report(from: &Report<'_>) -> Result<String> {
    fill("report.html", PAGE, values(from))
}

/// A time at the site.
fn at_site(time: Timestamp, offset: Offset, form: &str) -> String {
    offset.to_datetime(time).strftime(form).to_string()
}

fn values(from: &Report<'_>) -> Value {
    let run = from.run;
    let settings = &run.settings;
    let offset = settings.site.offset().unwrap_or(Offset::UTC);
    let kept: Vec<&Outcome> = from.outcomes.iter().filter(|o| o.latest.verdict.decision.delivers()).collect();
    let findings: Vec<&Finding> = kept.iter().map(|o| &o.finding).collect();
    let unseen = run.unseen();
    let map = PlantMap::of(from.inputs.and_then(|i| i.layout.as_ref()), from.modules, &unseen);
    let stakes = stakes(findings.iter().copied(), settings, from.prices);
    let flight = run.flight();
    let site =
        if settings.site.name.is_empty() { "A plant without a name".to_owned() } else { settings.site.name.clone() };
    let (log, captures) = irradiance(from);
    let weather = log.as_ref().zip(flight).map(|(log, flight)| conditions(log, flight)).unwrap_or_default();
    let drawn =
        log.as_ref().zip(flight).map(|(log, flight)| chart(log, flight, &captures, &settings.irradiance, offset));
    let when = flight.map_or_else(
        || "at a time that the frames do not tell".to_owned(),
        |(a, b)| {
            let zone = if offset == Offset::UTC { "UTC".to_owned() } else { format!("UTC{offset}") };
            let clock = if b.as_second() - a.as_second() < 600 { "%H:%M:%S" } else { "%H:%M" };
            format!(
                "{}, {} to {} ({zone})",
                at_site(a, offset, "%-d %B %Y"),
                at_site(a, offset, clock),
                at_site(b, offset, clock)
            )
        },
    );
    let said = tally(from.outcomes);
    let reviewers: BTreeSet<&str> =
        from.outcomes.iter().map(|o| o.latest.reviewer.as_str()).filter(|name| !name.is_empty()).collect();
    context! {
        site => site,
        when => when,
        day => flight.map(|(a, _)| at_site(a, offset, "%Y-%m-%d")).unwrap_or_default(),
        version => &run.record.version,
        run_id => &run.id,
        people => people(from, &reviewers),
        remarks => &from.people.remarks,
        missing => missing(from, &weather),
        summary => summary(from, &findings, &map),
        tiles => tiles(from, &findings, &map, &stakes),
        chart => drawn.unwrap_or_default(),
        conditions => condition_rows(from, &weather),
        plan => draw(&map, &findings),
        keys => keys(),
        by_pattern => by_pattern(&findings),
        by_row => by_row(&findings, from.modules),
        bands => BANDS[1..].iter().rev().map(|b| context! { word => *b, means => words::band(b) }).collect::<Vec<_>>(),
        stakes => stake_rows(&stakes, from.prices),
        p_stc => settings.module.p_stc_w.map(|p| words::number(p, 0)),
        findings => kept.iter().map(|o| card(o, from, offset)).collect::<Vec<_>>(),
        review => context! {
            open => said.open, confirmed => said.confirmed, changed => said.changed, dismissed => said.dismissed,
            added => said.added, nobody => reviewers.is_empty(),
            reviewers => reviewers.iter().copied().collect::<Vec<_>>().join(", "),
        },
        dismissed => dismissed(from.outcomes),
        unseen => unseen.iter().take(60).cloned().collect::<Vec<_>>().join(", "),
        unseen_count => unseen.len(),
        unseen_more => unseen.len().saturating_sub(60),
        skipped => run.skipped.iter().take(40).map(|s| context! { file => &s.file, reason => &s.reason }).collect::<Vec<_>>(),
        skipped_count => run.skipped.len(),
        flags => flags(&findings),
        limits => limits(from),
        settings_rows => settings_rows(run),
        inputs_count => run.record.inputs.len(),
    }
}

/// The log, if it is the one the run read, and the captures that are known.
fn irradiance(from: &Report<'_>) -> (Option<Log>, Vec<Timestamp>) {
    let log = from.run.input("irradiance.csv").and(from.inputs).and_then(|i| i.irradiance.clone());
    let mut captures: Vec<Timestamp> = from
        .inputs
        .map(|i| i.frames.iter().filter_map(|f| i.sidecar.get(f)?.captured_at).collect())
        .unwrap_or_default();
    if captures.is_empty() {
        captures = from.outcomes.iter().filter_map(|o| o.finding.captured_at.as_ref()?.parse().ok()).collect();
    }
    captures.sort_unstable();
    captures.dedup();
    (log, captures)
}

fn pair(name: &str, value: impl Into<String>) -> Value {
    context! { name => name, value => value.into() }
}

/// Who, and with what.
fn people(from: &Report<'_>, reviewers: &BTreeSet<&str>) -> Vec<Value> {
    let (people, settings) = (from.people, &from.run.settings);
    let camera = &settings.camera;
    let mut lens = Vec::new();
    lens.extend(camera.focal_length_mm.map(|f| format!("lens {f} mm")));
    lens.push(format!("pixels {} µm apart", camera.pixel_pitch_um));
    let radiometry = settings.radiometry.as_ref().map_or_else(
        || "temperatures as the frames' own metadata give them".to_owned(),
        |r| format!("emissivity {}, reflected apparent temperature {} °C", r.emissivity, r.reflected_c),
    );
    let module = &settings.module;
    let mut rows = vec![
        ("For", people.client.clone()),
        ("Thermographer", people.thermographer.clone()),
        ("Reviewed by", reviewers.iter().copied().collect::<Vec<_>>().join(", ")),
        ("Camera", people.camera.clone()),
        ("Calibration", people.calibration.clone()),
        ("Optics", lens.join(", ")),
        ("Radiometry", radiometry),
        ("Aircraft", people.aircraft.clone()),
        (
            "Modules",
            format!(
                "{} m × {} m, {} × {} cells, {}{}",
                module.width_m,
                module.length_m,
                module.cells[0],
                module.cells[1],
                words::count(module.substrings as usize, "substring", "substrings"),
                module.p_stc_w.map_or_else(String::new, |p| format!(", rated {p:.0} W"))
            ),
        ),
        ("Array", format!("tilt {}°, facing {}° from north", settings.array.tilt_deg, settings.array.azimuth_deg)),
    ];
    rows.retain(|(_, value)| !value.is_empty());
    rows.into_iter().map(|(name, value)| pair(name, value)).collect()
}

/// What IEC TS 62446-3 wants in a report and nobody gave.
fn missing(from: &Report<'_>, weather: &Conditions) -> Vec<&'static str> {
    let people = from.people;
    [
        (people.thermographer.is_empty(), "who flew and measured, with the certificate"),
        (people.camera.is_empty(), "camera and lens with serial numbers"),
        (people.calibration.is_empty(), "the camera's calibration"),
        (weather.irradiance_w_m2.is_none(), "the irradiance over the flight"),
        (weather.air_temp_c.is_none(), "air temperature"),
        (weather.wind_m_s.is_none(), "wind"),
        (weather.cloud_okta.is_none(), "cloud"),
    ]
    .into_iter()
    .filter_map(|(absent, what)| absent.then_some(what))
    .collect()
}

/// Modules of the plant, and how many of them were seen whole.
fn inspected(from: &Report<'_>, map: &PlantMap) -> Option<(usize, usize)> {
    let counts = &from.run.record.counts;
    if let (Some(&all), Some(&unseen)) = (counts.get("site_modules"), counts.get("site_modules_unseen")) {
        return (all > 0).then_some((all as usize, all.saturating_sub(unseen) as usize));
    }
    let all = map.modules.len();
    (all > 0).then(|| (all, all - map.unseen.len().min(all)))
}

fn summary(from: &Report<'_>, findings: &[&Finding], map: &PlantMap) -> String {
    let text = match inspected(from, map) {
        Some((all, seen)) => format!(
            "{} of the plant's {} were inspected ({} %). ",
            words::number(seen as f64, 0),
            words::count(all, "module", "modules"),
            words::number(100.0 * seen as f64 / all as f64, 1)
        ),
        None => format!("{} were looked at. ", words::count(from.modules.len(), "module outline", "module outlines")),
    };
    if findings.is_empty() {
        return text + "No module stood out as too warm.";
    }
    let n = findings.len();
    let warm = if n == 1 { "One module is".to_owned() } else { format!("{} modules are", words::number(n as f64, 0)) };
    let bands: Vec<String> = BANDS[1..]
        .iter()
        .rev()
        .filter_map(|band| {
            let n = findings.iter().filter(|f| f.severity == *band).count();
            (n > 0).then(|| format!("{n} {band} ({})", words::band(band)))
        })
        .collect();
    let unsafe_count = findings.iter().filter(|f| f.abnormality_class >= 3).count();
    let safety = if unsafe_count == 0 {
        "None reaches the class that is relevant to safety.".to_owned()
    } else {
        format!("{} of class 3, relevant to safety: look at these first.", words::count(unsafe_count, "is", "are"))
    };
    format!("{text}{warm} too warm: {}. {safety}", bands.join(", "))
}

fn tiles(from: &Report<'_>, findings: &[&Finding], map: &PlantMap, stakes: &super::Stakes) -> Vec<Value> {
    let tile = |value: String, name: &str| context! { value => value, name => name };
    let mut tiles = Vec::new();
    if let Some((all, seen)) = inspected(from, map) {
        tiles.push(tile(
            format!("{} %", words::number(100.0 * seen as f64 / all as f64, 1)),
            "of the modules inspected",
        ));
    }
    tiles.push(tile(words::number(findings.len() as f64, 0), "findings"));
    tiles.push(tile(words::number(findings.iter().filter(|f| f.severity == "grave").count() as f64, 0), "grave"));
    if let Some(power) = stakes.power_w {
        let text = words::range(power.low / 1000.0, power.high / 1000.0, 2, "kW");
        tiles.push(tile(text, "at stake"));
    } else {
        tiles.push(tile(words::range(stakes.modules.low, stakes.modules.high, 1, ""), "modules’ worth at stake"));
    }
    tiles
}

fn condition_rows(from: &Report<'_>, weather: &Conditions) -> Vec<Value> {
    let mut rows = Vec::new();
    let mut add = |name: &str, range: Option<[f64; 2]>, decimals: usize, unit: &str| {
        rows.extend(range.map(|[low, high]| pair(name, words::range(low, high, decimals, unit))));
    };
    add("Irradiance", weather.irradiance_w_m2, 0, "W/m²");
    add("Air", weather.air_temp_c, 1, "°C");
    add("Wind", weather.wind_m_s, 1, "m/s");
    add("Cloud", weather.cloud_okta, 0, "okta (eighths of the sky)");
    if weather.readings > 0 {
        rows.push(pair("Readings", words::number(weather.readings as f64, 0)));
    }
    let counts = &from.run.record.counts;
    let used = counts.get("frames_used").copied().unwrap_or(0) as usize;
    rows.push(pair(
        "Frames",
        format!("{} used, {} not used", words::number(used as f64, 0), words::number(from.run.skipped.len() as f64, 0)),
    ));
    rows
}

/// The shapes of the plan.
fn keys() -> Vec<Value> {
    BANDS[1..]
        .iter()
        .rev()
        .map(|band| {
            let finding = Finding { severity: (*band).to_owned(), ..Finding::default() };
            context! { shape => mark(&finding, 9.0, 9.0, 6.0), word => *band }
        })
        .collect()
}

fn by_pattern(findings: &[&Finding]) -> Vec<Value> {
    Pattern::ANOMALIES
        .into_iter()
        .filter_map(|pattern| {
            let of: Vec<_> = findings.iter().filter(|f| f.module.pattern == pattern).collect();
            if of.is_empty() {
                return None;
            }
            let in_band = |band: &str| of.iter().filter(|f| f.severity == band).count();
            let bands: Vec<usize> = BANDS[1..].iter().rev().map(|band| in_band(band)).collect();
            Some(context! { name => title(pattern), word => pattern.as_str(), bands => bands, all => of.len() })
        })
        .collect()
}

fn by_row(findings: &[&Finding], modules: &[ModuleRecord]) -> Vec<Value> {
    let mut seen: BTreeMap<u32, BTreeSet<&str>> = BTreeMap::new();
    for m in modules.iter().filter(|m| m.whole && !m.asset_id.is_empty()) {
        seen.entry(m.row).or_default().insert(&m.asset_id);
    }
    let rows: BTreeSet<u32> = findings.iter().map(|f| f.module.row).collect();
    rows.into_iter()
        .map(|row| {
            let of: Vec<_> = findings.iter().filter(|f| f.module.row == row).collect();
            let patterns: Vec<usize> =
                Pattern::ANOMALIES.iter().map(|p| of.iter().filter(|f| f.module.pattern == *p).count()).collect();
            let name = if row == 0 { "not known".to_owned() } else { row.to_string() };
            let inspected = seen.get(&row).map_or_else(String::new, |ids| words::number(ids.len() as f64, 0));
            context! { row => name, inspected => inspected, patterns => patterns, all => of.len() }
        })
        .collect()
}

fn stake_rows(stakes: &super::Stakes, prices: &Prices) -> Value {
    let span = |range: Range, decimals: usize| {
        let text = words::range(range.low, range.high, decimals, "");
        context! { range => text, likely => words::number(range.likely, decimals) }
    };
    let power = stakes.power_w.map(|_| stakes.power_w.unwrap_or_default().likely / stakes.modules.likely.max(1e-12));
    let rows: Vec<Value> = stakes
        .patterns
        .iter()
        .map(|row| {
            let name = Pattern::from_word(row.pattern).map_or("", title);
            context! {
                name => name, findings => row.findings, assumption => row.assumption,
                modules => span(row.modules, 2),
                power => power.map(|p| span(row.modules.times(p), 0)),
            }
        })
        .collect();
    context! {
        rows => rows,
        modules => span(stakes.modules, 2),
        power => stakes.power_w.map(|p| span(p, 0)),
        energy => stakes.energy_kwh.map(|e| span(e, 0)),
        money => stakes.money.map(|m| span(m, 0)),
        yield_kwh => prices.specific_yield_kwh_kwp.map(|y| words::number(y, 0)),
        price => prices.price_per_kwh.map(|p| format!("{p}")),
        currency => &prices.currency,
    }
}

/// One finding on the page.
fn card(outcome: &Outcome, from: &Report<'_>, offset: Offset) -> Value {
    let finding = &outcome.finding;
    let module = &finding.module;
    let k = |value: f64| words::number(value, 1);
    let mut figures = Vec::new();
    let mut add = |name: &str, value: String| figures.push(pair(name, value));
    let half = finding.delta_t_u95_k.unwrap_or_else(|| uncertainty::COVERAGE * uncertainty::delta_t_k(finding));
    let half_ref =
        finding.delta_t_ref_u95_k.or_else(|| Some(uncertainty::COVERAGE * uncertainty::delta_t_ref_k(finding)?));
    match finding.delta_t_ref_k.zip(half_ref) {
        Some((scaled, half)) => {
            add("Difference", format!("{} K ± {} K at 1000 W/m²", k(scaled), k(half)));
            let g = finding.irradiance_w_m2.unwrap_or_default();
            add("As measured", format!("{} K at {} W/m²", k(module.delta_t_k), words::number(g, 0)));
        }
        None => add("Difference", format!("{} K ± {} K as measured, not scaled", k(module.delta_t_k), k(half))),
    }
    if module.t_max_c.is_finite() {
        add("Hottest part", format!("{} °C", k(module.t_max_c)));
    }
    if module.t_median_c.is_finite() {
        let row = if module.row_median_c.is_finite() {
            format!(" (row {} °C)", k(module.row_median_c))
        } else {
            String::new()
        };
        add("Module", format!("{} °C{row}", k(module.t_median_c)));
    }
    let share = super::stakes::share(finding, &from.run.settings);
    match from.run.settings.module.p_stc_w {
        Some(p) => add("Power at stake", words::likely(share.times(p), "W")),
        None => add("Power at stake", words::likely(share.times(100.0), "% of the module")),
    }
    if let Some(time) = finding.captured_at.as_ref().and_then(|t| t.parse::<Timestamp>().ok()) {
        add("Captured", format!("{}, {}", at_site(time, offset, "%Y-%m-%d %H:%M:%S"), module.frame));
    }
    if finding.frames_seen > 0 {
        add("Confirmed", format!("in {} of {} frames", finding.frames_confirmed, finding.frames_seen));
    }
    let place: Vec<String> = [("row", module.row), ("course", module.course), ("position", module.position)]
        .into_iter()
        .filter(|(_, n)| *n > 0)
        .map(|(name, n)| format!("{name} {n}"))
        .collect();
    let machine = &outcome.machine;
    let verdict = &outcome.latest.verdict;
    let changed = (verdict.decision == Decision::Changed).then(|| {
        format!(
            "{}{}, {}",
            machine.pattern.as_str(),
            if machine.part.is_empty() { String::new() } else { format!(" {}", machine.part) },
            machine.severity
        )
    });
    let picture =
        from.pictures.get(&finding.finding).map(|jpeg| base64::engine::general_purpose::STANDARD.encode(jpeg));
    context! {
        id => &finding.finding,
        title => title(module.pattern),
        band => &finding.severity,
        class => finding.abnormality_class,
        css => band_class(finding),
        mark => mark(finding, 9.0, 9.0, 6.0),
        asset => &module.asset_id,
        place => place.join(", "),
        part => words::part(&module.part),
        lat => finding.lat.map(|x| format!("{x:.6}")),
        lon => finding.lon.map(|x| format!("{x:.6}")),
        figures => figures,
        step => words::next_step(finding),
        cautions => module.flags.iter().map(|flag| flag.info().short).collect::<Vec<_>>().join("; "),
        note => &finding.note,
        review => &finding.review,
        reviewer => &finding.reviewer,
        changed => changed,
        picture => picture,
        evidence => &finding.evidence,
    }
}

/// How many were dismissed, by reason.
fn dismissed(outcomes: &[Outcome]) -> Vec<Value> {
    let mut by: BTreeMap<&str, usize> = BTreeMap::new();
    for outcome in outcomes.iter().filter(|o| o.latest.verdict.decision == Decision::Dismissed) {
        *by.entry(&outcome.latest.verdict.reason).or_default() += 1;
    }
    by.into_iter().map(|(reason, count)| context! { reason => reason, count => count }).collect()
}

/// The legend of the cautions that occur.
fn flags(findings: &[&Finding]) -> Vec<Value> {
    let used: BTreeSet<Flag> = findings.iter().flat_map(|f| f.module.flags.iter().copied()).collect();
    FLAGS
        .iter()
        .filter(|info| used.contains(&info.flag))
        .map(|info| pair(info.short, format!("{} ({})", info.long, info.name)))
        .collect()
}

/// The limits of the bands in words.
fn limits(from: &Report<'_>) -> Vec<Value> {
    let s = &from.run.settings.severity;
    vec![
        context! { name => "Hotspot, cell", marked => s.marked_spot_k, grave => s.grave_spot_k, safety => s.safety_spot_k },
        context! {
            name => "Substring, module, string", marked => s.marked_area_k, grave => s.grave_area_k,
            safety => s.safety_area_k,
        },
    ]
}

/// Every setting that was given or derived.
fn settings_rows(run: &RunFolder) -> Vec<Value> {
    run.record
        .settings
        .iter()
        .filter(|setting| setting.source != Source::Default && !setting.value.is_empty())
        .map(|setting| {
            let source = if setting.source == Source::File { "given" } else { "derived" };
            context! { key => &setting.key, value => &setting.value, source => source }
        })
        .collect()
}
