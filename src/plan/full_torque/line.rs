//! Straight lines in the plane of speed and squared acceleration: stretches of constant
//! jerk.

use crate::plan::profile::RampPiece;

/// A straight line in the plane of speed and squared acceleration.
pub(super) struct Line {
    speed: [f64; 2],
    acceleration: [f64; 2],
    /// Speed gained along it.
    gain: f64,
}

impl Line {
    /// From point to point, no steeper than `slope`: between speeds that differ only in
    /// their last digits the difference is mostly rounding.
    pub(super) fn new(from: (f64, f64), to: (f64, f64), slope: f64) -> Self {
        Self {
            speed: [from.0, to.0],
            acceleration: [from.1.max(0.0).sqrt(), to.1.max(0.0).sqrt()],
            gain: (to.0 - from.0).max((to.1 - from.1).abs() / slope),
        }
    }

    pub(super) fn duration(&self) -> f64 {
        if self.gain <= 0.0 {
            return 0.0;
        }
        2.0 * self.gain / (self.acceleration[0] + self.acceleration[1])
    }

    pub(super) fn distance(&self) -> f64 {
        let [first, last] = self.acceleration;
        let time = self.duration();
        // s = v t + a t²/2 + j t³/6 with j t = a₂ − a₁.
        time * (self.speed[0] + time * (2.0 * first + last) / 6.0)
    }

    pub(super) fn piece(&self) -> RampPiece {
        let duration = self.duration();
        RampPiece {
            duration,
            distance: self.distance(),
            speed: self.speed,
            acceleration: self.acceleration,
            jerk: (self.acceleration[1] - self.acceleration[0]) / duration,
        }
    }
}

/// The value at `speed` of the line through two points.
pub(super) fn along(from: (f64, f64), to: (f64, f64), speed: f64) -> f64 {
    let share = ((speed - from.0) / (to.0 - from.0)).clamp(0.0, 1.0);
    from.1 * (1.0 - share) + to.1 * share
}
