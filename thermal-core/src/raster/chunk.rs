//! Reads the strips or tiles of a page into one array of words.

use super::page::{Chunks, Page, Predictor};
use super::{COPY_AGAIN, EXPORT_PLAIN, Source};
use crate::Result;

/// A whole number of `N` bytes that holds one sample's bits.
pub(super) trait Word<const N: usize>: Copy + Default {
    fn from_big_endian(bytes: [u8; N]) -> Self;
    fn from_little_endian(bytes: [u8; N]) -> Self;
    /// Sum modulo the word's range.
    fn plus(self, other: Self) -> Self;
    /// Moves the bytes up by one and sets the lowest.
    fn push(self, byte: u8) -> Self;
}

macro_rules! word {
    ($int:ty, $bytes:literal) => {
        impl Word<$bytes> for $int {
            fn from_big_endian(bytes: [u8; $bytes]) -> Self {
                Self::from_be_bytes(bytes)
            }
            fn from_little_endian(bytes: [u8; $bytes]) -> Self {
                Self::from_le_bytes(bytes)
            }
            fn plus(self, other: Self) -> Self {
                self.wrapping_add(other)
            }
            fn push(self, byte: u8) -> Self {
                self << 8 | Self::from(byte)
            }
        }
    };
}
word!(u16, 2);
word!(u32, 4);

/// The samples of `page` as words of `N` bytes, row by row.
pub(super) fn words<const N: usize, W: Word<N>>(source: &Source<'_>, page: &mut Page<'_>) -> Result<Vec<W>> {
    let chunks = &page.chunks;
    let across = page.width.div_ceil(chunks.width);
    let count = across * page.height.div_ceil(chunks.height);
    let row_bytes = chunks.width * N;
    let at_chunk = |index: usize, (reason, remedy): (String, &str)| {
        source.error(format!("{}, {} {} of {count}", page.place, chunks.word, index + 1), reason, remedy)
    };
    let mut unpacked = if page.codec.is_some() { vec![0; chunks.height * row_bytes] } else { Vec::new() };
    // Strips may share bytes, but a small file whose strips all name the whole of it would be unpacked for hours.
    let mut budget = source.bytes.len() + 2 * N * page.width * page.height;
    let mut out = vec![W::default(); page.width * page.height];

    for index in 0..count {
        let (left, top) = (index % across * chunks.width, index / across * chunks.height);
        let columns = chunks.width.min(page.width - left);
        let wanted = chunks.height.min(page.height - top) * row_bytes;

        // Some writers give the last strip the length of a full one: of unpacked data only what is wanted counts.
        let at_most = if page.codec.is_some() { u64::MAX } else { wanted as u64 };
        let packed = packed(source, chunks, index, at_most).map_err(|e| at_chunk(index, e))?;
        budget = budget
            .checked_sub(packed.len())
            .ok_or_else(|| at_chunk(index, (format!("the {}s overlap many times over", chunks.word), COPY_AGAIN)))?;
        let (bytes, got) = if let Some(codec) = &mut page.codec {
            let got = codec
                .unpack(packed, &mut unpacked)
                .map_err(|e| at_chunk(index, (format!("its {} data are damaged ({e})", codec.name()), COPY_AGAIN)))?;
            if page.predictor == Predictor::FloatingPoint {
                unpacked.chunks_exact_mut(row_bytes).for_each(sum_bytes);
            }
            (&*unpacked, got)
        } else {
            (packed, packed.len())
        };
        if got < wanted {
            let reason = format!("it holds {got} of the {wanted} bytes of its rows");
            return Err(at_chunk(index, (reason, COPY_AGAIN)));
        }
        let rows_out = out.chunks_exact_mut(page.width).skip(top);
        for (from, to) in bytes.chunks_exact(row_bytes).zip(rows_out).take(wanted / row_bytes) {
            let to = to.get_mut(left..left + columns).unwrap_or_default();
            match page.predictor {
                Predictor::None => plain(from, page.big_endian, to),
                Predictor::Horizontal => sums(from, page.big_endian, to),
                Predictor::FloatingPoint => planes(from, chunks.width, to),
            }
        }
    }
    Ok(out)
}

/// The bytes of a strip or tile, no more than `at_most`; `Err` holds what is wrong with them and the remedy.
fn packed<'a>(
    source: &Source<'a>,
    chunks: &Chunks<'_>,
    index: usize,
    at_most: u64,
) -> std::result::Result<&'a [u8], (String, &'static str)> {
    let offset = chunks.offsets.get(index).unwrap_or(0);
    let length = chunks.byte_counts.get(index).unwrap_or(0).min(at_most);
    if offset == 0 || length == 0 {
        return Err(("it is left out of the file, so its pixels have no values".to_owned(), EXPORT_PLAIN));
    }
    let end = offset.saturating_add(length);
    let range = usize::try_from(offset).ok().zip(usize::try_from(end).ok());
    range
        .and_then(|(start, end)| source.bytes.get(start..end))
        .ok_or_else(|| (format!("it ends at byte {end} of {}: the file is cut short", source.bytes.len()), COPY_AGAIN))
}

/// A row stored as it is.
fn plain<const N: usize, W: Word<N>>(from: &[u8], big_endian: bool, to: &mut [W]) {
    let (from, _) = from.as_chunks();
    if big_endian {
        to.iter_mut().zip(from).for_each(|(to, from)| *to = W::from_big_endian(*from));
    } else {
        to.iter_mut().zip(from).for_each(|(to, from)| *to = W::from_little_endian(*from));
    }
}

/// A row stored as differences of neighbours.
fn sums<const N: usize, W: Word<N>>(from: &[u8], big_endian: bool, to: &mut [W]) {
    plain(from, big_endian, to);
    let mut sum = W::default();
    for word in to {
        sum = sum.plus(*word);
        *word = sum;
    }
}

/// A row stored as planes of `width` bytes, the most significant first, whatever the file's byte order.
fn planes<const N: usize, W: Word<N>>(from: &[u8], width: usize, to: &mut [W]) {
    for plane in from.chunks_exact(width) {
        to.iter_mut().zip(plane).for_each(|(to, byte)| *to = to.push(*byte));
    }
}

/// Replaces differences of neighbouring bytes by the bytes.
fn sum_bytes(row: &mut [u8]) {
    let mut sum = 0u8;
    for byte in row {
        sum = sum.wrapping_add(*byte);
        *byte = sum;
    }
}
