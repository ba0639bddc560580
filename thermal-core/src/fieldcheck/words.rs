//! The verdict in words, for the terminal.

use std::fmt::Write as _;

use super::{FieldCheck, Position, Verdict};
use crate::quality::Code;

/// Lines of a list that a person reads at the car; the page has all of them.
const LINES: usize = 12;

impl FieldCheck {
    /// The verdict in a line.
    pub fn headline(&self) -> String {
        let unfit = self.unfit();
        let frames = match unfit {
            0 => format!("all {} frames are fit", self.frames.len()),
            n => format!("{n} of {} frames are not fit", self.frames.len()),
        };
        let coverage = match (self.coverage.modules, self.coverage.unseen.len()) {
            (0, 0) => String::new(),
            (0, holes) => format!(", {holes} holes in the mosaic"),
            (modules, 0) => format!(", all {modules} modules seen whole"),
            (modules, unseen) => format!(", {unseen} of {modules} modules never seen whole"),
        };
        let verdict = match self.verdict {
            Verdict::Fit => "FIT",
            Verdict::FlyAgain => "FLY AGAIN",
        };
        format!("{verdict}: {frames}{coverage}")
    }

    /// Frames that are not fit.
    pub fn unfit(&self) -> usize {
        self.frames.iter().filter(|frame| !frame.fit).count()
    }

    /// Frames by code, in the order of the registry: the code, how many, the first three with their words.
    pub(super) fn by_code(&self) -> Vec<(Code, usize, Vec<String>)> {
        crate::quality::CODES
            .iter()
            .filter_map(|info| {
                let mut found = Vec::new();
                let mut count = 0;
                for frame in &self.frames {
                    let Some(reason) = frame.reasons.iter().find(|reason| reason.code == info.code) else { continue };
                    count += 1;
                    if found.len() < 3 {
                        found.push(format!("{}: {}", frame.file, reason.text));
                    }
                }
                (count > 0).then_some((info.code, count, found))
            })
            .collect()
    }

    /// The whole verdict as text.
    pub fn to_text(&self) -> String {
        let mut text = format!("{}\n", self.headline());
        // Writing to a string does not fail.
        if self.unfit() > 0 {
            let _ = writeln!(text, "\nFrames");
            for (code, count, found) in self.by_code() {
                let _ = writeln!(text, "  {count} x {} ({})", code.info().name, code.info().short);
                for line in found {
                    let _ = writeln!(text, "      {line}");
                }
            }
        }
        if !self.conditions.is_empty() {
            let _ = writeln!(text, "\nFlight and conditions");
            for condition in self.conditions.iter().take(LINES) {
                let kind = if condition.fly_again { "fly again" } else { "caution" };
                let _ = writeln!(text, "  {kind}: {} ({})", condition.reason.text, condition.reason.code.info().name);
            }
            more(&mut text, self.conditions.len());
        }
        if !self.positions.is_empty() {
            let _ = writeln!(text, "\nFly to");
            for (n, position) in self.positions.iter().take(LINES).enumerate() {
                let _ = writeln!(text, "  {:>2}  {}", n + 1, position.to_text());
            }
            more(&mut text, self.positions.len());
        }
        if !self.notes.is_empty() {
            let _ = writeln!(text, "\nNoted");
            for note in self.notes.iter().take(LINES) {
                let _ = writeln!(text, "  {note}");
            }
            more(&mut text, self.notes.len());
        }
        text
    }
}

fn more(text: &mut String, of: usize) {
    if of > LINES {
        let _ = writeln!(text, "  ... and {} more on the page", of - LINES);
    }
}

impl Position {
    /// Place, height and camera in a line.
    pub fn to_text(&self) -> String {
        let modules = match &self.modules[..] {
            [] => String::new(),
            [one] => format!(": {one}"),
            [first, .., last] => format!(": {} modules, {first} to {last}", self.modules.len()),
        };
        format!(
            "{:.6}, {:.6}, {:.0} m over take-off, camera towards {:.0} deg, pitch {:.0}{modules}",
            self.lat, self.lon, self.height_above_takeoff_m, self.yaw_deg, self.pitch_deg
        )
    }
}
