//! The middle of some values.

/// The median, the upper one of two; NaN of none. Reorders `values`.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
