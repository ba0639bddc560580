//! Unpacks one strip or tile into a buffer of known size; what would go beyond it is not unpacked.

use flate2::{Decompress, FlushDecompress, Status};
use weezl::{BitOrder, LzwStatus};

/// How the strips of a page are packed, where they are; holds the unpacker's memory from one strip to the next.
pub(super) enum Codec {
    PackBits,
    Lzw(Box<weezl::decode::Decoder>),
    Deflate(Box<Decompress>),
    Zstd(zstd::bulk::Decompressor<'static>),
}

impl Codec {
    /// The codec of a value of the Compression tag, `None` where that says uncompressed; `Err` holds the name of one
    /// that is not served.
    pub(super) fn new(compression: u64) -> Result<Option<Self>, String> {
        let codec = match compression {
            1 => return Ok(None),
            5 => Self::Lzw(Box::new(weezl::decode::Decoder::with_tiff_size_switch(BitOrder::Msb, 8))),
            8 | 32946 => Self::Deflate(Box::new(Decompress::new(true))),
            32773 => Self::PackBits,
            50000 => Self::Zstd(zstd::bulk::Decompressor::new().map_err(|e| e.to_string())?),
            2..=4 => return Err("a fax code for black and white".to_owned()),
            6 | 7 => return Err("JPEG, which alters the values".to_owned()),
            34712 => return Err("JPEG 2000".to_owned()),
            34887 => return Err("LERC".to_owned()),
            34925 => return Err("LZMA".to_owned()),
            _ => return Err("unknown here".to_owned()),
        };
        Ok(Some(codec))
    }

    /// The name for messages.
    pub(super) fn name(&self) -> &'static str {
        match self {
            Self::PackBits => "PackBits",
            Self::Lzw(_) => "LZW",
            Self::Deflate(_) => "deflate",
            Self::Zstd(_) => "zstd",
        }
    }

    /// Unpacks `packed` into `out` and returns how many bytes of it were filled; `Err` holds the unpacker's reason.
    pub(super) fn unpack(&mut self, packed: &[u8], out: &mut [u8]) -> Result<usize, String> {
        match self {
            Self::PackBits => Ok(pack_bits(packed, out)),
            Self::Lzw(decoder) => lzw(decoder, packed, out),
            Self::Deflate(state) => deflate(state, packed, out),
            Self::Zstd(context) => context.decompress_to_buffer(packed, out).map_err(|e| e.to_string()),
        }
    }
}

/// Copies as much as fits.
fn copy(from: &[u8], to: &mut [u8]) -> usize {
    let n = from.len().min(to.len());
    if let (Some(to), Some(from)) = (to.get_mut(..n), from.get(..n)) {
        to.copy_from_slice(from);
    }
    n
}

/// TIFF 6.0, section 9.
fn pack_bits(mut packed: &[u8], out: &mut [u8]) -> usize {
    let mut filled = 0;
    while let [head, tail @ ..] = packed {
        let Some(free) = out.get_mut(filled..).filter(|free| !free.is_empty()) else { break };
        let head = usize::from(*head);
        match (head, tail) {
            (0..=127, _) => {
                let literal = tail.get(..=head).unwrap_or(tail);
                filled += copy(literal, free);
                packed = tail.get(literal.len()..).unwrap_or_default();
            }
            (128, _) => packed = tail,
            (_, [value, rest @ ..]) => {
                let run = (257 - head).min(free.len());
                free.iter_mut().take(run).for_each(|to| *to = *value);
                filled += run;
                packed = rest;
            }
            (_, []) => break,
        }
    }
    filled
}

/// TIFF 6.0, section 13.
fn lzw(decoder: &mut weezl::decode::Decoder, packed: &[u8], out: &mut [u8]) -> Result<usize, String> {
    // Before TIFF 6.0 some writers put the bits in the other order; such data begin with the clear code as 00 x1.
    if matches!(packed, [0, second, ..] if second & 1 == 1) {
        return Err("bits in the order of the time before TIFF 6.0".to_owned());
    }
    decoder.reset();
    let (mut used, mut filled) = (0, 0);
    loop {
        let step =
            decoder.decode_bytes(packed.get(used..).unwrap_or_default(), out.get_mut(filled..).unwrap_or_default());
        used += step.consumed_in;
        filled += step.consumed_out;
        match step.status {
            _ if filled == out.len() => break,
            Err(e) => return Err(e.to_string()),
            Ok(LzwStatus::Done | LzwStatus::NoProgress) => break,
            Ok(LzwStatus::Ok) if step.consumed_in == 0 && step.consumed_out == 0 => break,
            Ok(LzwStatus::Ok) => {}
        }
    }
    Ok(filled)
}

/// RFC 1950.
fn deflate(state: &mut Decompress, packed: &[u8], out: &mut [u8]) -> Result<usize, String> {
    state.reset(true);
    let status = state.decompress(packed, out, FlushDecompress::Finish).map_err(|e| e.to_string())?;
    let filled = state.total_out() as usize;
    if status != Status::StreamEnd && filled == out.len() {
        // All is there; read on to the checksum, which tells damaged values from sound ones.
        let rest = packed.get(state.total_in() as usize..).unwrap_or_default();
        state.decompress(rest, &mut [0; 256], FlushDecompress::Finish).map_err(|e| e.to_string())?;
    }
    Ok(filled)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of `PackBits` in Apple's Technical Note TN1023, from memory.
    #[test]
    fn pack_bits_unpacks_the_published_example() {
        let packed = [0xFE, 0xAA, 0x02, 0x80, 0x00, 0x2A, 0xFD, 0xAA, 0x03, 0x80, 0x00, 0x2A, 0x22, 0xF7, 0xAA];
        let mut values = vec![0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0x22];
        values.extend([0xAA; 10]);
        let mut out = [0; 30];
        assert_eq!(pack_bits(&packed, &mut out), 24);
        assert_eq!(out[..24], values);
        assert_eq!(pack_bits(&packed, &mut out[..20]), 20, "a run stops at the end of the buffer");
        assert_eq!(pack_bits(&packed[..4], &mut out), 4, "a literal stops at the end of the data");
        assert_eq!(pack_bits(&[128, 0, 7, 128, 255], &mut out), 1, "128 says nothing; a run without value is none");
    }

    #[test]
    fn lzw_of_before_tiff_6_is_named() {
        let reason = lzw(&mut weezl::decode::Decoder::with_tiff_size_switch(BitOrder::Msb, 8), &[0, 1, 2], &mut [0; 4]);
        assert!(reason.unwrap_err().contains("before TIFF 6.0"));
    }

    /// RFC 1950: the checksum follows the data, and is looked at where the buffer is full before the stream ends.
    #[test]
    fn deflate_checks_the_sum() {
        // A stored block of "ab" (RFC 1951, section 3.2.4); Adler-32 of "ab" is 0x012600C4.
        let mut stream = vec![0x78, 0x01, 0x01, 0x02, 0x00, 0xFD, 0xFF, b'a', b'b', 0x01, 0x26, 0x00, 0xC4];
        let (mut state, mut out) = (Decompress::new(true), [0; 2]);
        assert_eq!(deflate(&mut state, &stream, &mut out), Ok(2));
        assert_eq!(&out, b"ab");
        assert_eq!(deflate(&mut state, &stream[..8], &mut out), Ok(1), "cut short");
        stream[7] = b'c';
        assert!(deflate(&mut state, &stream, &mut out).is_err());
    }
}
