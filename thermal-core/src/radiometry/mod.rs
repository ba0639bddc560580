//! Counts to temperature: the four encodings, emissivity with reflected apparent temperature, transmission of the path.
//!
//! What the camera measures is radiation, so that emissivity and path are corrected in the signal, not in degrees
//! (ISO 18434-1, measurement equation; from memory):
//! `measured = transmission * (emissivity * S(object) + (1 - emissivity) * S(reflected)) + (1 - transmission) * S(air)`.
//! For `planck` S is the camera's own curve, for the other encodings that of the band 8 to 14 um. Corrected temperatures
//! agree with an integration of Planck's law over 8 to 14 um within 0.03 K from -20 to 200 deg C (`testdata/radiometry`).
//! The fourth-power law, which is simpler and often used, is 0.3 K too low for a module of 60 deg C, emissivity 0.85 and
//! a sky of -20 or -50 deg C, and 1.1 K for a hot part of 100 deg C; a correction in Celsius is 3.6 to 6.8 K too high at
//! 60 deg C.

mod band;

use std::path::Path;

use ndarray::Array2;

use crate::capture::Capture;
use crate::raster::Pixels;
use crate::settings::{Encoding, Radiometry};
use crate::{Error, Result};
use band::Curve;

pub use band::path_transmission;

/// Hotter than anything that a camera of this kind measures (common practice, no source): a marker, or damage.
const HOTTEST_K: f64 = 5000.0;

const ZERO_C_IN_K: f64 = 273.15;
/// Median temperatures that no frame of a plant has, deg C: outside them the encoding is wrong.
const PLAUSIBLE_C: std::ops::RangeInclusive<f32> = -80.0..=300.0;
/// Paths that pass less are outside the formula's range.
const MIN_TRANSMISSION: f64 = 0.5;
/// Every this many pixels one is looked at for the median.
const PLAUSIBLE_STEP: usize = 97;

/// How the values of a frame become temperatures.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Encoding and corrections.
    pub radiometry: Radiometry,
    /// The kelvin per count is from the frame's own metadata; the report says so.
    pub from_metadata: bool,
}

impl Model {
    /// The model of one frame: the settings' `[radiometry]`, else the kelvin per count in the frame's XMP.
    ///
    /// # Errors
    /// [`Error::Input`] where neither is known: a guess would be a false temperature.
    pub fn of_frame(settings: Option<&Radiometry>, capture: &Capture, pixels: &Pixels) -> Result<Self> {
        if let Some(radiometry) = settings {
            return Ok(Self { radiometry: radiometry.clone(), from_metadata: false });
        }
        let remedy = "set encoding under [radiometry] in inspection.toml";
        let file = Path::new(&capture.file);
        match (capture.kelvin_per_count, pixels) {
            (Some(scale), Pixels::U16(_)) => Ok(Self {
                radiometry: Radiometry {
                    encoding: Encoding::Linear,
                    scale,
                    offset_c: -ZERO_C_IN_K,
                    ..Radiometry::default()
                },
                from_metadata: true,
            }),
            (Some(_), Pixels::F32(_)) => {
                let reason = "the kelvin per count belongs to 16-bit counts, but the frame holds float32";
                Err(Error::input(file, "XMP TlinearGain", reason, remedy))
            }
            (None, _) => {
                let reason = "nothing says how its values become temperatures";
                Err(Error::input(file, "radiometry", reason, remedy))
            }
        }
    }

    /// Scale and offset from stored value to black-body temperature, K; `None` for the camera's own curve.
    fn linear_k(&self) -> Option<(f64, f64)> {
        match self.radiometry.encoding {
            Encoding::Linear => Some((self.radiometry.scale, self.radiometry.offset_c + ZERO_C_IN_K)),
            Encoding::Celsius => Some((1.0, ZERO_C_IN_K)),
            Encoding::Kelvin => Some((1.0, 0.0)),
            Encoding::Planck => None,
        }
    }
}

/// A frame in degrees.
#[derive(Debug, Clone, PartialEq)]
pub struct Thermogram {
    /// Object temperature, deg C, rows from the top; NaN where the stored value stands for none.
    pub celsius: Array2<f32>,
    /// How many are NaN.
    pub invalid: usize,
}

/// Converts frames by one [`Model`]; the table of all counts is worked out once.
#[derive(Debug, Clone)]
pub struct Converter {
    model: Model,
    correction: Correction,
    /// deg C for each count.
    table: Vec<f32>,
    /// deg C over apparent temperature in steps of `1 / FINE_STEPS` K from `FINE_LOW_K`, for float frames; empty where
    /// nothing is corrected.
    fine: Vec<f32>,
}

const FINE_LOW_K: f64 = 200.0;
const FINE_HIGH_K: f64 = 700.0;
/// Linear interpolation at this density is off by less than 1e-5 K.
const FINE_STEPS: f64 = 16.0;

/// What is constant in the measurement equation.
#[derive(Debug, Clone)]
struct Correction {
    curve: Curve,
    /// Transmission times emissivity.
    gain: f64,
    /// Signal of what is reflected and of the path.
    background: f64,
}

impl Correction {
    fn is_none(&self) -> bool {
        self.gain == 1.0 && self.background == 0.0
    }
}

impl Converter {
    /// Prepares the conversion.
    ///
    /// # Errors
    /// [`Error::Argument`] where the Planck curve is incomplete or no count at all gives a temperature.
    pub fn new(model: Model) -> Result<Self> {
        let radiometry = &model.radiometry;
        let curve = match radiometry.encoding {
            Encoding::Planck => {
                let (Some(r), Some(b), Some(f), Some(_)) = (radiometry.r, radiometry.b, radiometry.f, radiometry.o)
                else {
                    let reason = "encoding \"planck\" needs r, b, f and o";
                    return Err(Error::argument("radiometry", reason, "add them from the camera's calibration"));
                };
                Curve::Planck { r, b, f }
            }
            _ => Curve::LongWave,
        };
        let at = |celsius: f64| curve.signal(celsius + ZERO_C_IN_K);
        let transmission = match (radiometry.distance_m, radiometry.air_temp_c, radiometry.relative_humidity) {
            (Some(distance), Some(air), Some(humidity)) => {
                let transmission = path_transmission(distance, air, humidity);
                if !(MIN_TRANSMISSION..=1.0).contains(&transmission) {
                    let reason = format!("{distance} m of such air would pass {transmission:.2} of the radiation");
                    let remedy = "the formula does not hold there; give the distance to the modules, or leave it out";
                    return Err(Error::argument("radiometry.distance_m", reason, remedy));
                }
                transmission
            }
            _ => 1.0,
        };
        let reflected = transmission * (1.0 - radiometry.emissivity) * at(radiometry.reflected_c);
        let path = (1.0 - transmission) * radiometry.air_temp_c.map_or(0.0, at);
        let correction = Correction { curve, gain: transmission * radiometry.emissivity, background: reflected + path };
        let mut converter = Self { model, correction, table: Vec::new(), fine: Vec::new() };
        converter.table = (0..=u16::MAX).map(|count| converter.celsius(f64::from(count)) as f32).collect();
        if let Some((scale, offset_k)) = converter.model.linear_k()
            && !converter.correction.is_none()
        {
            let steps = ((FINE_HIGH_K - FINE_LOW_K) * FINE_STEPS) as u32;
            let value = |step: u32| (FINE_LOW_K + f64::from(step) / FINE_STEPS - offset_k) / scale;
            converter.fine = (0..=steps).map(|step| converter.celsius(value(step)) as f32).collect();
        }
        Ok(converter)
    }

    /// The model that this converter follows.
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// Object temperature of one stored value, deg C; NaN where it stands for none.
    fn celsius(&self, value: f64) -> f64 {
        let celsius = self.celsius_of_any(value);
        if celsius < HOTTEST_K { celsius } else { f64::NAN }
    }

    fn celsius_of_any(&self, value: f64) -> f64 {
        let Correction { curve, gain, background } = self.correction;
        let Some((scale, offset_k)) = self.model.linear_k() else {
            let signal = value - self.model.radiometry.o.unwrap_or(0.0);
            return curve.temperature((signal - background) / gain) - ZERO_C_IN_K;
        };
        let apparent_k = value * scale + offset_k;
        if !(apparent_k > 0.0 && apparent_k.is_finite()) {
            f64::NAN
        } else if self.correction.is_none() {
            apparent_k - ZERO_C_IN_K
        } else {
            curve.temperature((curve.signal(apparent_k) - background) / gain) - ZERO_C_IN_K
        }
    }

    /// [`Self::celsius`] for each value, by a shorter way where there is one.
    fn celsius_of_floats(&self, values: &Array2<f32>) -> Array2<f32> {
        let Some((scale, offset_k)) = self.model.linear_k() else {
            return values.mapv(|value| self.celsius(f64::from(value)) as f32);
        };
        if self.correction.is_none() {
            return values.mapv(|value| {
                let apparent_k = f64::from(value) * scale + offset_k;
                let sound = apparent_k > 0.0 && apparent_k < HOTTEST_K;
                if sound { (apparent_k - ZERO_C_IN_K) as f32 } else { f32::NAN }
            });
        }
        let (scale, offset) = (scale * FINE_STEPS, (offset_k - FINE_LOW_K) * FINE_STEPS);
        values.mapv(|value| {
            let step = f64::from(value) * scale + offset;
            // A negative or NaN step becomes index 0 and is told apart by the remainder.
            let index = step as usize;
            let part = (step - index as f64) as f32;
            match self.fine.get(index..).and_then(|rest| rest.first_chunk::<2>()) {
                Some([below, above]) if (0.0..=1.0).contains(&part) => below + part * (above - below),
                _ => self.celsius(f64::from(value)) as f32,
            }
        })
    }

    /// Converts one frame; `file` serves the message.
    ///
    /// # Errors
    /// [`Error::Input`] where no value gives a temperature or their median is one that no plant has: the encoding is
    /// wrong then, and so would be every finding.
    pub fn thermogram(&self, pixels: &Pixels, file: impl AsRef<Path>) -> Result<Thermogram> {
        let celsius = match pixels {
            Pixels::U16(counts) => counts.mapv(|count| self.table[usize::from(count)]),
            Pixels::F32(values) => self.celsius_of_floats(values),
        };
        // As a sum of u32 the compiler counts eight at a time.
        let invalid = celsius.iter().map(|t| u32::from(t.is_nan())).sum::<u32>() as usize;
        let remedy = "check encoding, scale and offset_c under [radiometry] in inspection.toml";
        let Some(median) = sampled_median(&celsius) else {
            return Err(Error::input(file, "pixels", "no value gives a temperature", remedy));
        };
        if !PLAUSIBLE_C.contains(&median) {
            let reason = format!("the median temperature comes out as {median:.0} deg C");
            return Err(Error::input(file, "pixels", reason, remedy));
        }
        Ok(Thermogram { celsius, invalid })
    }
}

fn sampled_median(celsius: &Array2<f32>) -> Option<f32> {
    let mut sample: Vec<f32> = celsius.iter().copied().step_by(PLAUSIBLE_STEP).filter(|t| !t.is_nan()).collect();
    if sample.is_empty() {
        sample = celsius.iter().copied().filter(|t| !t.is_nan()).collect();
    }
    let middle = sample.len() / 2;
    (!sample.is_empty()).then(|| *sample.select_nth_unstable_by(middle, f32::total_cmp).1)
}

#[cfg(test)]
mod tests;
