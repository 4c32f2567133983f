//! The fuse bytes that select the clock of a part. A 0 programs a fuse.
//!
//! Low byte: start-up time (SUT) in bits 4 and 5, clock (CKSEL) in bits 0 to 3; above them the
//! divider by 8 and the clock output, or on older parts the brown-out detector. All of these
//! stay unprogrammed but what the clock needs. Start-up times are those for a power supply
//! that rises fast, with the brown-out detector off: 4.1 ms behind the oscillator's own.
//! Source: "Clock sources" and "Fuse bits" in the data sheets of these parts.

use thiserror::Error;

use super::controller::Controller;
use crate::rig::ClockSource;
use crate::units::Frequency;

/// How the fuses of a part are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FuseLayout {
    /// Two bytes; the amplitude of a crystal is a fuse of the high byte.
    Older,
    /// Three bytes, and a divider by 8.
    Usual {
        /// Whether it has an oscillator of full swing, for crystals above 16 MHz.
        full_swing: bool,
        /// Whether it has an oscillator of 128 kHz.
        slow: bool,
    },
}

/// The fuses of a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FuseTable {
    pub(super) layout: FuseLayout,
    /// The high and the extended byte, whatever the clock: programming over the serial
    /// interface on, debugger and watchdog off, and the start at the program, not at a boot
    /// loader.
    pub(super) high: u8,
    pub(super) extended: Option<u8>,
    /// What the part divides its clock by when it is new, where it has no oscillator of its
    /// own then; 0 where it runs on its own at 1 MHz.
    pub(super) divides_when_new: u8,
}

/// Fuse bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FuseBytes {
    pub(super) low: u8,
    pub(super) high: u8,
    pub(super) extended: Option<u8>,
}

/// Why no fuse bytes select a clock.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[error("an {part} has no fuse bytes for {} of {clock}", named(*by))]
pub(super) struct NoFuses {
    part: &'static str,
    by: ClockSource,
    clock: Frequency,
}

/// A clock source in a sentence.
pub(super) const fn named(source: ClockSource) -> &'static str {
    match source {
        ClockSource::Crystal => "a crystal",
        ClockSource::Resonator => "a resonator",
        ClockSource::External => "an external clock",
        ClockSource::Internal => "the internal oscillator",
    }
}

/// The clock of a new part that runs on its own oscillator (Hz).
const NEW_CLOCK: f64 = 1e6;

impl FuseTable {
    /// By how much a new part plays more slowly than the rig says.
    pub(super) fn slower_when_new(&self, clock: Frequency) -> f64 {
        match self.divides_when_new {
            0 => clock.si() / NEW_CLOCK,
            by => f64::from(by),
        }
    }
}

impl FuseBytes {
    /// The bytes for a part and a clock.
    pub(super) fn of(
        part: &Controller,
        source: ClockSource,
        clock: Frequency,
    ) -> Result<Self, NoFuses> {
        let FuseTable {
            layout,
            high,
            extended,
            ..
        } = part.fuses;
        let hertz = clock.si();
        let chosen = match layout {
            FuseLayout::Older => older(source, hertz),
            FuseLayout::Usual { full_swing, slow } => {
                usual(source, hertz, full_swing, slow).map(|low| (low, 0xFF))
            }
        };
        let chosen = chosen.filter(|_| hertz <= f64::from(part.fastest));
        let (low, of_high) = chosen.ok_or(NoFuses {
            part: part.compiler_name,
            by: source,
            clock,
        })?;
        Ok(Self {
            low,
            high: high & of_high,
            extended,
        })
    }
}

/// SUT and CKSEL with the two highest bits unprogrammed.
const fn low(start_up: u8, clock: u8) -> u8 {
    0b1100_0000 | start_up << 4 | clock
}

/// A crystal or a resonator in a range of frequencies.
const fn swinging(source: ClockSource, range: u8) -> Option<u8> {
    match source {
        ClockSource::Crystal => Some(low(0b10, range << 1 | 1)),
        ClockSource::Resonator => Some(low(0b11, range << 1)),
        ClockSource::External | ClockSource::Internal => None,
    }
}

/// The range of a crystal's or resonator's frequency, of three with these codes; below the
/// first one only resonators.
fn range(source: ClockSource, hertz: f64, slowest: u8) -> Option<u8> {
    match hertz {
        0.4e6..0.9e6 if source == ClockSource::Resonator => Some(slowest),
        0.9e6..3e6 => Some(slowest + 1),
        3e6..8e6 => Some(slowest + 2),
        _ => None,
    }
}

fn usual(source: ClockSource, hertz: f64, full_swing: bool, slow: bool) -> Option<u8> {
    const DIVIDED_BY_8: u8 = 0b0111_1111;
    match source {
        ClockSource::Crystal | ClockSource::Resonator => {
            let range = match hertz {
                8e6..=16e6 => 0b111,
                16e6..=20e6 if full_swing => 0b011,
                _ => range(source, hertz, 0b100)?,
            };
            swinging(source, range)
        }
        ClockSource::External => Some(low(0b01, 0b0000)),
        ClockSource::Internal if hertz == 8e6 => Some(low(0b01, 0b0010)),
        ClockSource::Internal if hertz == 1e6 => Some(low(0b01, 0b0010) & DIVIDED_BY_8),
        ClockSource::Internal if hertz == 128e3 && slow => Some(low(0b01, 0b0011)),
        ClockSource::Internal => None,
    }
}

/// The low byte, and what it leaves of the high one.
fn older(source: ClockSource, hertz: f64) -> Option<(u8, u8)> {
    /// CKOPT: a large amplitude.
    const LARGE: u8 = 0b1110_1111;
    match source {
        ClockSource::Crystal | ClockSource::Resonator => {
            let (range, high) = match hertz {
                8e6 => (0b111, 0xFF),
                8e6..=16e6 => (0b111, LARGE),
                _ => (range(source, hertz, 0b101)?, 0xFF),
            };
            Some((swinging(source, range)?, high))
        }
        ClockSource::External => Some((low(0b01, 0b0000), 0xFF)),
        ClockSource::Internal => {
            let code = [1e6, 2e6, 4e6, 8e6].iter().position(|own| *own == hertz)?;
            Some((low(0b01, code as u8 + 1), 0xFF))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(part: &str, source: ClockSource, megahertz: f64) -> Option<[u8; 2]> {
        let part = Controller::named(part).expect("a part");
        let fuses = FuseBytes::of(part, source, Frequency::new(megahertz * 1e6)).ok()?;
        Some([fuses.low, fuses.high])
    }

    #[test]
    fn fuse_bytes_are_those_of_common_practice() {
        use ClockSource::{Crystal, External, Internal, Resonator};
        // An 8 KiB part with a crystal of 4 MHz, and of 16 MHz (common practice). EF, not FF:
        // CKSEL 3 … 1 = 111 is 3 to 8 MHz with CKOPT unprogrammed, CKSEL0 = 1 a crystal's start-up
        // of 16K cycles, and SUT = 10 another 4.1 ms, where the factory's 11 is 65 ms (data
        // sheet, "Crystal Oscillator Operating Modes" and "Start-up Times for the Crystal
        // Oscillator Clock Selection", from memory).
        assert_eq!(bytes("atmega8", Crystal, 4.0), Some([0xEF, 0xD9]));
        assert_eq!(bytes("atmega8", Crystal, 16.0), Some([0xEF, 0xC9]));
        // The factory's choice but for its longer start-up time, SUT 10 (data sheets):
        // internal, E1 and D9 on the older part; 62 and DF, 62 and D9 on the others.
        assert_eq!(bytes("atmega8", Internal, 1.0), Some([0xD1, 0xD9]));
        assert_eq!(bytes("atmega88", Internal, 1.0), Some([0x52, 0xDF]));
        assert_eq!(bytes("atmega328p", Internal, 1.0), Some([0x52, 0xD9]));
        assert_eq!(bytes("atmega328p", Internal, 8.0), Some([0xD2, 0xD9]));
        assert_eq!(bytes("atmega328p", External, 12.5), Some([0xD0, 0xD9]));
        assert_eq!(bytes("atmega328p", Crystal, 20.0), Some([0xE7, 0xD9]));
        // CKSEL 3 … 1 for 0.9 to 3 MHz: 101, and 110 on the older part (data sheets, "Crystal
        // Oscillator Operating Modes", from memory).
        assert_eq!(bytes("atmega328p", Crystal, 2.0), Some([0xEB, 0xD9]));
        assert_eq!(bytes("atmega328p", Resonator, 2.0), Some([0xFA, 0xD9]));
        assert_eq!(bytes("atmega8", Crystal, 2.0), Some([0xED, 0xD9]));
        // A debugger's port would take four pins.
        assert_eq!(bytes("atmega2560", Crystal, 16.0), Some([0xEF, 0xD9]));
    }

    #[test]
    fn clocks_that_no_fuse_selects_have_no_bytes() {
        use ClockSource::{Crystal, Internal, Resonator};
        assert_eq!(bytes("atmega328p", Internal, 16.0), None);
        assert_eq!(bytes("atmega328p", Crystal, 0.6), None);
        assert_eq!(bytes("atmega328p", Resonator, 0.6), Some([0xF8, 0xD9]));
        assert_eq!(bytes("atmega8", Internal, 0.128), None);
        assert_eq!(bytes("atmega32u4", Internal, 0.128), None);
        assert!(bytes("atmega328p", Internal, 0.128).is_some());
        assert_eq!(bytes("atmega2560", Crystal, 20.0), None);
    }
}
