//! Which lattices are tables of modules: the ground also makes rectangles, but weak ones, of any size, in small numbers.

use super::Table;

/// Standard deviations of what tables of one frame differ by: height (terrain, camera tilt), logarithm of the boundary
/// strength where it is the weaker one, temperature (wind, tilt, a string without load), K.
const HEIGHT_SIGMA: f64 = 0.05;
const STRENGTH_SIGMA: f64 = 0.6;
const LEVEL_SIGMA_K: f64 = 4.0;
/// Squares of the three together at which a module alone is none, and how much more a table may differ for each factor of e
/// in its evidence.
const LIMIT: f64 = 3.5;
const LIMIT_RISE: f64 = 0.5;
/// Evidence of one module with clear boundaries.
const ONE_MODULE: f64 = 12.0;
/// However large a table, its height is not further off than this.
const MAX_HEIGHT_OFF: f64 = 0.10;

/// Which part of its table the modules in view are.
#[derive(Debug, Clone, Copy)]
pub(super) struct Part {
    /// How far their middle lies below that of the whole table, m.
    pub(super) below_m: f64,
    /// Half the height over which that is not known, m.
    pub(super) unknown_m: f64,
}

/// What a table says of the frame.
struct Said {
    /// How much it counts.
    evidence: f64,
    /// Camera over the modules, m, and half the height by which that is not known.
    height_m: f64,
    unknown_m: f64,
    /// Strength of its boundaries, K.
    strength_k: f64,
    /// Temperature inside, deg C.
    level_c: f64,
}

/// Keeps the tables that the others and their own boundaries bear out.
///
/// `height_of`: the height of the camera over the modules that a table's size and place imply, m. Tables of one plant
/// agree on it; what the ground imitates does not. `part`: of a table of which some courses were not found it may not be
/// known whether they are the upper or the lower ones.
pub(super) fn prove(
    tables: Vec<Table>,
    height_of: impl Fn(&Table) -> f64,
    part: impl Fn(&Table) -> Part,
) -> Vec<Table> {
    let height_of = |t: &Table| height_of(t) - part(t).below_m;
    let unknown_m = |t: &Table| part(t).unknown_m;
    // Evidence of a table by itself: distinct boundaries, repeated.
    let evidence = |t: &Table| (t.distinctness - 2.5).clamp(0.0, ONE_MODULE) * t.cells.len() as f64;
    let mut ranked: Vec<Said> = tables
        .iter()
        .filter(|t| t.distinctness > 4.0)
        .map(|t| Said {
            evidence: evidence(t),
            height_m: height_of(t),
            unknown_m: unknown_m(t),
            strength_k: t.strength_k,
            level_c: t.level_c,
        })
        .collect();
    ranked.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    if ranked.first().is_none_or(|best| best.evidence < 24.0) {
        return Vec::new();
    }
    // The height that most evidence agrees on, and the boundary strength that goes with it.
    let agrees = |said: &Said, height_m: f64| (said.height_m / height_m - 1.0).abs() < 0.06;
    let support = |h: f64| -> f64 { ranked.iter().filter(|r| agrees(r, h)).map(|r| r.evidence).sum() };
    let mut height = (0.0, 0.0);
    for r in &ranked {
        let s = support(r.height_m);
        if s > height.1 {
            height = (r.height_m, s);
        }
    }
    let agreeing: Vec<&Said> = ranked.iter().filter(|r| agrees(r, height.0)).collect();
    let total: f64 = agreeing.iter().map(|r| r.evidence).sum();
    let strength = agreeing.iter().map(|r| r.evidence * r.strength_k).sum::<f64>() / total.max(1e-9);
    let weighted_median = |value: fn(&Said) -> f64| {
        let mut sorted: Vec<(f64, f64)> = agreeing.iter().map(|r| (value(r), r.evidence)).collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut half = 0.5 * total;
        let middle = sorted.iter().find(|r| {
            half -= r.1;
            half <= 0.0
        });
        middle.map_or(f64::NAN, |r| r.0)
    };
    let (height, unknown) = (weighted_median(|r| r.height_m), weighted_median(|r| r.unknown_m));
    let level = weighted_median(|r| r.level_c);
    tables
        .into_iter()
        .filter(|t| {
            let off = height_of(t) / height - 1.0;
            let sigma = HEIGHT_SIGMA.hypot(unknown_m(t).hypot(unknown) / (3f64.sqrt() * height));
            let relative = t.strength_k / strength;
            // Modules of one frame share sun and wind: what is far colder is ground, what is far hotter a roof or a road.
            let unlike = (off / sigma).powi(2)
                + (relative.min(1.0).ln() / STRENGTH_SIGMA).powi(2)
                + ((t.level_c - level) / LEVEL_SIGMA_K).powi(2);
            let limit = LIMIT + LIMIT_RISE * (evidence(t) / ONE_MODULE).max(1.0).ln();
            unlike < limit && off.abs() < MAX_HEIGHT_OFF && evidence(t) > if relative > 0.6 { 4.0 } else { 12.0 }
        })
        .collect()
}
