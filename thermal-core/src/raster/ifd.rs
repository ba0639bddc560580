//! The directories of a TIFF or `BigTIFF` file: only the tags that say how the pixels are stored, values read in place.

use super::{COPY_AGAIN, EXPORT_PLAIN, Source};
use crate::{Error, Result};

/// The tags that are read, by the names of TIFF 6.0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tag {
    NewSubfileType = 254,
    SubfileType = 255,
    ImageWidth = 256,
    ImageLength = 257,
    BitsPerSample = 258,
    Compression = 259,
    PhotometricInterpretation = 262,
    FillOrder = 266,
    StripOffsets = 273,
    SamplesPerPixel = 277,
    RowsPerStrip = 278,
    StripByteCounts = 279,
    Predictor = 317,
    TileWidth = 322,
    TileLength = 323,
    TileOffsets = 324,
    TileByteCounts = 325,
    SampleFormat = 339,
}

/// A TIFF file whose header has been read.
pub(super) struct File<'a> {
    pub(super) source: Source<'a>,
    pub(super) big_endian: bool,
    big_tiff: bool,
    /// Where the first directory is.
    pub(super) first: u64,
}

/// One directory: the description of one page.
pub(super) struct Ifd<'a> {
    file: &'a File<'a>,
    /// "page 2": its place in messages.
    pub(super) place: String,
    entries: Vec<Entry>,
    /// Where the next directory is; 0: nowhere.
    pub(super) next: u64,
}

struct Entry {
    tag: u16,
    kind: u16,
    count: u64,
    /// Where the entry's value field is.
    field: usize,
}

/// The whole numbers of one tag, in the file's bytes.
#[derive(Clone, Copy)]
pub(super) struct Values<'a> {
    bytes: &'a [u8],
    size: usize,
    big_endian: bool,
}

impl Values<'_> {
    pub(super) fn len(&self) -> usize {
        self.bytes.len() / self.size
    }

    pub(super) fn get(&self, index: usize) -> Option<u64> {
        let start = index.checked_mul(self.size)?;
        number(self.bytes, start, self.size, self.big_endian)
    }
}

fn number(bytes: &[u8], start: usize, size: usize, big_endian: bool) -> Option<u64> {
    let digits = bytes.get(start..start.checked_add(size)?)?;
    let join = |sum: u64, digit: &u8| sum << 8 | u64::from(*digit);
    Some(if big_endian { digits.iter().fold(0, join) } else { digits.iter().rev().fold(0, join) })
}

impl<'a> File<'a> {
    /// Reads the header; the caller has seen the first four bytes of one.
    pub(super) fn open(source: Source<'a>) -> Result<Self> {
        let big_endian = source.bytes.starts_with(b"M");
        let read = |start, size| {
            number(source.bytes, start, size, big_endian).ok_or_else(|| {
                source.error("header", format!("the file ends after {} bytes", source.bytes.len()), COPY_AGAIN)
            })
        };
        let big_tiff = read(2, 2)? == 43;
        if big_tiff && read(4, 4)? != if big_endian { 8 << 16 } else { 8 } {
            return Err(source.error("header", "a BigTIFF with offsets of other than 8 bytes", EXPORT_PLAIN));
        }
        let first = if big_tiff { read(8, 8)? } else { read(4, 4)? };
        Ok(Self { source, big_endian, big_tiff, first })
    }

    /// Reads the directory at byte `at`; `page` counts from 1.
    pub(super) fn directory(&'a self, at: u64, page: usize) -> Result<Ifd<'a>> {
        let place = format!("page {page}");
        let (count_size, entry_size, offset_size) = if self.big_tiff { (8, 20, 8) } else { (2, 12, 4) };
        let cut = || {
            self.source.error(
                &*place,
                format!("its directory at byte {at} goes beyond the file's {} bytes", self.source.bytes.len()),
                COPY_AGAIN,
            )
        };
        let read = |start, size| self.number(start, size).ok_or_else(cut);
        let at_index = usize::try_from(at).map_err(|_| cut())?;
        let count = read(at_index, count_size)?;
        if count > u64::from(u16::MAX) {
            let reason = format!("its directory at byte {at} claims {count} entries");
            return Err(self.source.error(place, reason, COPY_AGAIN));
        }
        let start = at_index + count_size;
        let end = start + count as usize * entry_size;
        // Where the offset after the last entry lies in the file, all entries do.
        let next = read(end, offset_size)?;
        let mut entries = Vec::new();
        for entry in (start..end).step_by(entry_size) {
            let tag = read(entry, 2)? as u16;
            if Tag::ALL.iter().any(|t| *t as u16 == tag) && !entries.iter().any(|e: &Entry| e.tag == tag) {
                let kind = read(entry + 2, 2)? as u16;
                let count = read(entry + 4, offset_size)?;
                entries.push(Entry { tag, kind, count, field: entry + 4 + offset_size });
            }
        }
        Ok(Ifd { file: self, place, entries, next })
    }

    fn number(&self, start: usize, size: usize) -> Option<u64> {
        number(self.source.bytes, start, size, self.big_endian)
    }
}

impl<'a> Ifd<'a> {
    /// An error at a tag of this page.
    pub(super) fn error(&self, tag: Tag, reason: impl Into<String>, remedy: &str) -> Error {
        self.file.source.error(format!("{}, tag {tag:?} ({})", self.place, tag as u16), reason, remedy)
    }

    /// The numbers of a tag, where the page has it.
    pub(super) fn values(&self, tag: Tag) -> Result<Option<Values<'a>>> {
        let Some(entry) = self.entries.iter().find(|e| e.tag == tag as u16) else { return Ok(None) };
        let size = match entry.kind {
            1 => 1,       // BYTE
            3 => 2,       // SHORT
            4 | 13 => 4,  // LONG, IFD
            16 | 18 => 8, // LONG8, IFD8
            kind => return Err(self.error(tag, format!("type {kind} is none of whole numbers"), EXPORT_PLAIN)),
        };
        let file_len = self.file.source.bytes.len();
        let beyond = |end: u64| self.error(tag, format!("its values end at byte {end} of {file_len}"), COPY_AGAIN);
        let offset_size = if self.file.big_tiff { 8 } else { 4 };
        let bytes = entry.count.checked_mul(size as u64).ok_or_else(|| beyond(u64::MAX))?;
        let start = if bytes <= offset_size as u64 {
            entry.field as u64
        } else {
            self.file.number(entry.field, offset_size).ok_or_else(|| beyond(entry.field as u64))?
        };
        let end = start.saturating_add(bytes);
        let range = usize::try_from(start).ok().zip(usize::try_from(end).ok());
        let bytes = range.and_then(|(start, end)| self.file.source.bytes.get(start..end)).ok_or_else(|| beyond(end))?;
        Ok(Some(Values { bytes, size, big_endian: self.file.big_endian }))
    }

    /// The first number of a tag, where the page has it.
    pub(super) fn first(&self, tag: Tag) -> Result<Option<u64>> {
        let Some(values) = self.values(tag)? else { return Ok(None) };
        values.get(0).map(Some).ok_or_else(|| self.error(tag, "it holds no value", COPY_AGAIN))
    }

    /// The first number of a tag that must be there.
    pub(super) fn required(&self, tag: Tag) -> Result<u64> {
        self.first(tag)?.ok_or_else(|| self.error(tag, "it is missing", COPY_AGAIN))
    }
}

impl Tag {
    const ALL: [Self; 18] = [
        Self::NewSubfileType,
        Self::SubfileType,
        Self::ImageWidth,
        Self::ImageLength,
        Self::BitsPerSample,
        Self::Compression,
        Self::PhotometricInterpretation,
        Self::FillOrder,
        Self::StripOffsets,
        Self::SamplesPerPixel,
        Self::RowsPerStrip,
        Self::StripByteCounts,
        Self::Predictor,
        Self::TileWidth,
        Self::TileLength,
        Self::TileOffsets,
        Self::TileByteCounts,
        Self::SampleFormat,
    ];
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// TIFF 6.0, section 2: a value that fits lies in the entry itself, left-justified; the header is its example.
    #[test]
    fn values_are_read_in_place_or_where_the_entry_points() {
        let mut bytes = b"MM\0*\0\0\0\x08".to_vec();
        bytes.extend([0, 2]);
        bytes.extend([1, 2, 0, 3, 0, 0, 0, 1, 0, 16, 0, 0]); // BitsPerSample, one SHORT: 16
        bytes.extend([1, 0x11, 0, 4, 0, 0, 0, 2, 0, 0, 0, 38]); // StripOffsets, two LONG, at byte 38
        bytes.extend([0, 0, 0, 0]);
        bytes.extend([0, 0, 1, 0, 0, 0, 2, 0]);
        let file = File::open(Source { path: Path::new("f"), bytes: &bytes }).unwrap();
        let ifd = file.directory(file.first, 1).unwrap();
        assert_eq!(ifd.first(Tag::BitsPerSample).unwrap(), Some(16));
        assert_eq!(ifd.first(Tag::Predictor).unwrap(), None);
        let offsets = ifd.values(Tag::StripOffsets).unwrap().unwrap();
        assert_eq!((offsets.len(), offsets.get(0), offsets.get(1), offsets.get(2)), (2, Some(256), Some(512), None));
        let message = ifd.required(Tag::ImageWidth).unwrap_err().to_string();
        assert_eq!(message, "f: page 1, tag ImageWidth (256): it is missing; copy the file again from the card");
    }
}
