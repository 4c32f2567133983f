//! How fast the player is, and whether a program leaves it the time it needs.
//!
//! The figures are cycles of an 8-bit AVR, measured with a cycle-accurate simulator on
//! the player's machine code (`tests/firmware.rs` measures them again) and include five
//! cycles for entering an interrupt, which that simulator does not charge.
//!
//! Two rules:
//!
//! - an event is ready before it is due: between two events of a stream lies at least
//!   the time that the interrupt of the first may take, with those of all other streams
//!   before it;
//! - decoding keeps up: over any stretch as long as the rings, the events take no more
//!   cycles than pass.

use thiserror::Error;

use super::Lines;
use crate::rig::Rig;
use crate::schedule::timer::PLAYER_STEP_CYCLES as STEP_CYCLES;
use crate::schedule::{Event, What};

/// Cycles that any other event takes in all.
pub const EVENT_CYCLES: u32 = 700;
/// Cycles that a step takes besides where the player switches the coils.
const COIL_CYCLES: u32 = 400;
/// Cycles from a step to the next one being armed, and from or to any other event.
const STEP_READY: u32 = 130;
const EVENT_READY: u32 = 400;
/// For how long the interrupt of outputs and texts keeps those of steps waiting.
const OTHERS_READY: u32 = 60;
/// Events that may wait for being decoded: three quarters of a ring.
const RING: u64 = 48;

/// Why the player cannot play a program.
#[derive(Debug, Clone, PartialEq, Error)]
pub(super) enum TooFast {
    #[error(
        "two events of `{axis}` come {cycles} clock cycles apart, and the player needs {least}: turn more slowly, or use fewer microsteps or a faster clock"
    )]
    Events {
        axis: String,
        cycles: u64,
        least: u64,
    },
    #[error(
        "the player needs {needed} clock cycles for steps that come within {cycles}: turn more slowly, or use fewer microsteps or a faster clock"
    )]
    Decoding { needed: u64, cycles: u64 },
}

/// Follows a program event by event.
pub(super) struct Pace<'a> {
    rig: &'a Rig,
    /// Cycles that switching the coils takes.
    coils: u64,
    /// When each stream had its last event (cycles), and whether that was a step.
    last: Vec<Option<(u64, bool)>>,
    /// Until when the processor is busy (cycles) with what was decoded so far.
    busy: u64,
}

impl<'a> Pace<'a> {
    pub(super) fn new(rig: &'a Rig, lines: Lines) -> Self {
        let coils = match lines {
            Lines::Steps => 0,
            Lines::Coils => u64::from(COIL_CYCLES),
        };
        Self {
            rig,
            coils,
            last: vec![None; rig.axes.len() + 1],
            busy: 0,
        }
    }

    /// Takes the next event of the program.
    pub(super) fn pass(&mut self, event: &Event) -> Result<(), TooFast> {
        let now = event.tick * u64::from(self.rig.timer.prescaler);
        let others = self.last.len() - 1;
        let (stream, step) = match event.what {
            What::Step { axis, .. } => (axis, true),
            What::Direction { axis, .. } => (axis, false),
            What::Output { .. } | What::Mark(_) => (others, false),
            What::Await { .. } => {
                // Time stands still here; every stream starts afresh.
                self.last.fill(None);
                self.busy = now;
                return Ok(());
            }
        };
        if let Some((before, was_step)) = self.last[stream] {
            let cycles = now - before;
            // The interrupts of other axes may come first.
            let other_axes = (others - usize::from(stream != others)) as u64;
            let own = if was_step && step {
                STEP_READY
            } else {
                EVENT_READY
            };
            let first = other_axes * (u64::from(STEP_READY) + self.coils) + u64::from(OTHERS_READY);
            let mut least = first + u64::from(own) + self.coils;
            if was_step && step {
                // What decoding takes on the average; ticks may fall one apart.
                let average = u64::from(STEP_CYCLES) + self.coils;
                least = least.max(average.saturating_sub(2 * u64::from(self.rig.timer.prescaler)));
            }
            // What falls on one tick is done in one interrupt.
            if cycles < least && (cycles > 0 || step || was_step) {
                let axis = self.rig.axes.get(stream);
                return Err(TooFast::Events {
                    axis: axis.map_or_else(|| "outputs".to_owned(), |axis| axis.name.clone()),
                    cycles,
                    least,
                });
            }
        }
        self.last[stream] = Some((now, step));
        let cost = if step {
            u64::from(STEP_CYCLES) + self.coils
        } else {
            u64::from(EVENT_CYCLES)
        };
        self.busy = self.busy.max(now) + cost;
        let behind = self.busy - now;
        if behind > RING * u64::from(STEP_CYCLES) {
            return Err(TooFast::Decoding {
                needed: behind,
                cycles: RING * u64::from(STEP_CYCLES),
            });
        }
        Ok(())
    }
}
