//! The timer: the microcontroller's clock and counter that time the steps.

use std::sync::Arc;

use super::fields::{self, Bounds, Fields};
use super::problems::Problems;
use super::profile;
use super::yaml::Entry;
use crate::diagnostic::{Diagnostics, Source};
use crate::units::{Fraction, Frequency, Time};

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

/// What a timer does where the rig does not say.
impl Timer {
    /// Clock cycles a tick.
    pub const PRESCALER: u32 = 1;
    /// Width of the counter: 16 bits are what small boards have.
    pub const BITS: u32 = 16;
    /// Clock tolerance of an ordinary crystal. Ceramic resonators are off by 0.5 %,
    /// oscillators inside a microcontroller by 1 to 10 % (common practice).
    pub const TOLERANCE: f64 = 100e-6;
    /// Shortest step pulse: most drives see one of 2 µs (common practice).
    pub const STEP_PULSE: Time = Time::new(2e-6);
    /// Set-up time of the direction: most drives are content with 5 µs (common
    /// practice).
    pub const DIRECTION_SETUP: Time = Time::new(5e-6);
    /// Shortest time between two steps: what an interrupt on an 8-bit
    /// microcontroller at 16 MHz keeps easily.
    pub const FASTEST_INTERVAL: Time = Time::new(25e-6);

    /// Reads a board's profile.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse(source: &Arc<Source>) -> Result<Self, Diagnostics> {
        let mut problems = Problems::default();
        let (place, entries) = profile::entries("the timer", source)?;
        let timer = Self::read(Fields::new("the timer", place, entries, &mut problems));
        problems.finish(timer)
    }

    pub(super) fn read(mut fields: Fields<'_>) -> Option<Self> {
        // A profile says what it is and where its numbers come from.
        fields.text("name");
        fields.text("source");
        let clock = fields.required("clock", Bounds::positive(100.0, 1e10));
        let prescaler = fields.whole("prescaler", 1..=1 << 24);
        let bits = fields.whole("bits", 8..=32);
        let tolerance = fields.or(
            "tolerance",
            Bounds::below(0.1),
            Fraction::new(Self::TOLERANCE),
        );
        let longest = Bounds::up_to(1.0);
        let step_pulse = fields.or("step_pulse", Bounds::positive(1e-9, 1.0), Self::STEP_PULSE);
        let direction_setup = fields.or("direction_setup", longest, Self::DIRECTION_SETUP);
        let fastest = fields.take("fastest_interval");
        let fastest_interval = read_fastest(&mut fields, fastest, step_pulse);
        fields.finish();
        Some(Self {
            clock: clock?,
            prescaler: prescaler.unwrap_or(Self::PRESCALER),
            bits: bits.unwrap_or(Self::BITS),
            tolerance: tolerance.si(),
            step_pulse,
            direction_setup,
            fastest_interval,
        })
    }
}

/// The fastest interval, which has to leave room for the pulse.
fn read_fastest(fields: &mut Fields<'_>, entry: Option<Entry>, step_pulse: Time) -> Time {
    let Some(entry) = entry else {
        let least = 2.0 * step_pulse.si();
        return Time::new(Timer::FASTEST_INTERVAL.si().max(least));
    };
    let bounds = Bounds::positive(1e-8, 10.0).usually(Timer::FASTEST_INTERVAL.si());
    let read = fields.keep(fields::quantity("fastest_interval", &entry.value, bounds));
    let fastest: Time = read.unwrap_or(Timer::FASTEST_INTERVAL);
    if read.is_some() && fastest.si() <= step_pulse.si() {
        fields.problem(
            entry
                .value
                .place
                .error(
                    "no-room-for-pulse",
                    "`fastest_interval` is not longer than `step_pulse`",
                    format!("the pulse takes {step_pulse}"),
                )
                .help("the pulse has to end before the next one begins"),
        );
    }
    fastest
}
