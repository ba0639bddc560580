//! Where a record lies on the earth: the module's polygon where its corners are known, else a point, else nothing.

use super::{FINDINGS, Finding, MODULES, ModuleRecord, Table, UNSEEN, Unseen};

/// Digits of a degree: 1.1 cm of latitude, well under what a receiver or a registration can place.
const DECIMALS: i32 = 7;

/// A geometry in WGS 84, coordinates as `[longitude, latitude]` in degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Place {
    /// A closed ring, counter-clockwise, that begins at the module's upper left corner.
    Polygon([[f64; 2]; 5]),
    /// The module's centre.
    Point([f64; 2]),
    /// Not known.
    Unknown,
}

/// A record that may have a place.
pub trait Placed: Sized + 'static {
    /// The table of such records.
    fn table() -> &'static Table<Self>;
    /// Corners on the ground.
    fn ground(&self) -> Option<[[f64; 2]; 4]>;
    /// Corners on the ground, to be set.
    fn ground_mut(&mut self) -> &mut Option<[[f64; 2]; 4]>;
    /// The centre, longitude first.
    fn centre(&self) -> Option<[f64; 2]>;
    /// An identity that no other record of the table has.
    fn id(&self) -> Option<&str>;

    /// The geometry of the map. A polygon over the 180th meridian is given as the point of its centre: RFC 7946
    /// (3.1.9) wants such polygons cut, and half a module is of no use on a map.
    fn place(&self) -> Place {
        if let Some(ring) = self.ground().and_then(ring) {
            return Place::Polygon(ring);
        }
        self.centre().and_then(position).map_or(Place::Unknown, Place::Point)
    }
}

impl Placed for Unseen {
    fn table() -> &'static Table<Self> {
        &UNSEEN
    }
    fn ground(&self) -> Option<[[f64; 2]; 4]> {
        self.ground
    }
    fn ground_mut(&mut self) -> &mut Option<[[f64; 2]; 4]> {
        &mut self.ground
    }
    fn centre(&self) -> Option<[f64; 2]> {
        Some([self.lon?, self.lat?])
    }
    fn id(&self) -> Option<&str> {
        Some(&self.asset_id)
    }
}

impl Placed for ModuleRecord {
    fn table() -> &'static Table<Self> {
        &MODULES
    }
    fn ground(&self) -> Option<[[f64; 2]; 4]> {
        self.ground
    }
    fn ground_mut(&mut self) -> &mut Option<[[f64; 2]; 4]> {
        &mut self.ground
    }
    fn centre(&self) -> Option<[f64; 2]> {
        let corners = self.ground?;
        // Longitudes are averaged as steps from the first, so that a module over the 180th meridian stays whole.
        let step = |corner: &[f64; 2]| (corner[0] - corners[0][0] + 540.0).rem_euclid(360.0) - 180.0;
        let lon = corners[0][0] + corners.iter().map(step).sum::<f64>() / 4.0;
        let lat = corners.iter().map(|corner| corner[1]).sum::<f64>() / 4.0;
        Some([(lon + 540.0).rem_euclid(360.0) - 180.0, lat])
    }
    fn id(&self) -> Option<&str> {
        None
    }
}

impl Placed for Finding {
    fn table() -> &'static Table<Self> {
        &FINDINGS
    }
    fn ground(&self) -> Option<[[f64; 2]; 4]> {
        self.module.ground
    }
    fn ground_mut(&mut self) -> &mut Option<[[f64; 2]; 4]> {
        &mut self.module.ground
    }
    fn centre(&self) -> Option<[f64; 2]> {
        self.lon.zip(self.lat).map_or_else(|| self.module.centre(), |(lon, lat)| Some([lon, lat]))
    }
    fn id(&self) -> Option<&str> {
        Some(&self.finding)
    }
}

/// The position at the map's digits, if it is one of WGS 84.
fn position([lon, lat]: [f64; 2]) -> Option<[f64; 2]> {
    let scale = 10_f64.powi(DECIMALS);
    let round = |degrees: f64| (degrees * scale).round() / scale + 0.0;
    (lon.abs() <= 180.0 && lat.abs() <= 90.0).then(|| [round(lon), round(lat)])
}

/// The closed ring of the corners by the right-hand rule (RFC 7946, 3.1.6): the exterior counter-clockwise.
fn ring(corners: [[f64; 2]; 4]) -> Option<[[f64; 2]; 5]> {
    let [a, b, c, d] = corners.map(position);
    let (a, b, c, d) = (a?, b?, c?, d?);
    // The shoelace formula by the diagonals.
    let twice_area = (c[0] - a[0]) * (d[1] - b[1]) - (d[0] - b[0]) * (c[1] - a[1]);
    let spans_meridian = [b, c, d].iter().any(|corner| (corner[0] - a[0]).abs() > 180.0);
    if spans_meridian || twice_area == 0.0 {
        return None;
    }
    Some(if twice_area > 0.0 { [a, b, c, d, a] } else { [a, d, c, b, a] })
}

/// The corners (upper left, upper right, lower right, lower left) of a ring that [`ring`] made. Seen from above, the
/// corners of a module run clockwise and its ring therefore runs the other way.
pub(super) fn corners(ring: &[[f64; 2]]) -> Option<[[f64; 2]; 4]> {
    match *ring {
        [a, d, c, b, _] => Some([a, b, c, d]),
        _ => None,
    }
}
