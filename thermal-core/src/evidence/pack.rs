//! Packs the lines of a picture: deflate (RFC 1951) with one code for all pictures. Once the line above is taken off, half
//! of the bytes are 0 and nearly all others close to it, so a code known beforehand is within some percent of the best.

use simd_adler32::Adler32;

use crate::buffer::Buffer;

/// Literals, the end, and lengths.
const SYMBOLS: usize = 286;
/// The end of the data.
const END: usize = 256;
/// The longest copy, bytes, and its symbol.
const LONGEST: usize = 258;
const LONGEST_SYMBOL: usize = 285;
/// Fewer zeros take no more room by their codes of one bit than as a copy.
const LEAST_COPY: usize = 15;
/// The filter "up" of PNG (ISO/IEC 15948, 9.2).
const UP: u8 = 2;

/// Bits of a symbol's code: near the best ones for some hundred pictures; together they use up all codes.
fn length(symbol: usize) -> u32 {
    match symbol {
        0 => 1,
        1 | 255 => 3,
        2 | 254 => 5,
        3 | 5 | 251 | 253 => 7,
        END | LONGEST_SYMBOL => 8,
        4 | 257..LONGEST_SYMBOL => 10,
        _ => 11,
    }
}

/// Each symbol's code, to be written from its lowest bit on, and its length (RFC 1951, 3.2.2).
fn codes() -> [(u64, u32); SYMBOLS] {
    let mut codes = [(0, 0); SYMBOLS];
    let mut next = 0_u64;
    for bits in 1..=11 {
        for (_, code) in codes.iter_mut().enumerate().filter(|(symbol, _)| length(*symbol) == bits) {
            *code = (next.reverse_bits() >> (u64::BITS - bits), bits);
            next += 1;
        }
        next <<= 1;
    }
    codes
}

/// What has been packed, and what is not yet.
struct Packer {
    codes: [(u64, u32); SYMBOLS],
    bytes: Buffer<u8>,
    /// Bytes written; so many bits beyond them, less than eight; so many zeros beyond those.
    written: usize,
    held: u64,
    count: u32,
    zeros: usize,
}

impl Packer {
    /// Writes at most 56 bits, the lowest first.
    fn put(&mut self, (bits, count): (u64, u32)) {
        self.held |= bits << self.count;
        self.count += count;
        if let Some(room) = self.bytes.get_mut(self.written..).and_then(|room| room.first_chunk_mut()) {
            *room = self.held.to_le_bytes();
        }
        self.written += (self.count / 8) as usize;
        self.held >>= self.count & !7;
        self.count &= 7;
    }

    /// Writes the zeros: each by its code, or the first so and the others as copies of the byte before.
    fn put_zeros(&mut self) {
        let mut left = std::mem::take(&mut self.zeros);
        if left > LEAST_COPY {
            self.put(self.codes[0]);
            left -= 1;
            while left >= LEAST_COPY {
                let length = left.min(LONGEST);
                let beyond = length - 3;
                let extra = beyond.ilog2() - 2;
                let (symbol, extra) = match length {
                    LONGEST => (LONGEST_SYMBOL, 0),
                    _ => (END + 1 + 4 * extra as usize + (beyond >> extra), extra),
                };
                self.put(self.codes[symbol]);
                // A bit of 0 is the distance, 1.
                self.put((beyond as u64 & ((1 << extra) - 1), extra + 1));
                left -= length;
            }
        }
        // The code of a zero is a bit of 0.
        self.put((0, left as u32));
    }

    fn put_bytes(&mut self, bytes: &[u8]) {
        self.put_zeros();
        let (fours, rest) = bytes.as_chunks::<4>();
        for four in fours {
            let (mut all, mut count) = (0, 0);
            for byte in four {
                let (bits, length) = self.codes[usize::from(*byte)];
                all |= bits << count;
                count += length;
            }
            self.put((all, count));
        }
        for byte in rest {
            self.put(self.codes[usize::from(*byte)]);
        }
    }
}

/// The pixels, a byte each in lines of `width`, as the data of a PNG file: filtered, packed, with the frame of zlib (RFC 1950).
pub(super) fn pack(pixels: &[u8], width: usize) -> Vec<u8> {
    let most = 11 * (pixels.len() + pixels.len() / width) / 8 + SYMBOLS;
    let mut packer = Packer { codes: codes(), bytes: Buffer::any(most), written: 0, held: 0, count: 0, zeros: 0 };
    packer.put((0x0178, 16));
    // One block, with codes of its own: of 286 symbols, of one distance; the lengths of all 19 kinds are told.
    packer.put((0b101 | (SYMBOLS as u64 - 257) << 3 | 15 << 13, 17));
    // Repeated lengths have no code, the lengths themselves one of four bits each.
    packer.put((0, 9));
    (0..16).for_each(|_| packer.put((4, 3)));
    for length in (0..SYMBOLS).map(length).chain([1]) {
        packer.put((u64::from(length.reverse_bits() >> 28), 4));
    }
    let mut sum = Adler32::new();
    let (blank, mut line) = (vec![0; width], vec![UP; 1 + width]);
    let mut above = blank.as_slice();
    for own in pixels.chunks_exact(width) {
        line[1..].iter_mut().zip(own).zip(above).for_each(|((to, own), above)| *to = own.wrapping_sub(*above));
        above = own;
        sum.write(&line);
        let (eights, rest) = line.as_chunks::<8>();
        for eight in eights {
            if u64::from_ne_bytes(*eight) == 0 {
                packer.zeros += 8;
            } else {
                packer.put_bytes(eight);
            }
        }
        packer.put_bytes(rest);
    }
    packer.put(packer.codes[END]);
    packer.put((0, 7));
    let mut packed = packer.bytes[..packer.written].to_vec();
    packed.extend(sum.finish().to_be_bytes());
    packed
}

#[cfg(test)]
mod tests {
    use std::io::Read;

    use super::*;

    fn unpack(packed: &[u8], width: usize) -> Vec<u8> {
        let (mut lines, mut pixels) = (vec![], vec![0; width]);
        flate2::read::ZlibDecoder::new(packed).read_to_end(&mut lines).unwrap();
        for line in lines.chunks_exact(1 + width) {
            assert_eq!(line[0], UP);
            let above = pixels.len() - width;
            (0..width).for_each(|x| pixels.push(line[1 + x].wrapping_add(pixels[above + x])));
        }
        pixels.split_off(width)
    }

    #[test]
    fn the_codes_are_all_there_are() {
        assert_eq!((0..SYMBOLS).map(|symbol| 2048 >> length(symbol)).sum::<usize>(), 2048);
    }

    #[test]
    fn pictures_come_back() {
        // Each byte, zeros of each length up to some thousand, what does not divide by eight.
        for width in [1, 7, 8, 255, 1280] {
            let noise: Vec<u8> =
                (0..97 * width as u64).map(|i| (i.wrapping_mul(i).wrapping_mul(2_654_435_761) >> 13) as u8).collect();
            let mut runs = vec![];
            (0..600).for_each(|zeros| runs.extend((0..zeros).map(|_| 0).chain([zeros as u8 | 1])));
            runs.truncate(runs.len() / width * width);
            for pixels in [vec![], vec![0; 5 * width], vec![7; 300 * width], noise, runs] {
                assert!(unpack(&pack(&pixels, width), width) == pixels, "{width} {}", pixels.len());
            }
        }
    }
}
