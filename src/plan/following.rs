//! Motions of our own making that the rotor follows.
//!
//! A full-torque ramp asks for its torque at once, and turns it round at once where it stops
//! gaining speed. A rotor that swings freely overshoots such a step. By equal areas, without
//! damping and with the share t of the peak torque T,
//!
//! ```text
//! a step from rest to t holds       up to 1 − t (π − asin t) + … = 0:   t = 0.725
//! a reversal from +t to −t holds    up to t = 2/√(π² + 4) = 0.537
//! ```
//!
//! (textbook mechanics: a rotor that is let go with the load angle asin t of the old torque
//! reaches the unstable rest of the new one just not.) On a voltage that is not regulated, and
//! above the speed where a regulator runs out of it, swings also grow by themselves while a
//! ramp crosses an unstable band.
//!
//! How far a rotor swings is for a model of the motor to say, which comes after planning. So the
//! caller brings somebody who knows ([`Following`]). A plan that the rotor follows as it stands
//! costs nothing. One that it does not follow is planned again in three ways:
//!
//! - the torque *rises* over a share of the natural period instead of at once (a limit of jerk);
//! - and the accelerations take a share of what the torque allows;
//! - or the peak speed is lower, where a band lets no rotor through.
//!
//! Each way is a row of ever gentler plans; the first that is followed is sought by halving, and
//! the fastest of the ways is taken. Cruises that were moved out of a band are tried too, and
//! go on down where the rotor does not follow. What was tried is said with its cost.

use std::fmt::Debug;
use std::sync::Arc;

use crate::plan::Motion;
use crate::plan::leg::Leg;
use crate::plan::path::{Driven, drive};
use crate::plan::profile::Impossible;

/// Somebody who knows whether a rotor follows a motion.
pub trait Following: Debug {
    /// Whether every axis follows `motion` from rest without losing a step; none where the
    /// motion is too long to be tried.
    fn followed(&self, motion: &Arc<Motion>) -> Option<bool>;
}

/// Shares of the natural period over which the torque rises: chosen. After a rise over a whole
/// period no swing is left (linear theory), and a shorter one costs less time.
const RISES: [f64; 3] = [1.0, 0.5, 0.25];
/// Gentler accelerations that are tried: chosen, down to a quarter in steps of a sixteenth.
const SHARES: usize = 13;
/// Lower speeds that are tried, and the ratio of neighbours: chosen, down to a twentieth.
const SPEEDS: usize = 20;
const SLOWER: f64 = 0.86;

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

/// How the rotors take to a plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Taken {
    /// They follow the fastest plan.
    AsItIs,
    /// They follow a gentler one, or are taken to where it is too long to be tried.
    Gentler(Gentle),
    /// They follow none that was tried.
    Never,
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
    /// The fastest plan that was found to be followed, or the fastest of all where none was.
    ///
    /// # Errors
    /// As [`drive`].
    pub(crate) fn driven(&self) -> Result<(Driven, Taken), Impossible> {
        let fastest = self.plan(&Gentle::FASTEST)?;
        // What the script asks for by itself is for the check to judge.
        if !self.at_once && fastest.avoided.is_empty() {
            return Ok((fastest, Taken::AsItIs));
        }
        match (self.followed)(&fastest) {
            Some(true) => return Ok((fastest, Taken::AsItIs)),
            // So long a motion has room for a rise over a whole period.
            None if self.at_once => {
                let gentle = Gentle {
                    rise: self.period,
                    ..Gentle::FASTEST
                };
                return Ok(match self.plan(&gentle) {
                    Ok(driven) => (driven, Taken::Gentler(gentle)),
                    Err(_) => (fastest, Taken::AsItIs),
                });
            }
            None => return Ok((fastest, Taken::AsItIs)),
            Some(false) => {}
        }
        let mut best: Option<(Driven, Gentle)> = None;
        if self.at_once {
            for rise in RISES {
                self.better(&mut best, SHARES, |number| Gentle {
                    rise: rise * self.period,
                    share: 1.0 - number as f64 / 16.0,
                    ..Gentle::FASTEST
                });
            }
        }
        let peak = peak(&fastest);
        let rises = if self.at_once { &RISES[..2] } else { &[0.0] };
        for rise in rises {
            self.better(&mut best, SPEEDS, |number| Gentle {
                rise: rise * self.period,
                speed: peak * SLOWER.powi(number as i32 + 1),
                ..Gentle::FASTEST
            });
        }
        Ok(match best {
            Some((driven, gentle)) => (
                Driven {
                    cost: fastest.cost + driven.duration - fastest.duration,
                    ..driven
                },
                Taken::Gentler(gentle),
            ),
            None => (fastest, Taken::Never),
        })
    }

    fn plan(&self, gentle: &Gentle) -> Result<Driven, Impossible> {
        drive(&gentle.legs(self.legs), self.ends, self.time)
    }

    /// Seeks the first of a row of ever gentler plans that is followed, and keeps it where it
    /// is faster than `best`.
    fn better(
        &self,
        best: &mut Option<(Driven, Gentle)>,
        count: usize,
        row: impl Fn(usize) -> Gentle,
    ) {
        if self.time.is_some() && best.is_some() {
            return;
        }
        let mut tried = |number: usize| {
            let gentle = row(number);
            let Ok(driven) = self.plan(&gentle) else {
                // Too gentle for the time that is given.
                return Try::TooSlow;
            };
            let known = best.as_ref().map_or(f64::INFINITY, |(best, _)| best.duration);
            if driven.duration >= known {
                return Try::TooSlow;
            }
            if (self.followed)(&driven) == Some(true) {
                *best = Some((driven, gentle));
                Try::Followed
            } else {
                Try::Lost
            }
        };
        if let Try::Followed | Try::TooSlow = tried(0) {
            return;
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
    }
}

/// What became of a plan of a row.
enum Try {
    Followed,
    Lost,
    /// Another plan that is followed takes less time, or the time does not suffice.
    TooSlow,
}

/// The highest speed of a path (microsteps/s).
fn peak(driven: &Driven) -> f64 {
    let speeds = driven.segments.iter().flat_map(|segment| {
        [0.0, segment.duration].map(|after| segment.velocity_at(after))
    });
    speeds.fold(0.0, f64::max)
}
