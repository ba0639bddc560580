//! One plant, one list: the outlines of all frames brought to their modules on the ground.
//!
//! A receiver on a drone is 1 to 3 m off and drifts; a module is one metre wide. So no frame is placed by its position
//! alone: each frame's outlines say under which shifts they fall on modules (row ends, table gaps and vacant places
//! decide), and all frames of a flight together say which of these belong to one slowly drifting bias. What stays
//! undecided is flagged, with both candidates.

mod attitude;
mod border;
mod camera;
mod candidate;
mod complaint;
mod drift;
mod expected;
mod geodesy;
mod graph;
mod grid;
mod join;
mod layout;
mod layout_features;
mod layout_write;
mod look;
mod map;
mod merge;
mod numbering;
mod order;
mod overlap;
mod overlooked;
mod plant;
mod problem;
mod reconstruct;
mod reflection;
mod register;
mod sheaf;
mod stranger;
mod strings;
mod warmth;
#[cfg(test)]
mod tests;

use map::Map;

use serde::{Deserialize, Serialize};

use crate::finding::Pattern;
use crate::optics::Lens;
use crate::shelf::Shelved;

pub(crate) use expected::{Expected, expected};
pub use geodesy::LocalPlane;
pub use layout::{Layout, LayoutModule};
pub(crate) use merge::merge_on;
pub use merge::{MergedModule, Sight, merge};
pub(crate) use overlooked::{Overlooked, Tables, overlooked};
pub use problem::Problem;
pub use register::register;
pub(crate) use register::register_on;
pub(crate) use stranger::strangers;
pub use warmth::{Warmth, warmth};

/// Where and how a camera was, as far as known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Pose {
    /// Latitude, deg, WGS 84.
    pub lat: Option<f64>,
    /// Longitude, deg, WGS 84.
    pub lon: Option<f64>,
    /// Altitude, m.
    pub altitude_m: Option<f64>,
    /// Height above the take-off point, m.
    pub height_m: Option<f64>,
    /// Heading of the image's upward axis, deg from true north, clockwise.
    pub yaw_deg: Option<f64>,
    /// -90 straight down, 0 level.
    pub pitch_deg: Option<f64>,
    /// About the optical axis, clockwise seen from behind the camera, deg.
    pub roll_deg: Option<f64>,
}

/// One outlined module of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    /// Corners in pixels of the stored image: upper left, upper right, lower right, lower left as seen in its row. Where
    /// the frame has a heading, the order may start at any corner.
    pub corners: [[f32; 2]; 4],
    /// The module lies wholly in the frame.
    pub whole: bool,
    /// Lattice of the frame that the module belongs to.
    pub table: u32,
    /// Course within the lattice.
    pub course: i32,
    /// Position within the lattice.
    pub position: i32,
    /// Median temperature, deg C.
    pub t_median_c: f32,
    /// Pattern.
    pub pattern: Pattern,
    /// The pattern's temperature difference, K.
    pub delta_t_k: f32,
    /// Confidence of outline and pattern, 0 to 1.
    pub confidence: f32,
    /// The hottest place in the module, in shares of its width and length from the upper left corner, where the pattern
    /// has one.
    pub spot: Option<[f32; 2]>,
}

impl Default for Seen {
    fn default() -> Self {
        Self {
            corners: [[0.0; 2]; 4],
            whole: true,
            table: 0,
            course: 0,
            position: 0,
            t_median_c: f32::NAN,
            pattern: Pattern::None,
            delta_t_k: 0.0,
            confidence: 1.0,
            spot: None,
        }
    }
}

/// The outlines of one frame.
#[derive(Debug, Clone)]
pub struct FrameOutlines {
    /// File name, relative to `frames/`.
    pub file: String,
    /// Capture time.
    pub captured_at: Option<jiff::Timestamp>,
    /// Lens of the frame.
    pub lens: Lens,
    /// Pose of the camera.
    pub pose: Pose,
    /// Width of an edge, px, where measured: the smaller, the sharper.
    pub blur_px: Option<f32>,
    /// The outlines.
    pub modules: Shelved<Vec<Seen>>,
}

/// A module of the plant.
#[derive(Debug, Clone, PartialEq)]
pub struct Asset {
    /// The layout's id, or the reconstruction's `row-table-course-position`.
    pub id: String,
    /// The layout's name of the row; empty without.
    pub row_name: String,
    /// The layout's name of the table; empty without.
    pub table_name: String,
    /// Row of the plant, from 1.
    pub row: u32,
    /// Table in the row, from 1 at the left as seen from the front.
    pub table: u32,
    /// Course in the row, from 1 at the upper edge.
    pub course: u32,
    /// Position along the row, from 1 at the left as seen from the front.
    pub position: u32,
    /// Corners as `[longitude, latitude]`, deg, WGS 84: the module's projection to the ground.
    pub corners: [[f64; 2]; 4],
    /// Frames that show it whole and could be placed.
    pub frames_seen: u32,
}

/// One outline at its place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Number in [`Registration::assets`]; `None` where the outline lies on no module.
    pub asset: Option<u32>,
    /// The other candidate where the place is ambiguous.
    pub other: Option<u32>,
    /// The outline is on no module and cannot be one of its own: it lies across modules of the plant, or (where the plant
    /// was built from the flight) the other frames that look there show none.
    pub stray: bool,
    /// Its lattice as a whole lies beside the modules, and no other frame bears that out: a lattice misread where the frame
    /// cuts it. It counts as little as a cut outline.
    pub askew: bool,
    /// Probability of the place, 0 to 1.
    pub confidence: f32,
    /// Angle of view off the module's normal, deg.
    pub view_deg: f32,
    /// Corners east and north on [`Registration::plane`], m: upper left, upper right, lower right, lower left.
    pub ground_m: [[f32; 2]; 4],
}

impl Place {
    /// Middle of the outline on the ground, m; no numbers where it has no place.
    pub(crate) fn centre_m(&self) -> [f64; 2] {
        [0, 1].map(|k| self.ground_m.iter().map(|p| f64::from(p[k])).sum::<f64>() / 4.0)
    }

    /// More than one place is possible.
    pub fn ambiguous(&self) -> bool {
        self.other.is_some()
    }
}

/// One frame after registration; `places` in the order of the frame's modules.
#[derive(Debug, Clone)]
pub struct PlacedFrame {
    /// File name.
    pub file: String,
    /// Correction of the position, east and north, m: true less measured.
    pub shift_m: [f64; 2],
    /// The camera's foot point east and north on [`Registration::plane`], m, corrected.
    pub camera_m: [f64; 2],
    /// The receiver's bias at this time as the whole flight has it, m.
    pub bias_m: [f64; 2],
    /// Correction of the heading, deg.
    pub yaw_correction_deg: f64,
    /// Camera over the module surface, m, from the modules' size; not a number where unknown.
    pub height_m: f64,
    /// Misfit of the corners to lattices of the known module, px.
    pub misfit_px: f64,
    /// Probability that the frame is placed rightly.
    pub confidence: f64,
    /// The attitude was taken from the lattice.
    pub attitude_from_lattice: bool,
    /// Each outline's place.
    pub places: Shelved<Vec<Place>>,
}

/// All frames of a flight at their places.
#[derive(Debug, Clone)]
pub struct Registration {
    /// The plane of the local coordinates.
    pub plane: LocalPlane,
    /// The plant was built from the flight, not taken from a layout.
    pub reconstructed: bool,
    /// Every module of the plant: the layout's, or those reconstructed.
    pub assets: Vec<Asset>,
    /// The frames, in the caller's order.
    pub frames: Vec<PlacedFrame>,
    /// Assets that no usable frame shows whole.
    pub unseen: Vec<u32>,
    /// What could not be used or proven.
    pub problems: Vec<Problem>,
    /// Where the assets lie on the plane.
    map: Map,
}

impl Registration {
    /// Nothing placed yet.
    fn empty(plane: LocalPlane, assets: Vec<Asset>, problems: Vec<Problem>) -> Self {
        let map = Map::new(Vec::new());
        Self { plane, reconstructed: false, assets, frames: Vec::new(), unseen: Vec::new(), problems, map }
    }

    /// Corners of a place as `[longitude, latitude]`, deg, WGS 84.
    pub(crate) fn corners_lon_lat(&self, place: &Place) -> [[f64; 2]; 4] {
        place.ground_m.map(|p| self.plane.to_lon_lat(p.map(f64::from)))
    }

    /// Share of the plant's modules that a placed frame shows whole, 0 to 1.
    pub fn share_inspected(&self) -> f64 {
        1.0 - self.unseen.len() as f64 / self.assets.len().max(1) as f64
    }
}
