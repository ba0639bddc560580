//! The sentences of the report.

use super::stakes::Range;
use crate::finding::{Finding, Flag, Pattern};

/// What to do next, in plain words.
pub(super) fn next_step(finding: &Finding) -> String {
    let flags = &finding.module.flags;
    let doubtful = [Flag::ReflectionSuspect, Flag::Contradicted, Flag::OneFrame].iter().any(|f| flags.contains(f));
    let mut text = String::new();
    if finding.abnormality_class >= 3 {
        text += "Relevant to safety: have a licensed electrician look at it before other work. ";
    }
    if doubtful {
        text += "Not proven by this flight alone: look again, by hand or from the air, before money is spent. ";
    }
    text += match finding.module.pattern {
        Pattern::None => "Nothing to do.",
        Pattern::Hotspot => {
            "Look at the spot from the front and the back: dirt, droppings, shade, a crack, a burn mark. Clean it and \
             measure again; a spot that stays is a fault of the module."
        }
        Pattern::Cell => {
            "Look for shade or dirt on this cell first; then for a broken cell. Clean it and measure again; if it stays hot, \
             plan to replace the module."
        }
        Pattern::Substring => {
            "Check the junction box: a bypass diode conducts, or a ribbon to this part has come off. A voltage measured at \
             the module that is short by this part proves it."
        }
        Pattern::Module => {
            "Check whether the module is connected: plugs, cables, junction box. Warm as a whole, it gives little or nothing."
        }
        Pattern::String => {
            "Check the string's fuse, plugs and its input at the inverter: the whole run gives nothing. One repair brings \
             all its modules back."
        }
    };
    match finding.severity.as_str() {
        "grave" => text + " See to it soon.",
        "marked" => text + " With the next work on site.",
        _ => text + " Look at it again at the next inspection.",
    }
}

/// What a band means.
pub(super) fn band(word: &str) -> &'static str {
    match word {
        "grave" => "see to it soon",
        "marked" => "repair with the next work on site",
        "slight" => "look again at the next inspection",
        _ => "nothing to do",
    }
}

/// The part in words.
pub(super) fn part(part: &str) -> String {
    crate::evidence::cells(part).map_or_else(|| part.to_owned(), |cells| format!("cell {cells} (from the upper left)"))
}

/// A number with a blank between thousands and a true minus sign.
pub(super) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", value.abs());
    let (whole, rest) = text.split_once('.').map_or((text.as_str(), None), |(w, r)| (w, Some(r)));
    let mut grouped = String::new();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i).is_multiple_of(3) && whole.len() > 4 {
            grouped.push('\u{202f}');
        }
        grouped.push(digit);
    }
    let sign = if value < 0.0 && text.bytes().any(|b| b.is_ascii_digit() && b != b'0') { "\u{2212}" } else { "" };
    match rest {
        Some(rest) => format!("{sign}{grouped}.{rest}"),
        None => format!("{sign}{grouped}"),
    }
}

/// A range with its unit; one figure where both ends are the same to the digits shown.
pub(super) fn range(low: f64, high: f64, decimals: usize, unit: &str) -> String {
    let (a, b) = (number(low, decimals), number(high, decimals));
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    if a == b { format!("{a}{unit}") } else { format!("{a} to {b}{unit}") }
}

/// What is likely, as the picture says it, and the range around it; one figure where they are the same.
pub(super) fn likely(of: Range, unit: &str) -> String {
    let range = range(of.low, of.high, 0, unit);
    let likely = format!("{} {unit}", number(of.likely, 0));
    if range == likely { likely } else { format!("about {likely} ({range})") }
}

/// A count with its noun.
pub(super) fn count(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", number(n as f64, 0), if n == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_as_people_read_them() {
        assert_eq!(number(1234.0, 0), "1234");
        assert_eq!(number(12345.6, 1), "12\u{202f}345.6");
        assert_eq!(number(-3.46, 1), "\u{2212}3.5");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(range(1.0, 1.04, 1, "K"), "1.0 K");
        assert_eq!(range(1.0, 2.0, 0, "m/s"), "1 to 2 m/s");
        assert_eq!(likely(Range { low: 0.0, likely: 15.1, high: 180.0 }, "W"), "about 15 W (0 to 180 W)");
        assert_eq!(likely(Range { low: 90.0, likely: 90.0, high: 90.0 }, "W"), "90 W");
        assert_eq!(count(1, "module", "modules"), "1 module");
        assert_eq!(part("6/3 4/16"), "cell column 6, line 3; column 4, line 16 (from the upper left)");
    }
}
