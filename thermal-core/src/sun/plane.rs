//! A tilted plane under the sun: angle of incidence, irradiance in the plane, the sun's mirror image in its glass.
//! Transposition after Hay and Davies (1980): beam, circumsolar and isotropic diffuse, light from the ground.

use nalgebra::Vector3;

use super::{ClearSky, Sun, direction};
use crate::settings::Mounting;

/// Share of the light that the ground sends back where none is given: grass and soil, pvlib's default.
pub const DEFAULT_ALBEDO: f64 = 0.25;

/// The orientation of a plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    /// Tilt from horizontal, deg.
    pub tilt_deg: f64,
    /// The way it faces, from north, clockwise, deg.
    pub azimuth_deg: f64,
}

impl Plane {
    /// The plane of the rows back to back with this one.
    #[must_use]
    pub fn back(self) -> Self {
        Self { azimuth_deg: (self.azimuth_deg + 180.0).rem_euclid(360.0), ..self }
    }

    /// The planes of an array whose rows face this way: with its back for dual-tilt.
    pub fn sides(self, mounting: Mounting) -> Vec<Self> {
        if mounting == Mounting::DualTilt { vec![self, self.back()] } else { vec![self] }
    }

    /// Unit normal: east, north, up.
    pub fn normal(&self) -> Vector3<f64> {
        direction(90.0 - self.tilt_deg, self.azimuth_deg)
    }

    /// Angle between the plane's normal and the sun, deg, 0 to 180; over 90 the sun is behind the plane.
    pub fn incidence_deg(&self, sun: &Sun) -> f64 {
        self.normal().angle(&sun.direction()).to_degrees()
    }

    /// Irradiance in the plane, W/m2.
    pub fn irradiance_w_m2(&self, sun: &Sun, sky: &ClearSky, albedo: f64) -> f64 {
        let cos_tilt = self.tilt_deg.to_radians().cos();
        let cos_incidence = self.normal().dot(&sun.direction()).max(0.0);
        // One degree over the horizon is the least that is divided by: as in pvlib, against a blow-up at the horizon.
        let projection = cos_incidence / sun.apparent_elevation_deg.to_radians().sin().max(0.01745);
        let anisotropy = sky.direct_normal_w_m2 / sky.extraterrestrial_w_m2;
        let isotropic = (sky.diffuse_w_m2 * (1.0 - anisotropy) * 0.5 * (1.0 + cos_tilt)).max(0.0);
        let circumsolar = (sky.diffuse_w_m2 * anisotropy * projection).max(0.0);
        let ground = sky.global_w_m2 * albedo * 0.5 * (1.0 - cos_tilt);
        sky.direct_normal_w_m2 * cos_incidence + isotropic + circumsolar + ground
    }

    /// Unit vector in which one must look to see the sun mirrored in the plane; `None` with the sun behind it.
    pub fn mirrored(&self, sun: &Sun) -> Option<Vector3<f64>> {
        let (normal, sun) = (self.normal(), sun.direction());
        let height = normal.dot(&sun);
        (height > 0.0).then(|| sun - normal * (2.0 * height))
    }
}
