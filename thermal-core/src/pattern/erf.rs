//! The error function from a table: the fits of cells ask for it some ten thousand times a hot module.

use std::sync::LazyLock;

use statrs::function::erf::erf;

/// Entries a unit. A cubic between two entries that has their values and slopes is off by less than 1e-10.
const STEPS: f64 = 128.0;
/// From here on the function is one to the last digit.
const END: f64 = 6.0;

/// Values and slopes (a step) of the error function from 0 to [`END`].
pub(super) struct Erf {
    entries: Vec<[f64; 2]>,
}

impl Erf {
    /// The table, made at the first call.
    pub(super) fn get() -> &'static Self {
        static TABLE: LazyLock<Erf> = LazyLock::new(|| {
            let entry = |k: u32| {
                let x = f64::from(k) / STEPS;
                [erf(x), std::f64::consts::FRAC_2_SQRT_PI * (-x * x).exp() / STEPS]
            };
            Erf { entries: (0..=(END * STEPS) as u32).map(entry).collect() }
        });
        &TABLE
    }

    /// The error function of `x`.
    #[inline]
    pub(super) fn at(&self, x: f64) -> f64 {
        let steps = x.abs() * STEPS;
        let k = steps as i32 as usize;
        let Some(&[[from, rise], [to, rise_to]]) = self.entries.get(k..).and_then(|rest| rest.first_chunk::<2>())
        else {
            return x.signum();
        };
        let t = steps - k as f64;
        let (bend, twist) = (3.0 * (to - from) - 2.0 * rise - rise_to, rise + rise_to - 2.0 * (to - from));
        (from + t * (rise + t * (bend + t * twist))).copysign(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_has_the_functions_values() {
        let table = Erf::get();
        for k in -70_000..70_000 {
            let x = f64::from(k) * 1e-4;
            assert!((table.at(x) - erf(x)).abs() < 1e-10, "{x}");
        }
        assert!(table.at(f64::NAN).is_nan());
        assert_eq!([table.at(f64::INFINITY), table.at(f64::NEG_INFINITY), table.at(0.0)], [1.0, -1.0, 0.0]);
    }
}
