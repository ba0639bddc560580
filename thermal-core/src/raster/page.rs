//! Finds the page of a TIFF file that holds values, and how its pixels lie in the file.

use super::codec::Codec;
use super::ifd::{File, Ifd, Tag, Values};
use super::{COPY_AGAIN, EXPORT_PLAIN, EXPORT_VALUES, Limits, checked_size};
use crate::{Error, Result};

/// A page that can be decoded.
pub(super) struct Page<'a> {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) sample: Sample,
    pub(super) white_is_zero: bool,
    pub(super) big_endian: bool,
    /// `None`: not packed.
    pub(super) codec: Option<Codec>,
    pub(super) predictor: Predictor,
    pub(super) chunks: Chunks<'a>,
    /// "page 1": its place in messages.
    pub(super) place: String,
}

/// The strips or tiles of a page, row by row of them from the upper left.
pub(super) struct Chunks<'a> {
    /// "strip" or "tile".
    pub(super) word: &'static str,
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) offsets: Values<'a>,
    pub(super) byte_counts: Values<'a>,
}

/// What one pixel is.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Sample {
    U16,
    F32,
}

/// How the rows were changed before packing.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Predictor {
    /// Not at all.
    None,
    /// Each pixel less its left neighbour, as whole numbers even for float32 (TIFF 6.0, section 14).
    Horizontal,
    /// The bytes of a row sorted by significance, then each less the one before (TIFF Technical Note 3).
    FloatingPoint,
}

/// What a page turned out to be.
enum Role<'a> {
    Values(Box<Page<'a>>),
    /// Passed over, with what to say if no page holds values.
    Other(Error),
}

/// The first page that holds values. Pictures, reduced copies and masks are passed over; a page of values stored in a
/// way that is not served is an error, for a later page may mean something else.
pub(super) fn first_with_values<'a>(file: &'a File<'a>, limits: &Limits) -> Result<Page<'a>> {
    let mut at = file.first;
    let mut seen = Vec::new();
    let mut complaint = None;
    while at != 0 && seen.len() < limits.max_pages {
        if seen.contains(&at) {
            return Err(file.source.error(
                format!("page {}", seen.len()),
                format!("the next page is said to be at byte {at}, which was read before: the pages run in a circle"),
                COPY_AGAIN,
            ));
        }
        seen.push(at);
        let ifd = file.directory(at, seen.len())?;
        match classify(file, &ifd, limits)? {
            Role::Values(page) => return Ok(*page),
            Role::Other(reason) => complaint = complaint.or(Some(reason)),
        }
        at = ifd.next;
    }
    Err(complaint.unwrap_or_else(|| file.source.error("file", "it has no page", COPY_AGAIN)))
}

fn classify<'a>(file: &'a File<'a>, ifd: &Ifd<'a>, limits: &Limits) -> Result<Role<'a>> {
    let picture = |tag, reason: String| Ok(Role::Other(ifd.error(tag, reason, EXPORT_VALUES)));
    let new_subfile = ifd.first(Tag::NewSubfileType)?.unwrap_or(0);
    if new_subfile & 0b101 != 0 || ifd.first(Tag::SubfileType)? == Some(2) {
        return picture(Tag::NewSubfileType, "a reduced copy or a mask, and no full page of values".into());
    }
    let photometric = ifd.first(Tag::PhotometricInterpretation)?;
    let bits = ifd.first(Tag::BitsPerSample)?.unwrap_or(1);
    let bands = ifd.first(Tag::SamplesPerPixel)?.unwrap_or(1);
    let color = match photometric {
        None | Some(0 | 1) => None,
        Some(2) => Some("RGB"),
        Some(3) => Some("palette"),
        Some(4) => Some("mask"),
        Some(5) => Some("CMYK"),
        Some(6) => Some("YCbCr"),
        Some(8..=10) => Some("Lab"),
        Some(32803) => Some("colour filter"),
        Some(other) => {
            let reason = format!("interpretation {other} is not grey");
            return Err(ifd.error(Tag::PhotometricInterpretation, reason, EXPORT_VALUES));
        }
    };
    if let Some(color) = color {
        return picture(
            Tag::PhotometricInterpretation,
            format!("the page holds a picture ({color}), not measured values"),
        );
    }
    if bits <= 8 {
        return picture(Tag::BitsPerSample, format!("the page holds a picture ({bits}-bit), not measured values"));
    }
    if bands != 1 {
        let reason = format!("each pixel has {bands} values; a frame has one");
        return Err(ifd.error(Tag::SamplesPerPixel, reason, EXPORT_VALUES));
    }

    let format = ifd.first(Tag::SampleFormat)?.unwrap_or(1);
    let sample = match (bits, format) {
        (16, 1) => Sample::U16,
        (32, 3) => Sample::F32,
        _ => {
            let kind = match format {
                1 => "unsigned whole",
                2 => "signed whole",
                3 => "floating-point",
                _ => "other",
            };
            let reason = format!("{bits}-bit {kind} numbers; unsigned 16-bit and 32-bit floating-point are read");
            return Err(ifd.error(Tag::BitsPerSample, reason, EXPORT_PLAIN));
        }
    };
    let compression = ifd.first(Tag::Compression)?.unwrap_or(1);
    let codec = Codec::new(compression)
        .map_err(|name| ifd.error(Tag::Compression, format!("{compression}, {name}, is not read"), EXPORT_PLAIN))?;
    let predictor = match (ifd.first(Tag::Predictor)?.unwrap_or(1), &codec, sample) {
        (1, _, _) => Predictor::None,
        (2 | 3, None, _) => {
            // libtiff ignores it, tifffile applies it, and nobody writes it.
            let reason = "a predictor without compression: readers differ on its meaning";
            return Err(ifd.error(Tag::Predictor, reason, EXPORT_PLAIN));
        }
        (2, _, _) => Predictor::Horizontal,
        (3, _, Sample::F32) => Predictor::FloatingPoint,
        (other, _, _) => {
            let reason = format!("predictor {other} is not defined for {bits}-bit samples of this format");
            return Err(ifd.error(Tag::Predictor, reason, EXPORT_PLAIN));
        }
    };
    if ifd.first(Tag::FillOrder)?.unwrap_or(1) != 1 {
        return Err(ifd.error(Tag::FillOrder, "bits in reversed order are not read", EXPORT_PLAIN));
    }

    let (width, height) = (ifd.required(Tag::ImageWidth)?, ifd.required(Tag::ImageLength)?);
    let (width, height) = checked_size(&file.source, &ifd.place, width, height, limits)?;
    let chunks = chunks(file, ifd, (width, height), limits)?;
    Ok(Role::Values(Box::new(Page {
        width,
        height,
        sample,
        white_is_zero: photometric == Some(0),
        big_endian: file.big_endian,
        codec,
        predictor,
        chunks,
        place: ifd.place.clone(),
    })))
}

fn chunks<'a>(file: &'a File<'a>, ifd: &Ifd<'a>, page_size: (usize, usize), limits: &Limits) -> Result<Chunks<'a>> {
    let (width, height) = page_size;
    let tiled = ifd.first(Tag::TileWidth)?.is_some();
    let (word, offsets_tag, counts_tag) = if tiled {
        ("tile", Tag::TileOffsets, Tag::TileByteCounts)
    } else {
        ("strip", Tag::StripOffsets, Tag::StripByteCounts)
    };
    let (chunk_width, chunk_height) = if tiled {
        let (w, h) = (ifd.required(Tag::TileWidth)?, ifd.required(Tag::TileLength)?);
        checked_size(&file.source, &format!("{}, tile size", ifd.place), w, h, limits)?
    } else {
        let rows = ifd.first(Tag::RowsPerStrip)?.unwrap_or(u64::MAX).min(height as u64) as usize;
        if rows == 0 {
            return Err(ifd.error(Tag::RowsPerStrip, "it is 0", COPY_AGAIN));
        }
        (width, rows)
    };
    let count = width.div_ceil(chunk_width) * height.div_ceil(chunk_height);
    let of = |tag| {
        let values: Values<'a> = ifd.values(tag)?.ok_or_else(|| ifd.error(tag, "it is missing", EXPORT_PLAIN))?;
        if values.len() < count {
            let reason = format!("it lists {} of the {count} {word}s of the page", values.len());
            return Err(ifd.error(tag, reason, COPY_AGAIN));
        }
        Ok(values)
    };
    Ok(Chunks {
        word,
        width: chunk_width,
        height: chunk_height,
        offsets: of(offsets_tag)?,
        byte_counts: of(counts_tag)?,
    })
}
