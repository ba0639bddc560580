//! Tells a mirrored source from a fault: the sun is at infinity, so its image on the glass keeps its place against the
//! camera and travels over the modules as the camera does; the drone's own image stays at its foot point and does the
//! same. A fault stays with its module. (Plane mirror geometry.)

/// A warm spot in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SpotSight {
    /// The spot on the ground (or in the module's plane), m.
    pub spot_m: [f64; 2],
    /// The camera, in the same axes, m.
    pub camera_m: [f64; 2],
}

/// Travel of the spot for each metre of the camera's: 0 a fault, 1 a reflection. `None` where the camera moved less than
/// half a metre between the frames.
pub(crate) fn travel_ratio(sights: &[SpotSight]) -> Option<f64> {
    let n = sights.len() as f64;
    if sights.len() < 2 {
        return None;
    }
    let mean = |f: &dyn Fn(&SpotSight) -> [f64; 2]| [0, 1].map(|k| sights.iter().map(|s| f(s)[k]).sum::<f64>() / n);
    let (spot, camera) = (mean(&|s| s.spot_m), mean(&|s| s.camera_m));
    let (mut with, mut square) = (0.0, 0.0);
    for s in sights {
        for k in 0..2 {
            with += (s.spot_m[k] - spot[k]) * (s.camera_m[k] - camera[k]);
            square += (s.camera_m[k] - camera[k]).powi(2);
        }
    }
    (square >= 0.125).then(|| with / square)
}

/// The spot moves against the ground as a reflection does.
pub(crate) fn moves_with_camera(sights: &[SpotSight]) -> bool {
    travel_ratio(sights).is_some_and(|r| r > 0.4)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flight(ratio: f64) -> Vec<SpotSight> {
        (0..4)
            .map(|i| {
                let x = 0.4 * f64::from(i);
                let noise = 0.05 * f64::from(i % 2);
                SpotSight { spot_m: [3.0 + ratio * x + noise, 1.0 - noise], camera_m: [x, -0.3 * x] }
            })
            .collect()
    }

    #[test]
    fn a_fault_stays_a_reflection_travels() {
        assert!(!moves_with_camera(&flight(0.0)));
        let mirrored: Vec<_> =
            flight(0.0).into_iter().map(|s| SpotSight { spot_m: [s.camera_m[0] + 1.0, s.camera_m[1]], ..s }).collect();
        assert!(moves_with_camera(&mirrored));
    }

    #[test]
    fn one_frame_or_a_hovering_camera_tells_nothing() {
        assert_eq!(travel_ratio(&flight(0.0)[..1]), None);
        let still: Vec<_> = flight(0.0).into_iter().map(|s| SpotSight { camera_m: [0.0, 0.0], ..s }).collect();
        assert_eq!(travel_ratio(&still), None);
    }
}
