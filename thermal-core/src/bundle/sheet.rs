//! `findings.xlsx`: the delivered table with typed cells and the picture in the row. Text is always written as text, so
//! nothing that somebody typed becomes a formula.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;
use rust_xlsxwriter::{
    Color, DocProperties, ExcelDateTime, Format, FormatAlign, Image, ObjectMovement, Workbook, Worksheet, XlsxError,
};

use super::tables::EXTRAS;
use crate::finding::{FINDINGS, Kind, Value};
use crate::output::write_atomic;
use crate::review::Outcome;
use crate::run_folder::RunFolder;
use crate::{Error, Result};

/// Size of a picture's cell, px.
const PICTURE: [u32; 2] = [150, 118];
/// Widest column, px: longer texts wrap.
const WIDEST: u32 = 320;

/// Writes the workbook: the sheet `findings` and a sheet `columns` that says what each column means.
pub(super) fn write(kept: &[Outcome], photos: &BTreeMap<String, Vec<u8>>, run: &RunFolder, path: &Path) -> Result<()> {
    let fault = |e: XlsxError| Error::input(path, "workbook", e.to_string(), "report this as a fault of the program");
    let bytes = workbook(kept, photos, run).map_err(fault)?;
    write_atomic(path, &bytes)
}

fn workbook(
    kept: &[Outcome],
    photos: &BTreeMap<String, Vec<u8>>,
    run: &RunFolder,
) -> std::result::Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    let seconds = run.flight().map_or(0, |(_, last)| last.as_second());
    let made = ExcelDateTime::from_timestamp(seconds)?;
    book.set_properties(&DocProperties::new().set_title("Findings").set_creation_datetime(&made));
    let head = Format::new()
        .set_bold()
        .set_background_color(Color::RGB(0x14505C))
        .set_font_color(Color::White)
        .set_align(FormatAlign::Top)
        .set_text_wrap();
    let sheet = book.add_worksheet().set_name("findings")?;
    findings(sheet, kept, photos, &head)?;
    let about = book.add_worksheet().set_name("columns")?;
    for (column, name) in ["column", "unit", "meaning"].into_iter().enumerate() {
        about.write_string_with_format(0, column as u16, name, &head)?;
    }
    let specs = FINDINGS.columns.iter().map(|c| (c.spec.name, c.spec.unit, c.spec.description));
    for (i, (name, unit, meaning)) in specs.chain(EXTRAS.iter().map(|e| (e.0, "", e.1))).enumerate() {
        let row = i as u32 + 1;
        about.write_string(row, 0, name)?.write_string(row, 1, unit)?.write_string(row, 2, meaning)?;
    }
    about.autofit();
    about.set_freeze_panes(1, 0)?;
    book.save_to_buffer()
}

fn findings(
    sheet: &mut Worksheet,
    kept: &[Outcome],
    photos: &BTreeMap<String, Vec<u8>>,
    head: &Format,
) -> std::result::Result<(), XlsxError> {
    let text = Format::new().set_align(FormatAlign::Top).set_text_wrap();
    let whole = Format::new().set_align(FormatAlign::Top).set_num_format("0");
    let decimals: Vec<Format> = (0..10)
        .map(|n| {
            let digits = if n == 0 { "0".to_owned() } else { format!("0.{}", "0".repeat(n)) };
            Format::new().set_align(FormatAlign::Top).set_num_format(digits)
        })
        .collect();
    let time = Format::new().set_align(FormatAlign::Top).set_num_format("yyyy-mm-dd hh:mm:ss");
    // The picture stands second, so that it stays beside the name when the sheet is scrolled.
    let place = |column: usize| if column == 0 { 0 } else { column as u16 + 1 };
    let names = FINDINGS.columns.iter().map(|c| c.spec.name).chain(EXTRAS.iter().map(|e| e.0));
    for (i, name) in names.enumerate() {
        sheet.write_string_with_format(0, place(i), name, head)?;
    }
    sheet.write_string_with_format(0, 1, "picture", head)?;
    for (i, outcome) in kept.iter().enumerate() {
        let row = i as u32 + 1;
        for (k, column) in FINDINGS.columns.iter().enumerate() {
            let at = place(k);
            match (column.value(&outcome.finding), column.spec.kind) {
                (Value::Empty, _) => {}
                (Value::Integer(n), _) => drop(sheet.write_number_with_format(row, at, n as f64, &whole)?),
                (Value::Number(x), Kind::Number { decimals: n, .. }) => {
                    let format = decimals.get(usize::from(n)).unwrap_or(&whole);
                    sheet.write_number_with_format(row, at, x, format)?;
                }
                (Value::Number(x), _) => drop(sheet.write_number(row, at, x)?),
                (Value::Boolean(yes), _) => drop(sheet.write_boolean(row, at, yes)?),
                (Value::Text(word), Kind::Time) => match word.parse::<Timestamp>() {
                    // UTC, to the millisecond: a spreadsheet's time has no offset.
                    Ok(t) => {
                        let serial = t.as_millisecond() as f64 / 86_400_000.0 + 25_569.0;
                        sheet.write_number_with_format(row, at, serial, &time)?;
                    }
                    Err(_) => drop(sheet.write_string_with_format(row, at, &*word, &text)?),
                },
                (Value::Text(word), _) => drop(sheet.write_string_with_format(row, at, &*word, &text)?),
            }
        }
        for (k, (_, _, value)) in EXTRAS.iter().enumerate() {
            let value = value(outcome);
            if !value.is_empty() {
                sheet.write_string_with_format(row, place(FINDINGS.columns.len() + k), value, &text)?;
            }
        }
    }
    let last = place(FINDINGS.columns.len() + EXTRAS.len() - 1);
    sheet.set_autofit_max_width(WIDEST).autofit();
    sheet.set_column_width_pixels(1, PICTURE[0])?;
    for (i, outcome) in kept.iter().enumerate() {
        let row = i as u32 + 1;
        if let Some(jpeg) = photos.get(&outcome.finding.finding) {
            sheet.set_row_height_pixels(row, PICTURE[1])?;
            let words = format!("Thermogram of {}", outcome.finding.finding);
            let image = Image::new_from_buffer(jpeg)?
                .set_alt_text(&words)
                .set_object_movement(ObjectMovement::MoveAndSizeWithCells);
            sheet.insert_image_fit_to_cell(row, 1, &image, true)?;
        }
    }
    sheet.set_freeze_panes(1, 2)?;
    sheet.autofilter(0, 0, kept.len().max(1) as u32, last)?;
    sheet.set_landscape().set_print_fit_to_pages(1, 0).set_repeat_rows(0, 0)?;
    Ok(())
}
