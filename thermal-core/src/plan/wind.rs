//! What a wind reading in the hand means at flying height.
//! Power law with the exponent 1/7, see Peterson and Hennessey, "On the use of power laws for estimates of wind power
//! potential", J. Applied Meteorology 17 (1978); over rough ground or on calm mornings the wind grows faster than that.

use serde::Serialize;

/// Greatest wind in IEC TS 62446-3:2017, km/h.
const STANDARD_LIMIT_KM_H: f64 = 28.0;
/// Greatest wind in common practice, 15 mph, km/h; no source.
const PRACTICE_LIMIT_KM_H: f64 = 24.0;
/// Height of a reading in the hand, m.
pub(crate) const HAND_HEIGHT_M: f64 = 2.0;

/// The wind at flying height.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Wind {
    /// Greatest wind in the standard, km/h.
    pub standard_limit_km_h: f64,
    /// Greatest wind in common practice, km/h.
    pub practice_limit_km_h: f64,
    /// Wind at flying height over wind in the hand.
    pub factor: f64,
    /// Reading in the hand at which the wind at flying height reaches common practice's limit, km/h.
    pub reading_limit_km_h: f64,
}

/// Wind at `height_m` over wind at `reference_m`.
pub(crate) fn wind_factor(height_m: f64, reference_m: f64) -> f64 {
    (height_m.max(reference_m) / reference_m).powf(1.0 / 7.0)
}

impl Wind {
    pub(super) fn at(height_m: f64) -> Self {
        let factor = wind_factor(height_m, HAND_HEIGHT_M);
        Self {
            standard_limit_km_h: STANDARD_LIMIT_KM_H,
            practice_limit_km_h: PRACTICE_LIMIT_KM_H,
            factor: super::round(factor, 3),
            reading_limit_km_h: super::round(PRACTICE_LIMIT_KM_H / factor, 1),
        }
    }
}
