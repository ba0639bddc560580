//! What is drawn: the plant, the ground, the weather, the camera, the flight and the faults, as plain parameters.
//! Lengths in metres, temperatures in deg C, differences in K, angles in degrees, unless a name says otherwise.

use serde::Serialize;

use crate::settings::Mounting;

/// Everything that decides a scene; equal specs give equal bytes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spec {
    /// Name of the scene; the site's name in `inspection.toml`.
    pub name: String,
    /// Seed of every random draw.
    pub seed: u64,
    /// The camera.
    pub camera: Camera,
    /// The plant.
    pub plant: Plant,
    /// What lies around and under it.
    pub ground: Ground,
    /// Sun, air and what they do to the glass.
    pub weather: Weather,
    /// The flight.
    pub flight: Flight,
    /// The faults.
    pub faults: Faults,
    /// How the frames are stored.
    pub storage: Storage,
}

impl Default for Spec {
    fn default() -> Self {
        Self {
            name: "Plain".into(),
            seed: 1,
            camera: Camera::default(),
            plant: Plant::default(),
            ground: Ground::default(),
            weather: Weather::default(),
            flight: Flight::default(),
            faults: Faults::default(),
            storage: Storage::default(),
        }
    }
}

/// The camera, its optics and its detector.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Camera {
    /// Columns, px.
    pub width: usize,
    /// Rows, px.
    pub height: usize,
    /// Pixel pitch, micrometres.
    pub pitch_um: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Radial distortion: undistorted = distorted * (1 + k1 r^2), r in focal lengths.
    pub k1: f64,
    /// Focus: standard deviation of the Gaussian point spread, px.
    pub psf_px: f64,
    /// Length of the trail of a point during the exposure, px.
    pub motion_px: f64,
    /// Direction of the trail in the image, from the x axis towards y.
    pub motion_deg: f64,
    /// Temporal noise, K.
    pub netd_k: f64,
    /// Standard deviation of the columns' offsets, K.
    pub column_k: f64,
    /// Standard deviation of the rows' offsets, K.
    pub row_k: f64,
    /// Fall of the reading from the centre to a corner, K.
    pub vignette_k: f64,
    /// Standard deviation of a frame's offset, K; it wanders from frame to frame.
    pub offset_k: f64,
    /// Samples along each side of a pixel.
    pub samples: usize,
}

impl Default for Camera {
    fn default() -> Self {
        Self {
            width: 640,
            height: 512,
            pitch_um: 12.0,
            focal_mm: 13.0,
            k1: 0.0,
            psf_px: 0.65,
            motion_px: 0.0,
            motion_deg: 0.0,
            netd_k: 0.05,
            column_k: 0.05,
            row_k: 0.03,
            vignette_k: 0.6,
            offset_k: 0.2,
            samples: 3,
        }
    }
}

impl Camera {
    /// Focal length, px.
    pub fn focal_px(&self) -> f64 {
        self.focal_mm * 1000.0 / self.pitch_um
    }
}

/// The plant: rows of tables of modules.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plant {
    /// Latitude of the origin (the first row's left end), deg, WGS 84.
    pub lat: f64,
    /// Longitude of the origin, deg, WGS 84.
    pub lon: f64,
    /// Mounting.
    pub mounting: Mounting,
    /// Tilt from horizontal.
    pub tilt_deg: f64,
    /// The way the modules face, from north, clockwise.
    pub azimuth_deg: f64,
    /// Rows.
    pub rows: usize,
    /// Distance between rows on the ground; for dual-tilt, between pairs.
    pub row_pitch_m: f64,
    /// Tables in a row.
    pub tables: usize,
    /// Space between tables.
    pub table_gap_m: f64,
    /// Spread of that space, as a part of it, 0 to 1.
    pub table_gap_spread: f64,
    /// Modules along a table.
    pub across: usize,
    /// Courses of modules up a table.
    pub courses: usize,
    /// Long side up the slope.
    pub portrait: bool,
    /// Short side of a module.
    pub mod_w_m: f64,
    /// Long side of a module.
    pub mod_l_m: f64,
    /// Cells across the width and along the length; `[1, 1]`: thin film.
    pub cells: [usize; 2],
    /// Substrings, side by side across the width.
    pub substrings: usize,
    /// Gap between modules.
    pub gap_m: f64,
    /// Width of the frame's lip on the glass side.
    pub lip_m: f64,
    /// Lip less glass, K: below zero darker.
    pub lip_delta_k: f64,
    /// Height of the lower edge over the ground.
    pub low_edge_m: f64,
    /// Standard deviation of the tables' height.
    pub height_spread_m: f64,
    /// Standard deviation of the tables' turn in their plane and, a third of it, of their tilt.
    pub twist_deg: f64,
    /// Share of places without a module.
    pub vacant: f64,
}

impl Default for Plant {
    fn default() -> Self {
        Self {
            lat: 39.5,
            lon: -3.5,
            mounting: Mounting::Fixed,
            tilt_deg: 25.0,
            azimuth_deg: 180.0,
            rows: 4,
            row_pitch_m: 7.5,
            tables: 2,
            table_gap_m: 0.6,
            table_gap_spread: 0.0,
            across: 14,
            courses: 2,
            portrait: true,
            mod_w_m: 1.04,
            mod_l_m: 2.0,
            cells: [6, 10],
            substrings: 3,
            gap_m: 0.02,
            lip_m: 0.011,
            lip_delta_k: -8.0,
            low_edge_m: 0.8,
            height_spread_m: 0.02,
            twist_deg: 0.05,
            vacant: 0.0,
        }
    }
}

impl Plant {
    /// Module size along the row and up the slope.
    pub fn size_along_up_m(&self) -> [f64; 2] {
        if self.portrait { [self.mod_w_m, self.mod_l_m] } else { [self.mod_l_m, self.mod_w_m] }
    }

    /// Table size along the row and up the slope.
    pub(crate) fn table_m(&self) -> [f64; 2] {
        let [along, up] = self.size_along_up_m();
        let (n, m) = (self.across as f64, self.courses as f64);
        [n * (along + self.gap_m) - self.gap_m, m * (up + self.gap_m) - self.gap_m]
    }

    /// Two halves in parallel.
    pub fn half_cut(&self) -> bool {
        self.cells[0] > 1 && self.mod_l_m / (self.cells[1] as f64) < 0.75 * self.mod_w_m / (self.cells[0] as f64)
    }
}

/// Objects with straight edges on the ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Object {
    /// A cable a hand wide, slightly warm.
    Cable,
    /// A filled trench a metre wide, slightly cold.
    Trench,
    /// A gravel road along the rows, warm.
    Road,
    /// A steel box with a shadow.
    Container,
    /// Posts and a wire.
    Fence,
    /// Paving of slabs the size of modules: a false table.
    Slabs,
    /// A manhole or a sheet of metal.
    Plate,
}

/// What lies around and under the plant.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ground {
    /// Mean temperature of the open ground.
    pub soil_c: f64,
    /// Standard deviation of its texture, K.
    pub texture_k: f64,
    /// What shadow takes from it, K.
    pub shade_k: f64,
    /// Straight-edged objects.
    pub objects: Vec<Object>,
    /// A metal roof with seams instead of soil.
    pub roof: bool,
    /// Height of the ground under the plant over the take-off point.
    pub above_takeoff_m: f64,
}

impl Default for Ground {
    fn default() -> Self {
        Self {
            soil_c: 34.0,
            texture_k: 2.0,
            shade_k: 9.0,
            objects: vec![Object::Plate],
            roof: false,
            above_takeoff_m: 0.0,
        }
    }
}

/// A reflection in the glass: it stands where the camera sees it, not on a module.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Glare {
    /// Peak, K; below zero for a drone in front of a warm sky's image.
    pub peak_k: f64,
    /// Standard deviation, seen from the camera.
    pub radius_deg: f64,
    /// Where: off the module's normal through the camera, along the row.
    pub along_deg: f64,
    /// Where: off that normal, up the slope.
    pub up_deg: f64,
}

/// Sun, air and what they do to the glass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Weather {
    /// Air temperature.
    pub air_c: f64,
    /// Wind, m/s.
    pub wind_m_s: f64,
    /// Irradiance in the plane of array at the first and the last frame, W/m2.
    pub g: [f64; 2],
    /// Interval of the irradiance log, s.
    pub log_every_s: f64,
    /// Azimuth of the sun, from north, clockwise.
    pub sun_azimuth_deg: f64,
    /// Elevation of the sun.
    pub sun_elevation_deg: f64,
    /// Rise of a module over air, K per W/m2.
    pub rise_k_m2_w: f64,
    /// Standard deviation between modules, K.
    pub module_spread_k: f64,
    /// Half range of the wind's slow wandering along a row, K.
    pub wander_k: f64,
    /// Upper edge of a table less its lower edge, K.
    pub upper_edge_k: f64,
    /// Range of the sky's slow reflection, K.
    pub reflection_k: f64,
    /// Spots of reflection.
    pub glare: Vec<Glare>,
    /// Plants that cover a module's corner.
    pub weeds: usize,
    /// Pole shadows across a table.
    pub pole_shadows: usize,
    /// Warmth of dirt at a module's lower edge, K.
    pub dirt_k: f64,
    /// Warmth of a junction box, K.
    pub junction_k: f64,
    /// Standard deviation between cells, K.
    pub cell_spread_k: f64,
    /// Glass at the rim less glass in the middle, K.
    pub rim_k: f64,
}

impl Default for Weather {
    fn default() -> Self {
        Self {
            air_c: 26.0,
            wind_m_s: 2.2,
            g: [880.0, 905.0],
            log_every_s: 60.0,
            sun_azimuth_deg: 150.0,
            sun_elevation_deg: 62.0,
            rise_k_m2_w: 0.03,
            module_spread_k: 0.45,
            wander_k: 0.6,
            upper_edge_k: 0.8,
            reflection_k: 0.0,
            glare: Vec::new(),
            weeds: 0,
            pole_shadows: 0,
            dirt_k: 0.0,
            junction_k: 1.2,
            cell_spread_k: 0.25,
            rim_k: -1.0,
        }
    }
}

/// The flight and what its receiver makes of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Flight {
    /// Distance from the camera to the modules along the optical axis.
    pub distance_m: f64,
    /// View off the modules' normal.
    pub off_deg: f64,
    /// The way in which it is off: 0 the camera stands up the slope, 90 to the right along the row.
    pub off_towards_deg: f64,
    /// Turn of the image against the row, clockwise.
    pub row_angle_deg: f64,
    /// Straight down whatever the tilt; `off_deg` is then off the vertical.
    pub nadir: bool,
    /// Most frames; 0: as many as cover the plant.
    pub frames: usize,
    /// Overlap of neighbouring frames, 0 to 1.
    pub overlap: f64,
    /// Capture time of the first frame, RFC 3339.
    pub start: String,
    /// Time between frames, s.
    pub interval_s: f64,
    /// Standard deviation of the hold of position.
    pub sway_m: f64,
    /// Standard deviation of the gimbal's angles.
    pub sway_deg: f64,
    /// Constant error of the receiver: east, north, up.
    pub receiver_bias_m: [f64; 3],
    /// Drift of the receiver, m/min, east and north.
    pub receiver_drift_m_min: [f64; 2],
    /// Constant error of the heading.
    pub heading_bias_deg: f64,
}

impl Default for Flight {
    fn default() -> Self {
        Self {
            distance_m: 26.0,
            off_deg: 0.0,
            off_towards_deg: 0.0,
            row_angle_deg: 0.0,
            nadir: false,
            frames: 4,
            overlap: 0.55,
            start: "2026-06-18T11:40:00+01:00".into(),
            interval_s: 2.0,
            sway_m: 0.25,
            sway_deg: 0.8,
            receiver_bias_m: [0.6, -0.9, 0.3],
            receiver_drift_m_min: [0.3, 0.2],
            heading_bias_deg: 0.3,
        }
    }
}

/// The kinds of fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A Gaussian spot smaller than a cell.
    Hotspot,
    /// One cell.
    Cell,
    /// A few cells.
    Cells,
    /// One substring.
    Substring,
    /// Two substrings.
    Substring2,
    /// Half of a substring of a half-cut module.
    Sixth,
    /// The whole module.
    Module,
    /// A run of modules of a course.
    String,
}

/// The faults.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Faults {
    /// Share of modules with one.
    pub share: f64,
    /// The kinds to draw from, `Sixth` only where half-cut; empty: all that fit.
    pub kinds: Vec<Kind>,
    /// Runs of warm modules.
    pub strings: usize,
    /// Factor on all amplitudes.
    pub strength: f64,
    /// Share of modules with hot cells or a hot spot that have a warm substring as well.
    pub second: f64,
    /// Factor on the faults of single modules, by identity; 0: repaired.
    pub by_module: std::collections::BTreeMap<String, f64>,
}

impl Default for Faults {
    fn default() -> Self {
        Self {
            share: 0.10,
            kinds: Vec::new(),
            strings: 1,
            strength: 1.0,
            second: 0.0,
            by_module: std::collections::BTreeMap::new(),
        }
    }
}

/// How counts encode temperature in the files.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Encoding {
    /// Hundredths of a kelvin, 16 bit.
    Centikelvin,
    /// deg C, 32-bit float.
    Celsius,
    /// Kelvin, 32-bit float.
    Kelvin,
    /// counts = r / (exp(b / `T_kelvin`) - f) + o, 16 bit.
    Planck {
        /// r.
        r: f64,
        /// b, K.
        b: f64,
        /// f.
        f: f64,
        /// o, counts.
        o: f64,
    },
}

/// How the frames are stored.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Storage {
    /// Encoding.
    pub encoding: Encoding,
    /// Deflate instead of uncompressed.
    pub deflate: bool,
    /// The frames hold apparent temperature: emissivity of the glass and reflected temperature, deg C.
    pub apparent: Option<[f64; 2]>,
    /// `inspection.toml` tells emissivity and reflected temperature, so that object temperature can be had.
    pub tells_emissivity: bool,
}

impl Default for Storage {
    fn default() -> Self {
        Self { encoding: Encoding::Centikelvin, deflate: false, apparent: None, tells_emissivity: true }
    }
}
