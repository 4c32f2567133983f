//! The board that a player is written for: one of ours, with its wiring, or another one.

use thiserror::Error;

use super::budget::{self, HIGHEST_CLOCK, PRESCALERS};
use super::coils;
use super::controller::MOST_AXES;
use super::options::{Lines, PlayerOptions, ScheduleSource};
use super::shortcoming::Unwired;
use super::verdict::Unplayable;
use super::wiring::Wiring;
use crate::diagnostic::alternatives;
use crate::physics::currents::CoilTable;
use crate::rig::{Rig, Timer};
use crate::units::Frequency;

/// Why the player is written for another board, behind functions of the builder's own.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum OtherBoard {
    /// The options request it.
    #[error("another board was requested")]
    Asked,
    /// The rig's timer is none of our parts'.
    #[error(
        "its timer clock is {clock} divided by {prescaler}; the player supports at most {}, divided by {}",
        Frequency::new(HIGHEST_CLOCK),
        alternatives(&PRESCALERS.map(|by| by.to_string()))
    )]
    Timer {
        /// The rig's clock.
        clock: Frequency,
        /// What it is divided by.
        prescaler: u32,
    },
    /// No part has so many axes.
    #[error(transparent)]
    Axes(Unwired),
}

/// The board that the rig and the options describe.
pub(crate) struct Board<'a> {
    pub(super) rig: &'a Rig,
    pub(super) options: PlayerOptions,
    /// The wiring on one of our parts, or why it is another board.
    pub(super) wiring: Result<Wiring, OtherBoard>,
    /// The tables of the coils, where the player switches them.
    pub(super) coils: Vec<CoilTable>,
}

impl<'a> Board<'a> {
    /// The board for the player of a rig.
    ///
    /// # Errors
    /// Coils that the player cannot switch, pins that no part has although the timer
    /// would fit, and a rate that a part's serial port does not make.
    pub(crate) fn of(rig: &'a Rig, options: PlayerOptions) -> Result<Self, Unplayable> {
        let coils = match options.lines {
            Lines::Steps => Vec::new(),
            Lines::Coils => coils::tables(rig)?,
        };
        let mut board = Self {
            rig,
            options,
            wiring: Err(OtherBoard::Asked),
            coils,
        };
        board.wire(0)?;
        let our_board = board.wiring.is_ok();
        match options.source {
            ScheduleSource::Line { baud } if our_board => check_rate(&rig.timer, baud)?,
            ScheduleSource::Line { .. } | ScheduleSource::Memory => {}
        }
        Ok(board)
    }

    /// Chooses the part and its wiring for a schedule of so many bytes of flash.
    pub(super) fn wire(&mut self, schedule: usize) -> Result<(), Unplayable> {
        let Timer {
            clock, prescaler, ..
        } = self.rig.timer;
        self.wiring = if self.options.other_board {
            Err(OtherBoard::Asked)
        } else if budget::suits(&self.rig.timer) {
            let tables = schedule + coils::bytes(&self.coils, self.rig);
            let wired = Wiring::of(
                self.rig,
                coils::kind(&self.coils, self.rig),
                self.options,
                tables,
            );
            match wired {
                Ok(wiring) => Ok(wiring),
                Err(unwired) if self.rig.axes.len() > MOST_AXES => Err(OtherBoard::Axes(unwired)),
                Err(unwired) => return Err(Unplayable::Unwired(unwired)),
            }
        } else {
            Err(OtherBoard::Timer { clock, prescaler })
        };
        match &self.wiring {
            Err(reason) if self.options.lines == Lines::Coils => {
                Err(Unplayable::CoilsElsewhere(reason.clone()))
            }
            Ok(_) | Err(_) => Ok(()),
        }
    }
}

/// Share by which a serial port may be off its rate: host and board together may be off
/// by some 4 % before the last bit of a byte is misread (common practice).
const RATE_TOLERANCE: f64 = 0.025;

/// Rates of serial lines (bits a second) that computers offer (common practice), fastest
/// first.
const COMMON_RATES: [u32; 8] = [
    250_000, 115_200, 76_800, 57_600, 38_400, 19_200, 9_600, 4_800,
];

/// Whether the serial port of a part with this clock makes so many bits a second; it
/// divides an eighth of the clock by a whole number.
fn check_rate(timer: &Timer, baud: u32) -> Result<(), Unplayable> {
    let clock = timer.clock.si();
    let made = |baud: u32| clock / 8.0 / (clock / 8.0 / f64::from(baud)).round().max(1.0);
    let fits = |baud: &u32| (made(*baud) / f64::from(*baud) - 1.0).abs() <= RATE_TOLERANCE;
    if fits(&baud) {
        return Ok(());
    }
    Err(Unplayable::Baud {
        clock: timer.clock,
        made: made(baud).round() as u32,
        baud,
        fits: COMMON_RATES.into_iter().find(fits),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_that_a_serial_port_cannot_make_are_refused() {
        // Errors of the rates as the data sheets of these parts list them for double
        // speed: 2.1 % at 115200 and none at 250000 from 16 MHz, 8.5 % at 230400 from
        // 8 MHz; from memory.
        let check = |clock, baud| {
            let mut timer = crate::testing::rigs::rig(Vec::new()).timer;
            timer.clock = Frequency::new(clock);
            check_rate(&timer, baud)
        };
        assert_eq!(check(16e6, 115_200), Ok(()));
        assert_eq!(check(16e6, 250_000), Ok(()));
        assert!(check(8e6, 230_400).is_err());
        assert!(check(1e6, 115_200).is_err());
        let Err(Unplayable::Baud { fits, .. }) = check(8e6, 115_200) else {
            panic!("an eighth of 8 MHz makes 111 kbit/s");
        };
        assert_eq!(fits, Some(250_000));
    }
}
