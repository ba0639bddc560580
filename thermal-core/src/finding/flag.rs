//! The registry of flags: the one place where the cautions of a finding are named and described.

use serde::{Deserialize, Serialize};

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

    /// The flag of a word of the tables.
    pub(crate) fn from_word(word: &str) -> Option<Self> {
        FLAGS.iter().find(|info| info.name == word).map(|info| info.flag)
    }
}
