//! The records of a run: a line of `modules.csv` and a line of `findings.csv`.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::Flag;

/// What the temperature field of a module shows.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pattern {
    /// Nothing out of the ordinary.
    #[default]
    None,
    /// A spot smaller than a cell.
    Hotspot,
    /// One cell or a few.
    Cell,
    /// One or more bypass-diode sections, or half of one in a half-cut module.
    Substring,
    /// The whole module.
    Module,
    /// A run of whole modules.
    String,
}

impl Pattern {
    /// Every pattern's word, in the order of the enum.
    pub const WORDS: &[&str] = &["none", "hotspot", "cell", "substring", "module", "string"];

    /// All but [`Pattern::None`], from the smallest part of a module to the largest.
    pub const ANOMALIES: [Self; 5] = [Self::Hotspot, Self::Cell, Self::Substring, Self::Module, Self::String];

    /// The word of the tables.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Hotspot => "hotspot",
            Self::Cell => "cell",
            Self::Substring => "substring",
            Self::Module => "module",
            Self::String => "string",
        }
    }

    /// The pattern of a word of the tables.
    pub(crate) fn from_word(word: &str) -> Option<Self> {
        std::iter::once(Self::None).chain(Self::ANOMALIES).find(|pattern| pattern.as_str() == word)
    }
}

/// One outlined module of one frame: a line of `modules.csv`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ModuleRecord {
    /// File name of the frame, relative to `frames/`; the modules of a run share the text.
    pub frame: Arc<str>,
    /// Row within the frame, or of the site once registered; from 1.
    pub row: u32,
    /// Course within the row, from 1 at the upper edge.
    pub course: u32,
    /// Position along the course, from 1 at the left as seen with the upper edge up.
    pub position: u32,
    /// Corners in pixels of the stored image, first pixel's centre at (0.5, 0.5): upper left, upper right, lower right,
    /// lower left as seen in its row.
    pub corners: [[f64; 2]; 4],
    /// The same corners on the ground, `[longitude, latitude]` in degrees, WGS 84; `None` where the pose is not known.
    pub ground: Option<[[f64; 2]; 4]>,
    /// The module lies wholly in the frame.
    pub whole: bool,
    /// Median over the module, deg C.
    pub t_median_c: f64,
    /// Hottest part of the module, deg C.
    pub t_max_c: f64,
    /// Median over the row, deg C.
    pub row_median_c: f64,
    /// Module median less row median, K.
    pub delta_row_k: f64,
    /// Pattern.
    pub pattern: Pattern,
    /// Where in the module: cell `column/line`, substring third, half.
    pub part: String,
    /// The pattern's own temperature difference at capture, K; 0 for `none`.
    pub delta_t_k: f64,
    /// What optics of the usual blur take of a spot's difference, K; 0 where they resolve the pattern.
    pub taken_k: f64,
    /// Share of the module's area that is warm, 0 to 1.
    pub area_fraction: f64,
    /// 0 to 1.
    pub confidence: f64,
    /// The layout's or the reconstruction's identity of the physical module; empty where unknown.
    pub asset_id: String,
    /// Flags.
    pub flags: Vec<Flag>,
    /// The reasons that led to the pattern, in words.
    pub reasons: Vec<String>,
}

/// A module that no frame shows whole: a line of `unseen.csv`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Unseen {
    /// The layout's or the reconstruction's identity of the module.
    pub asset_id: String,
    /// Row of the site.
    pub row: u32,
    /// Course within the row.
    pub course: u32,
    /// Position along the course.
    pub position: u32,
    /// Corners on the ground, `[longitude, latitude]` in degrees, WGS 84.
    pub ground: Option<[[f64; 2]; 4]>,
    /// Latitude of the centre, deg, WGS 84.
    pub lat: Option<f64>,
    /// Longitude of the centre, deg, WGS 84.
    pub lon: Option<f64>,
    /// Frames that show a part of it.
    pub frames_cut: u32,
    /// What such a part shows: no proof, but a reason to fly there first.
    pub hint: Pattern,
    /// The hint's temperature difference, K.
    pub hint_delta_t_k: Option<f64>,
    /// The frame of the hint.
    pub hint_frame: String,
}

/// One anomalous module of the site: a line of `findings.csv`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Finding {
    /// Identity of the finding within the run: `F0001`.
    pub finding: String,
    /// The best frame's record of the module (row, course, position and `asset_id` are the site's).
    pub module: ModuleRecord,
    /// Severity band.
    pub severity: String,
    /// Class of abnormality 1 to 3 of IEC TS 62446-3.
    pub abnormality_class: u8,
    /// `delta_t_k` scaled to 1000 W/m2; `None`: not scaled.
    pub delta_t_ref_k: Option<f64>,
    /// Irradiance in the plane of array at capture, W/m2.
    pub irradiance_w_m2: Option<f64>,
    /// Time to the nearest reading, s.
    pub irradiance_age_s: Option<f64>,
    /// Capture time, RFC 3339.
    pub captured_at: Option<String>,
    /// Frames that show the module whole.
    pub frames_seen: u32,
    /// Frames that show the pattern.
    pub frames_confirmed: u32,
    /// Latitude of the module's centre, deg, WGS 84.
    pub lat: Option<f64>,
    /// Longitude of the module's centre, deg, WGS 84.
    pub lon: Option<f64>,
    /// Power lost, W; `None` without a rated power.
    pub loss_w: Option<f64>,
    /// Path of the evidence picture, relative to the run folder.
    pub evidence: String,
    /// Review state; empty until reviewed.
    pub review: String,
    /// Who reviewed.
    pub reviewer: String,
    /// Free text.
    pub note: String,
    /// Half width of the 95 % interval of `delta_t_k`, K; `None`: not known (a table of an older version).
    pub delta_t_u95_k: Option<f64>,
    /// The same of `delta_t_ref_k`.
    pub delta_t_ref_u95_k: Option<f64>,
}
