//! How long a rotor swings after a motion, for `dwell until settled`.
//!
//! The axis starts at rest on its microstep and plays the ticks of the motion, on a
//! clock that is as fast as the timer's tolerance allows. Behind the last step it is
//! followed until it has stayed within `settle` of its target for some periods of its
//! natural frequency: nothing drives it any more, so its swing only dies away and it will
//! not leave again.
//!
//! What was found is kept by the motion's numbers and by where in the electrical cycle it
//! starts, which is all that the model can tell apart, so that equal moves cost one.

use std::collections::HashMap;
use std::f64::consts::TAU;
use std::hash::{Hash, Hasher};
use std::sync::{Arc, Mutex, PoisonError};

use crate::physics::{Machine, Simulator};
use crate::plan::{AxisMotion, Motion, NeverSettles, Settling};
use crate::rig::{Axis, Rig};
use crate::schedule::clock::{TickClock, TickInstant};
use crate::schedule::ticks::StepTicks;

/// How long a rotor is followed after its last step (s): chosen, longer than any dwell in
/// practice.
const FOLLOWED: f64 = 10.0;

/// Internal steps in which it is followed, at most, and as many for each step of the motion and
/// this: chosen, some ten times what a motor for a bench takes. A rotor that takes more is told
/// never to settle, as far as it was followed.
const LONGEST: u64 = 2_000_000;

/// Periods of the natural frequency within `settle` after which it is left alone: chosen,
/// so that a swing at its zero does not pass for rest.
const QUIET_PERIODS: f64 = 4.0;

/// A rotor stands when it would swing by less than this any more (electrical rad): chosen,
/// as for the rest between moves.
const STANDS: f64 = 1e-3;

/// Motions remembered at most; past it the memory starts afresh: chosen, to bound it.
const REMEMBERED: usize = 4096;

/// Finds out how long the axes of a rig swing after their motions.
#[derive(Debug)]
pub(crate) struct Settler {
    axes: Vec<SettlingAxis>,
    clock: TickClock,
    /// How much faster than nominal the real clock may be.
    tolerance: f64,
    known: Mutex<HashMap<Start, Result<f64, NeverSettles>>>,
}

/// What must be known of an axis.
#[derive(Debug)]
struct SettlingAxis {
    machine: Machine,
    /// Motor angle that counts as settled (rad).
    settle: f64,
    /// Travel of the load for an angle of the motor (rad or m per rad).
    travel: f64,
}

impl SettlingAxis {
    fn of(axis: &Axis) -> Self {
        let travel = 1.0 / (axis.microsteps_per_travel() * axis.microstep_angle());
        Self {
            machine: Machine::of(axis),
            settle: axis.settle() / travel,
            travel,
        }
    }

    /// Where a motion starts, as far as the model can tell.
    fn phase(&self, from: i64) -> i64 {
        // An unbalance pulls another way at every angle of the load.
        if self.machine.unbalance_torque == 0.0 {
            from.rem_euclid(self.machine.microsteps_per_cycle())
        } else {
            from
        }
    }
}

/// A motion of one axis from one place.
#[derive(Debug)]
struct Start {
    motion: Arc<Motion>,
    number: usize,
    phase: i64,
}

impl Start {
    fn axis(&self) -> &AxisMotion {
        &self.motion.axes[self.number]
    }
}

impl PartialEq for Start {
    fn eq(&self, other: &Self) -> bool {
        self.phase == other.phase
            && self.number == other.number
            && (Arc::ptr_eq(&self.motion, &other.motion) || self.axis() == other.axis())
    }
}

impl Eq for Start {}

impl Hash for Start {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let axis = self.axis();
        (axis.axis, axis.direction, axis.steps, self.phase).hash(state);
        self.motion.duration.to_bits().hash(state);
    }
}

impl Settler {
    /// For the axes of `rig`.
    pub(crate) fn of(rig: &Rig) -> Self {
        Self {
            axes: rig.axes.iter().map(SettlingAxis::of).collect(),
            clock: TickClock::new(&rig.timer),
            tolerance: rig.timer.tolerance,
            known: Mutex::default(),
        }
    }

    fn follow(&self, start: &Start) -> Result<f64, NeverSettles> {
        let motion = start.axis();
        let axis = &self.axes[motion.axis];
        let machine = &axis.machine;
        let tick = 1.0 / (self.clock.rate() * (1.0 + self.tolerance));
        let step = motion.direction.sign();
        let simulator = Simulator::at_rest(machine, start.phase, machine.internal_step());
        let mut simulator = simulator.at_most(LONGEST.saturating_add(16 * motion.steps));
        let begin = TickInstant::default();
        let mut steps = StepTicks::new(&start.motion, start.number, self.clock, begin);
        while let Some(at) = steps.peek() {
            simulator.advance(at as f64 * tick);
            simulator.command(simulator.commanded() + step);
            steps.used(1);
        }
        // Beside the equilibrium that it ends in, also after a slip.
        let missing = |simulator: &Simulator<'_>| {
            let lag = simulator.lag();
            ((lag - (lag / TAU).round() * TAU) / machine.rotor_teeth).abs()
        };
        let last_step = simulator.time();
        let quiet = QUIET_PERIODS * TAU / machine.natural_frequency();
        let mut last_outside = last_step;
        let (mut off, mut window) = (0.0_f64, last_step);
        let mut before = (last_step, missing(&simulator));
        while simulator.time() < last_step + FOLLOWED && !simulator.gave_up() {
            if simulator.time() - last_outside >= quiet {
                let after = last_outside * (1.0 + self.tolerance) - start.motion.duration;
                return Ok(after.max(0.0));
            }
            if simulator.time() - window >= quiet {
                (off, window) = (0.0, simulator.time());
            }
            let to = simulator.time() + quiet / (4.0 * QUIET_PERIODS);
            simulator.advance_with(to, |simulator| {
                let missing = missing(simulator);
                off = off.max(missing);
                let now = (simulator.time(), missing);
                if missing > axis.settle {
                    last_outside = now.0;
                } else if before.1 > axis.settle {
                    // It came inside on the way: straight between two internal steps.
                    let share = (before.1 - axis.settle) / (before.1 - now.1);
                    last_outside = before.0 + share * (now.0 - before.0);
                }
                before = now;
            });
        }
        Err(NeverSettles {
            followed: simulator.time() - last_step,
            off: off * axis.travel,
            swings: simulator.swing() > STANDS,
        })
    }
}

impl Settling for Settler {
    fn after(&self, motion: &Arc<Motion>, number: usize, from: i64) -> Result<f64, NeverSettles> {
        let axis = &self.axes[motion.axes[number].axis];
        let start = Start {
            motion: Arc::clone(motion),
            number,
            phase: axis.phase(from),
        };
        // What a panic left behind is whole: entries are put in at once.
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(found) = known.get(&start) {
            return *found;
        }
        let found = self.follow(&start);
        if known.len() >= REMEMBERED {
            known.clear();
        }
        known.insert(start, found);
        found
    }
}
