//! Where to fly again: as few positions as show all that is wanted, from the height and attitude of the frames around.

use std::collections::BTreeSet;

use serde_json::json;

use super::coverage::Seen;
use super::{Card, FieldCheck, Frame};
use crate::optics::Lens;
use crate::quality::CameraAt;
use crate::site::LocalPlane;

/// More positions than this are not a list but another flight.
const MOST: usize = 400;
/// Rounds in which a view is moved towards the middle of what it shows.
const ROUNDS: usize = 4;

/// A position to fly to.
#[derive(Debug, Clone, PartialEq)]
pub struct Position {
    /// Latitude, deg.
    pub lat: f64,
    /// Longitude, deg.
    pub lon: f64,
    /// Height over take-off, m.
    pub height_above_takeoff_m: f64,
    /// Heading of the camera, deg.
    pub yaw_deg: f64,
    /// Pitch of the camera, deg.
    pub pitch_deg: f64,
    /// Modules that it serves; empty without a layout.
    pub modules: Vec<String>,
}

/// How the flight looked at the plant.
struct Usual {
    lens: Lens,
    height_m: f64,
    yaw_deg: f64,
    pitch_deg: f64,
    place: [f64; 2],
}

pub(super) fn to_fly(card: &Card, frames: &[Frame], seen: &Seen, plane: &LocalPlane) -> Vec<Position> {
    let views: Vec<Usual> = frames
        .iter()
        .filter(|frame| frame.fit() || frame.reasons.iter().all(|reason| keeps_its_view(reason.code)))
        .filter_map(|frame| {
            let (c, camera) = (&frame.capture, frame.camera.as_ref()?);
            let focal = card.settings.camera.focal_length_mm.or(c.focal_length_mm)?;
            let [width, height] = frame.looked.measures().map_or([640, 512], |m| m.size);
            Some(Usual {
                lens: Lens::new(width, height, focal, card.settings.camera.pixel_pitch_um, card.settings.camera.k1),
                height_m: card.height_m(c)?,
                yaw_deg: c.yaw_deg?,
                pitch_deg: c.pitch_deg?,
                place: camera.aim_m()?,
            })
        })
        .collect();
    let mut left: BTreeSet<usize> = seen.wanted.clone();
    let mut out = Vec::new();
    while let Some(&first) = left.first() {
        let target = &seen.targets.all[first];
        let far = |v: &&Usual| (v.place[0] - target.centre[0]).hypot(v.place[1] - target.centre[1]);
        let Some(view) = views.iter().min_by(|a, b| far(a).total_cmp(&far(b))) else { break };
        let mut aim = target.centre;
        let mut best: (Vec<usize>, CameraAt) = (vec![first], over(view, aim));
        for _ in 0..ROUNDS {
            let camera = over(view, aim);
            let shown: Vec<usize> = seen.targets.whole(&camera).into_iter().filter(|k| left.contains(k)).collect();
            if !shown.contains(&first) {
                break;
            }
            let better = shown.len() > best.0.len();
            let centre =
                [0, 1].map(|k| shown.iter().map(|t| seen.targets.all[*t].centre[k]).sum::<f64>() / shown.len() as f64);
            if better || best.0.len() == 1 {
                best = (shown, camera);
            }
            aim = centre;
        }
        let (shown, camera) = best;
        for k in &shown {
            left.remove(k);
        }
        left.remove(&first);
        let [lon, lat] = plane.to_lon_lat([camera.place_m.x, camera.place_m.y]);
        out.push(Position {
            lat,
            lon,
            height_above_takeoff_m: view.height_m + card.surface_m(),
            yaw_deg: view.yaw_deg.rem_euclid(360.0),
            pitch_deg: view.pitch_deg,
            modules: shown.iter().map(|k| seen.targets.all[*k].id.clone()).filter(|id| !id.is_empty()).collect(),
        });
        if out.len() == MOST {
            break;
        }
    }
    out
}

/// Faults of a frame that say nothing against flying its place again in the same way.
fn keeps_its_view(code: crate::quality::Code) -> bool {
    use crate::quality::Code::{GlarePredicted, GlareSeen, Height, NoPose, Oblique, Resolution};
    !matches!(code, Oblique | Resolution | Height | GlarePredicted | GlareSeen | NoPose)
}

/// The camera whose axis meets a point of the ground.
fn over(view: &Usual, aim: [f64; 2]) -> CameraAt {
    let attitude = [view.yaw_deg, view.pitch_deg, 0.0];
    let at = CameraAt::new(view.lens, [0.0, 0.0, view.height_m], attitude);
    let ahead = at.aim_m().unwrap_or([0.0; 2]);
    CameraAt::new(view.lens, [aim[0] - ahead[0], aim[1] - ahead[1], view.height_m], attitude)
}

impl FieldCheck {
    /// The positions as a `GeoJSON` `FeatureCollection` (RFC 7946).
    pub fn to_geojson(&self) -> String {
        let round = |v: f64, scale: f64| (v * scale).round() / scale + 0.0;
        let features: Vec<_> = self
            .positions
            .iter()
            .enumerate()
            .map(|(n, p)| {
                json!({
                    "type": "Feature",
                    "geometry": { "type": "Point", "coordinates": [round(p.lon, 1e7), round(p.lat, 1e7)] },
                    "properties": {
                        "position": n + 1,
                        "height_above_takeoff_m": round(p.height_above_takeoff_m, 10.0),
                        "camera_heading_deg": round(p.yaw_deg, 10.0),
                        "camera_pitch_deg": round(p.pitch_deg, 10.0),
                        "modules": p.modules,
                    },
                })
            })
            .collect();
        json!({ "type": "FeatureCollection", "features": features }).to_string()
    }
}
