//! A machine's numbers, and what follows from them without running it.

use std::f64::consts::{FRAC_PI_2, PI};

use nalgebra::Matrix3;

use crate::physics::eigenvalues::eigenvalues;
use crate::physics::feed::{Demand, Feed, RestCurrent, pull};
use crate::physics::harmonics::Harmonics;
use crate::physics::load::ShaftLoad;
use crate::physics::loss::RotorLoss;
use crate::rig::Axis;

/// Lag (rad of the swing) that a current may always have: chosen, see
/// [`for_swings`](Machine::for_swings).
const LEAST_LAG: f64 = 0.02;
/// Slower swings than this (rad/s) leave a regulator time: chosen, 8 Hz.
const SLOW_SWING: f64 = 50.0;

/// Motor, drive and load at the motor's shaft, in SI units.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Machine {
    /// Rotor teeth N.
    pub rotor_teeth: f64,
    /// Resistance of one phase with its switches and sense resistor R (Ω).
    pub resistance: f64,
    /// Inductance of one phase L (H).
    pub inductance: f64,
    /// Torque constant of one phase K (N·m/A, and V·s/rad).
    pub torque_constant: f64,
    /// Detent torque Td (N·m).
    pub detent_torque: f64,
    /// What else pulls the rotor whatever its current (N·m), besides the detent torque.
    pub harmonics: Harmonics,
    /// Inertia of rotor and reflected load J (kg·m²).
    pub inertia: f64,
    /// The part of `inertia` that is behind the gearing JL (kg·m²); it matters only
    /// where the gearing loses power.
    pub load_inertia: f64,
    /// Efficiency of the gearing η, above 0 and up to 1.
    pub efficiency: f64,
    /// Viscous damping of motor and reflected load B (N·m·s/rad).
    pub viscous: f64,
    /// Coulomb friction Tf behind the gearing, reflected (N·m).
    pub friction: f64,
    /// Constant torque that the rotor itself loses Tr (N·m).
    pub rotor_friction: f64,
    /// Torque that always acts Tc, reflected; positive against positive travel (N·m).
    pub constant_torque: f64,
    /// Peak torque of an unbalance Tu, reflected (N·m); it acts as Tu sin(load angle).
    pub unbalance_torque: f64,
    /// Motor turns a load turn g.
    pub gearing: f64,
    /// What feeds the phases.
    pub feed: Feed,
}

impl Machine {
    /// The motor, drive and load of `axis`. Of a damping that the rig leaves out the least
    /// that is likely is taken, and no friction of the rotor but what the rig gives.
    pub(crate) fn of(axis: &Axis) -> Self {
        let motor = &axis.motor;
        let load = ShaftLoad::of(axis);
        let loss = RotorLoss::of(motor);
        let (detent_torque, harmonics) = pull(axis).apart();
        Self {
            rotor_teeth: f64::from(motor.rotor_teeth),
            resistance: axis.loop_resistance(),
            inductance: motor.phase_inductance.si(),
            torque_constant: motor.torque_constant(),
            detent_torque,
            harmonics,
            inertia: load.inertia(),
            load_inertia: load.load_inertia,
            efficiency: load.efficiency,
            viscous: loss.viscous.low + load.load_viscous,
            rotor_friction: motor.friction_torque.map_or(0.0, |friction| friction.si()),
            friction: load.coulomb,
            constant_torque: load.constant,
            unbalance_torque: load.unbalance,
            gearing: load.gearing,
            feed: Feed::of(axis),
        }
    }

    /// As [`of`](Self::of), with the typical damping.
    pub(crate) fn with_typical_damping(axis: &Axis) -> Self {
        let mut machine = Self::of(axis);
        let viscous = RotorLoss::of(&axis.motor).viscous;
        if !viscous.is_exact() {
            machine.viscous += viscous.typical - viscous.low;
        }
        machine
    }

    /// The same with a motor whose torque constant is `weaker` times as large, and a load whose
    /// inertia and friction are `heavier` times as large.
    pub(crate) fn worse(&self, weaker: f64, heavier: f64) -> Self {
        Self {
            torque_constant: weaker * self.torque_constant,
            inertia: self.inertia + (heavier - 1.0) * self.load_inertia,
            load_inertia: heavier * self.load_inertia,
            friction: heavier * self.friction,
            ..self.clone()
        }
    }

    /// Microsteps a full step m.
    pub(crate) fn microsteps(&self) -> u32 {
        self.feed.microsteps()
    }

    /// Electrical angle of one microstep, 90°/m (rad).
    pub(crate) fn microstep_electrical(&self) -> f64 {
        FRAC_PI_2 / f64::from(self.microsteps())
    }

    /// Electrical angle φ that microstep `index` commands (rad).
    pub(crate) fn command_angle(&self, index: i64) -> f64 {
        self.feed.command_angle(index)
    }

    /// Electrical angle φ₀ of microstep 0 (rad).
    pub(crate) fn first_angle(&self) -> f64 {
        self.feed.first_angle()
    }

    /// Microsteps of one electrical cycle, four full steps.
    pub(crate) fn microsteps_per_cycle(&self) -> i64 {
        self.feed.microsteps_per_cycle()
    }

    /// What microstep `index` asks of the phases.
    pub(crate) fn demand(&self, index: i64) -> Demand {
        self.feed.demand(index)
    }

    /// Amplitudes of the current vector at standstill.
    pub(crate) fn rest_current(&self) -> RestCurrent {
        self.feed.rest_current(self.resistance)
    }

    /// Holding torque on this drive without detent, K I at the position that holds the
    /// least (N·m).
    pub(crate) fn holding_torque(&self) -> f64 {
        self.torque_constant * self.rest_current().weakest
    }

    /// Small-amplitude natural frequency with constant currents and without detent,
    /// ω_n = √(N K I / J) (rad/s), I the mean over the [rests](crate::physics::feed).
    /// Source: D. W. Jones, *Stepping Motors* (University of Iowa), f = √(k/J)/2π with k
    /// the slope of the torque curve at equilibrium.
    pub(crate) fn natural_frequency(&self) -> f64 {
        let stiffness = self.rotor_teeth * (self.torque_constant * self.rest_current().mean);
        (stiffness / self.inertia).sqrt()
    }

    /// Frequency (rad/s) at which the rotor rings at rest, the detent in it. A regulated current
    /// stands still, and only the spring swings. On a fixed voltage the back-EMF drives a
    /// current through the windings, which stiffens the spring and damps it:
    ///
    /// ```text
    /// dθ/dt = ω    J dω/dt = −k θ − B ω + K i    L di/dt = −K ω − R i    k = N (K I ± 4 Td)
    /// ```
    ///
    /// with i the current across the rotor's axis; the frequency is the imaginary part of the
    /// pair of eigenvalues. Derived from the [equations](super) for small swings about a rest.
    pub(crate) fn ringing_frequency(&self) -> f64 {
        let k = self.torque_constant;
        let spring =
            k * self.rest_current().mean + 4.0 * self.feed.detent_stiffness() * self.detent_torque;
        let stiffness = self.rotor_teeth * spring.max(0.0);
        match self.feed {
            Feed::Regulated { .. } => (stiffness / self.inertia).sqrt(),
            Feed::FixedVoltage { .. } => {
                let (j, l) = (self.inertia, self.inductance);
                // Speed and current are scaled, so that all entries are of a size.
                let (w, c) = ((stiffness / j).sqrt(), k / (l * j).sqrt());
                #[rustfmt::skip]
                let matrix = Matrix3::new(
                    0.0, w,                 0.0,
                    -w,  -self.viscous / j, c,
                    0.0, -c,                -self.resistance / l,
                );
                let pairs = eigenvalues(matrix);
                pairs.iter().flatten().map(|s| s.im).fold(0.0, f64::max)
            }
        }
    }

    /// Angle of the load's shaft at motor angle `theta` (rad): zero at microstep 0.
    pub(crate) fn load_angle(&self, theta: f64) -> f64 {
        (theta - self.first_angle() / self.rotor_teeth) / self.gearing
    }

    /// Whether something holds a rotor that stands still: friction, or the losses of
    /// the gearing.
    pub(crate) fn sticks(&self) -> bool {
        self.friction > 0.0 || self.rotor_friction > 0.0 || self.efficiency < 1.0
    }

    /// The torque of the load, without friction, at motor angle `theta` (N·m).
    pub(crate) fn load_torque(&self, theta: f64) -> f64 {
        if self.unbalance_torque == 0.0 {
            self.constant_torque
        } else {
            self.constant_torque + self.unbalance_torque * libm::sin(self.load_angle(theta))
        }
    }

    /// Electrical frequency (rad/s) at the motor speed `omega` (rad/s).
    pub(crate) fn electrical(&self, omega: f64) -> f64 {
        self.rotor_teeth * omega
    }

    /// The holding torque that is left of it while the set points of regulated currents turn at a
    /// motor speed (rad/s; N·m).
    pub(crate) fn turning_torque(&self, omega: f64) -> f64 {
        self.holding_torque() * self.feed.gain(self.electrical(omega))
    }

    /// Torque (N·m) that the motor makes at a steady speed `omega` (rad/s) against its load and
    /// its own losses.
    pub(crate) fn steady_torque(&self, omega: f64) -> f64 {
        (self.constant_torque + self.friction) / self.efficiency
            + self.rotor_friction
            + self.viscous * omega
    }

    /// Motor speed (rad/s) at so many full steps a second.
    pub(crate) fn speed_of(&self, full_steps_per_s: f64) -> f64 {
        full_steps_per_s * FRAC_PI_2 / self.rotor_teeth
    }

    /// The longest step that resolves the swing of the rotor alone (s): a twentieth of a
    /// radian of it.
    pub(crate) fn rotor_step(&self) -> f64 {
        let stiffest = self.torque_constant * self.rest_current().strongest;
        let stiffness = self.rotor_teeth * stiffest + 4.0 * self.rotor_teeth * self.detent_torque;
        0.05 * (self.inertia / stiffness).sqrt()
    }

    /// The same for questions about the swing of the rotor alone: time constants that are so
    /// much shorter than a radian of it that they do not matter are lengthened, so that the
    /// steps of a run do not grow without end with their ratio.
    ///
    /// ```text
    /// ωn L/R ≥ 0.02        ωn τ ≥ min(0.02, 20 µs · (50 rad/s)²/ωn)        τ: regulator
    /// ```
    ///
    /// A current that lags the back-EMF by 0.02 rad changes the damping by 0.04 % and the
    /// natural frequency by less.
    pub(crate) fn for_swings(&self) -> Self {
        let natural = self.natural_frequency();
        let mut slowed = self.clone();
        match &mut slowed.feed {
            Feed::FixedVoltage { .. } => {
                slowed.inductance = self.inductance.max(LEAST_LAG * self.resistance / natural);
            }
            Feed::Regulated { time_constant, .. } => {
                let slower = *time_constant * (SLOW_SWING / natural).powi(2);
                *time_constant = time_constant.max(slower.min(LEAST_LAG / natural));
            }
        }
        slowed
    }

    /// The longest internal step that resolves every time constant of the machine (s).
    ///
    /// A twentieth of the electrical time constant and of a radian of the fastest
    /// oscillation (of the rotor on its magnetic spring with detent, and of the rotor
    /// on the back-EMF), half the regulator's time constant: there the error of a
    /// fourth-order step is below 1e-6 of its own change.
    pub(crate) fn internal_step(&self) -> f64 {
        let back_emf = (self.inductance * self.inertia).sqrt() / self.torque_constant;
        let mechanical = self.rotor_step().min(0.05 * back_emf);
        let electrical = match self.feed {
            Feed::FixedVoltage { .. } => 0.05 * self.inductance / self.resistance,
            Feed::Regulated { time_constant, .. } => 0.5 * time_constant,
        };
        mechanical.min(electrical)
    }
}

/// Radians to degrees.
pub(crate) fn degrees(radians: f64) -> f64 {
    radians * (180.0 / PI)
}
