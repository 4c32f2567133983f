//! The trapezoid: constant acceleration, cruise, constant deceleration.
//!
//! From speed v₁ to v₂ at the acceleration a:
//!
//! ```text
//! t = (v₂ − v₁)/a        s = (v₁ + v₂)/2 · t
//! ```
//!
//! Where the distance is too short for the speed limit the profile is a triangle; its
//! peak follows from v² = (2 a d n + d v₀² + a v₁²)/(a + d), with d the deceleration.

use std::sync::Arc;

use crate::plan::profile::{Ramp, RampPiece};
use crate::plan::s_curve::LimitedJerk;

/// A ramp of constant acceleration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ConstantAcceleration(
    /// The acceleration (microsteps/s²), above zero.
    pub f64,
);

impl Ramp for ConstantAcceleration {
    fn distance(&self, low: f64, high: f64) -> f64 {
        self.duration(low, high) * (low / 2.0 + high / 2.0)
    }

    fn duration(&self, low: f64, high: f64) -> f64 {
        (high - low) / self.0
    }

    fn pieces(&self, low: f64, high: f64, give: &mut dyn FnMut(RampPiece)) {
        if high > low {
            give(RampPiece {
                duration: self.duration(low, high),
                distance: self.distance(low, high),
                speed: [low, high],
                acceleration: [self.0; 2],
                jerk: 0.0,
            });
        }
    }

    fn steepest(&self) -> f64 {
        self.0
    }

    fn slower(&self, share: f64) -> Arc<dyn Ramp> {
        Arc::new(Self(self.0 * share))
    }

    fn rising_over(&self, seconds: f64) -> Arc<dyn Ramp> {
        Arc::new(LimitedJerk {
            acceleration: self.0,
            jerk: self.0 / seconds,
        })
    }
}
