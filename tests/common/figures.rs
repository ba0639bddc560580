//! Every figure of a run or a delivery: a number, and within what nature and the plant allow.

use std::io::{Cursor, Read};
use std::path::Path;

use crate::program::contents;

/// Bounds of the columns of all tables: physical ones where there are any, else those of the kind. Temperatures: what glass,
/// encapsulant and soil can have by day (from memory); coordinates in pixels: modules at the edge reach beyond the frame.
const BOUNDS: &[(&str, f64, f64)] = &[
    ("row", 1.0, 1e6),
    ("course", 1.0, 1e3),
    ("position", 1.0, 1e6),
    ("x0", -2000.0, 8000.0),
    ("y0", -2000.0, 8000.0),
    ("x1", -2000.0, 8000.0),
    ("y1", -2000.0, 8000.0),
    ("x2", -2000.0, 8000.0),
    ("y2", -2000.0, 8000.0),
    ("x3", -2000.0, 8000.0),
    ("y3", -2000.0, 8000.0),
    ("t_max_c", -60.0, 300.0),
    ("t_median_c", -60.0, 300.0),
    ("row_median_c", -60.0, 300.0),
    ("delta_row_k", -200.0, 200.0),
    ("delta_t_k", -200.0, 300.0),
    ("delta_t_ref_k", -200.0, 300.0),
    ("hint_delta_t_k", 0.0, 300.0),
    ("delta_t_u95_k", 0.0, 100.0),
    ("delta_t_ref_u95_k", 0.0, 100.0),
    ("irradiance_w_m2", 0.0, 1600.0),
    ("irradiance_age_s", 0.0, 86_400.0),
    ("abnormality_class", 1.0, 3.0),
    ("area_fraction", 0.0, 1.0),
    ("confidence", 0.0, 1.0),
    ("frames_seen", 1.0, 1e5),
    ("frames_confirmed", 0.0, 1e5),
    ("frames_cut", 0.0, 1e5),
    ("lat", -90.0, 90.0),
    ("lon", -180.0, 180.0),
    ("loss_w", 0.0, 1000.0),
];

/// The words for what is no number, as programs write them.
fn is_none(word: &str) -> bool {
    ["nan", "inf", "infinity"].contains(&word.to_ascii_lowercase().as_str())
}

/// No file of text, no cell of a workbook and no field of a map holds what is no number.
///
/// # Panics
/// Where one does.
pub fn no_number_is_none(folder: &Path) {
    let mut texts = 0;
    for (name, bytes) in contents(folder) {
        let shown = name.display().to_string();
        let ending = name.extension().and_then(|e| e.to_str()).unwrap_or_default();
        let text = match ending {
            "csv" | "json" | "jsonl" | "geojson" | "txt" => String::from_utf8(bytes).expect("text"),
            "html" => without_pictures(&String::from_utf8(bytes).expect("text")),
            "xlsx" => workbook(bytes),
            "gpkg" => {
                map_layer(&folder.join(&name));
                continue;
            }
            _ => continue,
        };
        texts += 1;
        let word = text.split(|c: char| !c.is_ascii_alphanumeric()).find(|word| is_none(word));
        assert!(word.is_none(), "{shown}: {word:?}");
    }
    assert!(texts >= 3, "{}: {texts} files of text", folder.display());
}

/// A page without the pictures in it: their letters (base 64, RFC 4648) may be any word.
fn without_pictures(page: &str) -> String {
    let mut parts = page.split(";base64,");
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |text, part| text + part.split_once('"').expect("the end of a picture").1)
}

/// The sheets of a workbook, one after another (ECMA-376: parts of a zip file).
fn workbook(bytes: Vec<u8>) -> String {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).expect("a workbook is a zip file");
    let mut text = String::new();
    for k in 0..archive.len() {
        let mut part = archive.by_index(k).expect("a part");
        if part.name().expect("a name").starts_with("xl/worksheets/") {
            part.read_to_string(&mut text).expect("XML");
        }
    }
    assert!(text.contains("<c "), "no cell was found");
    text
}

/// `SQLite` keeps infinite numbers, and turns what is no number into NULL.
fn map_layer(path: &Path) {
    let database =
        rusqlite::Connection::open_with_flags(path, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).expect("SQLite");
    let mut numbers = 0;
    for table in ["findings", "modules", "unseen"] {
        let mut rows = database.prepare(&format!("SELECT * FROM {table}")).expect("a layer");
        let columns = rows.column_count();
        let mut rows = rows.query([]).expect("rows");
        while let Some(row) = rows.next().expect("a row") {
            for k in 0..columns {
                if let rusqlite::types::ValueRef::Real(value) = row.get_ref(k).expect("a field") {
                    numbers += 1;
                    assert!(value.is_finite(), "{}: {table}: {value}", path.display());
                }
            }
        }
    }
    assert!(numbers > 0, "{}: no number was found", path.display());
}

/// All figures of the tables lie within their bounds and agree with each other; every column of figures has bounds.
/// Returns how many were looked at.
///
/// # Panics
/// Where one does not.
pub fn figures_in_bounds(folder: &Path) -> usize {
    let mut figures = 0;
    for (name, bytes) in contents(folder) {
        if name.extension().is_none_or(|e| e != "csv") {
            continue;
        }
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
        for (line, row) in reader.records().enumerate() {
            let row = row.expect("a row");
            let what = |column: &str| format!("{}: line {}, {column}", name.display(), line + 2);
            let number = |column: &str| {
                let at = header.iter().position(|h| h == column)?;
                row.get(at).and_then(|cell| cell.parse::<f64>().ok())
            };
            for (column, cell) in header.iter().zip(&row) {
                let Ok(value) = cell.parse::<f64>() else { continue };
                let Some((_, low, high)) = BOUNDS.iter().find(|(of, ..)| of == column) else {
                    panic!("{}: {cell} has no bounds", what(column))
                };
                assert!((*low..=*high).contains(&value), "{}: {value}", what(column));
                figures += 1;
            }
            if let (Some(median), Some(row), Some(delta)) =
                (number("t_median_c"), number("row_median_c"), number("delta_row_k"))
            {
                // Each is rounded to 0.01.
                assert!((median - row - delta).abs() < 0.016, "{}: {median} - {row}", what("delta_row_k"));
            }
            if let (Some(seen), Some(confirmed)) = (number("frames_seen"), number("frames_confirmed")) {
                assert!(confirmed <= seen, "{}: {confirmed} of {seen}", what("frames_confirmed"));
            }
            if let (Some(measured), Some(scaled), Some(g)) =
                (number("delta_t_k"), number("delta_t_ref_k"), number("irradiance_w_m2"))
            {
                // Less sun than 1000 W/m2: the difference there is larger, and the other way round.
                assert!(
                    (scaled - measured) * (1000.0 - g) * measured.signum() >= -0.02 * (1000.0 - g).abs(),
                    "{}",
                    what("delta_t_ref_k")
                );
            }
        }
    }
    figures
}
