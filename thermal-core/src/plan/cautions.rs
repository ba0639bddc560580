//! What the pilot of this plan must know beyond its figures.

use super::{Plan, PlanInput, next_day};
use crate::settings::Mounting;

/// IEC TS 62446-3:2017: view not flatter than 60 deg to the module plane.
const STANDARD_VIEW_ANGLE_DEG: f64 = 30.0;
/// Slower than this a drone hardly flies evenly: our own choice.
const SLOW_M_S: f64 = 0.5;

pub(super) fn cautions(input: &PlanInput, plan: &Plan, capped: bool, near: &[String]) -> Vec<String> {
    let mut cautions = Vec::new();
    let mut say = |text: String| cautions.push(text);
    if plan.days.iter().all(|day| day.windows.is_empty()) {
        let reason = plan.days.iter().find(|day| day.date == plan.best_date).map_or("", |day| day.reason.as_str());
        let limit = input.limits.irradiance_w_m2;
        let dark = plan.days.iter().all(|day| day.peak_poa_w_m2 < limit);
        let then = if dark {
            match next_day(input, input.dates[1], |moment| moment.sun_is_up() && moment.poa_w_m2() >= limit) {
                Ok(Some(date)) => format!("the next day that reaches {limit:.0} W/m2 is {date}"),
                _ => format!("no day of the year reaches {limit:.0} W/m2"),
            }
        } else {
            "another pitch or heading may help".to_owned()
        };
        say(format!("No hour is fit to fly. On {} {reason}; {then}.", plan.best_date));
    }
    if input.array.mounting == Mounting::DualTilt && plan.days.iter().all(|day| day.windows.is_empty()) {
        say("From straight above no hour serves both sides of the roof: plan each side by itself, as fixed modules."
            .into());
    }
    if plan.view_angle_worst_deg > STANDARD_VIEW_ANGLE_DEG {
        say(format!(
            "In a corner of the frame the modules are seen {:.0} deg off their perpendicular; IEC TS 62446-3 allows {STANDARD_VIEW_ANGLE_DEG:.0}. \
             Judge modules nearer to the middle.",
            plan.view_angle_worst_deg
        ));
    }
    let own = &plan.own_reflection;
    if own.angle_deg == 0.0 && input.tracks() {
        say(format!(
            "The drone sees itself mirrored in the frame, about {:.0} pixels wide, where the trackers are seen perpendicularly.",
            own.width_px.ceil()
        ));
    } else if let Some([x, y]) = own.at_px {
        say(format!(
            "The drone sees itself mirrored near column {x:.0}, line {y:.0}, about {:.0} pixels wide: a spot that keeps its \
             place in every frame is the drone.",
            own.width_px.ceil()
        ));
    }
    if capped {
        say(format!(
            "The height is held at {} m over take-off; the resolution alone would allow more.",
            input.flight.max_height_m
        ));
    }
    if plan.height_above_takeoff_m < plan.clearance_height_m && plan.obstacle_top_m > 0.0 {
        say(format!(
            "The lines lie lower than {} m, which would clear every obstacle by {} m: see that none stands in their way.",
            plan.clearance_height_m, input.flight.obstacle_margin_m
        ));
    }
    if !near.is_empty() {
        say(format!(
            "Lines pass within {} m of: {}. Leave these parts out or fly them by hand.",
            input.flight.obstacle_margin_m,
            near.join(", ")
        ));
    }
    if plan.return_height_m > input.flight.max_height_m {
        say(format!(
            "The return height of {} m is over the greatest height of {} m: come back around the obstacle, not over it.",
            plan.return_height_m, input.flight.max_height_m
        ));
    }
    if plan.max_speed_m_s < SLOW_M_S {
        say(format!(
            "{} m/s is slower than most drones fly evenly: stop for each frame, or take a detector with a shorter time \
             constant.",
            plan.max_speed_m_s
        ));
    }
    if let [first, ..] = &plan.tracker_moves[..] {
        let course = plan.tracker_moves.iter().map(|turn| format!("{:.0} at {}", turn.to_deg, turn.to));
        let course: Vec<String> =
            std::iter::once(format!("{:.0} deg at {}", first.from_deg, first.from)).chain(course).collect();
        say(format!(
            "The trackers turn while you fly: {}. They move in steps; a frame taken in a step is soft.",
            course.join(", ")
        ));
    }
    cautions
}
