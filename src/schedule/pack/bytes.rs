//! Reading and writing the packed bytes; reading never goes past their end.
//!
//! Numbers that are mostly small are written seven bits a byte, lowest first, with
//! the highest bit set in all bytes but the last (LEB128, as in the DWARF standard).

use super::Malformed;

/// Appends a number, seven bits a byte.
pub(crate) fn write_number(mut value: u64, out: &mut Vec<u8>) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Bytes and how far they have been read.
#[derive(Debug, Clone)]
pub(crate) struct Reader<'a> {
    bytes: &'a [u8],
    position: usize,
}

impl<'a> Reader<'a> {
    /// From the first byte on.
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, position: 0 }
    }

    /// How many bytes have been read.
    pub(crate) const fn position(&self) -> usize {
        self.position
    }

    /// Whether all have been read.
    pub(crate) const fn is_empty(&self) -> bool {
        self.position >= self.bytes.len()
    }

    /// The next `count` bytes.
    pub(crate) fn take(&mut self, count: usize) -> Result<&'a [u8], Malformed> {
        let end = self.position.checked_add(count);
        let taken = end.and_then(|end| self.bytes.get(self.position..end));
        let taken = taken.ok_or(Malformed("the data end too early"))?;
        self.position += count;
        Ok(taken)
    }

    /// An unsigned number of up to 8 bytes, lowest first.
    pub(crate) fn little_endian(&mut self, count: usize) -> Result<u64, Malformed> {
        let taken = self.take(count)?;
        Ok(taken
            .iter()
            .rev()
            .fold(0, |value, &byte| value << 8 | u64::from(byte)))
    }

    pub(crate) fn u8(&mut self) -> Result<u8, Malformed> {
        Ok(self.take(1)?[0])
    }

    /// A number written seven bits a byte.
    pub(crate) fn number(&mut self) -> Result<u64, Malformed> {
        let mut value = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.u8()?;
            value |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Malformed("a number is longer than 64 bits"))
    }

    /// The same, where it has to fit 32 bits.
    pub(crate) fn u32(&mut self) -> Result<u32, Malformed> {
        u32::try_from(self.number()?).map_err(|_| Malformed("a number is longer than 32 bits"))
    }
}
