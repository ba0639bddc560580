//! The lines to fly and the obstacles as GeoJSON (RFC 7946) and as KML (OGC 12-007r2).

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::Plan;

impl Plan {
    /// Lines and obstacles as a GeoJSON `FeatureCollection`.
    pub fn to_geojson(&self) -> Value {
        let lines = self.flight_lines.iter().enumerate().map(|(n, line)| {
            json!({
                "type": "Feature",
                "geometry": line_geometry(line.ends),
                "properties": {
                    "line": n + 1,
                    "height_above_takeoff_m": self.height_above_takeoff_m,
                    "camera_pitch_deg": self.camera_pitch_deg,
                    "camera_heading_deg": self.heading_deg,
                    "speed_m_s": self.max_speed_m_s,
                    "trigger_m": self.trigger_m,
                    "frames": line.frames,
                },
            })
        });
        let obstacles = self.obstacles.iter().map(|obstacle| {
            json!({
                "type": "Feature",
                "geometry": { "type": "Point", "coordinates": position([obstacle.lon, obstacle.lat]) },
                "properties": { "obstacle": obstacle.name, "height_m": obstacle.height_m },
            })
        });
        json!({ "type": "FeatureCollection", "features": lines.chain(obstacles).collect::<Vec<_>>() })
    }

    /// Lines and obstacles as KML; heights are over the ground below, as the format has none over a take-off point.
    pub fn to_kml(&self) -> String {
        let mut kml = String::from(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<kml xmlns=\"http://www.opengis.net/kml/2.2\">\n<Document>\n",
        );
        // Writing to a string does not fail.
        let _ = writeln!(kml, "<name>{}</name>", escape(&self.title()));
        let style = |kml: &mut String, id: &str, colour: &str| {
            let _ = writeln!(
                kml,
                "<Style id=\"{id}\"><LineStyle><color>{colour}</color><width>2</width></LineStyle></Style>"
            );
        };
        style(&mut kml, "line", "ffb06020");
        for (n, line) in self.flight_lines.iter().enumerate() {
            let [a, b] = line.ends.map(position);
            let h = self.height_above_takeoff_m;
            let _ = writeln!(
                kml,
                "<Placemark><name>Line {}</name><description>{}</description><styleUrl>#line</styleUrl><LineString>\
                 <tessellate>0</tessellate><altitudeMode>relativeToGround</altitudeMode>\
                 <coordinates>{},{},{h} {},{},{h}</coordinates></LineString></Placemark>",
                n + 1,
                escape(&format!(
                    "{h} m over take-off, camera {} deg towards {} deg, at most {} m/s, a frame each {} m, {} frames",
                    self.camera_pitch_deg, self.heading_deg, self.max_speed_m_s, self.trigger_m, line.frames
                )),
                a[0],
                a[1],
                b[0],
                b[1],
            );
        }
        for obstacle in &self.obstacles {
            let [lon, lat] = position([obstacle.lon, obstacle.lat]);
            let _ = writeln!(
                kml,
                "<Placemark><name>{}</name><Point><extrude>1</extrude><altitudeMode>relativeToGround</altitudeMode>\
                 <coordinates>{lon},{lat},{}</coordinates></Point></Placemark>",
                escape(&obstacle.name),
                obstacle.height_m
            );
        }
        kml.push_str("</Document>\n</kml>\n");
        kml
    }
}

/// A line; cut in two where it crosses the date line, as RFC 7946 section 3.1.9 asks.
fn line_geometry([a, b]: [[f64; 2]; 2]) -> Value {
    let (a, b) = (position(a), position(b));
    if (a[0] - b[0]).abs() <= 180.0 {
        return json!({ "type": "LineString", "coordinates": [a, b] });
    }
    let side = 180.0 * a[0].signum();
    let (to_side, beyond) = ((side - a[0]).abs(), (side + b[0]).abs());
    let share = if to_side + beyond > 0.0 { to_side / (to_side + beyond) } else { 0.5 };
    let lat = super::round(a[1] + (b[1] - a[1]) * share, 7);
    json!({ "type": "MultiLineString", "coordinates": [[a, [side, lat]], [[-side, lat], b]] })
}

/// A centimetre is enough.
fn position([lon, lat]: [f64; 2]) -> [f64; 2] {
    [super::round(lon, 7), super::round(lat, 7)]
}

pub(super) fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
