//! Motions of our own making that the rotor follows.
//!
//! A full-torque ramp asks for its torque at once, and turns it round at once where it stops
//! gaining speed. A rotor that swings freely overshoots such a step. By equal areas, without
//! damping and with the share t of the peak torque T,
//!
//! ```text
//! a step from rest to t holds       while 1 + √(1 − t²) > t (π − asin t):    t < 0.725
//! a reversal from +t to −t holds    while 2 √(1 − t²) > π t:                 t < 2/√(π² + 4) = 0.537
//! ```
//!
//! (equal areas of the torque curve on either side of the new rest; textbook mechanics). On a voltage that is not regulated, and
//! above the speed where a regulator runs out of it, swings also grow by themselves while a
//! ramp crosses an unstable band.
//!
//! How far a rotor swings is for a model of the motor to say, which comes after planning. So the
//! caller brings somebody who knows ([`Following`]). A plan that the rotor follows as it stands
//! costs nothing. One that it does not follow is planned again in three ways:
//!
//! - the torque *rises* over a part of the natural period instead of at once (a limit of jerk);
//! - besides, the accelerations take a share of what the torque allows;
//! - or the peak speed is lower, where a band lets no rotor through.
//!
//! Each way is a row of ever gentler plans; the first that is followed is sought by halving, and
//! the fastest of the ways is taken, with its cost. A cruise that was moved out of a band goes on
//! down where the rotor does not follow. Where it follows none, the fastest plan stays, for a
//! simulation to judge.

use std::fmt::Debug;
use std::sync::Arc;

use crate::plan::Motion;
use crate::plan::leg::Leg;
use crate::plan::path::{Driven, drive};
use crate::plan::profile::Impossible;

/// Somebody who knows whether a rotor follows a motion.
pub(crate) trait Following: Debug {
    /// Whether every axis follows `motion` from rest without losing a step; none where the
    /// motion is too long to be tried. Where it cruises `in_band`, a critical one, all of the
    /// cruise matters, as a swing may take long to grow there.
    fn followed(&self, motion: &Arc<Motion>, in_band: bool) -> Option<bool>;
}

/// Parts of the natural period over which the torque rises: chosen. After a rise over a whole
/// period no swing is left (linear theory), and a shorter one costs less time.
const RISES: usize = 8;
/// Parts of the period that go with gentler accelerations, and those that go with lower speeds:
/// chosen.
const RISES_WITH_SHARES: [f64; 4] = [1.0, 0.5, 0.25, 0.0];
const RISES_WITH_SPEEDS: [f64; 2] = [1.0, 0.5];
/// Gentler accelerations that are tried: chosen, down to a quarter in steps of a sixteenth.
const SHARES: usize = 13;
/// Lower speeds that are tried, and the ratio of neighbours: chosen, down to a twentieth …
const SPEEDS: usize = 20;
const SLOWER: f64 = 0.86;
/// … and into how many parts the last of these ratios is divided: chosen, so that at most 2 % of
/// the speed is given away.
const PARTS: usize = 8;

/// How a plan is gentler than the fastest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gentle {
    /// Time over which the torque rises from zero at least (s); zero: at once.
    pub(crate) rise: f64,
    /// Share of the accelerations.
    pub(crate) share: f64,
    /// Highest speed along the path (microsteps/s).
    pub(crate) speed: f64,
}

impl Gentle {
    /// The fastest plan.
    const FASTEST: Self = Self {
        rise: 0.0,
        share: 1.0,
        speed: f64::INFINITY,
    };

    fn legs(&self, legs: &[Leg]) -> Vec<Leg> {
        let of = |leg: &Leg| {
            let mut leg = leg.clone();
            if self.share < 1.0 {
                leg.up = leg.up.slower(self.share);
                leg.down = leg.down.slower(self.share);
            }
            if self.rise > 0.0 {
                leg.up = leg.up.rising_over(self.rise);
                leg.down = leg.down.rising_over(self.rise);
            }
            leg.speed = leg.speed.min(self.speed);
            leg
        };
        legs.iter().map(of).collect()
    }
}

/// A path that is planned so that the rotors follow it.
pub(crate) struct Trial<'t> {
    /// The legs as the limits allow them.
    pub(crate) legs: &'t [Leg],
    /// Speeds at the ends.
    pub(crate) ends: [f64; 2],
    /// Time that it has to take.
    pub(crate) time: Option<f64>,
    /// Whether ramps ask for their torque at once.
    pub(crate) at_once: bool,
    /// Natural period of the slowest rotor (s).
    pub(crate) period: f64,
    /// Whether the rotors follow.
    pub(crate) followed: &'t dyn Fn(&Driven) -> Option<bool>,
}

impl Trial<'_> {
    /// The fastest plan that was found to be followed, and what makes it gentler than the
    /// fastest of all; that one where none was.
    ///
    /// # Errors
    /// As [`drive`].
    pub(crate) fn driven(&self) -> Result<(Driven, Option<Gentle>), Impossible> {
        let fastest = self.plan(&Gentle::FASTEST)?;
        // What the script asks for by itself is for the check to judge.
        if !self.at_once && fastest.avoided.is_empty() {
            return Ok((fastest, None));
        }
        match (self.followed)(&fastest) {
            Some(true) => return Ok((fastest, None)),
            // So long a motion has room for a rise over a whole period.
            None if self.at_once => {
                let gentle = Gentle {
                    rise: self.period,
                    ..Gentle::FASTEST
                };
                return Ok(match self.plan(&gentle) {
                    Ok(driven) => (costing(driven, &fastest), Some(gentle)),
                    Err(_) => (fastest, None),
                });
            }
            None => return Ok((fastest, None)),
            Some(false) => {}
        }
        let mut best: Option<(Driven, Gentle)> = None;
        let peak = peak(&fastest);
        if self.at_once {
            self.better(&mut best, RISES, |number| Gentle {
                rise: (number + 1) as f64 / RISES as f64 * self.period,
                ..Gentle::FASTEST
            });
            for rise in RISES_WITH_SHARES.map(|part| part * self.period) {
                self.better(&mut best, SHARES, |number| Gentle {
                    rise,
                    share: 1.0 - number as f64 / 16.0,
                    ..Gentle::FASTEST
                });
            }
            for rise in RISES_WITH_SPEEDS.map(|part| part * self.period) {
                self.slower(&mut best, rise, peak);
            }
        } else {
            self.slower(&mut best, 0.0, peak);
        }
        Ok(match best {
            Some((driven, gentle)) => (costing(driven, &fastest), Some(gentle)),
            None => (fastest, None),
        })
    }

    fn plan(&self, gentle: &Gentle) -> Result<Driven, Impossible> {
        drive(&gentle.legs(self.legs), self.ends, self.time)
    }

    /// Seeks the highest speed below `peak` at which the rotors follow.
    fn slower(&self, best: &mut Option<(Driven, Gentle)>, rise: f64, peak: f64) {
        let at = |exponent: f64| Gentle {
            rise,
            speed: peak * SLOWER.powf(exponent),
            ..Gentle::FASTEST
        };
        let found = self.better(best, SPEEDS, |number| at(number as f64 + 1.0));
        // What lies between it and the one before, which is lost.
        if let Some(number) = found {
            self.better(best, PARTS - 1, |part| {
                at(number as f64 + (part + 1) as f64 / PARTS as f64)
            });
        }
    }

    /// Seeks the first of a row of ever gentler plans that is followed, and keeps it where it
    /// is faster than `best`; gives its number then.
    fn better(
        &self,
        best: &mut Option<(Driven, Gentle)>,
        count: usize,
        row: impl Fn(usize) -> Gentle,
    ) -> Option<usize> {
        if self.time.is_some() && best.is_some() {
            return None;
        }
        let mut first = None;
        let mut tried = |number: usize| {
            let gentle = row(number);
            let Ok(driven) = self.plan(&gentle) else {
                // Too gentle for the time that is given.
                return Try::TooSlow;
            };
            let known = best
                .as_ref()
                .map_or(f64::INFINITY, |(best, _)| best.duration);
            if driven.duration >= known {
                return Try::TooSlow;
            }
            if (self.followed)(&driven) == Some(true) {
                *best = Some((driven, gentle));
                first = Some(number);
                Try::Followed
            } else {
                Try::Lost
            }
        };
        match tried(0) {
            Try::Followed => return Some(0),
            Try::TooSlow => return None,
            Try::Lost => {}
        }
        // Lost at `low`; whatever is beyond `high` is no better.
        let (mut low, mut high) = (0, count);
        while high - low > 1 {
            let middle = low.midpoint(high);
            match tried(middle) {
                Try::Lost => low = middle,
                Try::Followed | Try::TooSlow => high = middle,
            }
        }
        first
    }
}

/// What became of a plan of a row.
enum Try {
    Followed,
    Lost,
    /// Another plan that is followed takes less time, or the time does not suffice.
    TooSlow,
}

/// A gentler plan with what it costs beside the fastest, whose own cost is in it.
fn costing(driven: Driven, fastest: &Driven) -> Driven {
    Driven {
        cost: fastest.cost + driven.duration - fastest.duration,
        ..driven
    }
}

/// The highest speed of a path (microsteps/s).
fn peak(driven: &Driven) -> f64 {
    let speeds = driven
        .segments
        .iter()
        .flat_map(|segment| [0.0, segment.duration].map(|after| segment.velocity_at(after)));
    speeds.fold(0.0, f64::max)
}
