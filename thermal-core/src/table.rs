//! Reads the CSV files that people write by hand or export from a spreadsheet, row by row: byte order mark, any line end,
//! comma, semicolon or tab between the values, decimal point or comma. What could be read in two ways is refused. And
//! writes tables for them.

mod line;

use std::fmt::{Arguments, Display};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::Offset;

use self::line::{Lines, Unfit, Values};
use crate::output::write_atomic;
use crate::{Error, Result};

/// A CSV file that is being read: the current row, and what was wrong with those before it.
pub(crate) struct Table {
    path: PathBuf,
    lines: Lines<Box<dyn BufRead>>,
    line: Vec<u8>,
    values: Values,
    separator: u8,
    columns: Vec<String>,
    /// The values' decimal mark is a comma.
    decimal_comma: bool,
    problems: Problems,
}

/// One error for each row or value that was left out, up to [`MAX_PROBLEMS`]; the others are counted.
#[derive(Default)]
struct Problems {
    told: Vec<Error>,
    more: u64,
}

/// More problems are counted, not told one by one: nobody reads them, and each takes memory.
pub(crate) const MAX_PROBLEMS: usize = 10_000;
/// As many as the largest spreadsheets hold; rows are kept in memory.
const MAX_LINES: u64 = 1 << 20;
/// Lines that are blank or cannot be read before the header; what reads a header takes longer than what reads a row.
const MAX_BEFORE_HEADER: u64 = 1000;
/// No table of a plant has so many; names are compared with each other.
const MAX_COLUMNS: usize = 1000;

impl Table {
    /// Opens a file with a header line; [`Table::advance`] goes to the first row.
    ///
    /// `known`: the names of the columns; the first `required` of them must be there. Other columns are ignored, with a
    /// problem where the name looks like a misspelling.
    ///
    /// # Errors
    /// [`Error::Io`]; [`Error::Input`] where no row can be read at all: no UTF-8, no header, a required column missing.
    pub(crate) fn open(path: &Path, known: &[&str], required: usize) -> Result<Self> {
        let mut table = Self::open_header(path, known)?;
        table.check_columns(known, required)?;
        // A comma is a decimal mark where no comma stands between the values, and one value shows it: asked before any
        // number is read.
        if table.separator != b',' {
            let mut scan = Self::open_header(path, known)?;
            while !table.decimal_comma && scan.advance()? {
                table.decimal_comma = scan.values.iter().any(|v| v.contains(',') && parse_comma(v).is_some());
            }
        }
        Ok(table)
    }

    fn open_header(path: &Path, known: &[&str]) -> Result<Self> {
        let file = crate::file::open_plain(path)?;
        let mut input: Box<dyn BufRead> = Box::new(BufReader::with_capacity(1 << 16, file));
        let begin = input.fill_buf().map_err(|e| Error::io(path, "read the table", e))?;
        if begin.starts_with(&[0xFF, 0xFE]) || begin.starts_with(&[0xFE, 0xFF]) {
            return Err(Error::input(path, "line 1", "the text is UTF-16", "save it as CSV with UTF-8 encoding"));
        }
        if begin.starts_with(b"\xEF\xBB\xBF") {
            input.consume(3);
        }
        let mut table = Self {
            path: path.to_owned(),
            lines: Lines::new(input),
            line: Vec::new(),
            values: Values::new(b','),
            separator: b',',
            columns: Vec::new(),
            decimal_comma: false,
            problems: Problems::default(),
        };
        while table.columns.is_empty() {
            let line = table.next_line()?.filter(|_| table.lines.number <= MAX_BEFORE_HEADER);
            let Some(whole) = line else {
                let remedy = format!("begin the file with the line {}", known.join(","));
                return Err(Error::input(path, "line 1", "there is no header line", remedy));
            };
            let count = |mark: u8| table.line.split(|b| *b == mark).count();
            table.separator = [b';', b'\t', b','].into_iter().max_by_key(|mark| count(*mark)).unwrap_or(b',');
            if !whole || count(table.separator) > MAX_COLUMNS {
                let remedy = format!("begin the file with the line {}", known.join(","));
                let place = format!("line {}", table.lines.number);
                return Err(Error::input(path, place, "the line is too long for a header", remedy));
            }
            table.values = Values::new(table.separator);
            if table.cut() && table.values.iter().any(|value| !value.is_empty()) {
                table.columns = table.values.iter().map(str::to_lowercase).collect();
            }
        }
        Ok(table)
    }

    fn next_line(&mut self) -> Result<Option<bool>> {
        let line = self.lines.next_into(&mut self.line).map_err(|e| Error::io(&self.path, "read the table", e))?;
        if self.lines.number > MAX_LINES {
            let reason = format!("it has more than {MAX_LINES} lines");
            let remedy = "give the rows that belong to this flight, or thin the table out";
            return Err(Error::input(&self.path, "further lines", reason, remedy));
        }
        Ok(line)
    }

    /// Cuts the line into its values; a problem where it has none.
    fn cut(&mut self) -> bool {
        let (reason, remedy) = match self.values.cut(&mut self.line) {
            Ok(()) => return true,
            Err(Unfit::NotUtf8) => ("the row is not UTF-8; it is left out", "save the file with UTF-8 encoding"),
            Err(Unfit::OpenQuote) => (
                "a quotation mark is not closed on this line; the row is left out",
                "close or remove the quotation mark",
            ),
        };
        self.problem(self.lines.number, None, reason, remedy);
        false
    }

    /// Goes to the next row that fits the header; false after the last one.
    ///
    /// # Errors
    /// [`Error::Io`].
    pub(crate) fn advance(&mut self) -> Result<bool> {
        while let Some(whole) = self.next_line()? {
            if !whole {
                let reason = "the line is longer than any row; it is left out";
                self.problem(self.lines.number, None, reason, "save the table anew from a spreadsheet, as CSV");
            } else if self.cut() && self.fits() {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn fits(&mut self) -> bool {
        if self.values.iter().all(str::is_empty) {
            return false;
        }
        // Spreadsheets end rows with empty values; more or fewer others mean that the values do not stand where they seem to.
        let (count, expected) = (self.values.len(), self.columns.len());
        let surplus_is_empty = self.values.iter().skip(expected).all(str::is_empty);
        if count >= expected && surplus_is_empty {
            return true;
        }
        let reason = format!("{count} values where the header names {expected}; the row is left out");
        let remedy = if count > expected && self.separator == b',' {
            "write decimals with a point, or put semicolons between the values"
        } else {
            "give each column a value, if need be an empty one"
        };
        self.problem(self.lines.number, None, reason, remedy);
        false
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
    pub(crate) fn problem(&mut self, line: u64, column: Option<&str>, reason: impl Display, remedy: impl Display) {
        self.problems.add(&self.path, line, column, reason, remedy);
    }

    /// What was wrong so far, in the order in which it was met.
    pub(crate) fn problems(&self) -> &[Error] {
        &self.problems.told
    }

    /// What was wrong; the last error counts those that are not told one by one.
    pub(crate) fn into_problems(mut self) -> Vec<Error> {
        if self.problems.more > 0 {
            let reason = format!("{} more values or rows are not used", self.problems.more);
            let remedy = "mend what is told, then read the table again";
            self.problems.told.push(Error::input(&self.path, "further lines", reason, remedy));
        }
        self.problems.told
    }

    /// Line of the current row in the file, from 1.
    pub(crate) fn line(&self) -> u64 {
        self.lines.number
    }

    /// The text of a value of the current row; empty where the column does not exist.
    pub(crate) fn text(&self, column: &str) -> &str {
        cell(&self.columns, &self.values, column)
    }

    /// A number of the current row within `low..=high`; `None` where there is none, with a problem where it cannot be used.
    pub(crate) fn number(&mut self, column: &str, low: f64, high: f64) -> Option<f64> {
        let text = cell(&self.columns, &self.values, column);
        if text.is_empty() {
            return None;
        }
        let mut tell = |reason: Arguments<'_>, remedy| {
            self.problems.add(&self.path, self.lines.number, Some(column), reason, remedy);
        };
        match if self.decimal_comma { parse_comma(text) } else { text.parse::<f64>().ok() } {
            Some(value) if value >= low && value <= high => return Some(value),
            Some(value) => tell(
                format_args!("{value} is outside {low} to {high}; the value is not used"),
                "check the value and its unit, or leave it empty",
            ),
            None if self.decimal_comma && text.parse::<f64>().is_ok() => tell(
                format_args!("`{text}` has a decimal point in a file with decimal commas; the value is not used"),
                "write all numbers in one way",
            ),
            None => tell(
                format_args!("`{text}` is no number; the value is not used"),
                "write a number, 12.5, or leave it empty",
            ),
        }
        None
    }

    /// A time of the current row; `None` where there is none, with a problem where it cannot be used.
    pub(crate) fn time(&mut self, column: &str, offset: Option<Offset>) -> Option<Timestamp> {
        let text = cell(&self.columns, &self.values, column);
        if text.is_empty() {
            return None;
        }
        match timestamp(text, offset) {
            Ok(time) => Some(time),
            Err((reason, remedy)) => {
                let reason = format_args!("`{text}` {reason}");
                self.problems.add(&self.path, self.lines.number, Some(column), reason, remedy);
                None
            }
        }
    }
}

impl Problems {
    /// Words are put together only where they are kept.
    fn add(&mut self, path: &Path, line: u64, column: Option<&str>, reason: impl Display, remedy: impl Display) {
        if self.told.len() >= MAX_PROBLEMS {
            self.more += 1;
            return;
        }
        let place = column.map_or_else(|| format!("line {line}"), |column| format!("line {line}, column {column}"));
        self.told.push(Error::input(path, place, reason.to_string(), remedy.to_string()));
    }
}

fn cell<'a>(columns: &[String], values: &'a Values, column: &str) -> &'a str {
    columns.iter().position(|name| name == column).map_or("", |index| values.get(index))
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
    if text.bytes().any(|b| b == b'.') {
        return None;
    }
    match text.split_once(',') {
        None => text.parse().ok(),
        Some((_, rest)) if rest.contains(',') => None,
        Some((whole, rest)) => [whole, ".", rest].concat().parse().ok(),
    }
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
