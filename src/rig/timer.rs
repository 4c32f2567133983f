//! The timer: the microcontroller's clock and counter that time the steps.

use crate::units::{Frequency, Time};

/// The counter that times the steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Timer {
    /// Clock of the microcontroller.
    pub clock: Frequency,
    /// Clock cycles a tick.
    pub prescaler: u32,
    /// Width of the counter.
    pub bits: u32,
    /// How far off the clock may be, either way (0.0001 is 100 ppm).
    pub tolerance: f64,
    /// Shortest step pulse that the drive sees.
    pub step_pulse: Time,
    /// Time that the direction has to stand before a step and after the last one.
    pub direction_setup: Time,
    /// Shortest time between two steps that the firmware can keep.
    pub fastest_interval: Time,
}

impl Timer {
    /// Nominal ticks a second.
    pub fn tick_rate(&self) -> f64 {
        self.clock.si() / f64::from(self.prescaler)
    }

    /// The longest interval that the counter holds, in ticks: 2^bits − 1.
    pub fn longest_interval(&self) -> u64 {
        (1u64 << self.bits) - 1
    }
}
