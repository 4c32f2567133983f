//! The clock of a schedule: seconds become ticks without drift.
//!
//! With f = clock / prescaler ticks a second, something due at t seconds after the
//! program's start falls on tick round(t · f), ties to even. A sum of seconds in
//! `f64` would be off by more than a tick after some weeks, so an [`TickInstant`] counts
//! ticks in fixed point: 64 bits before the point and 64 behind it. Each item of a
//! program adds its length rounded to 2⁻⁶⁵ tick, which 10⁹ items turn into less than
//! 10⁻¹⁰ tick.
//!
//! Decimal times are not binary numbers: 0.8 s at 1 MHz is 800 000.000 000 000 04
//! ticks in `f64`. A length within one unit in the last place of a whole number of
//! ticks is therefore taken as that number.

use crate::exact::Exact;
use crate::rig::Timer;

/// Relative size of one unit in the last place of an `f64`.
const UNIT: f64 = f64::EPSILON;

/// Parts of a tick that an [`TickInstant`] tells apart.
const TWO_TO_64: f64 = 18_446_744_073_709_551_616.0;

/// A time since the program's start, in ticks with 64 bits behind the point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(crate) struct TickInstant(u128);

impl TickInstant {
    /// The instant of a tick.
    pub(crate) fn at_tick(tick: u64) -> Self {
        Self(u128::from(tick) << 64)
    }

    /// The nearest tick, ties to even.
    pub(crate) fn tick(self) -> u64 {
        let (whole, part) = ((self.0 >> 64) as u64, self.0 as u64);
        const HALF: u64 = 1 << 63;
        let up = part > HALF || (part == HALF && whole % 2 == 1);
        whole.saturating_add(u64::from(up))
    }

    /// In parts of a tick, 2^`bits` of them (64 bits at most), rounded down.
    pub(crate) const fn in_parts(self, bits: u32) -> u128 {
        self.0 >> (64 - bits)
    }

    /// How long after `before` it is; nothing where it is not.
    pub(crate) const fn since(self, before: Self) -> Self {
        Self(self.0.saturating_sub(before.0))
    }

    /// So many times that long.
    pub(crate) fn times(self, times: u64) -> Self {
        Self(self.0.saturating_mul(u128::from(times)))
    }

    /// In ticks, where that is a whole number.
    pub(crate) const fn whole_ticks(self) -> Option<u64> {
        if self.0 as u64 == 0 {
            Some((self.0 >> 64) as u64)
        } else {
            None
        }
    }

    /// In ticks, as near as can be.
    pub(crate) fn in_ticks(self) -> f64 {
        self.0 as f64 / TWO_TO_64
    }

    /// In whole ticks, none too few.
    pub(crate) const fn ticks_up(self) -> u64 {
        (self.0 >> 64) as u64 + (self.0 as u64 != 0) as u64
    }

    /// Later by a length.
    pub(crate) fn after(self, span: Self) -> Self {
        Self(self.0.saturating_add(span.0))
    }

    /// An even tick at or just before it, and how far it lies behind that tick (in
    /// ticks, from 0 to below 2). Counting from an even tick keeps ties to even.
    pub(crate) fn since_even_tick(self) -> (u64, Exact) {
        let whole = (self.0 >> 64) as u64;
        let part = Exact::from(self.0 as u64).over(TWO_TO_64);
        (whole & !1, part + Exact::from((whole & 1) as f64))
    }

    /// From a number of ticks that is not negative.
    fn from_ticks(ticks: Exact) -> Self {
        let (whole, part) = ticks.floor();
        let whole = u64::try_from(whole.max(0)).unwrap_or(u64::MAX);
        // At most 2^64, which is the next tick; a u128 holds it.
        let (part, rest) = (part * Exact::from(TWO_TO_64)).floor();
        let part = part as u128 + u128::from(rest.nearest() >= 0.5);
        Self((u128::from(whole) << 64).saturating_add(part))
    }
}

/// Converts seconds into ticks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TickClock {
    rate: Exact,
    tolerance: f64,
}

impl TickClock {
    /// The clock of a timer.
    pub(crate) fn new(timer: &Timer) -> Self {
        Self {
            rate: Exact::from(timer.clock.si()).over(f64::from(timer.prescaler)),
            tolerance: timer.tolerance,
        }
    }

    /// Nominal ticks a second.
    pub(crate) const fn rate(&self) -> f64 {
        self.rate.nearest()
    }

    /// Seconds in ticks, without rounding.
    pub(crate) fn ticks(&self, seconds: Exact) -> Exact {
        seconds * self.rate
    }

    /// The length of a time in seconds.
    pub(crate) fn span(&self, seconds: f64) -> TickInstant {
        let ticks = self.ticks(Exact::from(seconds.max(0.0)));
        let nearest = ticks.nearest().round();
        let off = (ticks - Exact::from(nearest)).nearest().abs();
        if off <= nearest * UNIT {
            return TickInstant::from_ticks(Exact::from(nearest));
        }
        TickInstant::from_ticks(ticks)
    }

    /// A time in seconds after a start.
    pub(crate) fn exact_span(&self, seconds: Exact) -> TickInstant {
        TickInstant::from_ticks(self.ticks(seconds))
    }

    /// The fewest whole ticks that last at least so many seconds on a clock that
    /// runs as fast as its tolerance allows.
    pub(crate) fn at_least(&self, seconds: f64) -> u64 {
        let ticks = seconds.max(0.0) * self.rate() * (1.0 + self.tolerance);
        let nearest = ticks.round();
        if (ticks - nearest).abs() <= 8.0 * UNIT * nearest {
            nearest as u64
        } else {
            ticks.ceil() as u64
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Frequency, Time};

    fn clock(hertz: f64, prescaler: u32, tolerance: f64) -> TickClock {
        TickClock::new(&Timer {
            clock: Frequency::new(hertz),
            prescaler,
            bits: 16,
            tolerance,
            step_pulse: Time::new(2e-6),
            direction_setup: Time::new(5e-6),
            fastest_interval: Time::new(20e-6),
        })
    }

    #[test]
    fn decimal_times_are_whole_ticks() {
        let clock = clock(8e6, 8, 0.0);
        assert_eq!(clock.span(0.8), TickInstant::at_tick(800_000));
        assert_eq!(clock.span(0.02), TickInstant::at_tick(20_000));
        assert_eq!(clock.at_least(10e-6), 10);
        assert_eq!(clock.at_least(10.5e-6), 11);
    }

    #[test]
    fn a_fast_clock_needs_more_ticks() {
        assert_eq!(clock(8e6, 8, 1e-4).at_least(10e-6), 11);
    }

    #[test]
    fn a_third_of_a_tick_a_billion_times_does_not_drift() {
        let clock = clock(1e6, 3, 0.0);
        let third = clock.span(1e-6);
        let mut now = TickInstant::at_tick(1 << 41);
        for _ in 0..30_000 {
            now = now.after(third);
        }
        assert_eq!(now.tick(), (1 << 41) + 10_000);
    }

    #[test]
    fn halves_go_to_the_even_tick() {
        let clock = clock(1e6, 1, 0.0);
        let half = clock.exact_span(Exact::from(0.5).over(1e6));
        assert_eq!(TickInstant::at_tick(6).after(half).tick(), 6);
        assert_eq!(TickInstant::at_tick(7).after(half).tick(), 8);
    }
}
