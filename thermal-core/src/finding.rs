//! The records of a run: a line of `modules.csv` and a line of `findings.csv`.

use serde::{Deserialize, Serialize};

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
}

/// One outlined module of one frame: a line of `modules.csv`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ModuleRecord {
    /// File name of the frame, relative to `frames/`.
    pub frame: String,
    /// Row within the frame, or of the site once registered; from 1.
    pub row: u32,
    /// Course within the row, from 1 at the upper edge.
    pub course: u32,
    /// Position along the course, from 1 at the left as seen with the upper edge up.
    pub position: u32,
    /// Corners in pixels of the stored image, first pixel's centre at (0.5, 0.5): upper left, upper right, lower right,
    /// lower left as seen in its row.
    pub corners: [[f64; 2]; 4],
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
}

/// A caution that belongs to a finding. The registry below is the only place where flags are named and described.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Flag {
    /// Irradiance under the lower limit at capture.
    LowIrradiance,
    /// The nearest reading is too old.
    StaleIrradiance,
    /// Irradiance changed too fast around the capture.
    UnsteadyIrradiance,
    /// No irradiance: the difference is not scaled.
    Unscaled,
    /// View too far from the perpendicular.
    Oblique,
    /// The frame is soft or motion-blurred.
    Soft,
    /// The module is cut by the frame's edge.
    Cut,
    /// Too few neighbours for a sound reference.
    FewNeighbours,
    /// Looks like a reflection.
    ReflectionSuspect,
    /// Seen in one frame only.
    OneFrame,
    /// The optics cannot resolve the spot.
    Unresolved,
    /// The frames disagree on the pattern.
    Contradicted,
    /// The place along the row is one of several candidates.
    AmbiguousPlace,
}

/// What the registry says of a flag.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlagInfo {
    /// The flag.
    pub flag: Flag,
    /// Its word in the tables.
    pub name: &'static str,
    /// One line for a legend.
    pub short: &'static str,
    /// What it means for the reader of the finding.
    pub long: &'static str,
}

/// Every flag with its word and description; the CSV text, the schema, the legend and the docs are made from this.
pub const FLAGS: &[FlagInfo] = &[
    FlagInfo {
        flag: Flag::LowIrradiance,
        name: "low-irradiance",
        short: "irradiance under 600 W/m2",
        long: "The in-plane irradiance at capture was under the limit; faults show less and the scaling is less sure.",
    },
    FlagInfo {
        flag: Flag::StaleIrradiance,
        name: "stale-irradiance",
        short: "irradiance reading too old",
        long: "The nearest irradiance reading lies too far from the capture in time.",
    },
    FlagInfo {
        flag: Flag::UnsteadyIrradiance,
        name: "unsteady-irradiance",
        short: "irradiance changed fast",
        long: "The irradiance changed around the capture by more than a module's temperature can follow.",
    },
    FlagInfo {
        flag: Flag::Unscaled,
        name: "unscaled",
        short: "not scaled to 1000 W/m2",
        long: "No irradiance is known for the capture; the difference is as measured and not comparable between days.",
    },
    FlagInfo {
        flag: Flag::Oblique,
        name: "oblique",
        short: "view angle too flat",
        long: "The camera looked at the module from too far off its perpendicular; reflections and emissivity falsify temperatures.",
    },
    FlagInfo {
        flag: Flag::Soft,
        name: "soft",
        short: "frame not sharp",
        long: "Module edges are wider than the limit; small hot parts read too cold.",
    },
    FlagInfo {
        flag: Flag::Cut,
        name: "cut",
        short: "module cut by the frame's edge",
        long: "Only a part of the module is in the frame; what lies outside is not judged.",
    },
    FlagInfo {
        flag: Flag::FewNeighbours,
        name: "few-neighbours",
        short: "few modules to compare with",
        long: "Fewer modules of the row are in view than a sound reference needs.",
    },
    FlagInfo {
        flag: Flag::ReflectionSuspect,
        name: "reflection-suspect",
        short: "may be a reflection",
        long: "The warm spot moves against the module between frames, or stands where the sun or the drone would be mirrored.",
    },
    FlagInfo {
        flag: Flag::OneFrame,
        name: "one-frame",
        short: "seen in one frame only",
        long: "No second frame shows the module, so the finding could not be confirmed.",
    },
    FlagInfo {
        flag: Flag::Unresolved,
        name: "unresolved",
        short: "smaller than the optics resolve",
        long: "The hot part is smaller than the camera resolves at this distance; its true difference is larger than measured.",
    },
    FlagInfo {
        flag: Flag::Contradicted,
        name: "contradicted",
        short: "frames disagree",
        long: "Frames that show the module disagree on the pattern.",
    },
    FlagInfo {
        flag: Flag::AmbiguousPlace,
        name: "ambiguous-place",
        short: "place along the row not certain",
        long: "The place along the row could not be proven; both candidates are named in the note.",
    },
];

impl Flag {
    /// The registry's entry.
    pub fn info(self) -> &'static FlagInfo {
        FLAGS.iter().find(|info| info.flag == self).unwrap_or(&FLAGS[0])
    }
}
