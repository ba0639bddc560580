//! Writes a layout as GeoJSON (RFC 7946): WGS 84, exterior rings counterclockwise, nine decimals (a tenth of a millimetre).

use std::path::Path;

use geojson::{Feature, Geometry, GeometryValue, JsonObject};

use super::Registration;
use super::attitude::area;
use super::layout::{Layout, LayoutModule};
use crate::{Error, Result};

impl Layout {
    /// The layout as the text of `layout.geojson`, in the order of its modules.
    pub fn to_geojson(&self) -> String {
        // One feature a line, so that a change of the layout shows as a change of its lines.
        let features: Vec<String> = self.modules.iter().map(|m| feature(m).to_string()).collect();
        format!("{{\"type\":\"FeatureCollection\",\"features\":[\n{}\n]}}\n", features.join(",\n"))
    }

    /// Writes `layout.geojson`.
    ///
    /// # Errors
    /// [`Error::Io`] where the file cannot be written.
    pub fn write(&self, path: impl AsRef<Path>) -> Result<()> {
        let path = path.as_ref();
        std::fs::write(path, self.to_geojson()).map_err(|e| Error::io(path, "write the layout", e))
    }
}

impl Registration {
    /// The plant's modules as a layout that the next inspection can use. Made without a layout it carries the flight's mean
    /// receiver bias; the modules' places against each other do not.
    pub fn layout(&self) -> Layout {
        let module = |a: &super::Asset| LayoutModule {
            id: a.id.clone(),
            row: a.row_name.clone(),
            table: a.table_name.clone(),
            corners: a.corners,
        };
        Layout { modules: self.assets.iter().map(module).collect(), problems: Vec::new() }
    }
}

fn feature(module: &LayoutModule) -> Feature {
    let mut ring = module.corners.to_vec();
    let from_first = module.corners.map(|c| [0, 1].map(|k| c[k] - module.corners[0][k]));
    if area(&from_first) < 0.0 {
        ring.reverse();
    }
    ring.push(ring[0]);
    let coordinates = vec![ring.into_iter().map(|p| p.map(|v| (v * 1e9).round() / 1e9).into()).collect()];
    let mut properties = JsonObject::new();
    for (name, value) in [("id", &module.id), ("row", &module.row), ("table", &module.table)] {
        if !value.is_empty() {
            properties.insert(name.into(), value.as_str().into());
        }
    }
    Feature {
        geometry: Some(Geometry::new(GeometryValue::Polygon { coordinates })),
        properties: Some(properties),
        ..Feature::default()
    }
}
