//! Small helpers for drawings inside the page.

/// Text for an element or an attribute.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// The step of an axis: 1, 2 or 5 times a power of ten, some five steps over the span.
pub(crate) fn nice_step(span: f64) -> f64 {
    let rough = (span / 5.0).max(1e-9);
    let power = 10_f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|k| k * power).find(|step| *step >= rough).unwrap_or(10.0 * power)
}
