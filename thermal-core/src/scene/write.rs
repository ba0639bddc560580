//! Writes a scene as an inspection folder with its truth beside it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use jiff::SignedDuration;
use jiff::fmt::temporal::Pieces;
use jiff::tz::Offset;
use nalgebra::Vector3;
use ndarray::Array2;
use serde_json::{Value, json};
use tiff::encoder::{Compression, DeflateLevel, Rational, TiffEncoder, TiffValue, colortype};
use tiff::tags::Tag;

use super::flight::Pose;
use super::frame::FrameTruth;
use super::random::Random;
use super::site::Site;
use super::spec::{Encoding, Spec};
use super::view::View;
use crate::{Error, Result};

/// Writes a text file.
fn text(path: &Path, content: &str) -> Result<()> {
    fs::write(path, content).map_err(|e| Error::io(path, "write the file", e))
}

/// Makes the folder and its `frames/`.
pub(super) fn folder(out: &Path) -> Result<()> {
    let frames = out.join("frames");
    fs::create_dir_all(&frames).map_err(|e| Error::io(&frames, "make the folder", e))
}

/// Name of a frame's file.
pub(super) fn name(frame: usize) -> String {
    format!("frame_{:04}.tif", frame + 1)
}

/// Writes a frame of temperatures, deg C.
pub(super) fn image(spec: &Spec, path: &Path, celsius: &Array2<f32>) -> Result<()> {
    let file = fs::File::create(path).map_err(|e| Error::io(path, "make the file", e))?;
    let fault = |e: tiff::TiffError| Error::io(path, "write the image", std::io::Error::other(e));
    let compression =
        if spec.storage.deflate { Compression::Deflate(DeflateLevel::Balanced) } else { Compression::Uncompressed };
    let encoder = TiffEncoder::new(std::io::BufWriter::new(file)).map_err(fault)?.with_compression(compression);
    let (height, width) = (celsius.nrows() as u32, celsius.ncols() as u32);
    let counts = |f: &dyn Fn(f64) -> f64| -> Vec<u16> {
        celsius.iter().map(|&t| f(f64::from(t)).round().clamp(0.0, 65535.0) as u16).collect()
    };
    match spec.storage.encoding {
        Encoding::Centikelvin => {
            let data = counts(&|t| (t + 273.15) * 100.0);
            image_with_lens::<colortype::Gray16>(spec, encoder, width, height, &data).map_err(fault)
        }
        Encoding::Planck { r, b, f, o } => {
            let data = counts(&|t| r / ((b / (t + 273.15)).exp() - f) + o);
            image_with_lens::<colortype::Gray16>(spec, encoder, width, height, &data).map_err(fault)
        }
        Encoding::Celsius => {
            let data: Vec<f32> = celsius.iter().copied().collect();
            image_with_lens::<colortype::Gray32Float>(spec, encoder, width, height, &data).map_err(fault)
        }
        Encoding::Kelvin => {
            let data: Vec<f32> = celsius.iter().map(|t| t + 273.15).collect();
            image_with_lens::<colortype::Gray32Float>(spec, encoder, width, height, &data).map_err(fault)
        }
    }
}

/// EXIF `FocalLength` (CIPA DC-008), in the main directory as some cameras write it.
const FOCAL_LENGTH: Tag = Tag::Unknown(37386);

/// Writes the image with the focal length beside it.
fn image_with_lens<C: colortype::ColorType>(
    spec: &Spec,
    mut encoder: TiffEncoder<std::io::BufWriter<fs::File>>,
    width: u32,
    height: u32,
    data: &[C::Inner],
) -> tiff::TiffResult<()>
where
    [C::Inner]: TiffValue,
{
    let mut image = encoder.new_image::<C>(width, height)?;
    let focal = Rational { n: (spec.camera.focal_mm * 100.0).round() as u32, d: 100 };
    image.encoder().write_tag(FOCAL_LENGTH, focal)?;
    image.write_data(data)
}

/// Radii of curvature of the WGS 84 ellipsoid at the plant, m per radian north and east.
fn metres_a_radian(lat_deg: f64) -> [f64; 2] {
    let (a, e2) = (6_378_137.0, 6.694_379_990_14e-3);
    let (sin, cos) = lat_deg.to_radians().sin_cos();
    let w2 = 1.0 - e2 * sin * sin;
    [a * (1.0 - e2) / w2.powf(1.5), a / w2.sqrt() * cos]
}

fn lat_lon(spec: &Spec, p: Vector3<f64>) -> [f64; 2] {
    let [north, east] = metres_a_radian(spec.plant.lat);
    [spec.plant.lat + (p.y / north).to_degrees(), spec.plant.lon + (p.x / east).to_degrees()]
}

/// Time of the first frame, and its offset from UTC.
pub(super) fn start(spec: &Spec) -> Result<(jiff::Timestamp, Offset)> {
    let bad = |e: jiff::Error| {
        Error::argument(
            "flight.start",
            format!("{}: {e}", spec.flight.start),
            "give a time such as 2026-06-18T11:40:00+02:00",
        )
    };
    let pieces = Pieces::parse(&spec.flight.start).map_err(bad)?;
    let offset = pieces.to_numeric_offset().unwrap_or(Offset::UTC);
    Ok((spec.flight.start.parse().map_err(bad)?, offset))
}

fn stamp(start: (jiff::Timestamp, Offset), after_s: f64) -> String {
    let time = start.0.saturating_add(SignedDuration::from_millis((after_s * 1000.0).round() as i64));
    time.unwrap_or(start.0).display_with_offset(start.1).to_string()
}

/// `frames.csv`: what the receiver and the gimbal say, which is not quite the truth.
pub(super) fn poses(spec: &Spec, out: &Path, poses: &[Pose]) -> Result<()> {
    let mut random = Random::new(spec.seed, 30);
    let start = start(spec)?;
    let flight = &spec.flight;
    let mut csv =
        String::from("file,captured_at,lat,lon,altitude_m,height_above_takeoff_m,yaw_deg,pitch_deg,roll_deg\n");
    for (k, pose) in poses.iter().enumerate() {
        let minutes = pose.after_s / 60.0;
        let drift = Vector3::new(flight.receiver_drift_m_min[0], flight.receiver_drift_m_min[1], 0.1) * minutes;
        let jitter = Vector3::new(random.normal(), random.normal(), random.normal()) * 0.05;
        let said = pose.place + Vector3::from(flight.receiver_bias_m) + drift + jitter;
        let [lat, lon] = lat_lon(spec, said);
        let [yaw, pitch, roll] = View::new(&spec.camera, pose.place, pose.axes).angles_deg();
        let [yaw, pitch, roll] =
            [yaw + flight.heading_bias_deg, pitch, roll].map(|angle| angle + 0.1 * random.normal());
        let height = said.z + spec.ground.above_takeoff_m;
        let _ = writeln!(
            csv,
            "{},{},{lat:.8},{lon:.8},{:.2},{height:.2},{yaw:.2},{pitch:.2},{roll:.2}",
            name(k),
            stamp(start, pose.after_s),
            GROUND_ALTITUDE_M + said.z,
        );
    }
    text(&out.join("frames.csv"), &csv)
}

/// Height of the plant's ground over the ellipsoid, m.
const GROUND_ALTITUDE_M: f64 = 287.0;

/// `irradiance.csv`: from ten minutes before the first frame to ten after the last.
pub(super) fn irradiance(spec: &Spec, out: &Path, poses: &[Pose]) -> Result<()> {
    let mut random = Random::new(spec.seed, 31);
    let start = start(spec)?;
    let weather = &spec.weather;
    let end = poses.last().map_or(0.0, |p| p.after_s);
    let mut csv = String::from("time,poa_w_m2,air_temp_c,wind_m_s,cloud_okta\n");
    let steps = ((end + 1200.0) / weather.log_every_s.max(0.5)).ceil() as usize;
    for k in 0..=steps {
        let t = -600.0 + k as f64 * weather.log_every_s.max(0.5);
        let part = if end > 0.0 { (t / end).clamp(0.0, 1.0) } else { 0.0 };
        let g = weather.g[0] + (weather.g[1] - weather.g[0]) * part + 2.0 * random.normal();
        let wind = (weather.wind_m_s + 0.2 * random.normal()).max(0.0);
        let _ = writeln!(csv, "{},{g:.1},{:.1},{wind:.1},1", stamp(start, t), weather.air_c);
    }
    text(&out.join("irradiance.csv"), &csv)
}

/// `layout.geojson`: the modules as drawn, one polygon each, counter-clockwise as RFC 7946 wants it.
pub(super) fn layout(spec: &Spec, site: &Site, out: &Path) -> Result<()> {
    let mut features = Vec::new();
    for table in &site.tables {
        for (index, module) in table.modules.iter().enumerate() {
            let Some(module) = module else { continue };
            let mut ring: Vec<[f64; 2]> = table
                .place(&table.drawn, index)
                .corners()
                .iter()
                .map(|p| lat_lon(spec, *p))
                .map(|[lat, lon]| [lon, lat].map(|v| (v * 1e9).round() / 1e9))
                .collect();
            ring.push(ring[0]);
            features.push(json!({
                "type": "Feature",
                "properties": {"id": module.id, "row": table.row, "table": table.name},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }));
        }
    }
    let all = json!({"type": "FeatureCollection", "features": features});
    text(&out.join("layout.geojson"), &all.to_string())
}

/// `inspection.toml`: what a thermographer would know.
pub(super) fn settings(spec: &Spec, out: &Path) -> Result<()> {
    let (plant, camera) = (&spec.plant, &spec.camera);
    let offset = spec.flight.start.get(19..).unwrap_or("Z");
    let offset = if offset == "Z" { "+00:00" } else { offset };
    let mut toml = format!(
        "[site]\nname = {:?}\nutc_offset = {offset:?}\n\n[camera]\npixel_pitch_um = {:?}\nfocal_length_mm = {:?}\nk1 = {:?}\n\n[radiometry]\n",
        spec.name, camera.pitch_um, camera.focal_mm, camera.k1
    );
    let _ = match spec.storage.encoding {
        Encoding::Centikelvin => writeln!(toml, "encoding = \"linear\"\nscale = 0.01\noffset_c = -273.15"),
        Encoding::Celsius => writeln!(toml, "encoding = \"celsius\""),
        Encoding::Kelvin => writeln!(toml, "encoding = \"kelvin\""),
        Encoding::Planck { r, b, f, o } => {
            writeln!(toml, "encoding = \"planck\"\nr = {r:?}\nb = {b:?}\nf = {f:?}\no = {o:?}")
        }
    };
    if let (Some([emissivity, reflected]), true) = (spec.storage.apparent, spec.storage.tells_emissivity) {
        let _ = writeln!(toml, "emissivity = {emissivity:?}\nreflected_c = {reflected:?}");
    }
    let mounting = plant.mounting.as_str();
    let _ = write!(
        toml,
        "\n[module]\nwidth_m = {:?}\nlength_m = {:?}\ncells = {:?}\np_stc_w = {:?}\nsubstrings = {}\norientation = \"{}\"\n\n[array]\nmounting = \"{mounting}\"\ntilt_deg = {:?}\nazimuth_deg = {:?}\nmodules_up = {}\nsurface_above_takeoff_m = {:?}\n",
        plant.mod_w_m,
        plant.mod_l_m,
        plant.cells,
        // A module of 21 % at 1000 W/m2, in steps of 5 W as modules are sold.
        (plant.mod_w_m * plant.mod_l_m * 210.0 / 5.0).round() * 5.0,
        plant.substrings,
        if plant.portrait { "portrait" } else { "landscape" },
        plant.tilt_deg,
        plant.azimuth_deg,
        plant.courses,
        spec.ground.above_takeoff_m,
    );
    text(&out.join("inspection.toml"), &toml)
}

/// `truth.json`: the frames, the faults and the parameters.
pub(super) fn truth(spec: &Spec, site: &Site, out: &Path, frames: &BTreeMap<String, FrameTruth>) -> Result<()> {
    let modules: BTreeMap<&str, _> = site
        .tables
        .iter()
        .flat_map(|t| &t.modules)
        .flatten()
        .filter(|m| !m.faults.is_empty())
        .map(|m| (m.id.as_str(), &m.faults))
        .collect();
    let all = json!({
        "preset": spec.name,
        "frames": frames,
        "modules": modules,
        "params": params(spec),
        "spec": spec,
    });
    text(&out.join("truth.json"), &all.to_string())
}

/// The parameters under the names that the scoring script reads.
fn params(spec: &Spec) -> Value {
    let (plant, camera, flight) = (&spec.plant, &spec.camera, &spec.flight);
    json!({
        "pitch_um": camera.pitch_um,
        "focal_mm": camera.focal_mm,
        "size": [camera.width, camera.height],
        "k1": camera.k1,
        "psf": camera.psf_px,
        // The script takes a trail of m for a variance of (m / 2)^2 along it; an even trail of length L has L^2 / 12.
        "motion": camera.motion_px / 3f64.sqrt(),
        "netd": camera.netd_k,
        "height": flight.distance_m,
        "view_off": flight.off_deg,
        "yaw_off": flight.row_angle_deg,
        "mod_w": plant.mod_w_m,
        "mod_l": plant.mod_l_m,
        "cells": if plant.cells[0] > 1 && plant.cells[1] > 1 { plant.cells } else { [1, 1] },
        "gap": plant.gap_m,
        "portrait": plant.portrait,
        "tilt": plant.tilt_deg,
        "azimuth": plant.azimuth_deg,
        "lat": plant.lat,
        "lon": plant.lon,
        "apparent": if spec.storage.tells_emissivity { None } else { spec.storage.apparent },
    })
}
