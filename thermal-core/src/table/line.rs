//! The lines of a table one after another, cut into their values (RFC 4180): never more than one line in memory.

use std::io::{self, BufRead, ErrorKind};

use csv_core::ReadRecordResult;

/// Longest line, bytes: a thousand columns of a thousand characters.
const MAX_BYTES: usize = 1 << 20;

/// The lines of a source; `\n`, `\r\n` and `\r` end one.
pub(super) struct Lines<R> {
    input: R,
    /// Number of the current line, from 1.
    pub(super) number: u64,
    /// The last line ended with `\r`: a `\n` right after it belongs to it.
    after_return: bool,
}

impl<R: BufRead> Lines<R> {
    pub(super) fn new(input: R) -> Self {
        Self { input, number: 0, after_return: false }
    }

    /// Puts the next line into `line`, without its end; `None` after the last one, `Some(false)` where it is too long, and
    /// then its beginning alone.
    pub(super) fn next_into(&mut self, line: &mut Vec<u8>) -> io::Result<Option<bool>> {
        line.clear();
        let (mut begun, mut whole) = (false, true);
        loop {
            let piece = match self.input.fill_buf() {
                Ok(piece) => piece,
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            if piece.is_empty() {
                self.number += u64::from(begun);
                return Ok(begun.then_some(whole));
            }
            if std::mem::take(&mut self.after_return) && piece.first() == Some(&b'\n') {
                self.input.consume(1);
                continue;
            }
            begun = true;
            let end = piece.iter().position(|byte| matches!(byte, b'\n' | b'\r'));
            let content = &piece[..end.unwrap_or(piece.len())];
            let room = MAX_BYTES - line.len();
            whole &= content.len() <= room;
            line.extend_from_slice(&content[..content.len().min(room)]);
            let Some(end) = end else {
                let length = piece.len();
                self.input.consume(length);
                continue;
            };
            self.after_return = piece[end] == b'\r';
            self.input.consume(end + 1);
            self.number += 1;
            return Ok(Some(whole));
        }
    }
}

/// Why a line has no values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unfit {
    NotUtf8,
    OpenQuote,
}

/// The values of one line.
pub(super) struct Values {
    reader: csv_core::Reader,
    text: String,
    ends: Vec<usize>,
    count: usize,
}

impl Values {
    pub(super) fn new(separator: u8) -> Self {
        let reader = csv_core::ReaderBuilder::new().delimiter(separator).build();
        Self { reader, text: String::new(), ends: Vec::new(), count: 0 }
    }

    /// Cuts a line; `line` gets a line feed at its end.
    pub(super) fn cut(&mut self, line: &mut Vec<u8>) -> Result<(), Unfit> {
        self.count = 0;
        line.push(b'\n');
        let mut out = std::mem::take(&mut self.text).into_bytes();
        out.resize(line.len(), 0);
        if self.ends.len() <= line.len() {
            self.ends.resize(line.len() + 1, 0);
        }
        self.reader.reset();
        let (result, _, written, count) = self.reader.read_record(line, &mut out, &mut self.ends);
        out.truncate(written);
        self.text = String::from_utf8(out).map_err(|_| Unfit::NotUtf8)?;
        match result {
            ReadRecordResult::Record => self.count = count,
            // Nothing but its end: a line without values.
            _ if line.len() == 1 => {}
            // The line feed was taken for a part of a value.
            _ => return Err(Unfit::OpenQuote),
        }
        Ok(())
    }

    pub(super) fn len(&self) -> usize {
        self.count
    }

    /// A value without blanks around it; empty where there is none.
    pub(super) fn get(&self, k: usize) -> &str {
        let bound = |k: usize| self.ends.get(k).copied();
        let Some(end) = bound(k).filter(|_| k < self.count) else { return "" };
        let start = k.checked_sub(1).and_then(bound).unwrap_or(0);
        self.text.get(start..end).unwrap_or_default().trim()
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &str> {
        (0..self.count).map(|k| self.get(k))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str, buffer: usize) -> Vec<(u64, String, bool)> {
        let mut lines = Lines::new(io::BufReader::with_capacity(buffer, text.as_bytes()));
        let (mut line, mut out) = (Vec::new(), Vec::new());
        while let Some(whole) = lines.next_into(&mut line).unwrap() {
            out.push((lines.number, String::from_utf8(line.clone()).unwrap(), whole));
        }
        out
    }

    #[test]
    fn every_line_end_ends_one_line_wherever_the_buffer_ends() {
        for buffer in 1..8 {
            for (text, expected) in [
                ("a\nb", vec!["a", "b"]),
                ("a\r\nb\r\n", vec!["a", "b"]),
                ("a\rb\r", vec!["a", "b"]),
                ("a\n\nb\n", vec!["a", "", "b"]),
                ("\r\r\n\n", vec!["", "", ""]),
                ("", vec![]),
            ] {
                let found = lines(text, buffer);
                let texts: Vec<&str> = found.iter().map(|(_, text, _)| text.as_str()).collect();
                assert_eq!(texts, expected, "{text:?}");
                assert!(found.iter().enumerate().all(|(k, (number, _, whole))| *number == k as u64 + 1 && *whole));
            }
        }
    }

    #[test]
    fn a_line_too_long_is_passed_over_and_the_next_one_read() {
        let found = lines(&format!("a\n{}\nb", "x".repeat(MAX_BYTES + 1)), 4096);
        assert_eq!(
            found.iter().map(|(n, text, whole)| (*n, text.len(), *whole)).collect::<Vec<_>>(),
            [(1, 1, true), (2, MAX_BYTES, false), (3, 1, true)]
        );
    }

    #[test]
    fn a_line_is_cut_into_its_values() {
        let mut values = Values::new(b',');
        let mut cut = |line: &str| {
            values.cut(&mut line.as_bytes().to_vec()).map(|()| values.iter().map(str::to_owned).collect::<Vec<_>>())
        };
        for (line, expected) in [
            ("a, b ,c", vec!["a", "b", "c"]),
            (",,", vec!["", "", ""]),
            ("\"a,b\",\"say \"\"no\"\"\"", vec!["a,b", "say \"no\""]),
            ("2\" pipe,x", vec!["2\" pipe", "x"]),
            ("", vec![]),
        ] {
            assert_eq!(cut(line).unwrap(), expected, "{line:?}");
        }
        assert_eq!(cut("a,\"b"), Err(Unfit::OpenQuote));
        // The quotation mark of the line before is forgotten.
        assert_eq!(cut("a,b").unwrap(), ["a", "b"]);
        assert_eq!(values.cut(&mut b"a,\xFF".to_vec()), Err(Unfit::NotUtf8));
        assert_eq!((values.len(), values.get(0)), (0, ""));
    }
}
