//! Whether a rotor follows a motion, for what the planner makes of its own.
//!
//! Two motors play the ticks of the motion from rest, on a clock that is as fast as the timer's
//! tolerance allows: the one of the rig, and one that is worse by the shares that its limits name,
//! so that a plan has something left for a rotor that still swings from the move before. They
//! start where the detent helps and where it hinders. Behind the last step they are followed
//! for two periods of the natural frequency: nothing drives them any more, so that a rotor
//! whose whole second swing is below [`STAYS`] stays.
//!
//! A long cruise outside of the critical bands tells little that is new: where the whole motion
//! takes more than [`WHOLE`] steps, all but [`CRUISED`] periods of it are left out.

use std::cell::Cell;
use std::collections::HashMap;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex, PoisonError};

use sha2::{Digest as _, Sha256};

use super::follow::LOST;
use super::{COARSER, worse_machine};
use crate::physics::{Machine, Simulator};
use crate::plan::{AxisMotion, Following, Motion};
use crate::rig::{Axis, Rig};
use crate::schedule::clock::{TickClock, TickInstant};
use crate::schedule::ticks::StepTicks;
use crate::script::Shape;

/// Lag (electrical cycles) that the swing of a rotor which stays does not reach at standstill:
/// chosen, as a rotor that carries no load turns over at half a cycle, and a loaded one sooner.
const STAYS: f64 = 0.4;
/// Periods of a cruise that are played: chosen, enough for a swing to grow or die.
const CRUISED: f64 = 40.0;
/// Steps and internal steps up to which a motion is played whole: chosen, about ten
/// milliseconds.
const WHOLE: f64 = 1e5;
/// Steps and internal steps that a trial may take: chosen, about a tenth of a second.
const LONGEST: f64 = 1e6;
/// Internal steps of all its starts together, at most: chosen, as the currents may take more than
/// the rotor by itself; the trial of what takes more tells nothing.
const LONGEST_TRIAL: u64 = 4_000_000;
/// Answers remembered at most; past it the memory starts afresh: chosen, to bound it to some
/// megabytes.
const REMEMBERED: usize = 1 << 16;

/// SHA-256 of the numbers of a motion of one axis: the motions that are tried and not taken are
/// many, and too large to be kept as keys.
type Digest = [u8; 32];

/// Tries motions in the motor model.
#[derive(Debug)]
pub(crate) struct Trials {
    axes: Vec<TriedAxis>,
    clock: TickClock,
    /// How much faster than nominal the real clock may be.
    tolerance: f64,
    known: Mutex<HashMap<Digest, Option<bool>>>,
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
            worse: worse_machine(axis),
            load_turn: axis.microsteps_per_motor_turn() as f64 * nominal.gearing,
            nominal,
        }
    }

    /// Steps and internal steps that it takes to play a motion.
    fn work(&self, motion: &AxisMotion) -> f64 {
        motion.steps as f64 + motion.duration() / self.nominal.rotor_step()
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

    fn axis_followed(&self, shape: Shape, motion: &AxisMotion, in_band: bool) -> Option<bool> {
        let axis = &self.axes[motion.axis];
        let mut played = motion.clone();
        if axis.work(&played) > if in_band { LONGEST } else { WHOLE } {
            played = axis.cut(&played);
        }
        if axis.work(&played) > LONGEST {
            return None;
        }
        let duration = played.duration();
        let motion = Arc::new(Motion {
            shape,
            axes: vec![played],
            duration,
        });
        let half_way = i64::from(axis.nominal.microsteps() / 2);
        let starts = [&axis.worse, &axis.nominal]
            .into_iter()
            .flat_map(|machine| [0, half_way].map(|from| (machine, from)));
        let mut left = LONGEST_TRIAL;
        for (machine, from) in starts {
            let internal_step = COARSER * machine.internal_step();
            let simulator = Simulator::at_rest(machine, from, internal_step);
            if !self.follows(simulator, &motion, &mut left)? {
                return Some(false);
            }
        }
        Some(true)
    }

    /// Whether a motor at rest plays the only axis of `motion` and comes to rest where it should;
    /// none where that takes more internal steps than are `left`.
    fn follows(
        &self,
        simulator: Simulator<'_>,
        motion: &Arc<Motion>,
        left: &mut u64,
    ) -> Option<bool> {
        let machine = simulator.machine();
        let tick = 1.0 / (self.clock.rate() * (1.0 + self.tolerance));
        let step = motion.axes[0].direction.sign();
        let mut simulator = simulator.at_most(*left);
        let mut steps = StepTicks::new(motion, 0, self.clock, TickInstant::default());
        let strayed = Cell::new(false);
        let watch = |simulator: &Simulator<'_>| {
            // A lag that is not a number counts as lost.
            let near = simulator.lag().abs() < LOST * TAU;
            strayed.set(strayed.get() || !near);
        };
        while let Some(at) = steps.peek() {
            simulator.advance_with(at as f64 * tick, watch);
            if simulator.gave_up() {
                return None;
            }
            if strayed.get() {
                return Some(false);
            }
            simulator.command(simulator.commanded() + step);
            steps.used(1);
        }
        let period = TAU / machine.natural_frequency();
        simulator.advance_with(simulator.time() + period, watch);
        let mut widest = 0.0_f64;
        simulator.advance_with(simulator.time() + period, |simulator| {
            widest = widest.max(simulator.lag().abs());
        });
        *left = simulator.steps_left();
        (!simulator.gave_up()).then(|| !strayed.get() && widest < STAYS * TAU)
    }
}

fn digest(motion: &AxisMotion, in_band: bool) -> Digest {
    let mut hasher = Sha256::new();
    hasher.update(motion.axis.to_le_bytes());
    hasher.update(motion.direction.sign().to_le_bytes());
    hasher.update(motion.steps.to_le_bytes());
    hasher.update([u8::from(in_band)]);
    for segment in &motion.segments {
        for number in [
            segment.duration,
            segment.position,
            segment.velocity,
            segment.acceleration,
            segment.jerk,
        ] {
            hasher.update(number.to_le_bytes());
        }
    }
    hasher.finalize().into()
}

impl Following for Trials {
    fn followed(&self, motion: &Arc<Motion>, in_band: bool) -> Option<bool> {
        let mut all = Some(true);
        for axis in &motion.axes {
            let digest = digest(axis, in_band);
            // What a panic left behind is whole: entries are put in at once.
            let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
            let before = known().get(&digest).copied();
            let found = before.unwrap_or_else(|| {
                let found = self.axis_followed(motion.shape, axis, in_band);
                let mut known = known();
                if known.len() >= REMEMBERED {
                    known.clear();
                }
                known.insert(digest, found);
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
