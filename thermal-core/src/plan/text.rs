//! The plan as a table for a person.

use std::fmt::Write as _;

use super::{Hour, Plan, hand};

impl Plan {
    /// The plan in words and tables, for a terminal of 100 columns.
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        // Writing to a string does not fail.
        let _ = writeln!(text, "{}\n", self.title());
        for (name, value) in self.figures() {
            let _ = writeln!(text, "{name:<12} {value}");
        }
        text.push('\n');
        if self.days.len() == 1 {
            self.hours_table(&mut text);
        } else {
            self.days_table(&mut text);
        }
        for (title, lines) in [("Cautions", &self.cautions), ("Assumed", &self.assumed)] {
            if !lines.is_empty() {
                let _ = writeln!(text, "\n{title}");
                for line in lines {
                    text.push_str(&wrap(line, 96));
                }
            }
        }
        text
    }

    /// The figures to set and to pack for, as name and value.
    pub fn figures(&self) -> Vec<(&'static str, String)> {
        let cells = match (self.px_per_cell, self.px_per_cell_centre) {
            (Some(worst), Some(centre)) => format!("; {worst:.1} pixels across a cell ({centre:.1} at the centre)"),
            _ => String::new(),
        };
        let to = super::compass(self.heading_deg, 0);
        let heading = match self.camera_pitch_deg {
            -90.0 => format!("straight down, upper edge of the frame to {to:.0} deg"),
            pitch => format!("pitch {pitch:.0} deg, looking to {to:.0} deg"),
        };
        let packs = if self.batteries == 1 { "battery" } else { "batteries" };
        vec![
            (
                "Height",
                format!(
                    "{:.1} m over the modules = {:.1} m over take-off; return at {:.1} m",
                    self.height_above_modules_m, self.height_above_takeoff_m, self.return_height_m
                ),
            ),
            (
                "Camera",
                format!(
                    "{heading}; {:.0} deg off the modules' perpendicular, {:.0} in the worst corner",
                    self.view_angle_deg, self.view_angle_worst_deg
                ),
            ),
            (
                "Resolution",
                format!(
                    "{:.2} cm a pixel at worst ({:.2} at the centre){cells}",
                    self.gsd_m * 100.0,
                    self.gsd_centre_m * 100.0
                ),
            ),
            (
                "Speed",
                format!(
                    "at most {:.2} m/s (by blur {:.2}, by frame rate {:.2})",
                    self.max_speed_m_s, self.speed_by_blur_m_s, self.speed_by_frames_m_s
                ),
            ),
            (
                "Lines",
                format!(
                    "{} of {:.0} m together, {:.2} m apart, a frame each {:.2} m",
                    self.lines, self.line_length_m, self.line_spacing_m, self.trigger_m
                ),
            ),
            (
                "Flight",
                format!(
                    "{} frames, {:.0} min, {} {packs}, {:.2} GB",
                    self.frames, self.flight_min, self.batteries, self.gigabytes
                ),
            ),
            (
                "Wind",
                format!(
                    "at most {:.0} km/h at flying height: {:.0} km/h on a meter in the hand",
                    self.wind.practice_limit_km_h,
                    self.wind.reading_limit_km_h.floor()
                ),
            ),
        ]
    }

    fn hours_table(&self, text: &mut String) {
        let tracks = self.hours.iter().any(|hour| hour.tracker_deg.is_some());
        let turn = if tracks { " tracker" } else { "" };
        let _ =
            writeln!(text, "time   sun up  sun at  incid.{turn}  W/m2  a min  glare  fit  safe headings, or why not");
        for hour in self.hours.iter().filter(|hour| hour.sun_apparent_elevation_deg > 0.0) {
            let glare = hour.glare_deg.map_or_else(|| "-".into(), |glare| format!("{glare:.0}"));
            let turn = match hour.tracker_deg {
                Some(angle) if tracks => format!(" {angle:>7.0}"),
                _ => String::new(),
            };
            let _ = writeln!(
                text,
                "{}  {:>6.1}  {:>6.1}  {:>6.1}{turn}  {:>4.0}  {:>+5.1}  {glare:>5}  {}  {}",
                hand(&hour.time),
                hour.sun_apparent_elevation_deg,
                super::compass(hour.sun_azimuth_deg, 1),
                hour.incidence_deg,
                hour.poa_w_m2,
                hour.change_w_m2_per_min,
                if hour.fit { "yes" } else { "no " },
                remark(hour),
            );
        }
        for day in &self.days {
            let _ = writeln!(text, "\nFit to fly   {}", windows(day));
        }
    }

    fn days_table(&self, text: &mut String) {
        let _ = writeln!(text, "day         peak W/m2  minutes  fit to fly");
        for day in &self.days {
            let _ = writeln!(text, "{}  {:>9.0}  {:>7.0}  {}", day.date, day.peak_poa_w_m2, day.fit_min, windows(day));
        }
    }
}

fn windows(day: &super::Day) -> String {
    if day.windows.is_empty() {
        return format!("no: {}", day.reason);
    }
    let all: Vec<String> = day.windows.iter().map(|w| format!("{} to {}", hand(&w.from), hand(&w.to))).collect();
    all.join(", ")
}

/// Safe headings, as ranges, or the reasons.
fn remark(hour: &Hour) -> String {
    let safe = heading_ranges(&hour.safe_headings_deg);
    match (hour.fit, safe.is_empty()) {
        (true, _) => safe,
        (false, true) => hour.reasons.join("; "),
        (false, false) => format!("{}; safe: {safe}", hour.reasons.join("; ")),
    }
}

/// `[0, 15, 30, 345]` as `345-30`: neighbours joined, across north too.
pub(super) fn heading_ranges(headings: &[u32]) -> String {
    const STEP: u32 = 15;
    if headings.len() as u32 == 360 / STEP {
        return "all".into();
    }
    let mut ranges: Vec<[u32; 2]> = Vec::new();
    for heading in headings {
        match ranges.last_mut() {
            Some(last) if last[1] + STEP == *heading => last[1] = *heading,
            _ => ranges.push([*heading; 2]),
        }
    }
    if let [first, .., last] = ranges[..]
        && first[0] == 0
        && last[1] == 360 - STEP
    {
        ranges.pop();
        ranges[0][0] = last[0];
    }
    let words: Vec<String> =
        ranges.iter().map(|[a, b]| if a == b { a.to_string() } else { format!("{a}-{b}") }).collect();
    words.join(", ")
}

/// A list item, wrapped.
fn wrap(line: &str, width: usize) -> String {
    let mut text = String::new();
    let mut used = width;
    for word in line.split_whitespace() {
        if used + 1 + word.chars().count() > width {
            text.push_str(if text.is_empty() { "- " } else { "\n  " });
            used = 2;
        } else {
            text.push(' ');
            used += 1;
        }
        text.push_str(word);
        used += word.chars().count();
    }
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::heading_ranges;

    #[test]
    fn headings_as_ranges() {
        assert_eq!(heading_ranges(&[]), "");
        assert_eq!(heading_ranges(&[0, 15, 30, 345]), "345-30");
        assert_eq!(heading_ranges(&[90, 105, 180]), "90-105, 180");
        assert_eq!(heading_ranges(&(0..24).map(|k| k * 15).collect::<Vec<_>>()), "all");
    }
}
