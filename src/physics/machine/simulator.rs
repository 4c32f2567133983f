//! The integrator: the machine's equations, from event to event.
//!
//! Classical fourth-order Runge-Kutta (of the rotor alone while the currents are in
//! regulation, see `equations`) with a step that lands on the time it is
//! asked to reach, so that every change of the command falls between two steps and
//! never inside one. The step is the longest that divides the way to the next event
//! evenly and is no longer than [`Machine::internal_step`] and than the rotor takes
//! for 0.15 electrical radians. Behind each change of a regulated current it grows, as that
//! comes to rest on its set point, to a twentieth of a radian of the rotor's swing.
//!
//! **Friction** and the losses of a gearing resist whichever way the rotor turns. Within
//! a step they resist one way, so the right-hand side stays smooth. A step in which the
//! speed changes sign is cut where it does; there the rotor sticks unless the other
//! torques can turn it one way or the other. A stuck rotor breaks away at the moment
//! when they can, which cuts the step too. Nothing depends on a smoothing speed or on
//! the step's length.
//!
//! **The work is bounded** where a caller says so: each of the physics' own questions gives its
//! runs a number of internal steps ([`Simulator::at_most`]) and says what it makes of a run
//! that they do not reach, so that no value of a rig makes an answer take long.

use std::f64::consts::TAU;

use super::equations::{Conditions, Damper, Equations};
use super::model::{Machine, degrees};
use super::set_point::SetPointFilter;
use super::state::State;
use crate::physics::feed::{Demand, Feed};

/// Integrates one [`Machine`].
#[derive(Debug, Clone)]
pub(crate) struct Simulator<'m> {
    pub(super) equations: Equations<'m>,
    state: State,
    time: f64,
    command: i64,
    /// Whole electrical cycles that `state.angle` leaves out, so that its precision does
    /// not fade however far the axis goes, in microsteps.
    cycles_out: i64,
    pub(super) during: Conditions,
    /// When the command changed last (s).
    commanded_at: f64,
    longest_step: f64,
    /// Longest step where only the rotor is integrated (s).
    rotor_step: f64,
    /// Internal steps that may still be taken.
    steps_left: u64,
}

/// Longest electrical angle (rad) that the rotor turns in one internal step: chosen, so that a
/// fourth-order step errs by less than a millionth of it.
const TURN_PER_STEP: f64 = 0.15;

/// So many electrical cycles stay in the angle before they are taken out: chosen, few enough to
/// keep ten digits of a microstep.
const CYCLES_KEPT: i64 = 64;

/// How often the crossing of a friction event inside a step is refined; each round
/// closes the bracket about a hundredfold.
const CROSSING_ROUNDS: usize = 3;

impl<'m> Simulator<'m> {
    /// A simulator at time zero in `state`, with microstep `command` on the phases
    /// and internal steps of at most `longest_step` seconds ([`Machine::internal_step`] is a
    /// good choice); longer ones while a regulated current rests on its set point.
    /// The filter of the set points, where there is one, is at rest.
    pub(crate) fn new(machine: &'m Machine, state: State, command: i64, longest_step: f64) -> Self {
        let filter = match machine.feed {
            Feed::FixedVoltage { .. } => None,
            Feed::Regulated {
                filter,
                time_constant,
                ..
            } => filter.map(|filter| SetPointFilter::at_rest(filter, time_constant)),
        };
        let mut simulator = Self {
            equations: Equations::of(machine),
            state,
            time: 0.0,
            command,
            cycles_out: 0,
            during: Conditions {
                demand: machine.demand(command),
                filter,
                slide: 0.0,
                damper: Damper::default(),
                clipped_step: longest_step,
                angle_out: 0.0,
            },
            commanded_at: 0.0,
            longest_step,
            rotor_step: machine.rotor_step() * (longest_step / machine.internal_step()).min(2.0),
            steps_left: u64::MAX,
        };
        simulator.settle_friction();
        simulator
    }

    /// A simulator at rest on microstep `command`: currents at their standing values
    /// and the rotor where the load's torque balances the motor's. Friction holds
    /// nothing there: the rotor stands as if it had come to rest without any.
    pub(crate) fn at_rest(machine: &'m Machine, command: i64, longest_step: f64) -> Self {
        let (current_a, current_b) = match machine.demand(command) {
            Demand::Voltage(a, b) => (a / machine.resistance, b / machine.resistance),
            Demand::Current(a, b) => (a, b),
        };
        let mut state = State {
            current_a,
            current_b,
            angle: machine.command_angle(command) / machine.rotor_teeth,
            speed: 0.0,
        };
        let equations = Equations::of(machine);
        let net = |angle: f64| {
            let at = State { angle, ..state };
            equations.torque(&at) - machine.load_torque(angle)
        };
        // The net torque falls through zero between a quarter cycle behind and a
        // quarter cycle ahead, unless the load is heavier than the motor can hold.
        let quarter = std::f64::consts::FRAC_PI_2 / machine.rotor_teeth;
        let (mut low, mut high) = (state.angle - quarter, state.angle + quarter);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if net(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        state.angle = 0.5 * (low + high);
        Self::new(machine, state, command, longest_step)
    }

    /// With steps no longer than `step` seconds also where only the rotor is integrated.
    #[must_use]
    pub(crate) fn no_coarser_than(mut self, step: f64) -> Self {
        self.rotor_step = self.rotor_step.min(step);
        self
    }

    /// With the filter of the set points as it is in the middle of a microstep where the command has
    /// always turned at so many microsteps a second.
    #[must_use]
    pub(crate) fn turning(mut self, microsteps_per_s: f64) -> Self {
        let machine = self.machine();
        let (Some(filter), Some(model)) = (self.during.filter, machine.feed.filter()) else {
            return self;
        };
        let interval = 1.0 / microsteps_per_s;
        let (a, b): (Vec<f64>, Vec<f64>) = (0..machine.microsteps_per_cycle())
            .map(|k| match machine.demand(self.command + k) {
                Demand::Current(a, b) | Demand::Voltage(a, b) => (a, b),
            })
            .unzip();
        // The round ends where this microstep begins.
        let beyond = [a, b].map(|targets| {
            let end = model.repeating(&targets, interval).last().copied();
            end.unwrap_or_default().map(|end| end - targets[0])
        });
        self.during.filter = Some(filter.with(beyond).later(0.5 * interval));
        self
    }

    /// With no more than so many internal steps; what they do not reach is not simulated, and
    /// the simulator has [given up](Self::gave_up).
    #[must_use]
    pub(crate) fn at_most(mut self, steps: u64) -> Self {
        self.steps_left = steps;
        self
    }

    /// How many internal steps are left of [`at_most`](Self::at_most).
    pub(crate) fn steps_left(&self) -> u64 {
        self.steps_left
    }

    /// Whether the internal steps have run out: what it shows is no longer the machine's
    /// motion.
    pub(crate) fn gave_up(&self) -> bool {
        self.steps_left == 0
    }

    /// Puts microstep `index` on the phases, from now on.
    pub(crate) fn command(&mut self, index: i64) {
        if index != self.command {
            self.command = index;
            self.commanded_at = self.time;
            let before = self.during.demand;
            self.during.demand = self.machine().demand(index);
            if let (Some(filter), Demand::Current(from_a, from_b), Demand::Current(a, b)) =
                (&mut self.during.filter, before, self.during.demand)
            {
                filter.jump(a - from_a, b - from_b);
            }
            self.take_cycles_out();
        }
    }

    /// Moves whole electrical cycles out of the angle once there are many.
    fn take_cycles_out(&mut self) {
        let cycle = self.machine().microsteps_per_cycle();
        let cycles = (self.command - self.cycles_out) / cycle;
        if cycles.abs() >= CYCLES_KEPT {
            let angle = cycles as f64 * TAU / self.machine().rotor_teeth;
            self.state.angle -= angle;
            self.cycles_out += cycles * cycle;
            self.during.angle_out += angle;
        }
    }

    /// Lets time pass until `to` with nothing moving, as for a rotor that has come to
    /// rest; nothing happens where that is not later than now.
    pub(crate) fn skip(&mut self, to: f64) {
        if to > self.time {
            self.pass(to - self.time);
            self.time = to;
        }
    }

    /// The filter of the set points goes on by `step` seconds.
    fn pass(&mut self, step: f64) {
        if let Some(filter) = &mut self.during.filter {
            *filter = filter.later(step);
        }
    }

    /// Goes on to `to` seconds; nothing happens where that is not later than now.
    pub(crate) fn advance(&mut self, to: f64) {
        self.advance_with(to, |_| {});
    }

    /// Goes on to `to` seconds and shows itself to `watch` after every internal step.
    pub(crate) fn advance_with(&mut self, to: f64, mut watch: impl FnMut(&Self)) {
        while self.time < to {
            if self.gave_up() {
                self.time = to;
                return;
            }
            let left = to - self.time;
            let turning = (self.machine().rotor_teeth * self.state.speed).abs();
            let mut longest = self.longest_step();
            if turning * longest > TURN_PER_STEP {
                longest = TURN_PER_STEP / turning;
            }
            if left <= longest {
                self.step(left);
                self.time = to;
            } else {
                let step = left / (left / longest).ceil();
                self.step(step);
                self.time += step;
            }
            watch(self);
        }
    }

    /// The longest step from here. While a regulated current comes to rest on its set point, the
    /// error of a step fades as e^(−t/τ), and the fifth power of its length may grow by that.
    fn longest_step(&self) -> f64 {
        let Feed::Regulated { time_constant, .. } = self.machine().feed else {
            return self.longest_step;
        };
        if !self.equations.in_regulation(&self.during, &self.state) {
            return self.longest_step;
        }
        let filter = self.during.filter.as_ref();
        let fades = filter.map_or(time_constant, |filter| filter.fades().max(time_constant));
        let x = (self.time - self.commanded_at) / (5.0 * fades);
        let grown = self.longest_step * (1.0 + x + 0.5 * x * x);
        grown.min(self.rotor_step).max(self.longest_step)
    }

    /// Puts a damper on the shaft, in place of the one before.
    pub(super) fn put_on(&mut self, damper: Damper) {
        self.during.damper = damper;
    }

    /// Seconds since the start.
    pub(crate) fn time(&self) -> f64 {
        self.time
    }

    /// The state now.
    pub(crate) fn state(&self) -> &State {
        &self.state
    }

    /// The microstep that is commanded.
    pub(crate) fn commanded(&self) -> i64 {
        self.command
    }

    /// Commanded minus true angle, in electrical radians.
    pub(crate) fn lag(&self) -> f64 {
        self.machine().command_angle(self.command - self.cycles_out)
            - self.machine().rotor_teeth * self.state.angle
    }

    /// Commanded minus true angle, in electrical degrees.
    pub(crate) fn lag_degrees(&self) -> f64 {
        degrees(self.lag())
    }

    /// Angle of the motor's shaft since the start (rad).
    pub(crate) fn angle(&self) -> f64 {
        self.state.angle + self.during.angle_out
    }

    /// Angle of the load's shaft since the start (rad).
    pub(crate) fn load_angle(&self) -> f64 {
        self.machine().load_angle(self.angle())
    }

    /// How far the rotor would swing at most from here on (electrical rad), roughly:
    /// √((ω/ω_n)² + (α/ω_n²)²) N with its acceleration α at the momentary currents, or as far as
    /// a filter still turns these.
    pub(crate) fn swing(&self) -> f64 {
        let natural = self.machine().natural_frequency();
        let slope = self.equations.slope(&self.during, &self.state);
        let (speed, bend) = (slope.angle / natural, slope.speed / (natural * natural));
        let swing = self.machine().rotor_teeth * speed.hypot(bend);
        match &self.during.filter {
            None => swing,
            Some(filter) => swing.max(filter.still_to_go() / self.machine().rest_current().mean),
        }
    }

    /// The machine.
    pub(crate) fn machine(&self) -> &'m Machine {
        self.equations.machine
    }

    /// Torque of the motor with its detent (N·m).
    pub(crate) fn torque(&self) -> f64 {
        self.equations.torque(&self.state)
    }

    /// One step of `step` seconds, cut where the rotor stops or breaks away.
    fn step(&mut self, step: f64) {
        // A long step out of regulation is taken in parts.
        let parts = match self.equations.in_regulation(&self.during, &self.state) {
            true if step > self.longest_step => (step / self.longest_step).ceil() as u64,
            true | false => 1,
        };
        self.take(step);
        let whole = parts == 1 || self.equations.in_regulation(&self.during, &self.state);
        self.steps_left = self
            .steps_left
            .saturating_sub(if whole { 1 } else { parts });
    }

    fn take(&mut self, step: f64) {
        if !self.machine().sticks() {
            self.go(step);
            return;
        }
        let mut left = step;
        // Each round ends the step or one stretch of sticking or sliding; more than a
        // few in one step are rounding noise, and the rest is then taken as it is.
        for _ in 0..8 {
            let end = self.after(left);
            let Some(part) = self.friction_event(&end, left) else {
                self.state = end;
                self.pass(left);
                return;
            };
            self.go(part);
            left -= part;
            self.settle_friction();
            if left <= 0.0 {
                return;
            }
        }
        self.go(left);
    }

    /// Goes on by `step` seconds with friction of one sign.
    fn go(&mut self, step: f64) {
        self.state = self.after(step);
        self.pass(step);
    }

    /// How far (s) into a step that would end in `end` the rotor stops or breaks away,
    /// if it does.
    fn friction_event(&self, end: &State, step: f64) -> Option<f64> {
        // Below zero once the event has happened.
        let distance = |state: &State| {
            if self.during.slide == 0.0 {
                let (up, down) = self.ways_out(state);
                (-up).min(down)
            } else {
                self.during.slide * state.speed
            }
        };
        let (mut start, mut low) = (distance(&self.state).max(0.0), 0.0);
        let (mut stop, mut high) = (distance(end), step);
        if stop >= 0.0 {
            return None;
        }
        // False position on the integrated state, which bends little within a step; a
        // little beyond, so that the bracket closes from both sides.
        for _ in 0..CROSSING_ROUNDS {
            let share = start / (start - stop);
            let middle = low + (high - low) * (share + 0.01 * (1.0 - share));
            let there = distance(&self.after(middle));
            if there >= 0.0 {
                (low, start) = (middle, there);
            } else {
                (high, stop) = (middle, there);
            }
        }
        Some(high)
    }

    /// Decides after an event, or at the start, whether the rotor sticks or slides.
    fn settle_friction(&mut self) {
        if !self.machine().sticks() {
            return;
        }
        if self.during.slide == 0.0 && self.state.speed != 0.0 {
            self.during.slide = self.state.speed.signum();
            return;
        }
        if self.during.slide * self.state.speed <= 0.0 {
            self.state.speed = 0.0;
            let (up, down) = self.ways_out(&self.state);
            self.during.slide = if up > 0.0 {
                1.0
            } else if down < 0.0 {
                -1.0
            } else {
                0.0
            };
        }
    }

    /// The accelerations (rad/s²) with which a resting rotor would start up and down;
    /// it sticks unless the first is above zero or the second below.
    fn ways_out(&self, state: &State) -> (f64, f64) {
        let driving = self.equations.torque(state);
        let angle = state.angle + self.during.angle_out;
        let way = |slide| self.equations.acceleration(driving, angle, slide);
        (way(1.0), way(-1.0))
    }

    /// The state `step` seconds on, with friction of one sign.
    fn after(&self, step: f64) -> State {
        self.equations.advance(&self.during, &self.state, step)
    }
}
