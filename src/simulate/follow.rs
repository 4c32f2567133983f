//! Follows the rotor of one axis through its moves.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::ops::ControlFlow;

use super::{COARSER, MoveOutcome, Options, SimulationEvent, TraceSample};
use crate::physics::machine::degrees;
use crate::physics::{Machine, Simulator};
use crate::plan::{Direction, MovePart, PlannedMove};
use crate::rig::{Axis, TravelUnit};

/// A rotor rests when it would swing by less than this any more (electrical rad): chosen,
/// 0.06 electrical degrees, below what any stop is judged by.
const REST: f64 = 1e-3;

/// Internal steps between two looks at how much work is left: chosen, some milliseconds.
const STRETCH: f64 = 10_000.0;

/// A moving rotor that lags by so many electrical cycles is lost: chosen, half way between the
/// rest it leaves and the next.
pub(super) const LOST: f64 = 0.75;

/// How near states of a rotor must be to count as the same: the lag within so many electrical
/// rad, speeds and currents within this share of what a swing of one radian has and of the
/// currents themselves. Chosen: what is less dies away like any swing.
const LIKE: f64 = REST;

/// Where a rotor stands between two moves, as far as what follows depends on it.
#[derive(Debug, Clone)]
pub(super) struct RotorState {
    commanded: i64,
    /// Microsteps after which everything is the same; none with an unbalance.
    cycle: Option<i64>,
    behind: i64,
    lag: f64,
    /// Speed in electrical rad for each rad of a swing.
    speed: f64,
    currents: (f64, f64),
}

impl RotorState {
    /// Whether the two go on in the same way.
    pub(super) fn like(&self, before: &Self) -> bool {
        let moved = self.commanded - before.commanded;
        let in_phase = moved == 0 || self.cycle.is_some_and(|cycle| moved % cycle == 0);
        let near = |one: f64, other: f64, scale: f64| (one - other).abs() <= LIKE * scale;
        let amperes = before.currents.0.hypot(before.currents.1);
        in_phase
            && self.behind == before.behind
            && near(self.lag, before.lag, 1.0)
            && near(self.speed, before.speed, 1.0)
            && near(self.currents.0, before.currents.0, amperes)
            && near(self.currents.1, before.currents.1, amperes)
    }
}

/// One axis, its simulator and what is known of its moves.
pub(super) struct Follower<'m> {
    name: &'m str,
    simulator: Simulator<'m>,
    /// How the load's travel is shown.
    unit: TravelUnit,
    /// Motor angle for a unit of the load's travel (rad a rad or metre).
    motor_per_travel: f64,
    /// Motor angle that counts as settled (rad).
    settle: f64,
    longest_rest: f64,
    trace_interval: Option<f64>,
    next_sample: f64,
    /// Electrical cycles that the rotor is behind from earlier moves.
    behind: i64,
    expected: VecDeque<ExpectedMove>,
    moving: Option<Moving>,
}

/// A move whose steps are still to come.
struct ExpectedMove {
    index: u64,
    line: usize,
    part: MovePart,
    steps: u64,
}

/// A move that has begun.
struct Moving {
    index: u64,
    line: usize,
    part: MovePart,
    direction: Direction,
    /// Microsteps, and those that are still to come.
    steps: u64,
    steps_left: u64,
    /// Time of the last step so far.
    last_step: f64,
    peak_lag: f64,
    /// Furthest beyond the target along the motion (motor rad).
    overshoot: f64,
    /// When the rotor was last seen further from the target than `settle`.
    last_outside: f64,
    /// Since when the rotor has been at rest.
    resting_since: Option<f64>,
}

type Reporter<'r> = dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()> + 'r;

impl<'m> Follower<'m> {
    pub(super) fn new(axis: &'m Axis, machine: &'m Machine, options: &Options) -> Self {
        // Travel at the load to motor angle; `settle` is travel.
        let motor_per_travel = axis.microsteps_per_travel() * axis.microstep_angle();
        let internal_step = COARSER * machine.internal_step() / options.finer;
        Self {
            name: &axis.name,
            simulator: Simulator::at_rest(machine, 0, internal_step)
                .no_coarser_than(options.trace_interval.unwrap_or(f64::INFINITY)),
            unit: TravelUnit::of(axis),
            motor_per_travel,
            settle: axis.settle() * motor_per_travel,
            longest_rest: options.longest_rest,
            trace_interval: options.trace_interval,
            next_sample: 0.0,
            behind: 0,
            expected: VecDeque::new(),
            moving: None,
        }
    }

    /// Where the rotor stands.
    pub(super) fn state(&self) -> RotorState {
        let simulator = &self.simulator;
        let machine = simulator.machine();
        let state = simulator.state();
        let balanced = machine.unbalance_torque == 0.0;
        RotorState {
            commanded: simulator.commanded(),
            cycle: balanced.then(|| machine.microsteps_per_cycle()),
            behind: self.behind,
            lag: simulator.lag() - self.behind as f64 * TAU,
            speed: state.speed * machine.rotor_teeth / machine.natural_frequency(),
            currents: (state.current_a, state.current_b),
        }
    }

    /// A move of `steps` microsteps is going to come.
    pub(super) fn expect(&mut self, planned: &PlannedMove, steps: u64) {
        self.expected.push_back(ExpectedMove {
            index: planned.index,
            line: planned.line,
            part: planned.part,
            steps,
        });
    }

    /// A step at `time` seconds. It and each internal step on the way take one from `left`; once
    /// nothing is left the rotor stays where it is.
    pub(super) fn step(
        &mut self,
        time: f64,
        direction: Direction,
        left: &mut u64,
        report: &mut Reporter<'_>,
    ) -> ControlFlow<()> {
        *left = left.saturating_sub(1);
        if self
            .moving
            .as_ref()
            .is_none_or(|moving| moving.steps_left == 0)
        {
            self.rest(time, left, report)?;
            if *left == 0 {
                return ControlFlow::Continue(());
            }
            self.end(report)?;
            self.simulator.skip(time);
            self.begin(time, direction);
        } else {
            self.advance(time, left, report)?;
            if *left == 0 {
                return ControlFlow::Continue(());
            }
        }
        self.simulator
            .command(self.simulator.commanded() + direction.sign());
        if let Some(moving) = &mut self.moving {
            moving.steps_left -= 1;
            moving.last_step = time;
            moving.last_outside = time;
            moving.watch(&self.simulator, self.behind, self.settle);
        }
        ControlFlow::Continue(())
    }

    /// The program is over.
    pub(super) fn finish(&mut self, left: &mut u64, report: &mut Reporter<'_>) -> ControlFlow<()> {
        self.rest(f64::INFINITY, left, report)?;
        if *left == 0 {
            return ControlFlow::Continue(());
        }
        self.end(report)
    }

    /// The simulation ends before the program: what a move has lost until now is told.
    pub(super) fn cut(&mut self, report: &mut Reporter<'_>) -> ControlFlow<()> {
        let strayed = self.simulator.lag() / TAU - self.behind as f64;
        if strayed.abs() > LOST {
            self.end(report)
        } else {
            ControlFlow::Continue(())
        }
    }

    /// Where the load is, from where it stood at the start (rad or m), without the play of a
    /// gearing.
    pub(super) fn place(&self) -> f64 {
        let lag = self.simulator.lag() / self.simulator.machine().rotor_teeth;
        self.commanded_place() - lag / self.motor_per_travel
    }

    /// Where it is told to be.
    pub(super) fn commanded_place(&self) -> f64 {
        let machine = self.simulator.machine();
        let microstep = machine.microstep_electrical() / machine.rotor_teeth;
        self.simulator.commanded() as f64 * microstep / self.motor_per_travel
    }

    /// Its name, and how its travel is shown.
    pub(super) const fn shown(&self) -> (&str, TravelUnit) {
        (self.name, self.unit)
    }

    /// The move that is under way ends with the step that was made last.
    pub(super) fn ends_here(&mut self) {
        if let Some(moving) = &mut self.moving {
            moving.steps -= moving.steps_left;
            moving.steps_left = 0;
        }
    }

    /// How far it is (s).
    pub(super) fn time(&self) -> f64 {
        self.simulator.time()
    }

    fn begin(&mut self, time: f64, direction: Direction) {
        // A step without a move would be a fault of the schedule; it then counts as a
        // move of its own.
        let expected = self.expected.pop_front().unwrap_or(ExpectedMove {
            index: 0,
            line: 0,
            part: MovePart::Whole,
            steps: 1,
        });
        self.moving = Some(Moving {
            index: expected.index,
            line: expected.line,
            part: expected.part,
            direction,
            steps: expected.steps,
            steps_left: expected.steps,
            last_step: time,
            peak_lag: 0.0,
            overshoot: 0.0,
            last_outside: time,
            resting_since: None,
        });
    }

    /// Follows the rotor after the last step of a move, until `until` seconds at most.
    fn rest(&mut self, until: f64, left: &mut u64, report: &mut Reporter<'_>) -> ControlFlow<()> {
        let Some(moving) = &self.moving else {
            return ControlFlow::Continue(());
        };
        let until = until.min(moving.last_step + self.longest_rest);
        let period = TAU / self.simulator.machine().natural_frequency();
        while self.simulator.time() < until && !self.rests(period) && *left > 0 {
            let to = (self.simulator.time() + 0.25 * period).min(until);
            self.advance(to, left, report)?;
        }
        ControlFlow::Continue(())
    }

    /// Whether the rotor has been at rest for a `period` of its natural frequency.
    fn rests(&self, period: f64) -> bool {
        self.moving
            .as_ref()
            .and_then(|moving| moving.resting_since)
            .is_some_and(|since| self.simulator.time() - since >= period)
    }

    /// Goes on to `to` seconds, or until nothing is left to do.
    fn advance(&mut self, to: f64, left: &mut u64, report: &mut Reporter<'_>) -> ControlFlow<()> {
        let stretch = STRETCH * self.simulator.machine().internal_step();
        while *left > 0 && self.simulator.time() + stretch < to {
            self.advance_a_stretch(self.simulator.time() + stretch, left, report)?;
        }
        if *left == 0 {
            return ControlFlow::Continue(());
        }
        self.advance_a_stretch(to, left, report)
    }

    fn advance_a_stretch(
        &mut self,
        to: f64,
        left: &mut u64,
        report: &mut Reporter<'_>,
    ) -> ControlFlow<()> {
        let Self {
            name,
            simulator,
            settle,
            trace_interval,
            next_sample,
            behind,
            moving,
            ..
        } = self;
        let mut flow = ControlFlow::Continue(());
        simulator.advance_with(to, |simulator| {
            *left = left.saturating_sub(1);
            if let Some(moving) = moving {
                moving.watch(simulator, *behind, *settle);
            }
            let (Some(interval), ControlFlow::Continue(())) = (*trace_interval, flow) else {
                return;
            };
            if simulator.time() >= *next_sample {
                flow = report(SimulationEvent::Sample(&TraceSample::of(name, simulator)));
                *next_sample = ((simulator.time() / interval).floor() + 1.0) * interval;
            }
        });
        flow
    }

    /// Judges the move that has ended, if there is one.
    fn end(&mut self, report: &mut Reporter<'_>) -> ControlFlow<()> {
        let Some(moving) = self.moving.take() else {
            return ControlFlow::Continue(());
        };
        let machine = self.simulator.machine();
        let lag = self.simulator.lag();
        let new = lag / TAU - self.behind as f64;
        // A rotor that still turns into the next move may lag by half a cycle and more
        // without having lost anything.
        let slipped = if moving.resting_since.is_some() || new.abs() > LOST {
            new.round() as i64
        } else {
            0
        };
        self.behind += slipped;
        let to_load = self.unit.per_si / self.motor_per_travel;
        let inside = self.simulator.time() - moving.last_outside;
        let half_period = 0.5 * TAU / machine.natural_frequency();
        let settled = inside > 0.0;
        let result = MoveOutcome {
            index: moving.index,
            line: moving.line,
            part: moving.part.word(),
            axis: self.name.to_owned(),
            travel: moving.steps as f64
                * moving.direction.sign() as f64
                * machine.microstep_electrical()
                / machine.rotor_teeth
                * to_load,
            lost_steps: 4 * slipped * moving.direction.sign(),
            peak_lag_electrical_deg: degrees(moving.peak_lag),
            overshoot: moving.overshoot * to_load,
            settle_s: settled.then_some(moving.last_outside - moving.last_step),
            final_error: -lag / machine.rotor_teeth * to_load,
            steady: moving.resting_since.is_some() || inside >= half_period,
            unit: self.unit,
        };
        report(SimulationEvent::Move(&result))
    }
}

impl Moving {
    /// Takes note of where the rotor is.
    fn watch(&mut self, simulator: &Simulator<'_>, behind: i64, settle: f64) {
        let machine = simulator.machine();
        let lag = simulator.lag() - behind as f64 * TAU;
        self.peak_lag = self.peak_lag.max(lag.abs());
        if self.steps_left > 0 {
            return;
        }
        // After the last step the target is what is commanded, or the equilibrium that
        // the rotor has slipped to.
        let missing = (lag - (lag / TAU).round() * TAU) / machine.rotor_teeth;
        let beyond = -missing * self.direction.sign() as f64;
        self.overshoot = self.overshoot.max(beyond);
        if missing.abs() > settle {
            self.last_outside = simulator.time();
        }
        if simulator.swing() < REST {
            self.resting_since.get_or_insert(simulator.time());
        } else {
            self.resting_since = None;
        }
    }
}
