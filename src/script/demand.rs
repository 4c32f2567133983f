//! What each place of the language wants of its expression: which units, and which
//! numbers.

use super::action::{SpeedLimits, TRAVEL};
use super::syntax::Limit;
use crate::diagnostic::Span;
use crate::units::{Dimension, Quantity};

/// Numbers above this, in SI units or steps, are refused: no bench has them, and
/// they leave the range in which every whole number of microsteps is exact.
const LARGEST: f64 = 1e15;

/// Limits below this, in SI units or steps, are refused: a turn would take centuries.
const SMALLEST: f64 = 1e-9;

/// The longest time that a statement may ask for (s), about thirty years.
const LONGEST: f64 = 1e9;

/// From here on the number of a time without a unit is taken for milliseconds.
const LONG_WAIT: f64 = 20.0;

/// How often `repeat` may repeat.
const MOST_PASSES: f64 = 1e12;

/// How far, relatively, a count may lie from a whole number and be that number: the
/// rounding error of a few operations, as in `repeat 1 turn / (15 deg)`.
const WHOLE: f64 = 1e-13;

/// What an expression is used for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wanted {
    /// A distance or position: an angle, a length, full steps or microsteps.
    Travel,
    /// One of the limits of motion.
    Limit(Limit),
    /// The speed of one move.
    Speed,
    /// A time to wait, which may be nothing.
    Wait,
    /// The time that a move takes.
    Duration,
    /// How many times.
    Count,
}

/// Why a number cannot be used although its unit is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NumberProblem {
    /// It must not be negative.
    Negative,
    /// It must be more than nothing.
    NotPositive,
    /// It is beyond all benches.
    TooLarge,
    /// It would take for ever.
    TooSmall,
    /// It must be a whole number.
    NotWhole,
}

impl Wanted {
    /// The power of time that travel is divided by; none where it is not travel.
    const fn per_time(self) -> Option<i8> {
        match self {
            Self::Travel => Some(0),
            Self::Speed | Self::Limit(Limit::Speed | Limit::Start) => Some(1),
            Self::Limit(Limit::Accel | Limit::Decel) => Some(2),
            Self::Limit(Limit::Jerk) => Some(3),
            Self::Wait | Self::Duration | Self::Count => None,
        }
    }

    /// Whether that dimension serves.
    pub(super) fn accepts(self, dimension: Dimension) -> bool {
        match (self.per_time(), self) {
            (Some(power), _) => TRAVEL
                .iter()
                .any(|travel| travel.combine(Dimension::TIME, -power) == Some(dimension)),
            (None, Self::Count) => dimension == Dimension::NONE,
            (None, _) => dimension == Dimension::TIME,
        }
    }

    /// Whether that number serves, once its dimension does.
    ///
    /// # Errors
    /// Why it does not.
    pub(super) fn fits(self, value: f64) -> Result<f64, NumberProblem> {
        match self {
            Self::Travel if value.abs() > LARGEST => Err(NumberProblem::TooLarge),
            Self::Travel => Ok(value),
            Self::Limit(Limit::Start) if value < 0.0 => Err(NumberProblem::Negative),
            Self::Limit(Limit::Start) if value == 0.0 => Ok(0.0),
            Self::Limit(_) | Self::Speed if value <= 0.0 => Err(NumberProblem::NotPositive),
            Self::Limit(_) | Self::Speed if value < SMALLEST => Err(NumberProblem::TooSmall),
            Self::Limit(_) | Self::Speed if value > LARGEST => Err(NumberProblem::TooLarge),
            Self::Limit(_) | Self::Speed => Ok(value),
            Self::Duration if value <= 0.0 => Err(NumberProblem::NotPositive),
            Self::Wait if value < 0.0 => Err(NumberProblem::Negative),
            Self::Wait | Self::Duration if value > LONGEST => Err(NumberProblem::TooLarge),
            // Adding zero makes a negative zero positive.
            Self::Wait | Self::Duration => Ok(value + 0.0),
            Self::Count if value < 0.0 => Err(NumberProblem::Negative),
            Self::Count if value > MOST_PASSES => Err(NumberProblem::TooLarge),
            Self::Count if (value - value.round()).abs() > WHOLE * value => {
                Err(NumberProblem::NotWhole)
            }
            Self::Count => Ok(value.round()),
        }
    }

    /// What it is, with its article.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Travel => "an angle, a length or a number of steps",
            Self::Speed | Self::Limit(Limit::Speed | Limit::Start) => "a speed",
            Self::Limit(Limit::Accel | Limit::Decel) => "an acceleration",
            Self::Limit(Limit::Jerk) => "a jerk",
            Self::Wait | Self::Duration => "a time",
            Self::Count => "a plain number",
        }
    }

    /// How it may be written.
    pub(super) const fn example(self) -> &'static str {
        match self {
            Self::Travel => "15 deg, 2 turn, 4 mm or 200 step",
            Self::Speed | Self::Limit(Limit::Speed | Limit::Start) => {
                "120 deg/s, 30 rpm, 8 mm/s or 400 step/s"
            }
            Self::Limit(Limit::Accel | Limit::Decel) => "600 deg/s^2, 40 mm/s^2 or 2000 step/s^2",
            Self::Limit(Limit::Jerk) => "9000 deg/s^3, 600 mm/s^3 or 30000 step/s^3",
            Self::Wait | Self::Duration => "0.5 s, 20 ms or 2 min",
            Self::Count => "24, or 360 deg / (15 deg)",
        }
    }

    /// Units that a plain number may be meant in, the likeliest first.
    pub(super) const fn units(self, value: f64) -> &'static [&'static str] {
        match self {
            Self::Travel => &["deg", "turn", "mm", "step"],
            Self::Speed | Self::Limit(Limit::Speed | Limit::Start) => {
                &["deg/s", "rpm", "mm/s", "step/s"]
            }
            Self::Limit(Limit::Accel | Limit::Decel) => &["deg/s^2", "mm/s^2", "step/s^2"],
            Self::Limit(Limit::Jerk) => &["deg/s^3", "mm/s^3", "step/s^3"],
            Self::Wait | Self::Duration if value >= LONG_WAIT => &["ms", "s"],
            Self::Wait | Self::Duration => &["s", "ms"],
            Self::Count => &[],
        }
    }

    /// The number that it has to stay within, in words.
    pub(super) const fn bound(self, unfit: NumberProblem) -> &'static str {
        match (unfit, self) {
            (NumberProblem::Negative, _) => "zero or more",
            (NumberProblem::NotPositive, _) => "more than zero",
            (NumberProblem::NotWhole, _) => "a whole number",
            (NumberProblem::TooSmall, _) => "1e-9 or more (in SI units or steps)",
            (NumberProblem::TooLarge, Self::Count) => "1e12 at most",
            (NumberProblem::TooLarge, Self::Wait | Self::Duration) => "1e9 s at most",
            (NumberProblem::TooLarge, _) => "1e15 at most (in SI units or steps)",
        }
    }
}

impl Limit {
    /// Its place among the limits.
    pub(super) fn of(self, limits: &mut SpeedLimits) -> &mut Option<(Quantity, Span)> {
        match self {
            Self::Speed => &mut limits.speed,
            Self::Accel => &mut limits.accel,
            Self::Decel => &mut limits.decel,
            Self::Jerk => &mut limits.jerk,
            Self::Start => &mut limits.start,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_use_takes_its_own_units() {
        let per = |travel: Dimension, power: i8| travel.combine(Dimension::TIME, -power).unwrap();
        let uses = [
            (Wanted::Travel, 0),
            (Wanted::Limit(Limit::Start), 1),
            (Wanted::Limit(Limit::Decel), 2),
            (Wanted::Limit(Limit::Jerk), 3),
        ];
        for (wanted, power) in uses {
            for other in 0..4 {
                for travel in TRAVEL {
                    assert_eq!(
                        wanted.accepts(per(travel, other)),
                        power == other,
                        "{wanted:?} {other}"
                    );
                }
                assert!(!wanted.accepts(per(Dimension::NONE, other)));
            }
        }
        assert!(Wanted::Wait.accepts(Dimension::TIME) && !Wanted::Wait.accepts(Dimension::NONE));
        assert!(Wanted::Count.accepts(Dimension::NONE) && !Wanted::Count.accepts(Dimension::TIME));
    }

    #[test]
    fn numbers_beyond_sense_are_refused() {
        assert_eq!(Wanted::Wait.fits(0.0), Ok(0.0));
        assert_eq!(Wanted::Wait.fits(-1e-12), Err(NumberProblem::Negative));
        assert_eq!(Wanted::Wait.fits(1e10), Err(NumberProblem::TooLarge));
        assert_eq!(Wanted::Duration.fits(0.0), Err(NumberProblem::NotPositive));
        assert_eq!(Wanted::Speed.fits(0.0), Err(NumberProblem::NotPositive));
        assert_eq!(Wanted::Limit(Limit::Start).fits(0.0), Ok(0.0));
        assert_eq!(
            Wanted::Limit(Limit::Jerk).fits(1e-10),
            Err(NumberProblem::TooSmall)
        );
        assert_eq!(Wanted::Travel.fits(-1e16), Err(NumberProblem::TooLarge));
        assert_eq!(Wanted::Count.fits(24.000_000_000_000_004), Ok(24.0));
        assert_eq!(Wanted::Count.fits(24.001), Err(NumberProblem::NotWhole));
        assert_eq!(Wanted::Count.fits(1e12), Ok(1e12));
        assert_eq!(Wanted::Count.fits(2e12), Err(NumberProblem::TooLarge));
    }
}
