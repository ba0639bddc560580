//! The module and the array, from the layout, the pose and the lattice in some frames.

use std::path::Path;

use super::card::{Card, Glance, model};
use super::ground::Ground;
use super::lattice::{Lattice, Look, search, usual_sizes};
use super::{Entry, Sure};
use crate::optics::Lens;
use crate::outline::LoggedPose;
use crate::radiometry::Converter;
use crate::raster::{self, Limits};
use crate::settings::{Array, Module, Mounting, Orientation, Radiometry};
use crate::site::Layout;

/// Frames in which the lattice is sought.
const LOOKS: usize = 4;
/// Middle of the modules over the ground, m (common practice, no source): heights are logged over the take-off point.
pub(super) const MODULES_OVER_GROUND_M: f64 = 1.5;
/// A camera within this of straight down says nothing of the tilt, deg.
const NADIR_DEG: f64 = 6.0;
/// Tilts that are tried where the pose does not tell, deg.
const TRIED_TILTS_DEG: [f64; 3] = [0.0, 12.0, 25.0];

/// The entries of `[module]` and `[array]`.
pub(super) fn entries(
    folder: &Path,
    card: &Card,
    layout: Option<&Layout>,
    encoding: Option<&(Radiometry, Sure, String)>,
) -> Vec<Entry> {
    let ground = layout.and_then(Ground::of);
    let looks = looks(folder, card, encoding);
    let attitude = Attitude::of(card);
    let lattice = best_lattice(&looks, ground.as_ref(), attitude.as_ref());
    let mut entries = array(ground.as_ref(), lattice.as_ref(), attitude.as_ref());
    let tilt_deg = lattice.as_ref().and_then(|l| l.plane_deg).map(|p| p[0]);
    entries.extend(module(ground.as_ref(), lattice.as_ref(), tilt_deg));
    entries
}

/// How the camera was held over the flight.
struct Attitude {
    yaw_deg: f64,
    pitch_deg: f64,
}

impl Attitude {
    fn of(card: &Card) -> Option<Self> {
        let pitch_deg = card.middle(|c| c.pitch_deg)?;
        // Half of a flight may look the other way: the median of frames that are spread over it is one of the two.
        let yaw_deg = card.middle(|c| c.yaw_deg)?;
        Some(Self { yaw_deg, pitch_deg })
    }

    fn is_nadir(&self) -> bool {
        (self.pitch_deg + 90.0).abs() < NADIR_DEG
    }

    /// The way a module faces that looks into the camera.
    fn facing_deg(&self) -> f64 {
        (self.yaw_deg + 180.0).rem_euclid(360.0)
    }
}

fn looks(folder: &Path, card: &Card, encoding: Option<&(Radiometry, Sure, String)>) -> Vec<Look> {
    let Ok(converter) = Converter::new(model(encoding)) else { return Vec::new() };
    let pitch_um = card.middle(|c| c.pixel_pitch_um).unwrap_or(12.0);
    // Without a focal length the scale is not known; the lattice's form is nearly the same for a usual lens.
    let focal = card.middle(|c| c.focal_length_mm);
    card.spread(LOOKS)
        .into_iter()
        .filter_map(|glance| {
            let path = folder.join("frames").join(&glance.capture.file);
            let bytes = raster::read_bytes(&path, &Limits::default()).ok()?;
            let raster = raster::decode(&bytes, &path, &Limits::default()).ok()?;
            let celsius = converter.thermogram(&raster.pixels, &path).ok()?.celsius;
            let lens = Lens::new(raster.width(), raster.height(), focal.unwrap_or(13.0), pitch_um, 0.0);
            let mut pose = pose(glance);
            pose.height_m = pose.height_m.filter(|_| focal.is_some());
            Some(Look { celsius, lens, pose })
        })
        .collect()
}

fn pose(glance: &Glance) -> LoggedPose {
    let capture = &glance.capture;
    let height_m = capture.height_above_takeoff_m.map(|h| h - MODULES_OVER_GROUND_M).filter(|h| *h > 2.0);
    LoggedPose { attitude_deg: capture.attitude_deg(), height_m }
}

/// The lattice under the assumption about the array that proves best.
fn best_lattice(looks: &[Look], ground: Option<&Ground>, attitude: Option<&Attitude>) -> Option<Lattice> {
    let facing = match (ground, attitude) {
        (Some(g), Some(a)) => nearer(g.across_deg, a.facing_deg()),
        (Some(g), None) => nearer(g.across_deg, 180.0),
        (None, Some(a)) => a.facing_deg(),
        (None, None) => 180.0,
    };
    let tilts = match attitude {
        Some(a) if !a.is_nadir() => vec![(90.0 + a.pitch_deg).abs().min(60.0)],
        _ => TRIED_TILTS_DEG.to_vec(),
    };
    let mut best: Option<(Lattice, f64)> = None;
    for tilt_deg in tilts {
        let array = Array { tilt_deg, azimuth_deg: facing, ..Array::default() };
        let sizes = ground.map_or_else(usual_sizes, |g| vec![[g.along_m, g.depth_m / tilt_deg.to_radians().cos()]]);
        if let Some(found) = search(looks, &array, &sizes)
            && best.as_ref().is_none_or(|b| found.1 > b.1)
        {
            best = Some(found);
        }
    }
    best.map(|(lattice, _)| lattice)
}

/// Of a direction and its opposite the one nearer to `to`, deg.
fn nearer(direction: f64, to: f64) -> f64 {
    let off = (direction - to + 180.0).rem_euclid(360.0) - 180.0;
    (if off.abs() <= 90.0 { direction } else { direction + 180.0 }).rem_euclid(360.0)
}

fn module(ground: Option<&Ground>, lattice: Option<&Lattice>, tilt_deg: Option<f64>) -> Vec<Entry> {
    let default = Module::default();
    let size = |width: f64, length: f64, sure: Sure, from: &str| {
        [Entry::number("module.width_m", width, 2, sure, from), Entry::number("module.length_m", length, 2, sure, from)]
    };
    let sorted = |along: f64, up: f64| if along < up { (along, up) } else { (up, along) };
    let (mut entries, portrait) = match (ground, lattice) {
        (Some(g), _) => {
            let tilt = tilt_deg.unwrap_or(0.0);
            let up = g.depth_m / tilt.to_radians().cos();
            let from = format!("{} polygons of layout.geojson, laid out at a tilt of {tilt:.0} deg", g.modules);
            let (width, length) = sorted(g.along_m, up);
            (size(width, length, Sure::Measured, &from).to_vec(), g.along_m < up)
        }
        (None, Some(l)) => {
            let portrait = l.orientation == Orientation::Portrait;
            let entries = if let Some(along) = l.along_m {
                let (width, length) = sorted(along, along * l.up_over_along);
                let from = format!(
                    "{} modules in some frames by the logged height, good to some 5 %; the data sheet's is better",
                    l.modules
                );
                size(width, length, Sure::Measured, &from)
            } else {
                let from = format!(
                    "a usual size of the form seen, 1 : {:.2}; no height is logged; see the data sheet",
                    l.up_over_along.max(1.0 / l.up_over_along)
                );
                let (width, length) = sorted(l.sought_m[0], l.sought_m[1]);
                size(width, length, Sure::Assumed, &from)
            };
            (entries.to_vec(), portrait)
        }
        (None, None) => {
            let from = "no lattice of modules was found in the frames looked at; see the data sheet";
            (size(default.width_m, default.length_m, Sure::Assumed, from).to_vec(), true)
        }
    };
    let (sure, from) = match (ground, lattice) {
        (_, Some(l)) if (l.orientation == Orientation::Portrait) == portrait => {
            (Sure::Measured, format!("the form of {} modules in some frames", l.modules))
        }
        (Some(_), _) => (Sure::Measured, "layout.geojson".to_owned()),
        _ => (Sure::Assumed, "no lattice was found".to_owned()),
    };
    entries.push(Entry::word("module.orientation", if portrait { "portrait" } else { "landscape" }, sure, from));
    let from = "cells across the width and along the length; see the data sheet: they decide between cell and hotspot";
    entries.push(Entry::new("module.cells", format!("{:?}", default.cells), Sure::Assumed, from));
    let from = "the usual number; see the data sheet";
    entries.push(Entry::new("module.substrings", default.substrings.to_string(), Sure::Assumed, from));
    entries
}

fn array(ground: Option<&Ground>, lattice: Option<&Lattice>, attitude: Option<&Attitude>) -> Vec<Entry> {
    let default = Array::default();
    let mut entries = Vec::new();
    // A layout shows all rows, frames some of them.
    let seen_paired = lattice.and_then(|l| l.paired_deg).filter(|_| ground.is_none());
    let paired = ground.is_some_and(|g| g.paired) || seen_paired.is_some();
    let plane = lattice.and_then(|l| l.plane_deg).filter(|_| !paired && attitude.is_some());
    let facing = match (ground, plane, attitude) {
        // The layout's rows are straight, a compass is not.
        (Some(g), Some([_, turn]), _) => Some((nearer(g.across_deg, turn), "layout.geojson and the camera's yaw")),
        (Some(g), None, Some(a)) if !a.is_nadir() => {
            Some((nearer(g.across_deg, a.facing_deg()), "layout.geojson and the camera's yaw"))
        }
        (Some(g), ..) => Some((nearer(g.across_deg, 180.0), "layout.geojson; which of the two ways is not told")),
        (None, None, _) if seen_paired.is_some() => {
            seen_paired.map(|across| (nearer(across, 180.0), "the rows in the frames; half of them face the other way"))
        }
        (None, Some([_, turn]), _) => Some((turn, "the lattice and the camera's yaw, good to some 3 deg")),
        _ => None,
    };
    // Without a layout or a lattice, the way that the camera looks is no sign of the rows.
    let rows_known = ground.is_some() || lattice.is_some();
    let east_west = rows_known && facing.is_some_and(|(deg, _)| (deg.to_radians().sin()).abs() > 0.94);
    let (mounting, sure, from) = if seen_paired.is_some() {
        (Mounting::DualTilt, Sure::Likely, "rows in some frames stand in pairs, narrow and wide spaces in turn")
    } else if paired {
        (Mounting::DualTilt, Sure::Likely, "rows of layout.geojson stand in pairs, narrow and wide spaces in turn")
    } else if east_west {
        (Mounting::Tracker, Sure::Likely, "rows run north to south; fixed rows seldom do")
    } else if ground.is_none() && attitude.is_some_and(Attitude::is_nadir) {
        (
            Mounting::Fixed,
            Sure::Assumed,
            "from straight above, rows back to back look like any; then write \"dual-tilt\"",
        )
    } else if !rows_known {
        (Mounting::Fixed, Sure::Assumed, "neither a layout nor a lattice tells")
    } else {
        (Mounting::Fixed, Sure::Likely, "rows do not run north to south, and none stand back to back")
    };
    entries.push(Entry::word("array.mounting", mounting.as_str(), sure, from));
    entries.push(match (plane, paired) {
        (Some([tilt, _]), _) => {
            let from = "how the lattice lies to the camera, good to some 3 deg";
            Entry::number("array.tilt_deg", tilt.round(), 0, Sure::Measured, from)
        }
        (None, true) => Entry::number("array.tilt_deg", 10.0, 0, Sure::Assumed, "a usual tilt of rows back to back"),
        (None, false) => Entry::number("array.tilt_deg", default.tilt_deg, 0, Sure::Assumed, "nothing tells the tilt"),
    });
    let (deg, sure, from) = facing
        .map_or((default.azimuth_deg, Sure::Assumed, "nothing tells which way the modules face"), |(deg, from)| {
            (deg.round(), Sure::Measured, from)
        });
    entries.push(Entry::number("array.azimuth_deg", deg, 0, sure, from));
    let courses = match (lattice, ground) {
        (Some(l), Some(g)) if l.courses != g.courses => {
            let from = format!("layout.geojson; in the frames {} were seen", l.courses);
            Entry::new("array.modules_up", g.courses.to_string(), Sure::Likely, from)
        }
        (Some(l), _) => {
            let from = format!("the lattice of {} modules in some frames", l.modules);
            Entry::new("array.modules_up", l.courses.to_string(), Sure::Measured, from)
        }
        (None, Some(g)) => Entry::new("array.modules_up", g.courses.to_string(), Sure::Measured, "layout.geojson"),
        (None, None) => {
            let from = "no lattice was found; count the modules up a table";
            Entry::new("array.modules_up", default.modules_up.to_string(), Sure::Assumed, from)
        }
    };
    entries.push(courses);
    let from =
        "0 where the drone took off from the ground the tables stand on; else the roof's or hill's height over it";
    entries.push(Entry::number("array.surface_above_takeoff_m", 0.0, 1, Sure::Assumed, from));
    entries
}
