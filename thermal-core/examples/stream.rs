//! A stream of frames: each is analysed as it comes, and nothing of it is kept but its anomalous modules.

use thermal_core::finding::Pattern;
use thermal_core::frame::{FrameSettings, analyse};
use thermal_core::optics::Lens;
use thermal_core::outline::LoggedPose;
use thermal_core::scene::{self, Scene};
use thermal_core::settings::Settings;

fn main() -> thermal_core::Result<()> {
    // In the place of a camera: an invented flight, drawn frame by frame.
    let mut spec = scene::demo_spec();
    spec.flight.frames = 2;
    let flight = Scene::new(&spec)?;
    let camera = std::iter::successors(Some(0), |k| Some(k + 1)).map_while(|k| Some((k, flight.frame(k)?.0)));

    let mut settings = Settings::default();
    (settings.module.width_m, settings.module.length_m, settings.module.cells) = (1.13, 2.28, [6, 24]);
    let lens = Lens::new(spec.camera.width, spec.camera.height, spec.camera.focal_mm, spec.camera.pitch_um, 0.0);
    let settings = FrameSettings::of(&settings);
    for (number, celsius) in camera {
        let result = analyse(&format!("frame {number}"), celsius.view(), &lens, &LoggedPose::default(), &settings);
        println!("frame {number}: {} modules", result.modules.len());
        for module in result.modules.iter().filter(|m| m.pattern != Pattern::None) {
            let [x, y] = module.corners[0];
            println!("  {} of {:.1} K at {x:.0}, {y:.0} px", module.pattern.as_str(), module.delta_t_k);
        }
    }
    Ok(())
}
