//! Ticks become the motion of the rotor: the schedule's own events, played into the
//! motor model of [`physics::machine`](crate::physics::machine).
//!
//! Nothing here knows the ideal curve. A step happens at tick ÷ tick rate of a clock
//! that is as fast as the timer's tolerance allows (or as [`Options::clock_error`]
//! says), and the rotor makes of it what the equations say. Where a move begins and
//! ends is counted off in steps.
//!
//! After the last step of a move the rotor is followed until it rests, until the next
//! step of its axis, or for [`Options::longest_rest`] at most; what is left of a long
//! dwell passes with nothing moving. `await` takes no time, which is the hardest case
//! for a rotor that is still swinging. A seek goes to the end of its way, unless somebody says
//! where its contact is.

mod follow;
mod outcome;
mod rehearsal;
mod seek;
mod settling;
#[cfg(test)]
mod tests;
mod trace;
mod trial;

use std::ops::ControlFlow;

use follow::{Follower, RotorState};
pub use outcome::{LeftOut, MoveOutcome, Outcome};
pub use rehearsal::Rehearsal;
pub(crate) use rehearsal::{MOST_WORK, Pauses};
use seek::Contacts;
pub use seek::SeekOutcome;
pub(crate) use settling::Settler;
pub use trace::{TraceSample, TraceWriter};
pub(crate) use trial::Trials;

use crate::physics::Machine;
use crate::plan::Passages;
use crate::rig::{Axis, Rig};
use crate::schedule::periodic::{PeriodicSchedule, SchedulePart};
use crate::schedule::{EventKind, ScheduleRun};

/// How much longer the internal steps are than [`Machine::internal_step`]: chosen, so that steps
/// half as long change the peak lag by less than one per cent (a test holds it to that).
pub(crate) const COARSER: f64 = 2.0;

/// How to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// How much the real clock is faster than its nominal rate (0.0001 is 100 ppm);
    /// the whole tolerance of the timer where this is none.
    pub clock_error: Option<f64>,
    /// Time between two samples of the trace (s); no trace where this is none.
    pub trace_interval: Option<f64>,
    /// How long a rotor is followed after the last step of a move (s).
    pub longest_rest: f64,
    /// How many times shorter the internal steps are: 1 but for showing that it does not
    /// matter.
    pub finer: f64,
    /// Whether each axis has the weaker motor and the heavier load that its
    /// [`Limits`](crate::rig::Limits) name.
    pub worse: bool,
    /// Steps and internal steps of all axes after which the simulation ends; none: with the
    /// program.
    pub most_work: Option<u64>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            clock_error: None,
            trace_interval: None,
            longest_rest: 2.0,
            finer: 1.0,
            worse: false,
            most_work: None,
        }
    }
}

/// What a running simulation tells.
#[derive(Debug)]
pub enum SimulationEvent<'a> {
    /// The program has come to so many seconds.
    Progress(f64),
    /// What became of a move on one axis. Moves of one axis come in their order; those
    /// of different axes may not.
    Move(&'a MoveOutcome),
    /// How a seek ended whose contact has a place.
    Sought(&'a SeekOutcome),
    /// A sample of the trace. The samples of one axis come in the order of time.
    Sample(&'a TraceSample<'a>),
    /// Moves that come again and again, with the rotors as they were each time, are left out.
    /// Times go on from what was played.
    LeftOut(LeftOut),
    /// [`Options::most_work`] is done, and the program is played no further than so many
    /// seconds. Moves that are under way are told where they have lost steps already.
    Cut(f64),
}

/// Simulates a planned program on a rig and reports as it goes, so that memory does not
/// grow with the number of moves; `report` may break it off.
pub(crate) fn simulate_with(
    rig: &Rig,
    passages: impl Passages,
    options: &Options,
    report: &mut dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()>,
) -> ControlFlow<()> {
    simulate_seeking(rig, passages, options, &[], report)
}

/// The same with the places at which the contacts of the axes switch (rad or m of the load,
/// from where it stands at the start), as far as they are known.
pub(crate) fn simulate_seeking(
    rig: &Rig,
    passages: impl Passages,
    options: &Options,
    contacts: &[Option<f64>],
    report: &mut dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()>,
) -> ControlFlow<()> {
    let error = options.clock_error.unwrap_or(rig.timer.tolerance);
    let tick = 1.0 / (rig.timer.tick_rate() * (1.0 + error));
    let machine = |axis| match options.worse {
        true => worse_machine(axis),
        false => Machine::of(axis),
    };
    let machines: Vec<Machine> = rig.axes.iter().map(machine).collect();
    let mut followers: Vec<Follower> = rig
        .axes
        .iter()
        .zip(&machines)
        .map(|(axis, machine)| Follower::new(axis, machine, options))
        .collect();

    let mut moves = 0;
    let mut left = options.most_work.unwrap_or(u64::MAX);
    let mut schedule = PeriodicSchedule::new(passages, rig);
    let mut begins = Vec::new();
    let mut contacts = Contacts::new(contacts);
    // What was left out before, and the time that seeks did not take.
    let mut earlier = 0.0;
    while let Some(part) = schedule.next_part() {
        let (axis, direction, ticks, of) = match part {
            SchedulePart::Run(ScheduleRun::Steps {
                axis,
                direction,
                ticks,
                of,
            }) => (axis, direction, ticks, of),
            SchedulePart::Run(ScheduleRun::Event(event)) => {
                match event.what {
                    EventKind::Seek { axis, .. } => {
                        contacts.begin(axis, event.tick as f64 * tick - earlier);
                    }
                    EventKind::Sought { axis } if contacts.is_open() => {
                        followers[axis].ends_here();
                        match contacts.end(&followers, report)? {
                            Some(time) => earlier = event.tick as f64 * tick - time,
                            // The program stops.
                            None => break,
                        }
                    }
                    // Nothing but a step turns a rotor.
                    EventKind::Sought { .. }
                    | EventKind::Step { .. }
                    | EventKind::Direction { .. }
                    | EventKind::Output { .. }
                    | EventKind::Await { .. }
                    | EventKind::Zero { .. }
                    | EventKind::Mark(_) => {}
                }
                continue;
            }
            SchedulePart::Begins => {
                let rotors: Vec<RotorState> = followers.iter().map(Follower::state).collect();
                begins.push((schedule.moves(), rotors));
                continue;
            }
            SchedulePart::Ends(repeated) => {
                // Periods are told of in pairs.
                let Some((from, before)) = begins.pop() else {
                    continue;
                };
                let alike = |(one, was): (&Follower<'_>, &RotorState)| one.state().like(was);
                // Where contacts have places, passes differ although rotors stand alike.
                let may_repeat = repeated.times > 0 && !contacts.is_known();
                if may_repeat && followers.iter().zip(&before).all(alike) {
                    let left_out = LeftOut {
                        from,
                        moves: schedule.moves() - from,
                        times: repeated.times,
                    };
                    schedule.leap();
                    earlier += repeated.span.times(repeated.times).in_ticks() * tick;
                    moves = schedule.moves();
                    if left_out.moves > 0 {
                        report(SimulationEvent::LeftOut(left_out))?;
                    }
                }
                continue;
            }
        };
        let seeks = contacts.ends(&of.planned);
        if of.number > moves {
            moves = of.number;
            if let (true, Some(moved)) = (seeks, of.planned.motion.axes.first()) {
                contacts.look_ahead(&of.planned, &followers[moved.axis]);
            }
            if seeks && contacts.is_over() {
                continue;
            }
            for moved in of
                .planned
                .motion
                .axes
                .iter()
                .filter(|moved| moved.steps > 0)
            {
                followers[moved.axis].expect(&of.planned, moved.steps);
            }
        }
        for at in ticks {
            if seeks && contacts.is_over() {
                break;
            }
            let time = *at as f64 * tick - earlier;
            followers[axis].step(time, direction, &mut left, report)?;
            if seeks {
                contacts.look(&of.planned, time, &followers[axis]);
            }
            if left == 0 {
                return cut(&mut followers, earlier, report);
            }
        }
        if let Some(last) = ticks.last() {
            report(SimulationEvent::Progress(*last as f64 * tick))?;
        }
    }
    for follower in &mut followers {
        follower.finish(&mut left, report)?;
    }
    if left == 0 {
        return cut(&mut followers, earlier, report);
    }
    ControlFlow::Continue(())
}

/// Ends a simulation that has done its work before the program is over.
fn cut(
    followers: &mut [Follower<'_>],
    earlier: f64,
    report: &mut dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()>,
) -> ControlFlow<()> {
    let reached = followers.iter().map(Follower::time).fold(0.0, f64::max);
    for follower in followers {
        follower.cut(report)?;
    }
    report(SimulationEvent::Cut(earlier + reached))
}

/// The machine of `axis` with the weaker motor and the heavier load that its limits name.
fn worse_machine(axis: &Axis) -> Machine {
    let limits = &axis.limits;
    Machine::of(axis).worse(1.0 - limits.weaker_motor, 1.0 + limits.heavier_load)
}
