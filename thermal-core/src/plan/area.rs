//! What is to be flown: the polygons of a layout, or one drawn around the site, from GeoJSON (RFC 7946).

use std::path::Path;

use geojson::{GeoJson, Geometry, GeometryValue};

use crate::site::LocalPlane;
use crate::{Error, Result, features};

/// Longest text of one drawn polygon, bytes: some ten thousand corners.
const MAX_BYTES: usize = 1 << 20;

/// Polygons to be flown.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// Outer rings, `[longitude, latitude]`, deg, WGS 84; each with at least three corners.
    rings: Vec<Vec<[f64; 2]>>,
}

impl Area {
    /// Reads every polygon of a GeoJSON file; other geometries in it are passed over.
    ///
    /// # Errors
    /// [`Error::Io`]; [`Error::Input`] where the file is no GeoJSON, holds no polygon, or coordinates that are not
    /// degrees.
    pub fn read(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::parse(&crate::file::read_text(path)?, path)
    }

    /// As [`Area::read`], from the file's text; `path` serves the messages only.
    ///
    /// # Errors
    /// As [`Area::read`].
    pub fn parse(text: &str, path: &Path) -> Result<Self> {
        let remedy = "export the polygons as GeoJSON in longitude and latitude (EPSG:4326)";
        let mut area = Self { rings: Vec::new() };
        let mut fault = None;
        let collection = features::each(text, path, &mut |feature| match checked(feature) {
            Ok(GeoJson::Feature(feature)) => feature.geometry.iter().for_each(|geometry| area.add(geometry)),
            Ok(_) => fault = fault.take().or_else(|| Some("a member of features is none".to_owned())),
            Err(reason) => fault = fault.take().or(Some(reason)),
        })?;
        if !collection.is_one {
            match checked(text) {
                Ok(GeoJson::Geometry(geometry)) => area.add(&geometry),
                Ok(GeoJson::Feature(feature)) => feature.geometry.iter().for_each(|geometry| area.add(geometry)),
                Ok(GeoJson::FeatureCollection(_)) => {}
                Err(reason) => fault = Some(reason),
            }
        }
        if let Some(reason) = fault {
            return Err(Error::input(path, "top level", format!("not GeoJSON: {reason}"), remedy));
        }
        if area.rings.is_empty() {
            return Err(Error::input(path, "features", "there is no polygon of three corners or more", remedy));
        }
        for (n, ring) in area.rings.iter().enumerate() {
            let off = ring.iter().find(|[lon, lat]| !(lon.abs() <= 180.0 && lat.abs() <= 90.0));
            if let Some([lon, lat]) = off {
                let reason = format!("{lon}, {lat} are no longitude and latitude in degrees");
                return Err(Error::input(path, format!("polygon {}", n + 1), reason, remedy));
            }
        }
        Ok(area)
    }

    fn add(&mut self, geometry: &Geometry) {
        let mut outer = |polygon: &Vec<Vec<geojson::Position>>| {
            let ring: Vec<[f64; 2]> = polygon
                .first()
                .into_iter()
                .flatten()
                .filter_map(|position| Some([*position.as_slice().first()?, *position.as_slice().get(1)?]))
                .collect();
            if ring.len() >= 3 {
                self.rings.push(ring);
            }
        };
        match &geometry.value {
            GeometryValue::Polygon { coordinates } => outer(coordinates),
            GeometryValue::MultiPolygon { coordinates } => coordinates.iter().for_each(outer),
            GeometryValue::GeometryCollection { geometries } => geometries.iter().for_each(|g| self.add(g)),
            _ => (),
        }
    }

    /// Middle of the polygons' box as latitude and longitude, deg; right across the date line too.
    pub fn centre(&self) -> (f64, f64) {
        let first = self.rings.first().and_then(|ring| ring.first()).map_or(0.0, |[lon, _]| *lon);
        let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
        for [lon, lat] in self.rings.iter().flatten() {
            let lon = (lon - first + 180.0).rem_euclid(360.0) - 180.0;
            low = [low[0].min(lon), low[1].min(*lat)];
            high = [high[0].max(lon), high[1].max(*lat)];
        }
        let lon = first + 0.5 * (low[0] + high[0]);
        (0.5 * (low[1] + high[1]), (lon + 180.0).rem_euclid(360.0) - 180.0)
    }

    /// The rings in metres east and north of the plane's origin.
    pub(super) fn local(&self, plane: &LocalPlane) -> Vec<Vec<[f64; 2]>> {
        self.rings.iter().map(|ring| ring.iter().map(|[lon, lat]| plane.to_local(*lat, *lon)).collect()).collect()
    }
}

/// One object of GeoJSON; the error is the reason.
fn checked(text: &str) -> std::result::Result<GeoJson, String> {
    if text.len() > MAX_BYTES {
        return Err(format!("one object has {} bytes, more than the {MAX_BYTES} allowed for a polygon", text.len()));
    }
    text.parse().map_err(|e: geojson::Error| e.to_string().replace('\n', " "))
}
