//! An invented plant: rows of tables with uneven gaps and vacant places, every module's corners in space.

use std::fmt::Write as _;

use nalgebra::Vector3;
use thermal_core::finding::Pattern;
use thermal_core::optics::array_to_enu;
use thermal_core::settings::{Mounting, Orientation, Settings};
use thermal_core::site::LocalPlane;

/// A small generator of repeatable numbers (`SplitMix64`, Steele, Lea and Flood 2014).
#[derive(Debug, Clone)]
pub struct Rng(pub u64);

impl Rng {
    /// Evenly in 0 to 1.
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly in a range.
    pub fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Normally distributed, standard deviation 1 (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().max(1e-12).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// What the plant is like.
#[derive(Debug, Clone)]
pub struct PlantSpec {
    /// Rows, one behind the other (dual tilt: pairs of rows).
    pub rows: usize,
    /// Tables in a row.
    pub tables: usize,
    /// Modules along a table.
    pub across: usize,
    /// Courses.
    pub up: usize,
    /// Long side up the slope.
    pub portrait: bool,
    /// Tilt, deg.
    pub tilt_deg: f64,
    /// The way the modules face, deg.
    pub azimuth_deg: f64,
    /// From row to row, m.
    pub row_pitch_m: f64,
    /// Least and greatest gap between tables, m.
    pub table_gap_m: (f64, f64),
    /// Share of places without a module.
    pub vacant: f64,
    /// Share of modules with a fault.
    pub faulty: f64,
    /// How much the rows' ends are out of line, m.
    pub ragged_m: f64,
    /// Rows back to back.
    pub dual: bool,
    /// Seed.
    pub seed: u64,
}

impl Default for PlantSpec {
    fn default() -> Self {
        Self {
            rows: 6,
            tables: 3,
            across: 18,
            up: 2,
            portrait: true,
            tilt_deg: 20.0,
            azimuth_deg: 180.0,
            row_pitch_m: 7.0,
            table_gap_m: (0.4, 0.9),
            vacant: 0.01,
            faulty: 0.05,
            ragged_m: 0.4,
            dual: false,
            seed: 7,
        }
    }
}

/// A module of the plant.
#[derive(Debug, Clone)]
pub struct PlantModule {
    /// Name in the layout.
    pub id: String,
    /// Row, table, course (from the upper edge) and position, from 1.
    pub place: [usize; 4],
    /// Upper left, upper right, lower right, lower left as seen from the front: east, north, up, m.
    pub corners: [[f64; 3]; 4],
    /// Steady deviation of its temperature, K.
    pub own_k: f64,
    /// Fault and its difference, K.
    pub fault: Option<(Pattern, f64)>,
    /// Tilt of its face against the array's: -1 on the back of a dual tilt.
    pub face: f64,
}

/// The plant.
#[derive(Debug, Clone)]
pub struct Plant {
    /// Settings that describe it.
    pub settings: Settings,
    /// Its modules.
    pub modules: Vec<PlantModule>,
    /// The plane of its coordinates.
    pub plane: LocalPlane,
    /// What it was built from.
    pub spec: PlantSpec,
}

impl Plant {
    /// Builds a plant.
    pub fn new(spec: &PlantSpec) -> Self {
        let mut rng = Rng(spec.seed);
        let mut settings = Settings::default();
        settings.module.orientation = if spec.portrait { Orientation::Portrait } else { Orientation::Landscape };
        settings.array.tilt_deg = spec.tilt_deg;
        settings.array.azimuth_deg = spec.azimuth_deg;
        settings.array.modules_up = spec.up as u32;
        settings.array.mounting = if spec.dual { Mounting::DualTilt } else { Mounting::Fixed };
        let (w, l) = settings.module.size_along_up_m();
        let gap = 0.02;
        let mut modules = Vec::new();
        // Axes of the ground in the array's view: along the rows, and away from the one who faces the modules.
        let level = array_to_enu(0.0, spec.azimuth_deg);
        let faces: &[f64] = if spec.dual { &[1.0, -1.0] } else { &[1.0] };
        let depth = spec.up as f64 * (l + gap) * spec.tilt_deg.to_radians().cos();
        for row in 0..spec.rows {
            for (side, &face) in faces.iter().enumerate() {
                let slope = array_to_enu(face * spec.tilt_deg, spec.azimuth_deg);
                let mut start = rng.within(-spec.ragged_m, spec.ragged_m);
                for table in 0..spec.tables {
                    let back = row as f64 * spec.row_pitch_m + side as f64 * (depth + 0.15);
                    let height = 0.8 + if face < 0.0 { depth * spec.tilt_deg.to_radians().tan() } else { 0.0 };
                    for course in 0..spec.up {
                        for place in 0..spec.across {
                            let vacant = rng.uniform() < spec.vacant;
                            let own_k = 0.3 * rng.normal();
                            let (lot, size) = (rng.uniform(), rng.within(4.0, 20.0));
                            if vacant {
                                continue;
                            }
                            // The slope's second axis points down: the lower left of the table is the start.
                            let u0 = start + place as f64 * (w + gap);
                            let v0 = -((spec.up - course) as f64) * (l + gap);
                            let corner = |du: f64, dv: f64| {
                                let p =
                                    slope * Vector3::new(u0 + du, v0 + dv, 0.0) - level * Vector3::new(0.0, back, 0.0);
                                [p[0], p[1], p[2] + height]
                            };
                            let fault = (lot < spec.faulty).then(|| {
                                let kind = [Pattern::Cell, Pattern::Hotspot, Pattern::Substring, Pattern::Module]
                                    [(lot / spec.faulty * 4.0) as usize % 4];
                                (kind, size)
                            });
                            let row_no = row * faces.len() + side + 1;
                            let number = [row_no, table + 1, course + 1, table * spec.across + place + 1];
                            modules.push(PlantModule {
                                id: format!("Q{row_no:02}.{}.{}.{:03}", number[1], number[2], number[3]),
                                place: number,
                                corners: [corner(0.0, 0.0), corner(w, 0.0), corner(w, l), corner(0.0, l)],
                                own_k,
                                fault,
                                face,
                            });
                        }
                    }
                    start += spec.across as f64 * (w + gap) + rng.within(spec.table_gap_m.0, spec.table_gap_m.1);
                }
            }
        }
        Self { settings, modules, plane: LocalPlane::new(47.3, 9.87), spec: spec.clone() }
    }

    /// The layout as a file's text.
    pub fn layout_geojson(&self) -> String {
        let mut text = String::from("{\"type\": \"FeatureCollection\", \"features\": [\n");
        for (n, m) in self.modules.iter().enumerate() {
            let ring: Vec<String> = [3, 2, 1, 0, 3]
                .iter()
                .map(|&k| {
                    let [lon, lat] = self.plane.to_lon_lat([m.corners[k][0], m.corners[k][1]]);
                    format!("[{lon:.9}, {lat:.9}]")
                })
                .collect();
            let comma = if n + 1 < self.modules.len() { "," } else { "" };
            let _ = writeln!(
                text,
                "{{\"type\": \"Feature\", \"properties\": {{\"id\": \"{}\", \"row\": \"{}\", \"table\": \"{}-{}\"}}, \
                 \"geometry\": {{\"type\": \"Polygon\", \"coordinates\": [[{}]]}}}}{comma}",
                m.id,
                m.place[0],
                m.place[0],
                m.place[1],
                ring.join(", ")
            );
        }
        text + "]}\n"
    }
}
