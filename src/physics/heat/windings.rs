//! What the windings of a motor stand, and when they get too much.
//!
//! A motor stands its rated current in both phases for as long as one likes: that is what
//! the rating means, with both phases on and the winding at the temperature of its
//! insulation class (common practice). So with
//!
//! ```text
//! P_rated   = 2 Irated² R
//! P_average = s P_running + (1 − s) P_standing        s: share of the program's time in motion
//! ```
//!
//! the windings get too much where
//!
//! - P_standing is above P_rated: the motor may stand as long as anybody likes, before a
//!   start, at an `await` and behind the end;
//! - P_average is above P_rated: the program counts as repeated without a pause, since it
//!   is short against the time in which a motor warms through (some tens of minutes, common
//!   practice);
//! - P_running is above 4 P_rated, twice the rated current, for however short a time: the iron
//!   saturates, so that the torque is no longer what the model says, and the magnets of a
//!   hybrid motor can be weakened for good (common practice, from memory).

/// How far above the rated value a current may be before it is called too much: chosen, as
/// resistance and supply are seldom known any better.
pub(crate) const SLACK: f64 = 1.05;

/// The most current for however short a time, over the rated one (common practice, see above).
const MOST_CURRENT: f64 = 2.0;

/// The power in both windings together (W).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Windings {
    /// Running slowly, averaged over a cycle.
    pub running: f64,
    /// Standing with the hold current, at the worst microstep.
    pub standing: f64,
    /// With the rated current in both phases.
    pub rated: f64,
}

/// Why windings get too much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Overload {
    /// More than twice the rated current.
    Gross,
    /// More than the motor stands while it stands still.
    Standing,
    /// More than it stands, averaged over the program.
    Average {
        /// How much (W).
        power: f64,
        /// Share of the time in which the axis moves.
        moving: f64,
    },
}

impl Windings {
    /// The most that they take, running or standing (W).
    pub fn most(&self) -> f64 {
        self.running.max(self.standing)
    }

    /// Whether they take more than at the rated current at any time.
    pub fn hot(&self) -> bool {
        self.too_much(self.most())
    }

    /// Why they get too much; `moving` is the share of a program's time in which the axis
    /// moves, where there is a program.
    pub fn overload(&self, moving: Option<f64>) -> Option<Overload> {
        if self.running > MOST_CURRENT * MOST_CURRENT * SLACK * SLACK * self.rated {
            return Some(Overload::Gross);
        }
        if self.too_much(self.standing) {
            return Some(Overload::Standing);
        }
        let moving = moving?;
        let power = self.average(moving);
        self.too_much(power)
            .then_some(Overload::Average { power, moving })
    }

    fn average(&self, moving: f64) -> f64 {
        moving * self.running + (1.0 - moving) * self.standing
    }

    fn too_much(&self, power: f64) -> bool {
        power > self.rated * SLACK * SLACK
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATED: f64 = 7.2;

    fn windings(running: f64, standing: f64) -> Windings {
        Windings {
            running: running * RATED,
            standing: standing * RATED,
            rated: RATED,
        }
    }

    #[test]
    fn the_rated_current_is_stood_for_ever_and_a_little_more_is_let_pass() {
        for share in [0.0, 0.5, 1.0] {
            assert_eq!(windings(1.0, 1.0).overload(Some(share)), None);
            assert_eq!(windings(1.1, 1.1).overload(Some(share)), None);
        }
    }

    #[test]
    fn a_motor_that_stands_may_stand_for_ever() {
        assert_eq!(windings(1.2, 1.2).overload(None), Some(Overload::Standing));
        assert_eq!(
            windings(0.5, 1.2).overload(Some(1.0)),
            Some(Overload::Standing)
        );
    }

    /// 2.5 times the power for 30 % of the time and a quarter of it for the rest: 0.925.
    #[test]
    fn more_than_rated_passes_where_the_motor_rests_long_enough() {
        let strong = windings(2.5, 0.25);
        assert_eq!(strong.overload(None), None);
        assert!(strong.hot());
        assert_eq!(strong.overload(Some(0.3)), None);
        let Some(Overload::Average { power, .. }) = strong.overload(Some(0.5)) else {
            panic!("half of the time is too much");
        };
        approx::assert_relative_eq!(power, 1.375 * RATED, max_relative = 1e-12);
    }

    #[test]
    fn twice_the_rated_current_is_too_much_for_however_short_a_time() {
        assert_eq!(windings(4.0, 0.0).overload(Some(0.01)), None);
        assert_eq!(windings(4.5, 0.0).overload(None), Some(Overload::Gross));
    }
}
