//! Finds the EXIF block of a JPEG file (CIPA DC-008, section 4.7: an APP1 segment that begins with `Exif` and two zeros).

/// The file begins as JPEG does.
pub(super) fn is_jpeg(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xFF, 0xD8, 0xFF])
}

/// The TIFF structure within the EXIF segment; `None` where there is none before the picture's data.
pub(super) fn exif(bytes: &[u8]) -> Option<&[u8]> {
    let mut rest = bytes.get(2..)?;
    loop {
        let marker = match rest {
            // Fill bytes may stand before a marker.
            [0xFF, 0xFF, ..] => {
                rest = rest.get(1..)?;
                continue;
            }
            [0xFF, marker, ..] => *marker,
            _ => return None,
        };
        let length = usize::from(u16::from_be_bytes([*rest.get(2)?, *rest.get(3)?]));
        let segment = rest.get(4..2 + length)?;
        match marker {
            0xE1 if segment.starts_with(b"Exif\0\0") => return segment.get(6..),
            // Start of scan, end of image: no metadata follow.
            0xDA | 0xD9 => return None,
            _ => rest = rest.get(2 + length..)?,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exif_segment_is_found_behind_others_and_damage_is_no_panic() {
        let mut file = vec![0xFF, 0xD8];
        file.extend([0xFF, 0xE0, 0, 6, b'J', b'F', b'I', b'F']);
        file.extend([0xFF, 0xFF, 0xE1, 0, 12]);
        file.extend(b"Exif\0\0II*\0");
        file.extend([0xFF, 0xDA, 0, 2, 1, 2, 3, 0xFF, 0xD9]);
        assert!(is_jpeg(&file));
        assert_eq!(exif(&file), Some(&b"II*\0"[..]));
        for cut in 0..file.len() {
            let found = exif(&file[..cut]);
            assert!(found.is_none() || cut >= 25, "{cut}");
        }
        // A length of less than two would stand still.
        assert_eq!(exif(&[0xFF, 0xD8, 0xFF, 0xE0, 0, 0, 0, 0]), None);
    }
}
