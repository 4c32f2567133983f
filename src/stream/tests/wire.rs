//! The line between host and board, and what goes wrong on it.

use std::collections::VecDeque;

/// Numbers that look random and are the same every time (S. Vigna's splitmix64; from
/// memory).
#[derive(Debug, Clone)]
pub(super) struct Chance(pub u64);

impl Chance {
    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to below 1.
    pub(super) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// What a line is like.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quality {
    /// Bits a second.
    pub baud: u32,
    /// Bits that a byte takes.
    pub bits: u32,
    /// Share of the bytes that are flipped (one bit or all), dropped or doubled.
    pub faults: f64,
    /// Milliseconds that an adapter keeps back what the board says.
    pub delay: usize,
    /// Where chance begins.
    pub seed: u64,
}

impl Quality {
    /// Bytes of a millisecond.
    pub(super) fn pace(self) -> f64 {
        f64::from(self.baud) / f64::from(self.bits) / 1000.0
    }
}

/// One direction of a line.
#[derive(Debug)]
pub(super) struct Wire {
    waiting: VecDeque<u8>,
    /// Bytes a millisecond, and what is left of that.
    pace: f64,
    credit: f64,
    faults: f64,
    chance: Chance,
    /// What came through lately, a millisecond each, and is handed out when it is over.
    delayed: VecDeque<Vec<u8>>,
    pub damaged: u64,
    pub carried: u64,
    pub cut: bool,
}

impl Wire {
    /// `delay` in milliseconds.
    pub(super) fn new(quality: Quality, delay: usize, seed: u64) -> Self {
        Self {
            waiting: VecDeque::new(),
            pace: quality.pace(),
            credit: 0.0,
            faults: quality.faults,
            chance: Chance(seed),
            delayed: vec![Vec::new(); delay].into(),
            damaged: 0,
            carried: 0,
            cut: false,
        }
    }

    pub(super) fn put(&mut self, bytes: &[u8]) {
        self.waiting.extend(bytes);
    }

    /// What comes out at the other end within a millisecond.
    pub(super) fn take(&mut self) -> Vec<u8> {
        let through = self.carry();
        self.delayed.push_back(through);
        self.delayed.pop_front().unwrap_or_default()
    }

    fn carry(&mut self) -> Vec<u8> {
        self.credit += self.pace;
        let mut out = Vec::new();
        while self.credit >= 1.0 {
            self.credit -= 1.0;
            let Some(byte) = self.waiting.pop_front() else {
                self.credit = self.credit.min(1.0);
                break;
            };
            self.carried += 1;
            if self.cut {
                continue;
            }
            if self.chance.share() >= self.faults {
                out.push(byte);
                continue;
            }
            self.damaged += 1;
            match self.chance.next() % 4 {
                0 => out.push(byte ^ 1 << (self.chance.next() % 8)),
                1 => out.push(self.chance.next() as u8),
                2 => out.extend([byte, byte]),
                _ => {}
            }
        }
        out
    }
}
