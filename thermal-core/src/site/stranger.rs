//! Outlines on no module of the layout that nothing else bears out: the ground imitates a table in one frame, and in the
//! next it does not; and a layout that lists the rows on either side knows what lies between them.

use rstar::{RTree, primitives::GeomWithData};

use super::map::Map;
use super::{Place, Registration};
use crate::Result;

/// Outlines of two frames nearer than this to each other show the same thing, m: less than a module's width.
const SAME_M: f64 = 0.4;

/// From this probability of a frame's place on it is believed.
const LIKELY: f64 = 0.95;

/// How far off a row may be on either side of what lies between rows, m.
const ROW_M: f64 = 15.0;

/// For each frame whose place is certain the outlines on no module of the layout that lie between its rows, or that no other
/// frame shows at the same place.
pub(crate) fn strangers(registration: &Registration) -> Result<Vec<Vec<usize>>> {
    let unlisted = |p: &Place| p.asset.is_none() && p.centre_m().iter().all(|v| v.is_finite());
    let mut points = Vec::new();
    for (f, frame) in registration.frames.iter().enumerate() {
        let places = frame.places.read()?;
        points.extend(places.iter().filter(|p| unlisted(p)).map(|p| GeomWithData::new(p.centre_m(), f)));
    }
    let tree = RTree::bulk_load(points);
    let alone = |f: usize, p: &Place| {
        tree.locate_within_distance(p.centre_m(), SAME_M * SAME_M)
            .all(|other: &GeomWithData<[f64; 2], usize>| other.data == f)
    };
    let of_frame = |(f, frame): (usize, &super::PlacedFrame)| {
        let certain = frame.confidence >= LIKELY;
        let places = frame.places.read()?;
        let strange = |p: &Place| unlisted(p) && (alone(f, p) || between_rows(&registration.map, p.centre_m()));
        Ok(places.iter().enumerate().filter(|(_, p)| certain && strange(p)).map(|(i, _)| i).collect())
    };
    registration.frames.iter().enumerate().map(of_frame).collect()
}

/// Whether modules of the layout lie up the slope of a place and down the slope.
fn between_rows(map: &Map, place: [f64; 2]) -> bool {
    let near = map.within(place.map(|v| v - ROW_M), place.map(|v| v + ROW_M));
    let sides = near.into_iter().filter_map(|i| {
        let [along, across] = map.slots[i as usize].share(place);
        (along.abs() < 1.0 && across.abs() > 0.5).then_some(across > 0.0)
    });
    let (mut up, mut down) = (false, false);
    sides.for_each(|below| if below { up = true } else { down = true });
    up && down
}

#[cfg(test)]
mod tests {
    use super::super::map::Slot;
    use super::super::{LocalPlane, PlacedFrame};
    use super::*;

    fn place(asset: Option<u32>, x: f32) -> Place {
        let ground_m = [[x, 0.0], [x + 1.0, 0.0], [x + 1.0, -2.0], [x, -2.0]];
        Place { asset, other: None, stray: false, askew: false, confidence: 1.0, view_deg: 0.0, ground_m }
    }

    fn frame(confidence: f64, places: Vec<Place>) -> PlacedFrame {
        PlacedFrame {
            file: String::new(),
            shift_m: [0.0; 2],
            camera_m: [0.0; 2],
            bias_m: [0.0; 2],
            yaw_correction_deg: 0.0,
            height_m: 20.0,
            misfit_px: 0.3,
            confidence,
            attitude_from_lattice: false,
            places: places.into(),
        }
    }

    #[test]
    fn only_what_one_certain_frame_alone_shows_is_a_stranger() {
        let mut registration = Registration::empty(LocalPlane::new(47.0, 8.0), Vec::new(), Vec::new());
        registration.frames = vec![
            frame(1.0, vec![place(Some(0), 0.0), place(None, 1.0), place(None, 9.0)]),
            // The same thing within 0.2 m; and one of its own in a frame that is not certain.
            frame(0.9, vec![place(None, 9.2), place(None, 20.0)]),
        ];
        assert_eq!(strangers(&registration).unwrap(), [vec![1], vec![]]);
        // Between two rows that the layout lists, it does not matter how many frames show it.
        let row = |y: f64| Slot { centre: [9.5, y], along: [1.0, 0.0], size: [1.0, 2.0] };
        registration.map = Map::new(vec![row(8.0)]);
        assert_eq!(strangers(&registration).unwrap(), [vec![1], vec![]]);
        registration.map = Map::new(vec![row(8.0), row(-8.0)]);
        assert_eq!(strangers(&registration).unwrap(), [vec![1, 2], vec![]]);
        // An outline without a place is told by nothing.
        registration.map = Map::new(Vec::new());
        registration.frames[0].places = vec![place(Some(0), 0.0), place(None, f32::NAN), place(None, 9.0)].into();
        assert_eq!(strangers(&registration).unwrap(), [vec![], Vec::<usize>::new()]);
    }
}
