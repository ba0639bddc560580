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
