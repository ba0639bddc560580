//! The main job: a folder of frames in, records of modules and findings out.
//!
//! [`Inputs::read`] gathers what the folder holds, [`analyse_frames`] looks at the frames one by one on some threads,
//! [`complete`] places them on the plant and adds what its layout shows to be missing, [`conclude`] brings them to one list of the site, and [`write()`] lays the run folder down. What is done stands in a
//! [`Journal`], from which a stopped run goes on; a [`Part`] is a run of some of the frames, and [`gather`] joins them.

mod complete;
mod conclude;
mod evidence;
mod frames;
mod input;
mod journal;
mod part;
mod second_look;
mod unseen;
mod write;

pub use complete::{Placed, complete};
pub use conclude::{Conclusion, conclude};
pub(crate) use frames::outline_frame;
pub use frames::{FrameReport, Records, analyse_frames, logged_pose, read_frame, same_size};
pub use input::Inputs;
pub(crate) use input::list_frames;
pub use journal::{Journal, Start};
pub use part::{Part, folder_of_parts, gather, write_part};
pub use write::{Options, finished, write};
