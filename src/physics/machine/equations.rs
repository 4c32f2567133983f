//! The right-hand side of the machine's equations, and one Runge-Kutta step of it.
//!
//! Within a step the rotor turns by a small angle ε, so the sine and cosine of its
//! electrical angle are taken once, at the step's beginning, and turned on from there:
//!
//! ```text
//! sin(θ + ε) = sin θ cos ε + cos θ sin ε        cos(θ + ε) = cos θ cos ε − sin θ sin ε
//! ```
//!
//! with sin ε and cos ε from their power series, which for |ε| ≤ 0.2 ends within rounding at
//! the tenth power.
//!
//! **A current in regulation** needs no integrating: i = i* + (i₀ − i*) e^(−t/τ); behind a filter
//! that lags, see `set_point`. Only the rotor is then left to Runge and Kutta, in steps that need
//! not follow τ once the current has come to rest on its set point. Where the supply is short,
//! before or after the step, the whole system is integrated in steps that do.

use super::model::Machine;
use super::set_point::SetPointFilter;
use super::state::State;
use crate::physics::feed::{Demand, Feed};

/// Up to this angle (rad) the power series is used: there its next term is below 10⁻¹⁶.
const SMALL_TURN: f64 = 0.2;
/// A regulator is taken to be in regulation up to this share of its ceiling: chosen, so that
/// what changes within a step does not reach the ceiling.
const IN_REGULATION: f64 = 0.9;

/// A machine with what its equations need over and over.
#[derive(Debug, Clone)]
pub(super) struct Equations<'m> {
    pub(super) machine: &'m Machine,
    /// 1/L (1/H).
    per_inductance: f64,
    /// The gearing where the torque behind it acts against the motion, and along it.
    against: ThroughGearing,
    along: ThroughGearing,
    /// Whether more than the detent pulls the rotor.
    pulled: bool,
    /// Whether a rotor that stands still is held.
    sticks: bool,
    /// 1/τ of a current regulator (1/s), and its ceiling V (V).
    per_time_constant: f64,
    ceiling: f64,
}

/// What the motor feels of a torque behind the gearing, and of the inertia there.
#[derive(Debug, Clone, Copy)]
struct ThroughGearing {
    /// Share of the torque.
    share: f64,
    /// One over the inertia of the rotor and that share of the load's (1/(kg·m²)).
    per_inertia: f64,
}

/// What stays as it is during a step.
#[derive(Debug, Clone)]
pub(super) struct Conditions {
    /// What the command asks of the phases.
    pub(super) demand: Demand,
    /// By how much the set points lag that at first; none where they do not.
    pub(super) filter: Option<SetPointFilter>,
    /// Sign of the motion that friction opposes; 0 while the rotor sticks.
    pub(super) slide: f64,
    /// A damper that is put on for a while.
    pub(super) damper: Damper,
    /// Longest step (s) where a regulator is short of voltage.
    pub(super) clipped_step: f64,
    /// Angle (rad of the motor) that the state's leaves out.
    pub(super) angle_out: f64,
}

impl Conditions {
    /// What is asked of the phases `after` seconds.
    fn demand_at(&self, after: f64) -> Demand {
        match (self.demand, &self.filter) {
            (Demand::Current(a, b), Some(filter)) => {
                let (off_a, off_b) = filter.later(after).beyond();
                Demand::Current(a + off_a, b + off_b)
            }
            (demand, _) => demand,
        }
    }

    /// The same `after` seconds.
    fn later(&self, after: f64) -> Self {
        Self {
            filter: self.filter.map(|filter| filter.later(after)),
            ..self.clone()
        }
    }
}

/// A viscous damper that acts on the difference from a speed.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Damper {
    /// N·m·s/rad.
    pub(super) damping: f64,
    /// rad/s.
    pub(super) about: f64,
}

/// Sine and cosine of an angle.
#[derive(Debug, Clone, Copy)]
struct Turn {
    sin: f64,
    cos: f64,
}

impl Turn {
    fn of(angle: f64) -> Self {
        let (sin, cos) = libm::sincos(angle);
        Self { sin, cos }
    }

    /// Of the angle that is larger by `by`.
    fn on(self, by: f64) -> Self {
        if by.abs() > SMALL_TURN {
            let (sin, cos) = libm::sincos(by);
            return self.joined(sin, cos);
        }
        let square = by * by;
        let sin = by
            * series(
                square,
                [1.0, -1.0 / 6.0, 1.0 / 120.0, -1.0 / 5040.0, 1.0 / 362_880.0],
            );
        let cos = series(
            square,
            [1.0, -0.5, 1.0 / 24.0, -1.0 / 720.0, 1.0 / 40_320.0],
        ) + square.powi(5) * (-1.0 / 3_628_800.0);
        self.joined(sin, cos)
    }

    fn joined(self, sin: f64, cos: f64) -> Self {
        Self {
            sin: self.sin * cos + self.cos * sin,
            cos: self.cos * cos - self.sin * sin,
        }
    }
}

/// c₀ + c₁ x + … + c₄ x⁴.
fn series(x: f64, [c0, c1, c2, c3, c4]: [f64; 5]) -> f64 {
    // In pairs, which do not wait for each other.
    let square = x * x;
    (c0 + c1 * x) + square * ((c2 + c3 * x) + square * c4)
}

impl<'m> Equations<'m> {
    pub(super) fn of(machine: &'m Machine) -> Self {
        let (per_time_constant, ceiling) = match machine.feed {
            // Currents are only demanded where there is a regulator.
            Feed::FixedVoltage { .. } => (0.0, 0.0),
            Feed::Regulated {
                supply,
                time_constant,
                ..
            } => (1.0 / time_constant, supply),
        };
        let gearing = |share: f64| ThroughGearing {
            share,
            per_inertia: 1.0 / (machine.inertia + machine.load_inertia * (share - 1.0)),
        };
        Self {
            machine,
            per_inductance: 1.0 / machine.inductance,
            against: gearing(1.0 / machine.efficiency),
            along: gearing(machine.efficiency),
            pulled: !machine.harmonics.is_none(),
            sticks: machine.sticks(),
            per_time_constant,
            ceiling,
        }
    }

    /// Torque of the motor with its detent (N·m).
    pub(super) fn torque(&self, state: &State) -> f64 {
        self.torque_at(state, Turn::of(self.electrical(state)))
    }

    /// How the state changes (its fields a second).
    pub(super) fn slope(&self, during: &Conditions, state: &State) -> State {
        self.slope_at(
            during,
            during.demand_at(0.0),
            state,
            Turn::of(self.electrical(state)),
        )
    }

    /// The state `step` seconds on.
    pub(super) fn advance(&self, during: &Conditions, s0: &State, step: f64) -> State {
        let Demand::Current(..) = during.demand else {
            return self.runge_kutta(during, s0, step);
        };
        if self.in_regulation(during, s0) {
            let end = self.with_regulated_currents(during, s0, step);
            if self.is_in_regulation(during.demand_at(step), &end) {
                return end;
            }
        }
        let count = (step / during.clipped_step).ceil().max(1.0);
        let part = step / count;
        if during.filter.is_none() {
            return (0..count as u32).fold(*s0, |state, _| self.runge_kutta(during, &state, part));
        }
        (0..count as u32).fold(*s0, |state, number| {
            self.runge_kutta(&during.later(f64::from(number) * part), &state, part)
        })
    }

    /// Whether both phases follow their set points below the ceiling.
    pub(super) fn in_regulation(&self, during: &Conditions, s: &State) -> bool {
        self.is_in_regulation(during.demand_at(0.0), s)
    }

    fn is_in_regulation(&self, demand: Demand, s: &State) -> bool {
        let Demand::Current(a, b) = demand else {
            return false;
        };
        let m = self.machine;
        // No more than this can be asked for against the back-EMF, wherever it stands.
        let spare = IN_REGULATION * self.ceiling - (m.torque_constant * s.speed).abs();
        let needed = |set_point: f64, current: f64| {
            let rise = (set_point - current) * self.per_time_constant / self.per_inductance;
            (rise + m.resistance * current).abs()
        };
        needed(a, s.current_a) <= spare && needed(b, s.current_b) <= spare
    }

    /// The state `step` seconds on, where the currents are in regulation all the way.
    fn with_regulated_currents(&self, during: &Conditions, s0: &State, step: f64) -> State {
        let half = 0.5 * step;
        let left = libm::exp(-half * self.per_time_constant);
        let later = |after: f64, left: f64, state: State| match during.demand {
            Demand::Current(a, b) => {
                let now = (s0.current_a - a, s0.current_b - b);
                let beyond = match &during.filter {
                    None => (left * now.0, left * now.1),
                    Some(filter) => filter.currents(now, after, left),
                };
                State {
                    current_a: a + beyond.0,
                    current_b: b + beyond.1,
                    ..state
                }
            }
            Demand::Voltage(..) => state,
        };
        let teeth = self.machine.rotor_teeth;
        let turn = Turn::of(self.electrical(s0));
        let at = |slope: &(f64, f64), after: f64, left: f64| {
            let there = later(
                after,
                left,
                State {
                    angle: s0.angle + after * slope.0,
                    speed: s0.speed + after * slope.1,
                    ..*s0
                },
            );
            let turn = turn.on(teeth * after * slope.0);
            (there.speed, self.rotor_slope(during, &there, turn))
        };
        let k1 = (s0.speed, self.rotor_slope(during, s0, turn));
        let k2 = at(&k1, half, left);
        let k3 = at(&k2, half, left);
        let k4 = at(&k3, step, left * left);
        let sixth = step / 6.0;
        let end = State {
            angle: s0.angle + sixth * (k1.0 + 2.0 * (k2.0 + k3.0) + k4.0),
            speed: s0.speed + sixth * (k1.1 + 2.0 * (k2.1 + k3.1) + k4.1),
            ..*s0
        };
        later(step, left * left, end)
    }

    fn runge_kutta(&self, during: &Conditions, s0: &State, step: f64) -> State {
        let turn = Turn::of(self.electrical(s0));
        let half = 0.5 * step;
        let at = |slope: &State, after: f64| {
            let there = along(s0, slope, after);
            let turned = self.machine.rotor_teeth * after * slope.angle;
            self.slope_at(during, during.demand_at(after), &there, turn.on(turned))
        };
        let k1 = self.slope_at(during, during.demand_at(0.0), s0, turn);
        let k2 = at(&k1, half);
        let k3 = at(&k2, half);
        let k4 = at(&k3, step);
        let sixth = step / 6.0;
        let mean = |a: f64, b: f64, c: f64, d: f64| sixth * (a + 2.0 * (b + c) + d);
        State {
            current_a: s0.current_a + mean(k1.current_a, k2.current_a, k3.current_a, k4.current_a),
            current_b: s0.current_b + mean(k1.current_b, k2.current_b, k3.current_b, k4.current_b),
            angle: s0.angle + mean(k1.angle, k2.angle, k3.angle, k4.angle),
            speed: s0.speed + mean(k1.speed, k2.speed, k3.speed, k4.speed),
        }
    }

    fn electrical(&self, state: &State) -> f64 {
        self.machine.rotor_teeth * state.angle
    }

    /// sin 4θ = 4 sin θ cos θ (cos² θ − sin² θ) for the detent.
    fn torque_at(&self, state: &State, Turn { sin, cos }: Turn) -> f64 {
        let m = self.machine;
        let pull = match self.pulled {
            true => m.harmonics.at_turn(sin, cos),
            false => 0.0,
        };
        m.torque_constant * (state.current_b * cos - state.current_a * sin)
            - m.detent_torque * 4.0 * sin * cos * (cos * cos - sin * sin)
            - pull
    }

    #[inline(always)]
    fn slope_at(&self, during: &Conditions, demand: Demand, s: &State, turn: Turn) -> State {
        let m = self.machine;
        let emf = m.torque_constant * s.speed;
        let rest_a = emf * turn.sin - m.resistance * s.current_a;
        let rest_b = -emf * turn.cos - m.resistance * s.current_b;
        let (current_a, current_b) = match demand {
            Demand::Voltage(a, b) => (
                (a + rest_a) * self.per_inductance,
                (b + rest_b) * self.per_inductance,
            ),
            Demand::Current(a, b) => (
                self.regulated(a - s.current_a, rest_a),
                self.regulated(b - s.current_b, rest_b),
            ),
        };
        State {
            current_a,
            current_b,
            angle: s.speed,
            speed: self.rotor_slope(during, s, turn),
        }
    }

    /// Acceleration of the rotor (rad/s²); none while it sticks.
    #[inline(always)]
    fn rotor_slope(&self, during: &Conditions, s: &State, turn: Turn) -> f64 {
        let m = self.machine;
        if during.slide == 0.0 && self.sticks {
            return 0.0;
        }
        let drag = m.viscous * s.speed + during.damper.damping * (s.speed - during.damper.about);
        let driving = self.torque_at(s, turn) - drag;
        self.acceleration(driving, s.angle + during.angle_out, during.slide)
    }

    /// Acceleration (rad/s²) at the motor angle `theta` under the torque `driving` (N·m; the
    /// motor's less viscous drag) while the rotor turns, or is about to turn, the way of
    /// `slide`, which is +1 or −1.
    #[inline]
    pub(super) fn acceleration(&self, driving: f64, theta: f64, slide: f64) -> f64 {
        let m = self.machine;
        let behind = m.load_torque(theta) + m.friction * slide;
        let driving = driving - m.rotor_friction * slide;
        let felt =
            |gearing: ThroughGearing| (driving - behind * gearing.share) * gearing.per_inertia;
        let pushed = felt(self.against);
        if m.efficiency == 1.0 || slide * (m.load_inertia * pushed + behind) >= 0.0 {
            pushed
        } else {
            felt(self.along)
        }
    }

    /// di/dt of a regulated phase that is `error` (A) short of its set point, where
    /// `rest` is the voltage (V) that resistance and back-EMF leave without supply.
    fn regulated(&self, error: f64, rest: f64) -> f64 {
        let wanted = error * self.per_time_constant;
        let least = (rest - self.ceiling) * self.per_inductance;
        let most = (rest + self.ceiling) * self.per_inductance;
        // Not by `clamp`, which panics on the NaN of a lost simulation.
        if wanted < least {
            least
        } else if wanted > most {
            most
        } else {
            wanted
        }
    }
}

/// `from` plus `step` times `slope`.
fn along(from: &State, slope: &State, step: f64) -> State {
    State {
        current_a: from.current_a + step * slope.current_a,
        current_b: from.current_b + step * slope.current_b,
        angle: from.angle + step * slope.angle,
        speed: from.speed + step * slope.speed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::filter::ConverterFilter;
    use crate::physics::machine::tests::filtered;

    #[test]
    fn a_turn_goes_on_within_rounding() {
        for start in [-2.0, 0.1, 1.5, 40.0] {
            for by in [-0.3, -0.2, -0.011, 0.0, 1e-9, 0.05, 0.13, 0.2, 1.0] {
                let turned = Turn::of(start).on(by);
                let (sin, cos) = libm::sincos(start + by);
                assert!((turned.sin - sin).abs() < 1e-14, "{start} + {by}");
                assert!((turned.cos - cos).abs() < 1e-14, "{start} + {by}");
            }
        }
    }

    #[test]
    fn currents_behind_a_filter_are_those_of_the_equations_integrated() {
        for order in [1, 2] {
            let axis = filtered::axis(60.0, order, 4);
            let machine = Machine::of(&axis);
            let equations = Equations::of(&machine);
            let Feed::Regulated { time_constant, .. } = machine.feed else {
                panic!("a regulator");
            };
            let mut filter =
                SetPointFilter::at_rest(ConverterFilter::of(&axis).unwrap(), time_constant);
            filter.jump(0.3, -0.4);
            let mut during = Conditions {
                demand: Demand::Current(0.8, 0.2),
                filter: Some(filter),
                slide: 1.0,
                damper: Damper::default(),
                clipped_step: 1e-5,
                angle_out: 0.0,
            };
            let start = State {
                current_a: 0.5,
                current_b: 0.6,
                angle: 0.01,
                speed: 2.0,
            };
            let (mut solved, mut integrated) = (start, start);
            let step = 1e-6;
            for _ in 0..300 {
                assert!(equations.in_regulation(&during, &solved));
                solved = equations.with_regulated_currents(&during, &solved, step);
                integrated = equations.runge_kutta(&during, &integrated, step);
                during = during.later(step);
            }
            assert!((solved.current_a - integrated.current_a).abs() < 1e-7);
            assert!((solved.current_b - integrated.current_b).abs() < 1e-7);
            assert!((solved.angle - integrated.angle).abs() < 1e-10);
            assert!((solved.current_a - start.current_a).abs() > 0.2);
        }
    }
}
