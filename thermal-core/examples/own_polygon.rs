//! Measuring under a polygon of one's own: corners from a drawing or another program instead of the search.

use thermal_core::measure::{CellPlan, field};
use thermal_core::pattern::{PatternSettings, read};
use thermal_core::scene;
use thermal_core::settings::Module;

fn main() -> thermal_core::Result<()> {
    // A drawn frame, and the corners of one of its modules as the drawing has them.
    let (celsius, truth) = scene::render_frame(&scene::demo_spec(), 0)?;
    let Some(drawn) = truth.modules.iter().find(|m| m.whole) else { return Ok(()) };
    // Upper left, upper right, lower right, lower left as seen in its row; the first pixel's centre is at (0.5, 0.5).
    let corners = drawn.corners;

    let module = Module { width_m: 1.13, length_m: 2.28, cells: [6, 24], ..Module::default() };
    let plan = CellPlan::of(&module);
    let (along, up) = module.size_along_up_m();
    let field = field(&celsius.view(), &corners, &plan);
    let reading = read(&celsius.view(), &corners, &field, &plan, [along, up], &PatternSettings::default());
    println!("median {:.2} deg C over {} cells", field.median_c, field.centres.len());
    println!("{}, {:.1} K: {}", reading.pattern.as_str(), reading.delta_t_k, reading.reasons.join("; "));
    Ok(())
}
