//! Is a frame fit for use? What its pixels say, how sharp its edges are, how it looked at the modules; and the words in
//! which a fault is told.

/// Width of what shows as a line between two modules, m: a gap of 2 cm and a part of the frames beside it (our own).
pub(crate) const LINE_M: f64 = 0.03;

mod pixels;
mod reason;
mod sharpness;
mod view;

pub(crate) use pixels::is_eight_bit;
pub use pixels::{MAP_COLUMNS, MAP_ROWS, PixelMeasures, measure};
pub use reason::{CODES, Code, CodeInfo, Reason};
pub use sharpness::Sharpness;
pub(crate) use sharpness::edge_width_px;
pub use view::CameraAt;
pub(crate) use view::area;
pub(crate) use view::overlap_share;

/// Limits of a frame. Those of IEC TS 62446-3:2017 are from memory; the document was not at hand.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Pixels at the very end of the range of values that make a frame clipped. Our own choice: a hot cell far away has as
    /// many, noise has not.
    pub clipped_px: usize,
    /// Spread from the 1st to the 99th percentile under which a frame shows nothing, K. Our own choice: a cap or a closed
    /// shutter shows noise and the fall to the corners, below 1 K; modules and ground in the sun differ by more than 5 K.
    pub flat_k: f64,
    /// Widest edge, 10 to 90 % of its rise, px. At 3.3 px (a standard deviation of 1.28 px) the middle of a cell of 5 px,
    /// the least that the standard asks for, reads a tenth of its difference too low: erf(2.5 / (1.28 sqrt 2))^2 = 0.90.
    pub edge_px: f64,
    /// Longest trail of a point, px. Planned for is half a pixel; what edges tell for certain, and what still leaves the
    /// middle half of a cell of 5 px untouched, is 2.5 (our own choice).
    pub trail_px: f64,
    /// Most noise, K: the standard asks for a camera that resolves 0.1 K at 30 deg C.
    pub noise_k: f64,
    /// Widest step between two values, K: a step wider than the resolution that the standard asks for hides it.
    pub step_k: f64,
    /// Greatest ground sample distance at the frame's centre, m: 3 cm a pixel in the standard. At the centre, since modules
    /// at the edge of one frame are nearer to the centre of the next.
    pub gsd_m: f64,
    /// Least pixels across a cell at the frame's centre: 5 in the standard. The two halves of a half-cut cell count as one.
    pub px_per_cell: f64,
    /// Greatest angle between the camera's axis and the modules' perpendicular, deg: 30 in the standard.
    pub view_angle_deg: f64,
    /// Heights over the modules outside which a pose is not believed or not legal, m: 120 m is the limit of the open
    /// category, Regulation (EU) 2019/947.
    pub height_m: [f64; 2],
    /// Least angle between the sun's mirror image and the frame, deg. Our own: a module 1 deg out of plane moves the image
    /// by 2, the sun's radius is 0.27, the logged attitude is off by half a degree.
    pub glare_deg: f64,
    /// Rise of a spot that stays in its place in the frame while the camera moves, K (our own choice).
    pub glare_k: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            clipped_px: 12,
            flat_k: 1.5,
            edge_px: 3.3,
            trail_px: 2.5,
            noise_k: 0.1,
            step_k: 0.1,
            gsd_m: 0.03,
            px_per_cell: 5.0,
            view_angle_deg: 30.0,
            height_m: [2.0, 120.0],
            glare_deg: 3.0,
            glare_k: 2.0,
        }
    }
}

#[cfg(test)]
mod tests;
