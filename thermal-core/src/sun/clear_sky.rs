//! Irradiance under a clear sky after Ineichen and Perez, "A new airmass independent formulation for the Linke turbidity
//! coefficient", Solar Energy 73 (2002), as written out in Reno, Hansen and Stein, SAND2012-2389.

use jiff::{Timestamp, tz::Offset};

use super::{Place, Sun};

/// Linke turbidity where none is given: clean air over land in the temperate zone. 2 is clear and cold, 5 humid or hazy;
/// common values of the literature, from memory.
pub const DEFAULT_TURBIDITY: f64 = 3.0;

/// Solar constant, W/m2, as in pvlib.
const SOLAR_CONSTANT_W_M2: f64 = 1366.1;

/// Irradiance under a clear sky, W/m2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClearSky {
    /// On a horizontal plane, from the whole sky.
    pub global_w_m2: f64,
    /// On a plane that faces the sun, from the sun alone.
    pub direct_normal_w_m2: f64,
    /// On a horizontal plane, without the sun.
    pub diffuse_w_m2: f64,
    /// Outside the atmosphere, on a plane that faces the sun.
    pub extraterrestrial_w_m2: f64,
}

/// Irradiance under a clear sky with Linke `turbidity`; zero while the sun is under the horizon.
pub fn clear_sky(time: Timestamp, sun: &Sun, place: &Place, turbidity: f64) -> ClearSky {
    let extra = extraterrestrial_w_m2(time);
    let dark = ClearSky { global_w_m2: 0.0, direct_normal_w_m2: 0.0, diffuse_w_m2: 0.0, extraterrestrial_w_m2: extra };
    let sin_elevation = sun.apparent_elevation_deg.to_radians().sin();
    if sin_elevation <= 0.0 {
        return dark;
    }
    let height = place.elevation_m;
    let air_mass = air_mass(sun.apparent_elevation_deg) * place.pressure_pa() / 101325.0;
    let (fh1, fh2) = ((-height / 8000.0).exp(), (-height / 1250.0).exp());
    let (cg1, cg2) = (5.09e-5 * height + 0.868, 3.92e-5 * height + 0.0387);
    let global = cg1 * extra * sin_elevation * (-cg2 * air_mass * (fh1 + fh2 * (turbidity - 1.0))).exp();

    let direct = extra * (0.664 + 0.163 / fh1) * (-0.09 * air_mass * (turbidity - 1.0)).exp();
    let ceiling = global * (1.0 - (0.1 - 0.2 * (-turbidity).exp()) / (0.1 + 0.882 / fh1)).max(0.0) / sin_elevation;
    let direct = direct.min(ceiling);
    ClearSky {
        global_w_m2: global,
        direct_normal_w_m2: direct,
        diffuse_w_m2: global - direct * sin_elevation,
        extraterrestrial_w_m2: extra,
    }
}

/// Relative air mass after Kasten and Young, Applied Optics 28 (1989).
fn air_mass(apparent_elevation_deg: f64) -> f64 {
    let e = apparent_elevation_deg;
    1.0 / (e.to_radians().sin() + 0.50572 * (e + 6.07995).powf(-1.6364))
}

/// After Spencer, Search 2 (1971): a Fourier series in the day of the year.
fn extraterrestrial_w_m2(time: Timestamp) -> f64 {
    let day = f64::from(Offset::UTC.to_datetime(time).date().day_of_year());
    let b = std::f64::consts::TAU * (day - 1.0) / 365.0;
    let series =
        1.00011 + 0.034221 * b.cos() + 0.00128 * b.sin() + 0.000719 * (2.0 * b).cos() + 7.7e-5 * (2.0 * b).sin();
    SOLAR_CONSTANT_W_M2 * series
}
