//! Which lattices are tables of modules: the ground also makes rectangles, but weak ones, of any size, in small numbers.

use super::Table;

/// How much colder and hotter than the other tables of a frame a table of modules may be, K: wind and tilt make a few
/// kelvin, a string without load up to ten.
const COLDER_K: f64 = -8.0;
const HOTTER_K: f64 = 14.0;

/// Keeps the tables that the others and their own boundaries bear out.
///
/// `height_of`: the height of the camera over the modules that a table's size and place imply, m. Tables of one plant
/// agree on it; what the ground imitates does not.
pub(super) fn prove(tables: Vec<Table>, height_of: impl Fn(&Table) -> f64) -> Vec<Table> {
    // Evidence of a table by itself: distinct boundaries, repeated.
    let evidence = |t: &Table| (t.distinctness - 2.5).clamp(0.0, 12.0) * t.cells.len() as f64;
    let mut ranked: Vec<(f64, f64, f64, f64)> = tables
        .iter()
        .filter(|t| t.distinctness > 4.0)
        .map(|t| (evidence(t), height_of(t), t.strength_k, t.level_c))
        .collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    let Some(&(best, ..)) = ranked.first() else { return Vec::new() };
    if best < 24.0 {
        return Vec::new();
    }
    // The height that most evidence agrees on, and the boundary strength that goes with it.
    let support = |h: f64| -> f64 { ranked.iter().filter(|r| (r.1 / h - 1.0).abs() < 0.06).map(|r| r.0).sum() };
    let mut height = (0.0, 0.0);
    for r in &ranked {
        let s = support(r.1);
        if s > height.1 {
            height = (r.1, s);
        }
    }
    let mut agreeing: Vec<&(f64, f64, f64, f64)> =
        ranked.iter().filter(|r| (r.1 / height.0 - 1.0).abs() < 0.06).collect();
    let total: f64 = agreeing.iter().map(|r| r.0).sum();
    let strength = agreeing.iter().map(|r| r.0 * r.2).sum::<f64>() / total.max(1e-9);
    // Modules of one frame share sun and wind; what is far colder is ground, what is far hotter a roof or a road.
    agreeing.sort_by(|a, b| a.3.total_cmp(&b.3));
    let mut half = 0.5 * total;
    let level = agreeing.iter().find(|r| {
        half -= r.0;
        half <= 0.0
    });
    let level = level.map_or(f64::NAN, |r| r.3);
    tables
        .into_iter()
        .filter(|t| {
            let off = (height_of(t) / height.0 - 1.0).abs();
            let relative = t.strength_k / strength;
            let large = t.cells.len() >= 6;
            let warmer = t.level_c - level;
            (COLDER_K..HOTTER_K).contains(&warmer)
                && off < if large { 0.10 } else { 0.06 }
                && relative > if large { 0.25 } else { 0.4 }
                && evidence(t) > if relative > 0.6 { 4.0 } else { 12.0 }
        })
        .collect()
}
