//! Whether a rotor follows a motion, for what the planner makes of its own.
//!
//! Two motors play the ticks of the motion from rest, on a clock that is as fast as the timer's
//! tolerance allows: the one of the rig, and one that is worse by [`WEAKER`] and [`HEAVIER`],
//! so that a plan has something left for a rotor that still swings from the move before. They
//! start where the detent helps and where it hinders. Behind the last step they are followed
//! for [`FOLLOWED`] periods of the natural frequency: nothing drives them any more, so
//! that a rotor which is not lost then will not be.
//!
//! A long cruise tells nothing new: all but [`CRUISED`] periods of it are left out.

use std::collections::HashMap;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex, PoisonError};

use super::one_axis::OneAxis;
use crate::physics::{Machine, Simulator};
use crate::plan::{AxisMotion, Following, Motion};
use crate::rig::{Axis, Rig};
use crate::schedule::clock::{TickClock, TickInstant};
use crate::schedule::ticks::StepTicks;

/// Torque constant of the worse motor, and inertia and friction of its load, over those of the
/// rig's. Chosen: the tolerance of data sheets.
const WEAKER: f64 = 0.9;
const HEAVIER: f64 = 1.1;
/// Periods of the natural frequency that a rotor is followed for after its last step: chosen.
const FOLLOWED: f64 = 2.0;
/// Periods of a cruise that are played: chosen, enough for a swing to grow or die.
const CRUISED: f64 = 40.0;
/// A rotor that lags by so many electrical cycles is lost, as in a simulation: chosen, half
/// way between the rest it leaves and the next.
const LOST: f64 = 0.75;
/// Steps and internal steps that a trial may take: chosen, about a tenth of a second.
const LONGEST: f64 = 1e6;
/// Motions remembered at most; past it the memory starts afresh: chosen, to bound it.
const REMEMBERED: usize = 1024;

/// Tries motions in the motor model.
#[derive(Debug)]
pub(crate) struct Trials {
    axes: Vec<TriedAxis>,
    clock: TickClock,
    /// How much faster than nominal the real clock may be.
    tolerance: f64,
    known: Mutex<HashMap<OneAxis, Option<bool>>>,
}

/// The motors of an axis that try a motion.
#[derive(Debug)]
struct TriedAxis {
    nominal: Machine,
    worse: Machine,
    /// Microsteps of a turn of the load.
    load_turn: f64,
}

impl TriedAxis {
    fn of(axis: &Axis) -> Self {
        let nominal = Machine::of(axis);
        Self {
            worse: nominal.worse(WEAKER, HEAVIER),
            load_turn: axis.microsteps_per_motor_turn() as f64 * nominal.gearing,
            nominal,
        }
    }

    /// How long a cruise is played (s) at a speed (microsteps/s): a whole turn of a load that is
    /// out of balance, too.
    fn cruised(&self, speed: f64) -> f64 {
        let periods = CRUISED * TAU / self.worse.natural_frequency();
        match self.nominal.unbalance_torque == 0.0 {
            true => periods,
            false => periods.max(self.load_turn / speed),
        }
    }

    /// The motion with its cruises cut to what is played.
    fn cut(&self, motion: &AxisMotion) -> AxisMotion {
        let mut cut = motion.clone();
        let mut left_out = 0.0;
        for segment in &mut cut.segments {
            segment.position -= left_out;
            if segment.acceleration == 0.0 && segment.jerk == 0.0 && segment.velocity > 0.0 {
                let more = segment.duration - self.cruised(segment.velocity);
                let steps = (more * segment.velocity).floor().max(0.0);
                segment.duration -= steps / segment.velocity;
                left_out += steps;
            }
        }
        cut.steps -= left_out as u64;
        cut
    }
}

impl Trials {
    /// For the axes of `rig`.
    pub(crate) fn of(rig: &Rig) -> Self {
        Self {
            axes: rig.axes.iter().map(TriedAxis::of).collect(),
            clock: TickClock::new(&rig.timer),
            tolerance: rig.timer.tolerance,
            known: Mutex::default(),
        }
    }

    fn axis_followed(&self, one: &OneAxis) -> Option<bool> {
        let axis = &self.axes[one.motion().axis];
        let cut = axis.cut(one.motion());
        let duration: f64 = cut.duration();
        let work = cut.steps as f64 + duration / axis.nominal.rotor_step();
        if !(work <= LONGEST) {
            return None;
        }
        let motion = Arc::new(Motion {
            shape: one.motion.shape,
            axes: vec![cut],
            duration,
        });
        let half_way = i64::from(axis.nominal.microsteps() / 2);
        Some(self.follows(&axis.worse, &motion, 0) && self.follows(&axis.nominal, &motion, half_way))
    }

    /// Whether `machine` plays the only axis of `motion` from rest at microstep `from` and
    /// comes to rest where it should.
    fn follows(&self, machine: &Machine, motion: &Arc<Motion>, from: i64) -> bool {
        let tick = 1.0 / (self.clock.rate() * (1.0 + self.tolerance));
        let step = motion.axes[0].direction.sign();
        let mut simulator = Simulator::at_rest(machine, from, machine.internal_step());
        let mut steps = StepTicks::new(motion, 0, self.clock, TickInstant::default());
        // A rotor that is lost is not far when a step comes; what it does between two is
        // seen there.
        let lost = |simulator: &Simulator<'_>| !(simulator.lag().abs() < LOST * TAU);
        while let Some(at) = steps.peek() {
            simulator.advance(at as f64 * tick);
            if lost(&simulator) {
                return false;
            }
            simulator.command(simulator.commanded() + step);
            steps.used(1);
        }
        let until = simulator.time() + FOLLOWED * TAU / machine.natural_frequency();
        let mut strayed = false;
        simulator.advance_with(until, |simulator| strayed |= lost(simulator));
        !strayed && simulator.lag().abs() < 0.5 * TAU
    }
}

impl Following for Trials {
    fn followed(&self, motion: &Arc<Motion>) -> Option<bool> {
        let mut all = Some(true);
        for number in 0..motion.axes.len() {
            let one = OneAxis {
                motion: Arc::clone(motion),
                number,
            };
            // What a panic left behind is whole: entries are put in at once.
            let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
            let before = known().get(&one).copied();
            let found = before.unwrap_or_else(|| {
                let found = self.axis_followed(&one);
                let mut known = known();
                if known.len() >= REMEMBERED {
                    known.clear();
                }
                known.insert(one, found);
                found
            });
            match found {
                Some(true) => {}
                Some(false) => return Some(false),
                None => all = None,
            }
        }
        all
    }
}
