//! The rows of the log by sensor: those that are no readings are left out, and several sensors become one series.

use jiff::Timestamp;

use super::{DENSE_S, Row, seconds};
use crate::table::Table;

/// A reading under the first between two over the second, each at most so far away, is no reading: the thickest cloud lets
/// more through, and none comes and goes so fast. W/m2 and s.
const DROPPED_W_M2: f64 = 5.0;
const BRIGHT_W_M2: f64 = 100.0;
const DROPPED_WITHIN_S: f64 = 120.0;
/// Sensors in one plane that differ by more than this share are told; hand-held meters are good to about 5 %.
const SENSORS_DIFFER: f64 = 0.10;

/// The rows of one sensor in rising time, without those that are no readings; what is left out is told.
pub(super) fn sound_rows(rows: Vec<(u64, Row)>, table: &mut Table) -> Vec<Row> {
    let keep = longest_rising(&rows.iter().map(|(_, row)| row.time).collect::<Vec<_>>());
    for ((line, _), kept) in rows.iter().zip(&keep) {
        if !kept {
            let reason = "the time does not rise from the rows around it; the row is left out";
            table.problem(*line, Some("time"), reason, "put the rows in order of time, each time once");
        }
    }
    let rows: Vec<(u64, Row)> = rows.into_iter().zip(keep).filter(|(_, kept)| *kept).map(|(row, _)| row).collect();
    let dark = |row: &Row| row.poa_w_m2 < DROPPED_W_M2;
    let mut out = Vec::with_capacity(rows.len());
    let (mut before, mut after): (Option<Row>, usize) = (None, 0);
    for (k, (line, row)) in rows.iter().enumerate() {
        if !dark(row) {
            before = Some(*row);
            out.push(*row);
            continue;
        }
        // The next reading that is not dark, found once for a run of dark ones.
        after = after.max(k);
        while rows.get(after).is_some_and(|(_, next)| dark(next)) {
            after += 1;
        }
        let bright = |other: Option<&Row>| {
            other.is_some_and(|other| {
                other.poa_w_m2 > BRIGHT_W_M2 && seconds(other.time, row.time).abs() <= DROPPED_WITHIN_S
            })
        };
        if bright(before.as_ref()) && bright(rows.get(after).map(|(_, next)| next)) {
            let reason = format!("{} W/m2 between bright readings is a dropout; the row is left out", row.poa_w_m2);
            table.problem(*line, Some("poa_w_m2"), reason, "look at the sensor's cable");
        } else {
            out.push(*row);
        }
    }
    out
}

/// Tells where a sensor differs from the first one: one of them is out of plane, shaded or out of calibration.
pub(super) fn tell_difference(series: &[(String, Vec<Row>)], table: &mut Table) {
    let Some(((first, reference), others)) = series.split_first() else { return };
    for (name, rows) in others {
        let mut shares: Vec<f64> = rows
            .iter()
            .filter_map(|row| Some(row.poa_w_m2 / between(reference, row.time)?.poa_w_m2))
            .filter(|share| share.is_finite())
            .collect();
        shares.sort_by(f64::total_cmp);
        let Some(middle) = shares.get(shares.len() / 2) else { continue };
        if (middle - 1.0).abs() > SENSORS_DIFFER {
            let reason = format!(
                "sensor `{name}` reads {:+.0} % against `{first}`; their median is used",
                100.0 * (middle - 1.0)
            );
            table.problem(
                1,
                Some("sensor"),
                reason,
                "see which of them stood in the plane of the modules, and take the other out",
            );
        }
    }
}

/// One series of all sensors: at each time at which one was read, the median of what all of them say then.
pub(super) fn joined(mut series: Vec<Vec<Row>>) -> Vec<Row> {
    if series.len() < 2 {
        return series.pop().unwrap_or_default();
    }
    let mut times: Vec<Timestamp> = series.iter().flatten().map(|row| row.time).collect();
    times.sort_unstable();
    times.dedup();
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        let n = values.len();
        (n > 0).then(|| 0.5 * (values[(n - 1) / 2] + values[n / 2]))
    };
    times
        .into_iter()
        .filter_map(|time| {
            let now: Vec<Row> = series.iter().filter_map(|rows| between(rows, time)).collect();
            Some(Row {
                time,
                poa_w_m2: median(now.iter().map(|row| row.poa_w_m2).collect())?,
                air_temp_c: median(now.iter().filter_map(|row| row.air_temp_c).collect()),
                wind_m_s: median(now.iter().filter_map(|row| row.wind_m_s).collect()),
                cloud_okta: median(now.iter().filter_map(|row| row.cloud_okta).collect()),
            })
        })
        .collect()
}

/// What a sensor says at a time: its reading, or the straight line between two readings that are not far apart.
fn between(rows: &[Row], time: Timestamp) -> Option<Row> {
    let after = rows.partition_point(|row| row.time < time);
    let next = rows.get(after)?;
    if next.time == time {
        return Some(*next);
    }
    let before = rows.get(after.checked_sub(1)?)?;
    let apart_s = seconds(before.time, next.time);
    (apart_s <= DENSE_S).then(|| {
        let share = seconds(before.time, time) / apart_s;
        Row { time, poa_w_m2: before.poa_w_m2 + share * (next.poa_w_m2 - before.poa_w_m2), ..*before }
    })
}

/// Marks a longest strictly rising selection, so that one wrong time does not cost all the rows after it (patience
/// sorting; Fredman 1975, from memory).
fn longest_rising(times: &[Timestamp]) -> Vec<bool> {
    // For each length the row that ends the selection of that length with the earliest time, and each row's predecessor.
    let mut ends: Vec<usize> = Vec::new();
    let mut before: Vec<Option<usize>> = Vec::with_capacity(times.len());
    for (row, time) in times.iter().enumerate() {
        let rises = ends.last().is_none_or(|end| times[*end] < *time);
        let length = if rises { ends.len() } else { ends.partition_point(|end| times[*end] < *time) };
        before.push(length.checked_sub(1).map(|shorter| ends[shorter]));
        match ends.get_mut(length) {
            Some(end) => *end = row,
            None => ends.push(row),
        }
    }
    let mut keep = vec![false; times.len()];
    let mut at = ends.last().copied();
    while let Some(row) = at {
        keep[row] = true;
        at = before[row];
    }
    keep
}
