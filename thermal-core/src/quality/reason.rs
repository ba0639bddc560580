//! The registry of what a frame or a flight can lack: the one place where the codes are named and described.

use serde::{Serialize, Serializer};

/// What is wrong. The registry below is the only place where codes are named and described.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Code {
    /// The file cannot be read at all.
    Unreadable,
    /// The file is cut short or damaged.
    CutShort,
    /// The file holds a picture, not values.
    Picture,
    /// The values do not become temperatures.
    NoTemperature,
    /// The same picture as another frame.
    Duplicate,
    /// Values at the end of the range.
    Clipped,
    /// Nothing to be seen.
    Flat,
    /// Edges too wide.
    Soft,
    /// Edges wide in one direction.
    MotionBlur,
    /// Too much noise.
    Noise,
    /// The values come in coarse steps.
    CoarseSteps,
    /// Another size, type, lens or range than most frames.
    OtherSettings,
    /// The view is too flat.
    Oblique,
    /// Pixels too large on the modules.
    Resolution,
    /// A height that cannot be or may not be.
    Height,
    /// The sun's mirror image should be in the frame.
    GlarePredicted,
    /// A spot that moves with the camera.
    GlareSeen,
    /// Time or place of the frame is not known.
    NoPose,
    /// Frames in a line overlap too little.
    OverlapAlong,
    /// Lines overlap too little.
    OverlapAcross,
    /// Frames are missing in time.
    TimeGap,
    /// The mosaic has a hole.
    Hole,
    /// No irradiance was logged.
    NoLog,
    /// The irradiance log belongs elsewhere in time.
    LogElsewhere,
    /// No reading near enough in time.
    StaleIrradiance,
    /// Too little irradiance.
    LowIrradiance,
    /// Irradiance changed too fast.
    UnsteadyIrradiance,
    /// A clock is off.
    ClockOff,
    /// Readings over what the sky can deliver.
    AboveClearSky,
    /// Readings of a sensor that lay level.
    LevelSensor,
    /// Too much wind.
    Wind,
    /// Too much cloud.
    Cloud,
}

/// What the registry says of a code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CodeInfo {
    /// The code.
    pub code: Code,
    /// Its word in JSON.
    pub name: &'static str,
    /// One line for a heading.
    pub short: &'static str,
}

macro_rules! codes {
    ($($code:ident $name:literal $short:literal;)*) => {
        /// Every code with its word and description.
        pub const CODES: &[CodeInfo] = &[$(CodeInfo { code: Code::$code, name: $name, short: $short }),*];
    };
}

codes! {
    Unreadable "unreadable" "the file cannot be read";
    CutShort "cut-short" "the file is cut short or damaged";
    Picture "picture" "a picture with colours or 8 bits instead of measured values";
    NoTemperature "no-temperature" "the values do not become temperatures";
    Duplicate "duplicate" "the same picture as another frame";
    Clipped "clipped" "values at the end of the camera's range";
    Flat "flat" "nothing to be seen: lens cap or closed shutter";
    Soft "soft" "edges of modules too wide";
    MotionBlur "motion-blur" "edges smeared in one direction";
    Noise "noise" "too much noise";
    CoarseSteps "coarse-steps" "values in coarse steps: range or mode of the camera";
    OtherSettings "other-settings" "size, type, lens or range differ from most frames";
    Oblique "oblique" "view too far off the modules' perpendicular";
    Resolution "resolution" "pixels too large on the modules";
    Height "height" "height that cannot be or may not be flown";
    GlarePredicted "glare-predicted" "the sun should be mirrored in the frame";
    GlareSeen "glare-seen" "a spot that moves with the camera";
    NoPose "no-pose" "time, place or attitude not known";
    OverlapAlong "overlap-along" "frames of a line overlap too little";
    OverlapAcross "overlap-across" "lines overlap too little";
    TimeGap "time-gap" "frames are missing in time";
    Hole "hole" "hole in the mosaic of frames";
    NoLog "no-log" "no irradiance log";
    LogElsewhere "log-elsewhere" "irradiance log of another day or zone";
    StaleIrradiance "stale-irradiance" "no irradiance reading near in time";
    LowIrradiance "low-irradiance" "too little irradiance";
    UnsteadyIrradiance "unsteady-irradiance" "irradiance changed too fast";
    ClockOff "clock-off" "clocks of camera and log differ";
    AboveClearSky "above-clear-sky" "readings over what the clearest sky delivers in the plane";
    LevelSensor "level-sensor" "readings of a sensor that lay level";
    Wind "wind" "too much wind";
    Cloud "cloud" "too much cloud";
}

impl Code {
    /// The registry's entry.
    pub fn info(self) -> &'static CodeInfo {
        CODES.iter().find(|info| info.code == self).unwrap_or(&CODES[0])
    }
}

impl Serialize for Code {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.info().name)
    }
}

/// Why a frame is not fit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reason {
    /// What is wrong.
    pub code: Code,
    /// What was measured, where it is a number.
    pub value: Option<f64>,
    /// What is allowed, where it is a number.
    pub limit: Option<f64>,
    /// The same in words, with units.
    pub text: String,
}

impl Reason {
    /// A reason with a measured value and its limit, both rounded to a thousandth.
    pub fn new(code: Code, value: f64, limit: f64, text: impl Into<String>) -> Self {
        let round = |v: f64| v.is_finite().then(|| (v * 1000.0).round() / 1000.0 + 0.0);
        Self { code, value: round(value), limit: round(limit), text: text.into() }
    }

    /// A reason without a number.
    pub fn plain(code: Code, text: impl Into<String>) -> Self {
        Self { code, value: None, limit: None, text: text.into() }
    }
}
