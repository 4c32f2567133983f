//! Set points of the currents behind the filters of converters that are a PWM.
//!
//! The output of n equal sections follows a target a that jumps with each step:
//!
//! ```text
//! s(t) = a + (c + f x) e⁻ˣ        x = t/T, c = s(0) − a; f = that of the first of two sections, or 0
//! ```
//!
//! and the regulated current follows that, di/dt = (s − i)/τ, with k = τ/T:
//!
//! ```text
//! i(t) = a + (i(0) − a − d) e^(−t/τ) + (d + e x) e⁻ˣ        e = f/(1 − k), d = (c − k e)/(1 − k)
//! ```
//!
//! | symbol | what | unit |
//! | --- | --- | --- |
//! | T, τ | time constants of a section and of the regulator | s |
//! | a, s, i | target, set point and current of a phase | A |
//!
//! Source: the linear equations, solved; see [`filter`](crate::physics::filter).

use crate::physics::filter::ConverterFilter;

/// Time constants of filter and regulator that differ by less than this share are taken to
/// differ by that: chosen, so small that nothing shows, and large enough for the solution, which
/// divides by the difference twice.
const LEAST_DIFFERENCE: f64 = 1e-3;

/// How far the set points of both phases are from their targets.
#[derive(Debug, Clone, Copy)]
pub(super) struct SetPointFilter {
    /// 1/T (1/s).
    per_time_constant: f64,
    /// k, the regulator's time constant over that.
    regulator: f64,
    sections: u32,
    a: Phase,
    b: Phase,
}

/// What is left of the target's jumps in the sections of a phase (A).
#[derive(Debug, Clone, Copy, Default)]
struct Phase {
    /// f
    first: f64,
    /// c
    last: f64,
}

impl Phase {
    fn set_point(self, x: f64) -> f64 {
        (self.last + self.first * x) * libm::exp(-x)
    }

    /// What the current has beyond its target, where it has `now` beyond it at first; `left` is
    /// what the regulator leaves of an error in that time.
    fn current(self, now: f64, x: f64, left: f64, k: f64) -> f64 {
        let e = self.first / (1.0 - k);
        let d = (self.last - k * e) / (1.0 - k);
        (now - d) * left + (d + e * x) * libm::exp(-x)
    }
}

impl SetPointFilter {
    /// At rest on the targets, with a regulator of that time constant (s).
    pub(super) fn at_rest(filter: ConverterFilter, regulator: f64) -> Self {
        let k = regulator / filter.time_constant();
        let k = match (k - 1.0).abs() < LEAST_DIFFERENCE {
            true => 1.0 + LEAST_DIFFERENCE,
            false => k,
        };
        Self {
            per_time_constant: k / regulator,
            regulator: k,
            sections: filter.sections(),
            a: Phase::default(),
            b: Phase::default(),
        }
    }

    /// With sections of which first and last stand so far from the targets, phase by phase (A).
    pub(super) fn with(self, [a, b]: [[f64; 2]; 2]) -> Self {
        let phase = |[first, last]: [f64; 2]| Phase {
            first: if self.sections > 1 { first } else { 0.0 },
            last,
        };
        Self {
            a: phase(a),
            b: phase(b),
            ..self
        }
    }

    /// The targets jump by so much (A).
    pub(super) fn jump(&mut self, a: f64, b: f64) {
        for (phase, by) in [(&mut self.a, a), (&mut self.b, b)] {
            phase.last -= by;
            if self.sections > 1 {
                phase.first -= by;
            }
        }
    }

    /// The same `after` seconds.
    pub(super) fn later(&self, after: f64) -> Self {
        let x = after * self.per_time_constant;
        let left = libm::exp(-x);
        let phase = |phase: Phase| Phase {
            first: phase.first * left,
            last: phase.set_point(x),
        };
        Self {
            a: phase(self.a),
            b: phase(self.b),
            ..*self
        }
    }

    /// What the set points have beyond their targets (A).
    pub(super) const fn beyond(&self) -> (f64, f64) {
        (self.a.last, self.b.last)
    }

    /// What the currents have beyond the targets `after` seconds, where they have so much at
    /// first; `left` is what the regulator leaves of an error in that time.
    pub(super) fn currents(&self, (a, b): (f64, f64), after: f64, left: f64) -> (f64, f64) {
        let (x, k) = (after * self.per_time_constant, self.regulator);
        (self.a.current(a, x, left, k), self.b.current(b, x, left, k))
    }

    /// The most that the set points still have to go (A).
    pub(super) fn still_to_go(&self) -> f64 {
        let of = |phase: Phase| phase.last.abs() + phase.first.abs();
        of(self.a).hypot(of(self.b))
    }

    /// In which time its set points fade (s).
    pub(super) fn fades(&self) -> f64 {
        f64::from(self.sections) / self.per_time_constant
    }
}
