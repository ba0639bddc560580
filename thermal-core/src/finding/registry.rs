//! The registry of the columns: header, cells, schema, map attributes and documentation are all made from it.

use super::column::{Kind, Spec};
use super::{Finding, ModuleRecord, Pattern, Table, Unseen};

pub(crate) const fn text(name: &'static str, description: &'static str) -> Spec {
    Spec { name, kind: Kind::Text, unit: "", description, required: false }
}

const fn count(name: &'static str, min: i64, max: i64, description: &'static str) -> Spec {
    Spec { name, kind: Kind::Integer { min, max }, unit: "", description, required: false }
}

const fn number(name: &'static str, unit: &'static str, decimals: u8, description: &'static str) -> Spec {
    limited(name, unit, decimals, f64::NEG_INFINITY, f64::INFINITY, description)
}

const fn limited(
    name: &'static str,
    unit: &'static str,
    decimals: u8,
    min: f64,
    max: f64,
    description: &'static str,
) -> Spec {
    Spec { name, kind: Kind::Number { decimals, min, max }, unit, description, required: false }
}

const fn temperature(name: &'static str, description: &'static str) -> Spec {
    limited(name, "deg C", 2, -273.15, f64::INFINITY, description)
}

const fn corner(name: &'static str, description: &'static str) -> Spec {
    number(name, "px", 2, description).required()
}

const MAX_COUNT: i64 = u32::MAX as i64;

const FRAME: Spec = text("frame", "File name of the frame, relative to the folder frames").required();
const ROW: Spec = count("row", 1, MAX_COUNT, "Row of modules, all its courses, counted from 1");
const COURSE: Spec = count("course", 1, MAX_COUNT, "Line of modules within the row, from 1 at the row's upper edge");
const POSITION: Spec =
    count("position", 1, MAX_COUNT, "Place along the course, from 1 at the left with the row's upper edge up");
const X0: Spec = corner("x0", "Upper left corner, column; the centre of the frame's first pixel is 0.5, 0.5");
const Y0: Spec = corner("y0", "Upper left corner, line");
const X1: Spec = corner("x1", "Upper right corner, column");
const Y1: Spec = corner("y1", "Upper right corner, line");
const X2: Spec = corner("x2", "Lower right corner, column");
const Y2: Spec = corner("y2", "Lower right corner, line");
const X3: Spec = corner("x3", "Lower left corner, column");
const Y3: Spec = corner("y3", "Lower left corner, line");
const WHOLE: Spec = Spec {
    name: "whole",
    kind: Kind::Boolean,
    unit: "",
    description: "Whether the module lies wholly in the frame",
    required: true,
};
const T_MAX: Spec = temperature("t_max_c", "Hottest part of the module at capture");
const T_MEDIAN: Spec = temperature("t_median_c", "Median over the module at capture");
const ROW_MEDIAN: Spec = temperature("row_median_c", "Median over the modules of the row at capture");
const DELTA_ROW: Spec = number("delta_row_k", "K", 2, "Median of the module less the median of its row, at capture");
const PATTERN: Spec = Spec {
    name: "pattern",
    kind: Kind::Words(Pattern::WORDS),
    unit: "",
    description: "What the temperatures of the module show",
    required: true,
};
const PART: Spec = text(
    "part",
    "Where in the module: a cell as column/line counted from the upper left, a substring as its third and half",
);
const DELTA_T: Spec = number(
    "delta_t_k",
    "K",
    2,
    "Difference of the pattern at capture: warm part less sound part; module or string less its neighbours",
);
const AREA_FRACTION: Spec = limited("area_fraction", "", 4, 0.0, 1.0, "Share of the module that is warm");
const CONFIDENCE: Spec = limited("confidence", "", 3, 0.0, 1.0, "How sure the outline and the pattern are");
const ASSET_ID: Spec = text("asset_id", "Identity of the physical module, from the layout or the reconstruction");
const FLAGS_: Spec = Spec {
    name: "flags",
    kind: Kind::Flags,
    unit: "",
    description: "Cautions to be read with the figures, a semicolon between them",
    required: false,
};

const FINDING: Spec = text("finding", "Identity of the finding within the run").required();
const SEVERITY: Spec = text("severity", "Severity band by the difference at reference irradiance");
const CLASS: Spec = count("abnormality_class", 1, 3, "Class of abnormality of IEC TS 62446-3, 3 the gravest");
const DELTA_T_REF: Spec = number("delta_t_ref_k", "K", 2, "delta_t_k scaled to an irradiance of 1000 W/m2");
const IRRADIANCE: Spec =
    limited("irradiance_w_m2", "W/m2", 1, 0.0, f64::INFINITY, "Irradiance in the plane of the modules at capture");
const IRRADIANCE_AGE: Spec =
    limited("irradiance_age_s", "s", 1, 0.0, f64::INFINITY, "Time between the capture and the nearest reading");
const CAPTURED_AT: Spec = Spec {
    name: "captured_at",
    kind: Kind::Time,
    unit: "",
    description: "Time of capture with its offset from UTC",
    required: false,
};
const FRAMES_SEEN: Spec = count("frames_seen", 0, MAX_COUNT, "Frames that show the module whole");
const FRAMES_CONFIRMED: Spec = count("frames_confirmed", 0, MAX_COUNT, "Frames that show the pattern");
const LAT: Spec = limited("lat", "deg", 7, -90.0, 90.0, "Latitude of the module's centre, WGS 84, north positive");
const LON: Spec = limited("lon", "deg", 7, -180.0, 180.0, "Longitude of the module's centre, WGS 84, east positive");
const LOSS: Spec =
    limited("loss_w", "W", 1, 0.0, f64::INFINITY, "Estimated loss of power; empty where no rated power was given");
const EVIDENCE: Spec = text("evidence", "Path of the picture, relative to the run folder");
const REVIEW: Spec = text("review", "Decision of the reviewer; empty: not reviewed");
const REVIEWER: Spec = text("reviewer", "Who decided");
const NOTE: Spec = text("note", "Free text");
const DELTA_T_U95: Spec = limited(
    "delta_t_u95_k",
    "K",
    2,
    0.0,
    f64::INFINITY,
    "Half width of the 95 % interval of delta_t_k: noise, row scatter, emissivity and view, resolution",
);
const DELTA_T_REF_U95: Spec = limited(
    "delta_t_ref_u95_k",
    "K",
    2,
    0.0,
    f64::INFINITY,
    "Half width of the 95 % interval of delta_t_ref_k: that of delta_t_k, scaled, and the irradiance",
);

/// Ties a column to a field of the record.
macro_rules! column {
    ($spec:expr, $($field:tt)+) => {
        $crate::finding::Column {
            spec: $spec,
            get: |record| $crate::finding::Field::value(&record.$($field)+),
            set: |record, value| $crate::finding::Field::set(&mut record.$($field)+, value),
        }
    };
}
pub(crate) use column;

/// `modules.csv`: a line for each outlined module of each frame.
pub static MODULES: Table<ModuleRecord> = Table {
    name: "modules",
    title: "Outlined modules",
    description: "One line for each outlined module of each frame",
    key: None,
    most_lines: 10_000_000,
    columns: &[
        column!(FRAME, frame),
        column!(ROW, row),
        column!(COURSE, course),
        column!(POSITION, position),
        column!(X0, corners[0][0]),
        column!(Y0, corners[0][1]),
        column!(X1, corners[1][0]),
        column!(Y1, corners[1][1]),
        column!(X2, corners[2][0]),
        column!(Y2, corners[2][1]),
        column!(X3, corners[3][0]),
        column!(Y3, corners[3][1]),
        column!(WHOLE, whole),
        column!(T_MEDIAN, t_median_c),
        column!(ROW_MEDIAN, row_median_c),
        column!(DELTA_ROW, delta_row_k),
        column!(PATTERN, pattern),
        column!(DELTA_T, delta_t_k),
        column!(CONFIDENCE, confidence),
        column!(ASSET_ID, asset_id),
    ],
};

/// `findings.csv`: a line for each anomalous module of the site.
pub static FINDINGS: Table<Finding> = Table {
    name: "findings",
    title: "Findings",
    description: "One line for each anomalous module of the site",
    key: Some("finding"),
    most_lines: 500_000,
    columns: &[
        column!(FINDING, finding),
        column!(ASSET_ID, module.asset_id),
        column!(ROW, module.row),
        column!(COURSE, module.course),
        column!(POSITION, module.position),
        column!(PATTERN, module.pattern),
        column!(PART, module.part),
        column!(SEVERITY, severity),
        column!(CLASS, abnormality_class),
        column!(DELTA_T, module.delta_t_k),
        column!(DELTA_T_REF, delta_t_ref_k),
        column!(DELTA_ROW, module.delta_row_k),
        column!(T_MAX, module.t_max_c),
        column!(T_MEDIAN, module.t_median_c),
        column!(ROW_MEDIAN, module.row_median_c),
        column!(IRRADIANCE, irradiance_w_m2),
        column!(IRRADIANCE_AGE, irradiance_age_s),
        column!(CAPTURED_AT, captured_at),
        column!(FRAMES_SEEN, frames_seen),
        column!(FRAMES_CONFIRMED, frames_confirmed),
        column!(LAT, lat),
        column!(LON, lon),
        column!(AREA_FRACTION, module.area_fraction),
        column!(CONFIDENCE, module.confidence),
        column!(FLAGS_, module.flags),
        column!(LOSS, loss_w),
        column!(FRAME, module.frame),
        column!(X0, module.corners[0][0]),
        column!(Y0, module.corners[0][1]),
        column!(X1, module.corners[1][0]),
        column!(Y1, module.corners[1][1]),
        column!(X2, module.corners[2][0]),
        column!(Y2, module.corners[2][1]),
        column!(X3, module.corners[3][0]),
        column!(Y3, module.corners[3][1]),
        column!(EVIDENCE, evidence),
        column!(REVIEW, review),
        column!(REVIEWER, reviewer),
        column!(NOTE, note),
        column!(DELTA_T_U95, delta_t_u95_k),
        column!(DELTA_T_REF_U95, delta_t_ref_u95_k),
    ],
};

/// `unseen.csv`: a line for each module that no frame shows whole.
pub static UNSEEN: Table<Unseen> = Table {
    name: "unseen",
    title: "Modules not inspected",
    description: "One line for each module that no usable frame shows whole",
    key: Some("asset_id"),
    most_lines: 10_000_000,
    columns: &[
        column!(ASSET_ID, asset_id),
        column!(ROW, row),
        column!(COURSE, course),
        column!(POSITION, position),
        column!(LAT, lat),
        column!(LON, lon),
        column!(count("frames_cut", 0, MAX_COUNT, "Frames that show a part of the module"), frames_cut),
        column!(
            Spec {
                name: "hint",
                kind: Kind::Words(Pattern::WORDS),
                unit: "",
                description: "What the part in view shows: no proof, but a reason to fly there first",
                required: true,
            },
            hint
        ),
        column!(
            limited("hint_delta_t_k", "K", 2, 0.0, f64::INFINITY, "The hint's temperature difference at capture"),
            hint_delta_t_k
        ),
        column!(text("hint_frame", "The frame of the hint"), hint_frame),
    ],
};
