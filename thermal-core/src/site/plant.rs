//! The plant's list of modules, from its layout or from the reconstruction, numbered.

use super::Asset;
use super::geodesy::LocalPlane;
use super::layout::Layout;
use super::map::{Map, Slot};
use super::numbering::{along_of, azimuth_of, number};
use super::reconstruct::Built;
use crate::settings::Settings;

/// The layout's modules on the plane.
pub(super) fn from_layout(layout: &Layout, plane: &LocalPlane, settings: &Settings) -> (Vec<Asset>, Map) {
    let hint = along_of(settings.array.azimuth_deg);
    let slots =
        layout.modules.iter().map(|m| Slot::from_ring(&m.corners.map(|c| plane.to_local(c[1], c[0])), hint)).collect();
    let map = Map::new(slots);
    let rows: Vec<&str> = layout.modules.iter().map(|m| m.row.as_str()).collect();
    let tables: Vec<&str> = layout.modules.iter().map(|m| m.table.as_str()).collect();
    let numbers = number(&map, &rows, &tables, &[]);
    let assets = layout
        .modules
        .iter()
        .zip(numbers)
        .map(|(m, n)| Asset {
            id: m.id.clone(),
            row_name: m.row.clone(),
            table_name: m.table.clone(),
            row: n.row,
            table: n.table,
            course: n.course,
            position: n.position,
            corners: m.corners,
            frames_seen: 0,
        })
        .collect();
    (assets, map)
}

/// The reconstructed modules in the order of their numbers; their ids are row, table, course and position.
pub(super) fn from_flight(built: &Built, plane: &LocalPlane) -> (Vec<Asset>, Map) {
    let numbers = number(&Map::new(built.slots.clone()), &[], &[], &built.faces);
    let mut order: Vec<usize> = (0..built.slots.len()).collect();
    order.sort_by_key(|&i| (numbers[i].row, numbers[i].table, numbers[i].course, numbers[i].position, i));
    let map = Map::new(order.iter().map(|&i| built.slots[i]).collect());
    let assets = order
        .into_iter()
        .map(|i| {
            let n = numbers[i];
            Asset {
                id: format!("R{:03}-T{:02}-C{}-P{:03}", n.row, n.table, n.course, n.position),
                row_name: format!("{:03}", n.row),
                table_name: format!("{:03}-{:02}", n.row, n.table),
                row: n.row,
                table: n.table,
                course: n.course,
                position: n.position,
                corners: built.rings[i].map(|c| plane.to_lon_lat(c)),
                frames_seen: 0,
            }
        })
        .collect();
    (assets, map)
}

/// The azimuth of the modules about a place, deg; the settings' where none is near.
pub(super) fn azimuth_near(map: &Map, place: [f64; 2], settings: &Settings) -> f64 {
    const REACH_M: f64 = 30.0;
    let near = map.within(place.map(|v| v - REACH_M), place.map(|v| v + REACH_M));
    let mut sum = [0.0; 2];
    for i in &near {
        let a = map.slots[*i as usize].along;
        sum = [sum[0] + a[0], sum[1] + a[1]];
    }
    let length = sum[0].hypot(sum[1]);
    if length > 0.5 * near.len() as f64 && length > 0.0 {
        azimuth_of(&Slot { centre: place, along: sum.map(|v| v / length), size: [1.0; 2] })
    } else {
        settings.array.azimuth_deg
    }
}
