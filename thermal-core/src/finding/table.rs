//! A table as CSV (RFC 4180 with line feeds), written and read by the registry of its columns.
//!
//! Text is written as it is, so that identities survive the way out and back. A text that begins with `=`, `+`, `-`
//! or `@` can be taken for a formula by a spreadsheet program: open the table through its text import, or use the
//! `.xlsx` of the delivered bundle, where every text is a text.

use std::borrow::Borrow;
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::Path;

use super::Column;
use crate::{Error, Result};

/// A kind of table: its name and its columns.
pub struct Table<R: 'static> {
    /// Name, the stem of its files.
    pub name: &'static str,
    /// Title for the schema and the map layer.
    pub title: &'static str,
    /// What a line stands for.
    pub description: &'static str,
    /// The column that tells the lines apart.
    pub key: Option<&'static str>,
    /// More lines are not read: what no plant needs would take the machine's memory.
    pub most_lines: usize,
    /// The columns in order.
    pub columns: &'static [Column<R>],
}

/// Writes the lines of a table one after another.
pub struct TableWriter<W: Write, R: 'static> {
    csv: csv::Writer<W>,
    columns: &'static [Column<R>],
    cell: String,
}

impl<W: Write, R> TableWriter<W, R> {
    /// Writes one line.
    pub fn write(&mut self, record: &R) -> io::Result<()> {
        for column in self.columns {
            self.cell.clear();
            column.write(record, &mut self.cell);
            self.csv.write_field(&self.cell)?;
        }
        Ok(self.csv.write_record(None::<&[u8]>)?)
    }

    /// Hands the last bytes on and gives the inner writer back.
    pub fn finish(self) -> io::Result<W> {
        self.csv.into_inner().map_err(csv::IntoInnerError::into_error)
    }
}

impl<R: Default> Table<R> {
    /// Starts a table with its header line. Numbers get a fixed count of digits, so the same records give the same
    /// bytes; NaN and infinity become empty cells.
    pub fn writer<W: Write>(&self, out: W) -> io::Result<TableWriter<W, R>> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(self.columns.iter().map(|column| column.spec.name))?;
        Ok(TableWriter { csv, columns: self.columns, cell: String::new() })
    }

    /// Writes the whole table into a new file.
    pub fn write_csv<'a>(&self, path: &Path, records: impl IntoIterator<Item = &'a R>) -> Result<()> {
        self.write_csv_of(path, records.into_iter().map(Ok))
    }

    /// As [`Table::write_csv`], of records that are read one after another; it ends with the first error.
    pub(crate) fn write_csv_of<B: Borrow<R>>(
        &self,
        path: &Path,
        records: impl IntoIterator<Item = Result<B>>,
    ) -> Result<()> {
        let fail = |source| Error::io(path, "write the table", source);
        let mut table = self.writer(BufWriter::new(File::create(path).map_err(fail)?)).map_err(fail)?;
        for record in records {
            table.write(record?.borrow()).map_err(fail)?;
        }
        let end = || table.finish()?.into_inner()?.sync_all();
        end().map_err(fail)
    }

    /// Reads a table. Columns are found by name in any order, and columns that are not the table's are passed over.
    /// What the table has no column for (`reasons`, or `ground`) stays at its default.
    ///
    /// # Errors
    /// The file cannot be read; a column is missing; a cell is not of its column's type or outside its limits; there are
    /// more lines than [`Table::most_lines`]. The message names line and column.
    pub fn read_csv(&self, path: &Path) -> Result<Vec<R>> {
        let file = crate::file::open_own(path)?;
        self.read_csv_from(path, BufReader::new(file))
    }

    /// As [`Table::read_csv`], from any source; `path` is the name for messages.
    pub fn read_csv_from(&self, path: &Path, input: impl Read) -> Result<Vec<R>> {
        let mut csv = csv::ReaderBuilder::new().has_headers(false).from_reader(input);
        let mut line = csv::StringRecord::new();
        if !csv.read_record(&mut line).map_err(|error| broken_line(path, &error))? {
            return Err(Error::input(path, "line 1", "the file is empty", "give a table with its header line"));
        }
        let places = self.places(path, &line)?;
        let mut records = Vec::new();
        while csv.read_record(&mut line).map_err(|error| broken_line(path, &error))? {
            let number = line.position().map_or(0, csv::Position::line);
            if records.len() == self.most_lines {
                let reason = format!("the table has more than {} lines", self.most_lines);
                let remedy = "inspect the plant in parts, each with a folder of its own";
                return Err(Error::input(path, format!("line {number}"), reason, remedy));
            }
            let mut record = R::default();
            for (column, &place) in self.columns.iter().zip(&places) {
                let cell = line.get(place).unwrap_or_default();
                let value = column.spec.parse(cell).map_err(|reason| {
                    let place = format!("line {number}, column {}", column.spec.name);
                    let remedy = format!("correct the cell; the column holds: {}", column.spec.description);
                    Error::input(path, place, reason, remedy)
                })?;
                column.set(&mut record, value);
            }
            records.push(record);
        }
        Ok(records)
    }

    /// Where in a line each column stands, by the header.
    fn places(&self, path: &Path, header: &csv::StringRecord) -> Result<Vec<usize>> {
        let mut places = Vec::with_capacity(self.columns.len());
        for column in self.columns {
            let name = column.spec.name;
            let mut found = header.iter().enumerate().filter(|(_, cell)| cell.trim() == name).map(|(place, _)| place);
            let Some(place) = found.next() else {
                let one_cell = header.len() == 1 && header.iter().any(|cell| cell.contains([';', '\t']));
                return Err(if one_cell {
                    Error::input(
                        path,
                        "line 1",
                        "the cells are not separated by commas",
                        "save the table as CSV with commas between the cells and a point in the numbers",
                    )
                } else {
                    let remedy = format!("give a table with the columns of {}.schema.json", self.name);
                    Error::input(path, "line 1", format!("the column {name} is missing"), remedy)
                });
            };
            if found.next().is_some() {
                let reason = format!("the column {name} is there twice");
                return Err(Error::input(path, "line 1", reason, "remove one of them"));
            }
            places.push(place);
        }
        Ok(places)
    }
}

/// The CSV reader's error with line and remedy.
fn broken_line(path: &Path, error: &csv::Error) -> Error {
    let place = error.position().map_or_else(|| "table".to_owned(), |at| format!("line {}", at.line()));
    match error.kind() {
        csv::ErrorKind::Io(source) => {
            Error::io(path, "read the table", io::Error::new(source.kind(), source.to_string()))
        }
        csv::ErrorKind::Utf8 { .. } => {
            Error::input(path, place, "the text is not UTF-8", "save the table as CSV in UTF-8")
        }
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => Error::input(
            path,
            place,
            format!("{len} cells where the header has {expected_len}"),
            "complete the line; a text with commas needs quotation marks around it",
        ),
        _ => Error::input(path, place, error.to_string(), "save the table again as CSV"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{FINDINGS, Finding, Flag, MODULES, ModuleRecord, Pattern};
    use super::*;

    /// The columns as the project's design page gives them.
    const MODULES_HEADER: &str = "frame,row,course,position,x0,y0,x1,y1,x2,y2,x3,y3,whole,t_median_c,row_median_c,\
        delta_row_k,pattern,delta_t_k,confidence,asset_id";
    const FINDINGS_HEADER: &str = "finding,asset_id,row,course,position,pattern,part,severity,abnormality_class,\
        delta_t_k,delta_t_ref_k,delta_row_k,t_max_c,t_median_c,row_median_c,irradiance_w_m2,irradiance_age_s,\
        captured_at,frames_seen,frames_confirmed,lat,lon,area_fraction,confidence,flags,loss_w,frame,\
        x0,y0,x1,y1,x2,y2,x3,y3,evidence,review,reviewer,note,delta_t_u95_k,delta_t_ref_u95_k";

    fn csv<R: Default>(table: &Table<R>, records: &[R]) -> String {
        let mut writer = table.writer(Vec::new()).unwrap();
        for record in records {
            writer.write(record).unwrap();
        }
        String::from_utf8(writer.finish().unwrap()).unwrap()
    }

    fn read<R: Default>(table: &Table<R>, text: impl AsRef<[u8]>) -> Result<Vec<R>> {
        table.read_csv_from(Path::new("t.csv"), text.as_ref())
    }

    fn module() -> ModuleRecord {
        ModuleRecord {
            frame: "f_0001.tif".into(),
            row: 2,
            course: 1,
            position: 7,
            corners: [[217.704, 344.2], [261.64, 345.06], [263.22, 260.48], [-0.001, 259.65]],
            whole: true,
            t_median_c: 41.0,
            row_median_c: f64::NAN,
            delta_row_k: f64::INFINITY,
            pattern: Pattern::Cell,
            delta_t_k: 12.345,
            confidence: 0.98765,
            asset_id: "A, \"7\"".to_owned(),
            ..ModuleRecord::default()
        }
    }

    #[test]
    fn a_line_is_written_in_the_order_of_the_design() {
        let text = csv(&MODULES, &[module()]);
        let line = "f_0001.tif,2,1,7,217.70,344.20,261.64,345.06,263.22,260.48,0.00,259.65,true,41.00,,,cell,12.35,\
            0.988,\"A, \"\"7\"\"\"";
        assert_eq!(text, format!("{MODULES_HEADER}\n{line}\n"));
        assert_eq!(csv(&FINDINGS, &[]), format!("{FINDINGS_HEADER}\n"));
    }

    #[test]
    fn what_is_written_reads_back_to_the_same_bytes() {
        let finding = Finding {
            finding: "F0001".to_owned(),
            module: ModuleRecord {
                flags: vec![Flag::OneFrame, Flag::LowIrradiance, Flag::OneFrame],
                area_fraction: 0.1667,
                ..module()
            },
            delta_t_ref_k: Some(-0.004),
            captured_at: Some("2025-06-14T12:03:04.25+02:00".to_owned()),
            lat: Some(49.123_456_78),
            note: "two\nlines".to_owned(),
            ..Finding::default()
        };
        let text = csv(&FINDINGS, &[finding]);
        let back = read(&FINDINGS, &text).unwrap();
        assert_eq!(csv(&FINDINGS, &back), text);
        let back = &back[0];
        assert_eq!(back.module.flags, [Flag::LowIrradiance, Flag::OneFrame]);
        assert_eq!((back.delta_t_ref_k, back.lat, back.lon), (Some(0.0), Some(49.123_456_8), None));
        assert_eq!((back.frames_seen, back.abnormality_class), (0, 0));
        assert!(back.module.row_median_c.is_nan());
        assert_eq!(back.note, "two\nlines");
    }

    #[test]
    fn tables_saved_by_a_spreadsheet_are_read() {
        let text = csv(&MODULES, &[module()]);
        let saved = format!("\u{feff}{}", text.replace("true", "TRUE").replace('\n', "\r\n"));
        assert_eq!(csv(&MODULES, &read(&MODULES, saved).unwrap()), text);
        // Columns in another order, and one of the owner's own.
        let mut lines: Vec<Vec<String>> = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(text.as_bytes())
            .records()
            .map(|line| line.unwrap().iter().rev().map(str::to_owned).collect())
            .collect();
        lines[0].push("repaired".to_owned());
        lines[1].push("yes".to_owned());
        let mut turned = csv::Writer::from_writer(Vec::new());
        for line in &lines {
            turned.write_record(line).unwrap();
        }
        let back = read(&MODULES, turned.into_inner().unwrap()).unwrap();
        assert_eq!(csv(&MODULES, &back), text);
    }

    #[test]
    fn a_broken_cell_is_named_by_line_and_column() {
        let text = csv(&MODULES, &[module(), module()]);
        let spoil = |from: &str, to: &str| {
            // The last line only.
            let at = text.rfind(from).unwrap();
            let spoiled = format!("{}{to}{}", &text[..at], &text[at + from.len()..]);
            read(&MODULES, spoiled).unwrap_err().to_string()
        };
        for (from, to, place, reason) in [
            ("12.35", "12;35", "line 3, column delta_t_k", "`12;35` is not a number"),
            ("12.35", "NaN", "line 3, column delta_t_k", "NaN is not a number within"),
            ("41.00", "-300", "line 3, column t_median_c", "-300 is not a number within -273.15"),
            (",2,1,7,", ",2,0,7,", "line 3, column course", "0 is not within 1"),
            (",2,1,7,", ",2,1.5,7,", "line 3, column course", "`1.5` is not a whole number"),
            ("true", "yes", "line 3, column whole", "`yes` is neither `true` nor `false`"),
            (",cell,", ",warm,", "line 3, column pattern", "`warm` is none of the words none, hotspot"),
            (",cell,", ",,", "line 3, column pattern", "the cell is empty"),
            ("0.988", "1.01", "line 3, column confidence", "1.01 is not a number within 0 to 1"),
            (",true", "", "line 3", "19 cells where the header has 20"),
        ] {
            let message = spoil(from, to);
            assert!(message.starts_with(&format!("t.csv: {place}: {reason}")), "{message}");
            assert!(message.contains("; "), "no remedy: {message}");
        }
    }

    #[test]
    fn a_table_longer_than_any_plant_needs_is_refused() {
        let short = Table { most_lines: 2, columns: MODULES.columns, ..MODULES };
        let two = csv(&MODULES, &[module(), module()]);
        assert_eq!(read(&short, &two).unwrap().len(), 2);
        let three = csv(&MODULES, &[module(), module(), module()]);
        let message = read(&short, &three).unwrap_err().to_string();
        assert!(
            message.starts_with("t.csv: line 4: the table has more than 2 lines; inspect the plant in"),
            "{message}"
        );
    }

    #[test]
    fn a_broken_table_is_named_with_its_remedy() {
        let text = csv(&FINDINGS, &[]);
        for (table, reason) in [
            (String::new(), "line 1: the file is empty"),
            (text.replace("lat,", ""), "line 1: the column lat is missing"),
            (text.replace("lon,", "lat,"), "line 1: the column lat is there twice"),
            (text.replace(',', ";"), "line 1: the cells are not separated by commas"),
            (text.replace(',', "\t"), "line 1: the cells are not separated by commas"),
        ] {
            let message = read(&FINDINGS, table).unwrap_err().to_string();
            assert!(message.starts_with(&format!("t.csv: {reason}; ")), "{message}");
        }
        let latin = [text.as_bytes(), b"F1,M\xfcller", [b','; 39].as_slice(), b"\n"].concat();
        let message = read(&FINDINGS, latin).unwrap_err().to_string();
        assert!(message.starts_with("t.csv: line 2: the text is not UTF-8"), "{message}");
        let message = FINDINGS.read_csv(Path::new("absent/findings.csv")).err().unwrap().to_string();
        assert!(message.starts_with("absent/findings.csv: cannot open the file for reading: "), "{message}");
    }

    #[test]
    fn unknown_flags_and_times_without_an_offset_are_refused() {
        let line = |captured_at: &str, flags: &str| {
            format!(
                "finding,pattern,frame,captured_at,flags,x0,y0,x1,y1,x2,y2,x3,y3,{}\nF1,cell,f.tif,{captured_at},{flags},0,0,1,0,1,1,0,1{}\n",
                "asset_id,row,course,position,part,severity,abnormality_class,delta_t_k,delta_t_ref_k,delta_row_k,t_max_c,\
                t_median_c,row_median_c,irradiance_w_m2,irradiance_age_s,frames_seen,frames_confirmed,lat,lon,area_fraction,\
                confidence,loss_w,evidence,review,reviewer,note,delta_t_u95_k,delta_t_ref_u95_k",
                ",".repeat(28)
            )
        };
        assert!(read(&FINDINGS, line("2025-06-14T12:03:04Z", "soft;cut")).is_ok());
        let message = read(&FINDINGS, line("2025-06-14T12:03:04", "")).unwrap_err().to_string();
        assert!(message.contains("line 2, column captured_at: `2025-06-14T12:03:04` is not a time"), "{message}");
        let message = read(&FINDINGS, line("", "soft;wet")).unwrap_err().to_string();
        assert!(message.contains("line 2, column flags: `wet` is not a flag"), "{message}");
    }
}
