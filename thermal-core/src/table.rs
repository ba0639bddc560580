//! Reads the CSV files that people write by hand or export from a spreadsheet: byte order mark, either line end,
//! comma, semicolon or tab between the values, decimal point or comma. What could be read in two ways is refused. And
//! writes tables for them.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::Offset;

use crate::output::write_atomic;
use crate::{Error, Result};

/// A CSV file in memory: the rows that fit the header, and what was wrong with the others.
#[derive(Debug)]
pub(crate) struct Table {
    path: PathBuf,
    columns: Vec<String>,
    rows: Vec<Row>,
    /// The values' decimal mark is a comma.
    decimal_comma: bool,
    /// One error for each row or value that was left out.
    pub(crate) problems: Vec<Error>,
}

#[derive(Debug)]
struct Row {
    line: u64,
    values: csv::StringRecord,
}

/// A quotation mark that is not closed swallows the lines after it; reading starts again behind its line, but not forever.
const MAX_OPEN_QUOTES: usize = 20;

impl Table {
    /// Reads a file with a header line.
    ///
    /// `known`: the names of the columns; the first `required` of them must be there. Other columns are ignored, with a
    /// problem where the name looks like a misspelling.
    ///
    /// # Errors
    /// [`Error::Io`]; [`Error::Input`] where no row could be read at all: no UTF-8, no header, a required column missing.
    pub(crate) fn read(path: &Path, known: &[&str], required: usize) -> Result<Self> {
        let bytes = crate::file::read_plain(path)?;
        if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
            return Err(Error::input(path, "line 1", "the text is UTF-16", "save it as CSV with UTF-8 encoding"));
        }
        let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&bytes);
        let header = bytes.split(|b| *b == b'\n').next().unwrap_or_default();
        let count = |mark: u8| header.split(|b| *b == mark).count();
        let separator = [b';', b'\t', b','].into_iter().max_by_key(|mark| count(*mark)).unwrap_or(b',');

        let mut table = Self {
            path: path.to_owned(),
            columns: Vec::new(),
            rows: Vec::new(),
            decimal_comma: false,
            problems: Vec::new(),
        };
        table.read_rows(bytes, separator);
        if table.columns.is_empty() {
            let remedy = format!("begin the file with the line {}", known.join(","));
            return Err(Error::input(path, "line 1", "there is no header line", remedy));
        }
        table.check_columns(known, required)?;
        table.decimal_comma = separator != b','
            && table.rows.iter().any(|row| row.values.iter().any(|v| v.contains(',') && parse_comma(v).is_some()));
        Ok(table)
    }

    fn read_rows(&mut self, bytes: &[u8], separator: u8) {
        let (mut rest, mut lines_before) = (bytes, 0);
        for _ in 0..MAX_OPEN_QUOTES {
            let Some((open, line)) = self.read_until_open_quote(rest, separator, lines_before) else { return };
            let reason = "a quotation mark is not closed on this line; the row is left out";
            self.problem(line, None, reason, "close or remove the quotation mark");
            let Some(end) = rest[open..].iter().position(|b| *b == b'\n') else { return };
            rest = &rest[open + end + 1..];
            lines_before = line;
        }
        let reason = "too many lines hold a quotation mark that is not closed; the lines from here on are left out";
        self.problem(lines_before + 1, None, reason, "save the table anew from a spreadsheet, as CSV");
    }

    /// Appends rows; stops at a record that runs over a line end and returns its offset and line.
    fn read_until_open_quote(&mut self, bytes: &[u8], separator: u8, lines_before: u64) -> Option<(usize, u64)> {
        let mut reader =
            csv::ReaderBuilder::new().has_headers(false).flexible(true).delimiter(separator).from_reader(bytes);
        let mut record = csv::ByteRecord::new();
        loop {
            match reader.read_byte_record(&mut record) {
                Ok(true) => {}
                // Reading from memory with `flexible` has nothing left that could fail.
                Ok(false) | Err(_) => return None,
            }
            let (start, line) = record.position().map_or((0, 1), |p| (p.byte() as usize, p.line()));
            let line = lines_before + line;
            if record.iter().any(|value| value.contains(&b'\n')) {
                return Some((start, line));
            }
            let Ok(values) = csv::StringRecord::from_byte_record(record.clone()) else {
                self.problem(line, None, "the row is not UTF-8; it is left out", "save the file with UTF-8 encoding");
                continue;
            };
            self.push(line, values, separator);
        }
    }

    fn push(&mut self, line: u64, mut values: csv::StringRecord, separator: u8) {
        values.trim();
        if values.iter().all(str::is_empty) {
            return;
        }
        if self.columns.is_empty() {
            self.columns = values.iter().map(str::to_lowercase).collect();
            return;
        }
        // Spreadsheets end rows with empty values; more or fewer others mean that the values do not stand where they seem to.
        let expected = self.columns.len();
        let surplus_is_empty = values.iter().skip(expected).all(str::is_empty);
        if values.len() < expected || !surplus_is_empty {
            let reason = format!("{} values where the header names {expected}; the row is left out", values.len());
            let remedy = if values.len() > expected && separator == b',' {
                "write decimals with a point, or put semicolons between the values"
            } else {
                "give each column a value, if need be an empty one"
            };
            self.problem(line, None, reason, remedy);
            return;
        }
        self.rows.push(Row { line, values });
    }

    fn check_columns(&mut self, known: &[&str], required: usize) -> Result<()> {
        for (i, name) in self.columns.iter().enumerate() {
            if !name.is_empty() && self.columns[..i].contains(name) {
                let reason = "the header names the column twice";
                return Err(Error::input(&self.path, format!("line 1, column {name}"), reason, "keep one of the two"));
            }
        }
        let unknown = || self.columns.iter().map(String::as_str).filter(|name| !known.contains(name));
        for name in known.iter().take(required) {
            if !self.columns.iter().any(|column| column == name) {
                let remedy = suggest(name, unknown()).map_or_else(
                    || format!("begin the file with the line {}", known.join(",")),
                    |near| format!("rename column `{near}`"),
                );
                return Err(Error::input(&self.path, "line 1", format!("there is no column `{name}`"), remedy));
            }
        }
        let missing = || known.iter().copied().filter(|name| !self.columns.iter().any(|column| column == name));
        let misspelt: Vec<_> =
            unknown().filter_map(|name| Some((name.to_owned(), suggest(name, missing())?.to_owned()))).collect();
        for (name, near) in misspelt {
            self.problem(1, Some(&name), "the column is not known and is ignored", format!("did you mean `{near}`?"));
        }
        Ok(())
    }

    /// Notes a problem; `column` where it is with one value.
    pub(crate) fn problem(
        &mut self,
        line: u64,
        column: Option<&str>,
        reason: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let place = column.map_or_else(|| format!("line {line}"), |column| format!("line {line}, column {column}"));
        self.problems.push(Error::input(&self.path, place, reason, remedy));
    }

    /// Number of rows.
    pub(crate) fn len(&self) -> usize {
        self.rows.len()
    }

    /// Line of a row in the file, from 1.
    pub(crate) fn line(&self, row: usize) -> u64 {
        self.rows.get(row).map_or(0, |row| row.line)
    }

    /// The text of a value; empty where the column or the row does not exist.
    pub(crate) fn text(&self, row: usize, column: &str) -> &str {
        let Some(index) = self.columns.iter().position(|name| name == column) else { return "" };
        self.rows.get(row).and_then(|row| row.values.get(index)).unwrap_or("")
    }

    /// A number within `low..=high`; `None` where there is none, with a problem where it cannot be used.
    pub(crate) fn number(&mut self, row: usize, column: &str, low: f64, high: f64) -> Option<f64> {
        let text = self.text(row, column);
        if text.is_empty() {
            return None;
        }
        let parsed = if self.decimal_comma { parse_comma(text) } else { text.parse::<f64>().ok() };
        let (reason, remedy) = match parsed {
            Some(value) if value >= low && value <= high => return Some(value),
            Some(value) => (
                format!("{value} is outside {low} to {high}; the value is not used"),
                "check the value and its unit, or leave it empty",
            ),
            None if self.decimal_comma && text.parse::<f64>().is_ok() => (
                format!("`{text}` has a decimal point in a file with decimal commas; the value is not used"),
                "write all numbers in one way",
            ),
            None => {
                (format!("`{text}` is no number; the value is not used"), "write a number, 12.5, or leave it empty")
            }
        };
        self.problem(self.line(row), Some(column), reason, remedy);
        None
    }

    /// A time; `None` where there is none, with a problem where it cannot be used.
    pub(crate) fn time(&mut self, row: usize, column: &str, offset: Option<Offset>) -> Option<Timestamp> {
        let text = self.text(row, column);
        if text.is_empty() {
            return None;
        }
        match timestamp(text, offset) {
            Ok(time) => Some(time),
            Err((reason, remedy)) => {
                let reason = format!("`{text}` {reason}");
                self.problem(self.line(row), Some(column), reason, remedy);
                None
            }
        }
    }
}

/// Writes a table of header and lines, whole or not at all.
///
/// # Errors
/// [`Error::Io`], also where a line has not as many values as the header.
pub(crate) fn write<H, L>(path: &Path, header: H, lines: impl IntoIterator<Item = L>) -> Result<()>
where
    H: IntoIterator<Item: AsRef<[u8]>>,
    L: IntoIterator<Item: AsRef<[u8]>>,
{
    let fail = |source| Error::io(path, "write the table", source);
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record(header).map_err(|e| fail(e.into()))?;
    for line in lines {
        csv.write_record(line).map_err(|e| fail(e.into()))?;
    }
    write_atomic(path, &csv.into_inner().map_err(|e| fail(e.into_error()))?)
}

/// A number with a decimal comma; whole numbers too, but none with a point.
fn parse_comma(text: &str) -> Option<f64> {
    if text.contains('.') || text.matches(',').count() > 1 {
        return None;
    }
    text.replace(',', ".").parse().ok()
}

/// An RFC 3339 time; one without an offset takes `offset`. The error is reason and remedy.
pub(crate) fn timestamp(
    text: &str,
    offset: Option<Offset>,
) -> std::result::Result<Timestamp, (&'static str, &'static str)> {
    if let Ok(time) = text.parse::<Timestamp>() {
        return Ok(time);
    }
    let Ok(local) = text.parse::<jiff::civil::DateTime>() else {
        return Err(("is no time", "write it after RFC 3339, 2026-06-18T11:40:00+02:00"));
    };
    let no_offset = ("carries no offset from UTC", "write one after it, +02:00, or set utc_offset under [site]");
    offset.ok_or(no_offset)?.to_timestamp(local).map_err(|_| ("is out of range", "write a year from 1970 on"))
}

/// `+02:00` or `Z` as an offset from UTC.
pub(crate) fn utc_offset(text: &str) -> Option<Offset> {
    let text = text.trim();
    if text == "Z" {
        return Some(Offset::UTC);
    }
    jiff::fmt::strtime::parse("%:z", text).ok()?.offset()
}

/// The candidate that `name` is most likely a misspelling of.
pub(crate) fn suggest<'a>(name: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    candidates
        .map(|candidate| (strsim::jaro_winkler(name, candidate), candidate))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}
