//! `dwell until settled`: how long the axes still swing after their moves.
//!
//! How a rotor swings is for a model of the motor to say, which comes after planning. So
//! the caller brings somebody who knows ([`Settling`]), and here is only kept what there
//! is to know: which motion each axis made last and how long ago. The dwell lasts until
//! the last axis has settled, counted from the end of its own motion, and is rounded up
//! to whole ticks; `await` may be over at once and counts as no time.

use std::fmt::Debug;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Span};
use crate::plan::names::{ProgramNames, with_doubt};
use crate::plan::ramps::Ramps;
use crate::plan::{AxisMotion, Item, Motion};
use crate::units::Rounded;

/// Somebody who knows how long a rotor swings.
pub(crate) trait Settling: Debug {
    /// Seconds by the nominal clock from the end of `motion` until the load of its axis
    /// number `number`, which stood at microstep `from` before, stays within the rig's
    /// `settle` of its target.
    ///
    /// # Errors
    /// It never does, as far as it was followed.
    fn after(&self, motion: &Arc<Motion>, number: usize, from: i64) -> Result<f64, NeverSettles>;
}

/// A load that does not come to rest at its target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct NeverSettles {
    /// How long it was followed (s).
    pub followed: f64,
    /// How far it went from the target at last (rad or m of the load).
    pub off: f64,
    /// Whether it still swings; else it stands beside its target.
    pub swings: bool,
}

/// The last motion of an axis.
#[derive(Debug, Clone)]
pub(crate) struct LastMotion {
    motion: Arc<Motion>,
    number: usize,
    from: i64,
    place: Span,
    /// Seconds since its end.
    ago: f64,
}

impl LastMotion {
    fn moved(&self) -> &AxisMotion {
        &self.motion.axes[self.number]
    }
}

/// What still swings on an axis, as far as passes of a loop can be told apart by it.
#[derive(Debug, Clone)]
pub(crate) struct SwingState(LastMotion);

impl SwingState {
    /// Whether the other swings the same, on an axis whose swing is the same after so many
    /// microsteps.
    pub(crate) fn alike(&self, other: &Self, cycle: Option<i64>) -> bool {
        let (one, two) = (&self.0, &other.0);
        let moved = two.from - one.from;
        Arc::ptr_eq(&one.motion, &two.motion)
            && one.number == two.number
            && one.ago.to_bits() == two.ago.to_bits()
            && cycle.map_or(moved == 0, |cycle| moved % cycle == 0)
    }
}

/// How the axes still swing after their moves.
#[derive(Debug)]
pub(crate) struct Swings<'rig> {
    /// The last motion of each axis that has not settled yet.
    last_motions: Vec<Option<LastMotion>>,
    /// Who knows how long a rotor swings, where anybody does.
    model: Option<&'rig dyn Settling>,
}

impl<'rig> Swings<'rig> {
    /// Of so many axes at rest.
    pub(crate) fn new(axes: usize) -> Self {
        Self {
            last_motions: vec![None; axes],
            model: None,
        }
    }

    /// What still swings on each axis.
    pub(crate) fn state(&self) -> Vec<Option<SwingState>> {
        let last = self.last_motions.iter();
        last.map(|last| last.clone().map(SwingState)).collect()
    }

    /// Passes of a loop are left out, in which the axis turns by so many microsteps, or which
    /// last so many seconds without a move of it.
    pub(crate) fn leap(&mut self, axis: usize, steps: Option<i64>, seconds: f64) {
        let Some(last) = &mut self.last_motions[axis] else {
            return;
        };
        match steps {
            Some(steps) => last.from += steps,
            None => last.ago += seconds,
        }
    }

    /// With somebody who knows how long a rotor swings.
    pub(crate) fn ask(&mut self, model: &'rig dyn Settling) {
        self.model = Some(model);
    }

    /// Takes note of what an item means for the time after motions.
    pub(crate) fn note(&mut self, item: &Item) {
        for last in self.last_motions.iter_mut().flatten() {
            last.ago += item.duration();
        }
        let Item::Move(planned) = item else { return };
        for (number, axis) in planned.motion.axes.iter().enumerate() {
            if axis.steps > 0 {
                self.last_motions[axis.axis] = Some(LastMotion {
                    motion: Arc::clone(&planned.motion),
                    number,
                    from: planned.travel[number].from_steps,
                    place: planned.span,
                    ago: 0.0,
                });
            }
        }
    }

    /// Seconds until every axis has settled, a whole number of ticks.
    pub(crate) fn until_settled(
        &mut self,
        names: &ProgramNames<'_>,
        ramps: &mut Ramps<'_>,
        place: Span,
    ) -> Result<f64, Diagnostic> {
        let Some(settling) = self.model else {
            return Err(Diagnostic::error(
                "not-available",
                "nobody here knows how long a rotor swings",
            )
            .at(&names.source, place, "this needs a model of the motor")
            .help("plan with somebody who knows (`with_settling`), or write a time here"));
        };
        let mut longest = 0.0_f64;
        for axis in 0..names.rig.axes.len() {
            // Once settled, an axis stays so until it moves again.
            let Some(last) = self.last_motions[axis].take() else {
                continue;
            };
            if names.rig.axes[axis].limits.settle.is_none() {
                return Err(settle_missing(names, axis, place));
            }
            let after = match settling.after(&last.motion, last.number, last.from) {
                Ok(after) => after,
                // The check refuses that move for its torque, which is the reason: so the
                // plan goes on and leaves the word to the check.
                Err(never) if !ramps.abilities(axis).bears(last.moved()) => never.followed,
                Err(never) => return Err(never_settles(names, axis, &never, place, last.place)),
            };
            longest = longest.max(after - last.ago);
        }
        let rate = names.rig.timer.tick_rate();
        Ok((longest * rate).ceil() / rate)
    }
}

fn settle_missing(names: &ProgramNames<'_>, axis: usize, place: Span) -> Diagnostic {
    let axis = &names.rig.axes[axis];
    let example = match axis.load.linear {
        None => "0.25 deg",
        Some(_) => "0.1 mm",
    };
    Diagnostic::error(
        "settle-missing",
        format!(
            "the rig does not say how close to its target axis “{}” counts as settled",
            axis.name
        ),
    )
    .at(&names.source, place, "this waits for that")
    .help(format!(
        "write for instance “settle: {example}” under the limits of “{}” in the rig, or a time here",
        axis.name
    ))
}

fn never_settles(
    names: &ProgramNames<'_>,
    axis: usize,
    never: &NeverSettles,
    place: Span,
    moved: Span,
) -> Diagnostic {
    let axis = &names.rig.axes[axis];
    let (per_si, unit) = match axis.load.linear {
        None => (180.0 / std::f64::consts::PI, "deg"),
        Some(_) => (1e3, "mm"),
    };
    let (does, help) = if never.swings {
        (
            "still swings",
            "smooth the move (“shape s-curve”, less acceleration), damp the rotor, or allow a wider `settle`",
        )
    } else {
        (
            "stands off",
            "the load holds the rotor off: take more current or less load, or allow a wider `settle`",
        )
    };
    let help = with_doubt(help, axis);
    Diagnostic::error(
        "never-settles",
        format!(
            "{} s after this move axis “{}” {does} by {} {unit} in the motor model; {} {unit} is `settle`",
            Rounded(never.followed),
            axis.name,
            Rounded(never.off * per_si),
            Rounded(axis.settle() * per_si),
        ),
    )
    .at(&names.source, place, "this would wait for ever")
    .at(&names.source, moved, "the move")
    .help(help)
}
