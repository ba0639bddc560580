//! The one-page briefing that goes along to the site, as HTML that prints on A4 and Letter.

use minijinja::value::Serde;
use minijinja::{Value, context};

use super::{HAND_HEIGHT_M, Plan};
use crate::Result;
use crate::page::fill;

const PAGE: &str = include_str!("briefing.html");

impl Plan {
    /// The briefing, complete in one file.
    ///
    /// # Errors
    /// [`Error::Argument`](crate::Error::Argument) where the page cannot be filled, which would be a fault of this library.
    pub fn to_briefing(&self) -> Result<String> {
        let hours: Vec<_> = self
            .hours
            .iter()
            .filter(|hour| hour.time.starts_with(&self.best_date) && hour.sun_apparent_elevation_deg > 0.0)
            // The chart shows the dawn; the table is for the hours in which a flight is in question.
            .filter(|hour| hour.poa_w_m2 >= 0.5 * self.limits.irradiance_w_m2 || hour.fit)
            .map(|hour| {
                context! {
                    time => super::hand(&hour.time),
                    poa => format!("{:.0}", hour.poa_w_m2),
                    change => format!("{:+.1}", hour.change_w_m2_per_min),
                    incidence => format!("{:.0}", hour.incidence_deg),
                    glare => hour.glare_deg.map_or_else(|| "none".into(), |glare| format!("{glare:.0}")),
                    tracker => hour.tracker_deg.map(|angle| format!("{angle:.0}")),
                    fit => hour.fit,
                    remark => if hour.fit {
                        super::text::heading_ranges(&hour.safe_headings_deg)
                    } else {
                        hour.reasons.join("; ")
                    },
                }
            })
            .collect();
        let figures: Vec<_> =
            self.figures().into_iter().map(|(name, value)| context! { name => name, value => value }).collect();
        let obstacles: Vec<_> = self
            .obstacles
            .iter()
            .map(|obstacle| context! { name => &obstacle.name, height => format!("{:.0}", obstacle.height_m) })
            .collect();
        let values = context! {
            plan => Value::from(Serde(self)),
            title => self.title(),
            figures => figures,
            hours => hours,
            tracks => self.hours.iter().any(|hour| hour.tracker_deg.is_some()),
            obstacles => obstacles,
            chart => self.to_svg(),
            place => format!("{:.5}, {:.5}, {:.0} m over the sea", self.lat, self.lon, self.elevation_m),
            hand_height => format!("{HAND_HEIGHT_M:.0}"),
            irradiance => format!("{:.0}", self.limits.irradiance_w_m2),
            standard_wind => format!("{:.0}", self.wind.standard_limit_km_h),
            practice_wind => format!("{:.0}", self.wind.practice_limit_km_h),
            meter_wind => format!("{:.0}", self.wind.reading_limit_km_h.floor()),
            obstacle_top => format!("{:.0}", self.obstacle_top_m),
            clearance => format!("{:.0}", self.clearance_height_m),
            factor => format!("{:.2}", self.wind.factor),
            margin => format!("{:.0}", self.clearance_height_m - self.obstacle_top_m),
        };
        fill("briefing.html", PAGE, values)
    }
}
