//! Finds EXIF (chunk eXIf) and XMP (chunk iTXt) in a PNG file; wherever they stand, before the pixels or behind.
//! After the PNG specification, third edition (W3C 2025).

use std::borrow::Cow;
use std::io::Read;

const SIGNATURE: &[u8] = b"\x89PNG\r\n\x1a\n";
const XMP_KEYWORD: &[u8] = b"XML:com.adobe.xmp";
/// Limit of an inflated packet.
const MAX_XMP_BYTES: u64 = 1 << 20;

pub(super) fn is_png(bytes: &[u8]) -> bool {
    bytes.starts_with(SIGNATURE)
}

/// The two chunks, where there are any.
#[derive(Default)]
pub(super) struct Metadata<'a> {
    /// A TIFF structure.
    pub(super) exif: Option<&'a [u8]>,
    /// An XMP packet, or a note that says why it cannot be read.
    pub(super) xmp: Option<Result<Cow<'a, [u8]>, String>>,
}

impl<'a> Metadata<'a> {
    pub(super) fn find(bytes: &'a [u8]) -> Self {
        let mut found = Self::default();
        let mut rest = bytes.get(SIGNATURE.len()..).unwrap_or_default();
        // Length, type, content, check sum; the pixels' decoder tests the sums.
        while let (Some(head), Some(kind)) = (rest.first_chunk::<4>(), rest.get(4..8)) {
            let length = u32::from_be_bytes(*head) as usize;
            let Some(content) = rest.get(8..).and_then(|r| r.get(..length)) else { break };
            match kind {
                b"eXIf" => found.exif = Some(content),
                b"iTXt" => found.xmp = xmp_packet(content).or(found.xmp),
                _ => {}
            }
            rest = rest.get(12 + length..).unwrap_or_default();
        }
        found
    }
}

/// Keyword, NUL, compression flag and method, language, NUL, translated keyword, NUL, text.
fn xmp_packet(content: &[u8]) -> Option<Result<Cow<'_, [u8]>, String>> {
    let rest = content.strip_prefix(XMP_KEYWORD)?.strip_prefix(b"\0")?;
    let compressed = *rest.first()? == 1;
    let text = rest.get(2..)?.splitn(3, |b| *b == 0).nth(2)?;
    if !compressed {
        return Some(Ok(Cow::Borrowed(text)));
    }
    let mut packet = Vec::new();
    let inflated = flate2::read::ZlibDecoder::new(text).take(MAX_XMP_BYTES).read_to_end(&mut packet);
    Some(inflated.map(|_| Cow::Owned(packet)).map_err(|e| format!("the compressed XMP packet cannot be read: {e}")))
}
