//! Where each axis stands, exactly, and how travel becomes microsteps.
//!
//! Targets add up unrounded, in double-double arithmetic (about 32 digits), and each
//! is rounded to a microstep once, from the sum. A million turns of seven stops of
//! 360/7 degrees thus come back to the microstep that they began at.
//!
//! ```text
//! microsteps = travel · m · g / u
//! ```
//!
//! with m the microsteps of a motor turn, g the motor turns of a load turn and u the
//! travel of a load turn (2π rad, or the lead of a linear axis). Halfway between two
//! microsteps the target goes to the higher one, so that equal increments of half
//! microsteps give an even pattern on both sides of zero.

use crate::exact::Exact;
use crate::rig::Axis;
use crate::script::{Target, Way};
use crate::units::{Dimension, Quantity};

/// The furthest position, in microsteps, that is kept exactly.
pub(crate) const FURTHEST: f64 = (1u64 << 50) as f64;

/// How near to halfway between two microsteps still counts as halfway: what decimal
/// fractions of a degree lose when they become binary radians stays far below it.
const HALFWAY: f64 = 1e-6;

/// The nearest whole number, the higher one halfway between two.
pub(crate) fn nearest_microstep(position: Exact) -> i64 {
    let (whole, _) = (position + Exact::from(0.5 + HALFWAY)).floor();
    whole.clamp(i128::from(i64::MIN), i128::from(i64::MAX)) as i64
}

/// How far above the halfway mark below it a position lies (microsteps, 0 to 1).
pub(crate) fn above_halfway(position: Exact) -> f64 {
    let (_, above) = (position + Exact::from(0.5 + HALFWAY)).floor();
    above.nearest()
}

/// How travel becomes microsteps on one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TravelScale {
    /// Microsteps of one turn of the motor.
    motor_turn: f64,
    /// Motor turns for so many load turns.
    gearing: (f64, f64),
    /// Travel of one turn of the load (rad or m).
    travel_per_turn: f64,
    /// Microsteps of a full step.
    full_step: f64,
    /// Whether travel is a length.
    linear: bool,
}

impl TravelScale {
    /// The scale of that axis.
    pub(crate) fn new(axis: &Axis) -> Self {
        let gearing = axis.load.gearing;
        Self {
            motor_turn: axis.microsteps_per_motor_turn() as f64,
            gearing: (gearing.motor, gearing.load),
            travel_per_turn: match &axis.load.linear {
                None => std::f64::consts::TAU,
                Some(linear) => linear.travel_per_turn.si(),
            },
            full_step: f64::from(axis.drive.microsteps()),
            linear: axis.load.linear.is_some(),
        }
    }

    /// Whether travel is a length.
    pub(crate) const fn is_linear(&self) -> bool {
        self.linear
    }

    /// Microsteps of one turn of the load; need not be a whole number.
    pub(crate) fn load_turn(&self) -> Exact {
        Exact::product(self.motor_turn, self.gearing.0).over(self.gearing.1)
    }

    /// Microsteps of a full step.
    pub(crate) const fn full_step(&self) -> f64 {
        self.full_step
    }

    /// A travel in microsteps; none where it is of another kind than the axis's.
    pub(crate) fn microsteps(&self, travel: Quantity) -> Option<Exact> {
        let own = if self.linear {
            Dimension::LENGTH
        } else {
            Dimension::ANGLE
        };
        if travel.dimension == own {
            // Turns first: a whole number of turns stays whole.
            let turns = Exact::from(travel.si).over(self.travel_per_turn);
            Some(turns * self.load_turn())
        } else if travel.dimension == Dimension::FULL_STEP {
            Some(Exact::product(travel.si, self.full_step))
        } else if travel.dimension == Dimension::MICROSTEP {
            Some(Exact::from(travel.si))
        } else {
            None
        }
    }

    /// Travel (rad or m) of so many microsteps.
    pub(crate) fn travel(&self, microsteps: Exact) -> f64 {
        let motor_turns = (microsteps * Exact::from(self.gearing.1))
            .over(self.gearing.0)
            .over(self.motor_turn);
        (motor_turns * Exact::from(self.travel_per_turn)).nearest()
    }
}

/// Where one axis stands.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Position {
    /// Where it was asked to go last, in microsteps from the program's origin.
    pub asked: Exact,
    /// The whole microstep nearest to it, where it is.
    pub steps: i64,
}

/// Why a target is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum NoTarget {
    /// Its unit is not one of the axis's travel.
    WrongUnit,
    /// A way round where travel is a length.
    WayOfLinear,
    /// A way round with a `by` that has its own sign, or with `shortest`.
    WayOfIncrement,
    /// Further than can be kept exactly.
    TooFar,
}

impl Position {
    /// Where the axis stands after going to that target.
    ///
    /// # Errors
    /// See [`NoTarget`].
    pub(crate) fn target(
        self,
        target: Target,
        way: Option<Way>,
        scale: &TravelScale,
    ) -> Result<Self, NoTarget> {
        if way.is_some() && scale.is_linear() {
            return Err(NoTarget::WayOfLinear);
        }
        let microsteps = |travel| scale.microsteps(travel).ok_or(NoTarget::WrongUnit);
        let asked = match (target, way) {
            (Target::By(travel), None) => self.asked + microsteps(travel)?,
            (Target::By(travel), Some(way)) => {
                let sign = match way {
                    Way::Counterclockwise => 1.0,
                    Way::Clockwise => -1.0,
                    Way::Shortest => return Err(NoTarget::WayOfIncrement),
                };
                if travel.si < 0.0 {
                    return Err(NoTarget::WayOfIncrement);
                }
                self.asked + microsteps(travel)? * Exact::from(sign)
            }
            (Target::To(travel), None) => microsteps(travel)?,
            (Target::To(travel), Some(way)) => {
                self.turned(microsteps(travel)?, way, scale.load_turn())
            }
        };
        // Written so that what is no number is refused too.
        let near = asked.nearest().abs() <= FURTHEST;
        if !near {
            return Err(NoTarget::TooFar);
        }
        Ok(Self {
            asked,
            steps: nearest_microstep(asked),
        })
    }

    /// The position `target` with so many whole turns added that it is reached the
    /// way that is asked. A target on the very microstep where the axis stands is
    /// reached already: rounding must not send it round once more.
    fn turned(self, target: Exact, way: Way, turn: Exact) -> Exact {
        let at_turns = |turns: f64| target + turn * Exact::from(turns);
        let nearest = ((self.asked - target).nearest() / turn.nearest()).round();
        let here = at_turns(nearest);
        let ahead = (here - self.asked).nearest();
        if nearest_microstep(here) == self.steps {
            return here;
        }
        match way {
            Way::Shortest => {
                // Halfway round, counter-clockwise.
                let half = turn.nearest() / 2.0;
                if (ahead + half).abs() <= HALFWAY {
                    at_turns(nearest + 1.0)
                } else {
                    here
                }
            }
            Way::Counterclockwise if ahead > 0.0 => here,
            Way::Counterclockwise => at_turns(nearest + 1.0),
            Way::Clockwise if ahead < 0.0 => here,
            Way::Clockwise => at_turns(nearest - 1.0),
        }
    }
}
