//! Walks the directories of a TIFF structure (TIFF 6.0 and `BigTIFF`) without trusting a single offset.
//! The EXIF crates at hand refuse sub-directory pointers of type IFD (13), which real cameras write, and one broken
//! value there costs all others.

/// A TIFF structure in memory.
#[derive(Clone, Copy)]
pub(super) struct Structure<'a> {
    bytes: &'a [u8],
    big_endian: bool,
    big_tiff: bool,
}

/// One directory.
#[derive(Default)]
pub(super) struct Directory<'a> {
    entries: Vec<Entry<'a>>,
    /// Entries whose value lies outside the file.
    pub(super) broken: usize,
}

/// One value of a directory.
#[derive(Clone, Copy)]
pub(super) struct Entry<'a> {
    tag: u16,
    kind: u16,
    data: &'a [u8],
    big_endian: bool,
}

fn unsigned(bytes: &[u8], big_endian: bool) -> u64 {
    let push = |sum: u64, byte: &u8| (sum << 8) | u64::from(*byte);
    if big_endian { bytes.iter().fold(0, push) } else { bytes.iter().rev().fold(0, push) }
}

/// Bytes of one item of a TIFF type; `None` for types that do not exist.
fn size_of(kind: u16) -> Option<usize> {
    match kind {
        1 | 2 | 6 | 7 => Some(1),
        3 | 8 => Some(2),
        4 | 9 | 11 | 13 => Some(4),
        5 | 10 | 12 | 16 | 17 | 18 => Some(8),
        _ => None,
    }
}

impl<'a> Structure<'a> {
    /// The structure and the offset of its first directory.
    pub(super) fn open(bytes: &'a [u8]) -> Option<(Self, u64)> {
        let big_endian = match bytes.get(..2)? {
            b"II" => false,
            b"MM" => true,
            _ => return None,
        };
        let mut structure = Self { bytes, big_endian, big_tiff: false };
        match structure.uint(2, 2)? {
            42 => Some((structure, structure.uint(4, 4)?)),
            43 if structure.uint(4, 2)? == 8 => {
                structure.big_tiff = true;
                Some((structure, structure.uint(8, 8)?))
            }
            _ => None,
        }
    }

    fn slice(&self, offset: u64, len: usize) -> Option<&'a [u8]> {
        let start = usize::try_from(offset).ok()?;
        self.bytes.get(start..start.checked_add(len)?)
    }

    fn uint(&self, offset: u64, len: usize) -> Option<u64> {
        self.slice(offset, len).map(|bytes| unsigned(bytes, self.big_endian))
    }

    /// The directory at `offset`; `None` where that lies outside the file.
    pub(super) fn directory(&self, offset: u64) -> Option<Directory<'a>> {
        let (head, item, field) = if self.big_tiff { (8, 20, 8) } else { (2, 12, 4) };
        let count = usize::try_from(self.uint(offset, head)?).ok()?;
        let table = self.slice(offset.checked_add(head as u64)?, count.checked_mul(item)?)?;
        let mut directory = Directory::default();
        for raw in table.chunks_exact(item) {
            let at = |from: usize, len: usize| unsigned(&raw[from..from + len], self.big_endian);
            let (tag, kind, count) = (at(0, 2) as u16, at(2, 2) as u16, at(4, field));
            let size = size_of(kind).and_then(|size| size.checked_mul(usize::try_from(count).ok()?));
            let inline = &raw[4 + field..];
            let data = match size {
                Some(size) if size <= field => inline.get(..size),
                Some(size) => self.slice(unsigned(inline, self.big_endian), size),
                None => None,
            };
            match data {
                Some(data) => directory.entries.push(Entry { tag, kind, data, big_endian: self.big_endian }),
                None => directory.broken += 1,
            }
        }
        Some(directory)
    }
}

impl<'a> Directory<'a> {
    pub(super) fn get(&self, tag: u16) -> Option<Entry<'a>> {
        self.entries.iter().find(|entry| entry.tag == tag).copied()
    }
}

impl<'a> Entry<'a> {
    /// The value's bytes as they stand in the file.
    pub(super) fn bytes(&self) -> &'a [u8] {
        self.data
    }

    /// Text up to the first NUL, without the blanks around it; `None` where none is left.
    pub(super) fn text(&self) -> Option<&'a str> {
        let text = self.data.split(|b| *b == 0).next().unwrap_or_default();
        std::str::from_utf8(text).ok().map(str::trim).filter(|text| !text.is_empty())
    }

    /// Item `index` as a number; `None` where there is none, for text, and for a fraction over 0.
    pub(super) fn number(&self, index: usize) -> Option<f64> {
        let size = size_of(self.kind)?;
        let raw = self.data.chunks_exact(size).nth(index)?;
        let whole = unsigned(raw, self.big_endian);
        let part = |from: usize| unsigned(&raw[from..from + 4], self.big_endian) as u32;
        let value = match self.kind {
            1 | 3 | 4 | 7 | 13 | 16 | 18 => whole as f64,
            6 => f64::from(whole as u8 as i8),
            8 => f64::from(whole as u16 as i16),
            9 => f64::from(whole as u32 as i32),
            17 => whole as i64 as f64,
            11 => f64::from(f32::from_bits(whole as u32)),
            12 => f64::from_bits(whole),
            5 => f64::from(part(0)) / f64::from(part(4)),
            10 => f64::from(part(0) as i32) / f64::from(part(4) as i32),
            _ => return None,
        };
        value.is_finite().then_some(value)
    }

    /// The value as the offset of a directory.
    pub(super) fn pointer(&self) -> Option<u64> {
        matches!(self.kind, 4 | 13 | 16 | 18).then(|| unsigned(self.data, self.big_endian))
    }
}
