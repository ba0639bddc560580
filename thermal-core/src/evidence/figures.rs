//! The figures of a finding in words.

use super::colour::minus;
use crate::finding::{Finding, Pattern};

/// A figure with its label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// What it is.
    pub label: &'static str,
    /// The figure with its unit, in words.
    pub value: String,
}

/// What the pattern is called to a reader outside the trade.
pub(crate) fn title(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::None => "No anomaly",
        Pattern::Hotspot => "Hotspot",
        Pattern::Cell => "Hot cell",
        Pattern::Substring => "Warm substring",
        Pattern::Module => "Warm module",
        Pattern::String => "Warm string",
    }
}

/// Site, row, course, position and identity, as far as they are known.
pub(super) fn place(finding: &Finding, site: &str) -> String {
    let module = &finding.module;
    let counted = |word: &str, n: u32| if n == 0 { String::new() } else { format!("{word} {n}") };
    let place = [counted("row", module.row), counted("course", module.course), counted("position", module.position)];
    let place: Vec<_> = place.iter().filter(|part| !part.is_empty()).map(String::as_str).collect();
    let asset = if module.asset_id.is_empty() { String::new() } else { format!("module {}", module.asset_id) };
    let parts = [site.to_owned(), asset, place.join(", ")];
    parts.iter().filter(|part| !part.is_empty()).map(String::as_str).collect::<Vec<_>>().join("  \u{b7}  ")
}

/// The one or two figures that matter most, each with its meaning; none where no difference is known.
pub(super) fn headline(finding: &Finding) -> Vec<(String, String)> {
    let module = &finding.module;
    let than = match module.pattern {
        Pattern::Module => "than the modules of its row",
        Pattern::String => "than the rows beside it",
        _ => "than the rest of the module",
    };
    let irradiance = finding.irradiance_w_m2.map_or_else(String::new, |g| format!(", at {g:.0} W/m\u{b2}"));
    let measured = (Some(module.delta_t_k), format!("hotter {than}{irradiance}"));
    let scaled = (finding.delta_t_ref_k, "when scaled to 1000 W/m\u{b2}".to_owned());
    let known = |(k, meaning): (Option<f64>, String)| {
        k.filter(|k| k.is_finite()).map(|k| (minus(&format!("{k:.1} K")), meaning))
    };
    [measured, scaled].into_iter().filter_map(known).collect()
}

/// The other figures, those that are not known left out.
pub fn figures(finding: &Finding) -> Vec<Figure> {
    let module = &finding.module;
    let mut figures = vec![];
    let mut add = |label, value: String| figures.push(Figure { label, value });
    if !finding.severity.is_empty() {
        let class = match finding.abnormality_class {
            0 => String::new(),
            class => format!(", class {class} of IEC TS 62446-3"),
        };
        add("Severity", format!("{}{class}", finding.severity));
    }
    if !module.part.is_empty() {
        add("Where", part(&module.part));
    }
    let temperatures = [("Hottest part", module.t_max_c), ("Module", module.t_median_c), ("Row", module.row_median_c)];
    for (label, t) in temperatures.into_iter().filter(|(_, t)| t.is_finite()) {
        let median = if label == "Hottest part" { "" } else { " (median)" };
        add(label, format!("{} \u{b0}C{median}", minus(&format!("{t:.1}"))));
    }
    if module.area_fraction > 0.0 {
        add("Warm area", format!("{} of the module", percent(module.area_fraction)));
    }
    match (finding.irradiance_w_m2, finding.irradiance_age_s) {
        (Some(g), Some(age)) => add("Irradiance", format!("{g:.0} W/m\u{b2} ({} from a reading)", duration(age))),
        (Some(g), None) => add("Irradiance", format!("{g:.0} W/m\u{b2}")),
        (None, _) => add("Irradiance", "not known, so not scaled".to_owned()),
    }
    if let Some(watts) = finding.loss_w {
        add("Power at stake", format!("about {watts:.0} W"));
    }
    if let Some(time) = &finding.captured_at {
        add("Captured", time_words(time));
    }
    if finding.frames_seen > 0 {
        let (seen, confirmed) = (finding.frames_seen, finding.frames_confirmed);
        let frames = if seen == 1 { "frame that shows" } else { "frames that show" };
        add("Confirmed", format!("in {confirmed} of {seen} {frames} it whole"));
    }
    add("Confidence", percent(module.confidence));
    if let (Some(lat), Some(lon)) = (finding.lat, finding.lon)
        && lat.abs() <= 90.0
        && lon.abs() <= 180.0
    {
        let (north, east) = (if lat < 0.0 { "S" } else { "N" }, if lon < 0.0 { "W" } else { "E" });
        add("Position", format!("{:.6}\u{b0} {north}, {:.6}\u{b0} {east}", lat.abs(), lon.abs()));
    }
    add("Frame", module.frame.to_string());
    let mut flags = module.flags.clone();
    flags.sort_unstable();
    flags.dedup();
    if !flags.is_empty() {
        add("Cautions", flags.iter().map(|flag| flag.info().short).collect::<Vec<_>>().join("; "));
    }
    figures
}

/// `4/2`, or several of the kind with blanks between them, in words; other parts are words already.
fn part(part: &str) -> String {
    match cells(part) {
        None => part.to_owned(),
        Some(several) if several.contains(';') => format!("cells in {several}, from the upper left"),
        Some(one) => format!("cell in {one}, from the upper left"),
    }
}

/// `5/12 3/21` as columns and lines in words; `None` for what does not name cells.
pub(crate) fn cells(part: &str) -> Option<String> {
    let cell = |text: &str| {
        let (column, line) = text.split_once('/')?;
        Some(format!("column {}, line {}", column.parse::<u32>().ok()?, line.parse::<u32>().ok()?))
    };
    let cells = part.split_whitespace().map(cell).collect::<Option<Vec<_>>>()?;
    (!cells.is_empty()).then(|| cells.join("; "))
}

fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent < 10.0 { format!("{percent:.1} %") } else { format!("{percent:.0} %") }
}

fn duration(seconds: f64) -> String {
    if seconds < 100.0 { format!("{seconds:.0} s") } else { format!("{:.0} min", seconds / 60.0) }
}

/// The time of an RFC 3339 text without its fraction of a second, the offset kept.
fn time_words(text: &str) -> String {
    let Some((date, time)) = text.split_once('T') else { return text.to_owned() };
    let clock = time.get(..8).unwrap_or(time);
    let offset = time.rfind(['+', '-', 'Z']).and_then(|at| time.get(at..)).unwrap_or_default();
    let zone = match offset {
        "Z" => " UTC".to_owned(),
        "" => String::new(),
        offset => format!(" (UTC{})", minus(offset)),
    };
    format!("{date} {clock}{zone}")
}
