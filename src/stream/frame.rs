//! Frames: what stands between two zero bytes on the line.
//!
//! A frame is a payload followed by its CRC-32/ISO-HDLC (catalogue name; the one of ISO
//! 3309 and Ethernet, low byte first), stuffed so that it holds no zero byte (S. Cheshire,
//! M. Baker, “Consistent Overhead Byte Stuffing”, IEEE/ACM Transactions on Networking 7,
//! 1999), and a zero byte behind it. After any damage the next zero byte is the start of
//! something whole again.
//!
//! A checksum of 16 bits passes one damaged frame in 65,536: on a bad line one in a few
//! hours, and that one moves something. One of 32 bits passes one in 4 · 10⁹.

use crc::{CRC_32_ISO_HDLC, Crc};

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// Bytes of the checksum.
pub(crate) const CRC_BYTES: usize = 4;
/// The longest payload: with its CRC it is stuffed with one byte more.
pub(crate) const LONGEST_PAYLOAD: usize = 254 - CRC_BYTES;

/// Appends the frame of a payload of [`LONGEST_PAYLOAD`] bytes at most to `line`.
pub(crate) fn write(payload: &[u8], line: &mut Vec<u8>) {
    let mut checked = payload.to_vec();
    checked.extend(CRC.checksum(payload).to_le_bytes());
    let start = line.len();
    line.resize(start + corncobs::max_encoded_len(checked.len()), 0);
    let length = corncobs::encode_buf(&checked, &mut line[start..]);
    line.truncate(start + length);
}

/// What came in between two zero bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Arrival {
    /// A whole frame: its payload.
    Whole(Vec<u8>),
    /// Something that is none, or no longer one.
    Damaged,
}

/// Picks frames out of a stream of bytes.
#[derive(Debug, Default)]
pub(crate) struct Picker {
    stuffed: Vec<u8>,
    /// More came than a frame can hold.
    too_long: bool,
}

impl Picker {
    /// Takes one byte; what ended with it, if anything did.
    pub(crate) fn take(&mut self, byte: u8) -> Option<Arrival> {
        if byte != 0 {
            self.too_long |=
                self.stuffed.len() > corncobs::max_encoded_len(LONGEST_PAYLOAD + CRC_BYTES);
            if !self.too_long {
                self.stuffed.push(byte);
            }
            return None;
        }
        if self.stuffed.is_empty() && !self.too_long {
            return None;
        }
        self.stuffed.push(byte);
        let whole = if self.too_long { None } else { self.whole() };
        self.stuffed.clear();
        self.too_long = false;
        Some(whole.map_or(Arrival::Damaged, Arrival::Whole))
    }

    /// The payload of what came, its zero byte included, where everything fits.
    fn whole(&self) -> Option<Vec<u8>> {
        let mut bytes = vec![0; corncobs::max_encoded_len(self.stuffed.len())];
        let length = corncobs::decode_buf(&self.stuffed, &mut bytes).ok()?;
        bytes.truncate(length);
        let (payload, crc) = bytes.split_last_chunk::<CRC_BYTES>()?;
        (CRC.checksum(payload).to_le_bytes() == *crc).then(|| payload.to_vec())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picked(line: &[u8]) -> Vec<Arrival> {
        let mut picker = Picker::default();
        line.iter().filter_map(|&byte| picker.take(byte)).collect()
    }

    #[test]
    fn the_checksum_is_that_of_the_catalogue() {
        // Check value of CRC-32/ISO-HDLC in G. Cook, “Catalogue of parametrised CRC
        // algorithms”: the checksum of the ASCII text 123456789.
        assert_eq!(CRC.checksum(b"123456789"), 0xCBF4_3926);
        let mut line = Vec::new();
        write(b"123456789", &mut line);
        assert_eq!(line, b"\x0e123456789\x26\x39\xF4\xCB\0");
    }

    #[test]
    fn stuffing_is_that_of_its_inventors() {
        // Examples 1 to 7 of the article “Consistent Overhead Byte Stuffing” in the
        // English Wikipedia; from memory.
        let count: Vec<u8> = (1..=254).collect();
        let mut counted = vec![255];
        counted.extend(&count);
        counted.push(0);
        let examples: [(&[u8], &[u8]); 7] = [
            (&[0], &[1, 1, 0]),
            (&[0, 0], &[1, 1, 1, 0]),
            (&[0, 0x11, 0], &[1, 2, 0x11, 1, 0]),
            (&[0x11, 0x22, 0, 0x33], &[3, 0x11, 0x22, 2, 0x33, 0]),
            (&[0x11, 0x22, 0x33, 0x44], &[5, 0x11, 0x22, 0x33, 0x44, 0]),
            (&[0x11, 0, 0, 0], &[2, 0x11, 1, 1, 1, 0]),
            (&count, &counted),
        ];
        for (plain, stuffed) in examples {
            let mut line = vec![0; corncobs::max_encoded_len(plain.len())];
            let length = corncobs::encode_buf(plain, &mut line);
            assert_eq!(&line[..length], stuffed);
        }
    }

    #[test]
    fn what_goes_in_comes_out() {
        let payloads: Vec<Vec<u8>> = vec![
            vec![],
            vec![0],
            vec![0, 0, 7, 0],
            (0..=249).collect(),
            vec![9; LONGEST_PAYLOAD],
            vec![0; LONGEST_PAYLOAD],
        ];
        let mut line = Vec::new();
        for payload in &payloads {
            write(payload, &mut line);
        }
        let whole: Vec<Arrival> = payloads.into_iter().map(Arrival::Whole).collect();
        assert_eq!(picked(&line), whole);
    }

    #[test]
    fn every_flipped_bit_is_noticed_and_the_next_frame_is_whole() {
        let mut line = Vec::new();
        write(b"one\0two\0\0three", &mut line);
        let first = line.len();
        write(b"four", &mut line);
        for bit in 0..8 * first {
            let mut bad = line.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            let arrived = picked(&bad);
            let whole: Vec<&Arrival> = arrived
                .iter()
                .filter(|arrival| **arrival != Arrival::Damaged)
                .collect();
            // The zero byte between them may be what was damaged.
            assert!(whole.len() <= 1, "bit {bit}: {arrived:?}");
            assert!(
                bit / 8 == first - 1 || whole == [&Arrival::Whole(b"four".to_vec())],
                "bit {bit}: {arrived:?}"
            );
        }
    }

    #[test]
    fn noise_without_end_takes_no_memory() {
        let mut picker = Picker::default();
        for _ in 0..100_000 {
            assert_eq!(picker.take(1), None);
        }
        assert!(picker.stuffed.capacity() < 1024);
        assert_eq!(picker.take(0), Some(Arrival::Damaged));
    }
}
