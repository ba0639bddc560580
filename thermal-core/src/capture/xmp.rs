//! XMP to [`Capture`]: attitude, height over take-off, kelvin per count, by local name whatever the namespace.
//! Both forms of ISO 16684-1 are read: the property as an attribute and as an element.

use roxmltree::{Document, ParsingOptions};

use super::Capture;

/// An XMP packet of a frame has a few kilobytes; a larger one is not read.
const MAX_BYTES: usize = 1 << 20;
const MAX_NODES: u32 = 5_000;

/// Names of yaw, pitch and roll: the camera's own attitude first, so that the three never come from different bodies.
const ATTITUDE: [[&str; 3]; 3] = [
    ["GimbalYawDegree", "GimbalPitchDegree", "GimbalRollDegree"],
    ["CameraYaw", "CameraPitch", "CameraRoll"],
    ["Yaw", "Pitch", "Roll"],
];
const HEIGHT: [&str; 2] = ["RelativeAltitude", "MAVRelativeAltitude"];

/// Reads a packet into `capture`.
pub(super) fn read(packet: &[u8], capture: &mut Capture) {
    let end = packet.iter().rposition(|b| *b != 0).map_or(0, |last| last + 1);
    let packet = &packet[..end];
    let packet = packet.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(packet);
    if packet.len() > MAX_BYTES {
        capture.notes.push(format!("the XMP packet has {} bytes and is not read", packet.len()));
        return;
    }
    let Ok(text) = std::str::from_utf8(packet) else {
        capture.notes.push("the XMP packet is not UTF-8 and is not read".into());
        return;
    };
    let options = ParsingOptions { nodes_limit: MAX_NODES, ..ParsingOptions::default() };
    let document = match Document::parse_with_options(text, options) {
        Ok(document) => document,
        Err(e) => {
            capture.notes.push(format!("the XMP packet cannot be read: {e}"));
            return;
        }
    };
    let properties = Properties::collect(&document);

    if let Some((index, [yaw, pitch, roll])) =
        ATTITUDE.iter().enumerate().find(|(_, [_, pitch, _])| properties.text(pitch).is_some())
    {
        capture.yaw_deg = properties.number(yaw, -360.0, 720.0, capture);
        capture.pitch_deg = properties.number(pitch, -180.0, 180.0, capture);
        capture.roll_deg = properties.number(roll, -180.0, 180.0, capture);
        if index == 2 {
            capture.notes.push(
                "the attitude is from XMP items Yaw, Pitch, Roll, taken as the camera's with pitch -90 straight down"
                    .into(),
            );
        }
    }
    // Exactly 0 is what is written where the flight controller was not heard.
    capture.height_above_takeoff_m = HEIGHT
        .iter()
        .find_map(|name| properties.number(name, -1000.0, 9000.0, capture))
        .filter(|height| *height != 0.0);
    capture.kelvin_per_count = properties.number("TlinearGain", 1e-5, 10.0, capture);
}

/// Local names and texts of all properties, in the order of the packet.
struct Properties<'a>(Vec<(&'a str, &'a str)>);

impl<'a> Properties<'a> {
    fn collect(document: &'a Document<'a>) -> Self {
        let mut found = Vec::new();
        for node in document.descendants().filter(roxmltree::Node::is_element) {
            found.extend(node.attributes().map(|a| (a.name(), a.value().trim())));
            // The value of an array property is the text of its first item, one or two elements deeper.
            let text = node.descendants().filter_map(|n| n.text()).map(str::trim).find(|text| !text.is_empty());
            found.extend(text.map(|text| (node.tag_name().name(), text)));
        }
        Self(found)
    }

    fn text(&self, name: &str) -> Option<&'a str> {
        self.0.iter().find(|(found, _)| *found == name).map(|(_, text)| *text)
    }

    /// A number, `-27.88` or `-2788/100`, within `low..=high`; otherwise a note.
    fn number(&self, name: &str, low: f64, high: f64, capture: &mut Capture) -> Option<f64> {
        let text = self.text(name)?;
        let value = match text.split_once('/') {
            Some((above, below)) => {
                above.trim().parse::<f64>().ok().zip(below.trim().parse::<f64>().ok()).map(|(a, b)| a / b)
            }
            None => text.parse().ok(),
        };
        let value = value.filter(|value| *value >= low && *value <= high);
        if value.is_none() {
            capture
                .notes
                .push(format!("XMP item {name} holds `{text}`, which is not used: no number from {low} to {high}"));
        }
        value
    }
}
