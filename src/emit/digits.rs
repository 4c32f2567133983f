//! Decimal digits of ticks, fast.
//!
//! Neighbouring ticks share their upper digits, so a line that differs only in its
//! tick is kept as a template: the lower eight digits are overwritten from a table of
//! four-digit groups, the upper ones only when they change.

/// The four digits of every number below 10,000.
static GROUPS: [[u8; 4]; 10_000] = groups();

const fn groups() -> [[u8; 4]; 10_000] {
    let mut table = [[0; 4]; 10_000];
    let mut number = 0;
    while number < table.len() {
        table[number] = [
            b'0' + (number / 1000) as u8,
            b'0' + (number / 100 % 10) as u8,
            b'0' + (number / 10 % 10) as u8,
            b'0' + (number % 10) as u8,
        ];
        number += 1;
    }
    table
}

/// Digits below the ones that are kept.
const LOWER: u64 = 100_000_000;

/// Lines that begin and end the same around their tick.
#[derive(Debug)]
pub(crate) struct TickLine {
    before: Vec<u8>,
    after: Vec<u8>,
    line: Vec<u8>,
    /// The upper digits that `line` holds, and where the lower ones begin.
    upper: u64,
    at: usize,
}

impl TickLine {
    /// Lines of `before`, a tick and `after`.
    pub(crate) fn new(before: &str, after: &str) -> Self {
        Self {
            before: before.as_bytes().to_vec(),
            after: after.as_bytes().to_vec(),
            line: Vec::new(),
            upper: 0,
            at: 0,
        }
    }

    /// Appends the line of each tick.
    pub(crate) fn append(&mut self, ticks: &[u64], text: &mut Vec<u8>) {
        for &tick in ticks {
            let (upper, lower) = (tick / LOWER, (tick % LOWER) as usize);
            if upper == 0 {
                text.extend_from_slice(&self.before);
                append_number(tick, text);
                text.extend_from_slice(&self.after);
                continue;
            }
            if upper != self.upper {
                self.renew(upper);
            }
            let digits = &mut self.line[self.at..self.at + 8];
            digits[..4].copy_from_slice(&GROUPS[lower / 10_000]);
            digits[4..].copy_from_slice(&GROUPS[lower % 10_000]);
            text.extend_from_slice(&self.line);
        }
    }

    fn renew(&mut self, upper: u64) {
        self.upper = upper;
        self.line.clear();
        self.line.extend_from_slice(&self.before);
        append_number(upper, &mut self.line);
        self.at = self.line.len();
        self.line.extend_from_slice(&[b'0'; 8]);
        self.line.extend_from_slice(&self.after);
    }
}

/// Appends a number in decimal.
pub(crate) fn append_number(number: u64, text: &mut Vec<u8>) {
    // A u64 has at most 20 digits, five groups of four.
    let mut digits = [0; 20];
    let mut at = digits.len();
    let mut rest = number;
    loop {
        at -= 4;
        digits[at..at + 4].copy_from_slice(&GROUPS[(rest % 10_000) as usize]);
        rest /= 10_000;
        if rest == 0 {
            break;
        }
    }
    let zeros = digits[at..19]
        .iter()
        .take_while(|digit| **digit == b'0')
        .count();
    text.extend_from_slice(&digits[at + zeros..]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_those_of_the_standard_library() {
        let mut ticks = vec![0, 1, 9, 10, 99_999_999, 100_000_000, u64::MAX];
        ticks.extend((0..20).map(|power| 10_u64.pow(power)));
        ticks.extend((1..64).map(|bit| (1 << bit) - 1));
        ticks.sort_unstable();
        let mut line = TickLine::new("<", ">\n");
        let mut text = Vec::new();
        line.append(&ticks, &mut text);
        let expected: String = ticks.iter().map(|tick| format!("<{tick}>\n")).collect();
        assert_eq!(String::from_utf8(text).unwrap(), expected);
    }
}
