//! The main job: a folder of frames in, records of modules and findings out.
//!
//! [`Inputs::read`] gathers what the folder holds, [`analyse_frames`] looks at the frames one by one on some threads,
//! [`conclude`] brings them to one list of the site, and [`write()`] lays the run folder down.

mod conclude;
mod evidence;
mod frames;
mod input;
mod unseen;
mod write;

pub use conclude::{Conclusion, conclude};
pub use frames::{FrameReport, analyse_frames, logged_pose, read_frame};
pub use input::Inputs;
pub use write::{Options, write};
