//! The S-curve: seven segments with limited jerk, so that the torque of the motor
//! swells and fades instead of stepping.
//!
//! A ramp from speed v₁ to v₂ begins and ends without acceleration. With Δ = v₂ − v₁,
//! the acceleration limit a and the jerk limit j:
//!
//! ```text
//! Δ ≥ a²/j:  T_j = a/j       T = Δ/a + a/j     (a is reached)
//! Δ < a²/j:  T_j = √(Δ/j)    T = 2 T_j         (the peak acceleration is j T_j)
//! s = (v₁ + v₂)/2 · T                          (the ramp is symmetric)
//! ```
//!
//! T_j is how long the acceleration takes to build up, and to fade. Source:
//! L. Biagiotti, C. Melchiorri, *Trajectory Planning for Automatic Machines and
//! Robots*, Springer 2008, section 3.4 (from memory). Where the distance is short the
//! book lowers the acceleration limit step by step; here the peak speed is solved for
//! instead, which gives the true optimum ([`crate::plan::profile`]).

use std::sync::Arc;

use crate::plan::profile::{Ramp, RampPiece};
use crate::plan::root::rising_root;

/// A ramp of limited acceleration and jerk.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LimitedJerk {
    /// Highest acceleration (microsteps/s²), above zero.
    pub acceleration: f64,
    /// Highest jerk (microsteps/s³), above zero.
    pub jerk: f64,
}

impl LimitedJerk {
    /// The speed gained where the acceleration limit is just reached, a²/j.
    fn full_gain(&self) -> f64 {
        self.acceleration * (self.acceleration / self.jerk)
    }

    /// How long the acceleration builds up, and how long it then stays at its limit.
    fn phases(&self, gain: f64) -> (f64, f64) {
        let full = self.full_gain();
        if gain >= full {
            (
                self.acceleration / self.jerk,
                (gain - full) / self.acceleration,
            )
        } else {
            ((gain / self.jerk).sqrt(), 0.0)
        }
    }
}

impl Ramp for LimitedJerk {
    fn distance(&self, low: f64, high: f64) -> f64 {
        self.duration(low, high) * (low / 2.0 + high / 2.0)
    }

    fn duration(&self, low: f64, high: f64) -> f64 {
        let (build, hold) = self.phases(high - low);
        2.0 * build + hold
    }

    fn pieces(&self, low: f64, high: f64, give: &mut dyn FnMut(RampPiece)) {
        if high <= low {
            return;
        }
        let (build, hold) = self.phases(high - low);
        let peak = self.jerk * build;
        let bend = peak * build / 2.0;
        // s = v t + j t³/6 where the acceleration builds up, and its mirror image
        // where it fades.
        let sixth = bend * build / 3.0;
        give(RampPiece {
            duration: build,
            distance: low * build + sixth,
            speed: [low, low + bend],
            acceleration: [0.0, peak],
            jerk: self.jerk,
        });
        if hold > 0.0 {
            give(RampPiece {
                duration: hold,
                distance: hold * (low / 2.0 + high / 2.0),
                speed: [low + bend, high - bend],
                acceleration: [peak; 2],
                jerk: 0.0,
            });
        }
        give(RampPiece {
            duration: build,
            distance: high * build - sixth,
            speed: [high - bend, high],
            acceleration: [peak, 0.0],
            jerk: -self.jerk,
        });
    }

    fn steepest(&self) -> f64 {
        self.acceleration
    }

    fn slower(&self, share: f64) -> Arc<dyn Ramp> {
        Arc::new(Self {
            acceleration: self.acceleration * share,
            jerk: self.jerk * share * share,
        })
    }

    fn rising_over(&self, seconds: f64) -> Arc<dyn Ramp> {
        Arc::new(Self {
            jerk: self.jerk.min(self.acceleration / seconds),
            ..*self
        })
    }

    fn reach(&self, low: f64, distance: f64, ceiling: f64) -> f64 {
        // The distance to `high` is longest from the speed where the ground lost to
        // building up balances the speed gained: a²/2j, or high/3 on ramps that do
        // not reach the full acceleration (d/dv₁ of the distance is zero there).
        let longest = |high: f64| {
            let full = self.full_gain();
            let worst = if high >= 1.5 * full {
                full / 2.0
            } else {
                high / 3.0
            };
            self.distance(low.min(worst), high)
        };
        rising_root(low, ceiling.max(low), |high| longest(high) - distance)
    }
}
