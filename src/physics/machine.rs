//! The two-phase machine: motor, drive and load as one set of equations, all seen
//! at the motor's shaft.
//!
//! ```text
//! θe = N θ                                    electrical angle
//! L diA/dt = vA − R iA + K ω sin θe
//! L diB/dt = vB − R iB − K ω cos θe
//! T        = K (iB cos θe − iA sin θe) − Td sin 4θe
//! J dω/dt  = T − B ω − Tf sgn ω − Tc − Tu sin θ_load,    θ_load = (θ − φ₀/N) / g
//! ```
//!
//! With a gearing that loses power, everything behind it costs more to drive and gives
//! less back: with TL = JL dω/dt + Tf sgn ω + Tc + Tu sin θ_load, of which J contains
//! JL, the motor feels TL / η where TL acts against the motion and η TL where it acts
//! along it.
//!
//! | symbol | meaning | unit |
//! | --- | --- | --- |
//! | N | rotor teeth | |
//! | R, L | resistance (winding, switches, sense resistor) and inductance of one phase | Ω, H |
//! | K | torque constant of one phase, Th / (√2 · Irated) | N·m/A |
//! | Td | detent torque; its rests are the one-phase positions | N·m |
//! | J, B | rotor and reflected load | kg·m², N·m·s/rad |
//! | JL, η | the part of J behind the gearing, and the gearing's efficiency | kg·m² |
//! | Tf | Coulomb friction; it sticks (see [`Simulator`]) | N·m |
//! | Tc | torque that always acts, positive against positive travel | N·m |
//! | Tu, g | unbalance m·r·g₀ reflected to the motor; motor turns a load turn | N·m |
//!
//! These are the usual equations of a two-phase hybrid motor without saturation or
//! iron loss (P. Acarnley, *Stepping Motors: a guide to theory and practice*; from
//! memory). Backlash is not modelled: the load is taken as rigidly geared.
//!
//! **The command** is the microstep index k. Its electrical angle is
//! φ = φ₀ + k · 90°/m with m microsteps a full step, and the rotor follows φ.
//!
//! **Fixed voltage**: a phase that is on has ±V across it; a phase that is off is
//! short-circuited through the free-wheeling path, v = 0, so that its current decays
//! with L/R (slow decay) and the back-EMF can still drive current through it. Wave
//! drive has φ₀ = 0; two phases on have φ₀ = 45°.
//!
//! **Regulated current** (a linear source, or a chopper without its ripple): each
//! phase has the set point I cos φ or I sin φ and a first-order regulator with
//! back-EMF compensated, di/dt = (i* − i)/τ, for as long as that takes no more than
//! ±V across the phase; beyond, the phase has ±V. Full steps of a regulated drive
//! (m = 1) rest on the two-phase positions, φ₀ = 45°, with 71 % of the peak current in
//! each phase (common practice); finer steps have φ₀ = 0.

mod equations;
#[cfg(test)]
mod held;
mod hold;
mod simulator;

#[cfg(test)]
pub(crate) use held::held_pull_out;
pub(crate) use hold::swings_past;
#[cfg(test)]
pub(crate) use hold::{hold_speed, hold_speed_in_steps};
pub use simulator::{Simulator, State};

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_2, FRAC_PI_4, PI, SQRT_2};

use super::load::ShaftLoad;
use crate::rig::{Axis, DriveKind, Sequence};

/// Time constant of a current regulator in the model (s): a bandwidth of 8 kHz, as
/// linear sources and choppers above the audible range reach (common practice).
pub const REGULATOR_TIME_CONSTANT: f64 = 20e-6;

/// Motor, drive and load at the motor's shaft, in SI units.
#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
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
    /// Inertia of rotor and reflected load J (kg·m²).
    pub inertia: f64,
    /// The part of `inertia` that is behind the gearing JL (kg·m²); it matters only
    /// where the gearing loses power.
    pub load_inertia: f64,
    /// Efficiency of the gearing η, above 0 and up to 1.
    pub efficiency: f64,
    /// Viscous damping of motor and reflected load B (N·m·s/rad).
    pub viscous: f64,
    /// Coulomb friction Tf, reflected (N·m).
    pub friction: f64,
    /// Torque that always acts Tc, reflected; positive against positive travel (N·m).
    pub constant_torque: f64,
    /// Peak torque of an unbalance Tu, reflected (N·m); it acts as Tu sin(load angle).
    pub unbalance_torque: f64,
    /// Motor turns a load turn g.
    pub gearing: f64,
    /// What feeds the phases.
    pub feed: Feed,
}

/// What feeds the phases of a [`Machine`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Feed {
    /// Switches put the supply across the phases.
    FixedVoltage {
        /// Supply V (V).
        supply: f64,
        /// Order of switching.
        sequence: Sequence,
    },
    /// Each phase's current is regulated under a voltage ceiling.
    Regulated {
        /// Ceiling V (V); infinite for an ideal current source.
        supply: f64,
        /// Amplitude of the sine of phase current that is reached, I (A).
        peak_current: f64,
        /// Microsteps a full step m.
        microsteps: u32,
        /// Time constant of the regulator τ (s).
        time_constant: f64,
    },
}

/// What the command asks of the two phases.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Demand {
    /// Voltages across phases A and B (V).
    Voltage(f64, f64),
    /// Set points of the currents of phases A and B (A).
    Current(f64, f64),
}

impl Machine {
    /// The motor, drive and load of `axis`.
    pub fn of(axis: &Axis) -> Self {
        let (motor, drive) = (&axis.motor, &axis.drive);
        let load = ShaftLoad::of(axis);
        let supply = drive.supply.si();
        let feed = match (drive.kind, axis.amplitude()) {
            (DriveKind::FixedVoltage { sequence }, _) => Feed::FixedVoltage { supply, sequence },
            (_, amplitude) => Feed::Regulated {
                supply,
                peak_current: amplitude.map_or(0.0, |amplitude| amplitude.reached()),
                microsteps: drive.microsteps(),
                time_constant: REGULATOR_TIME_CONSTANT,
            },
        };
        Self {
            rotor_teeth: f64::from(motor.rotor_teeth),
            resistance: axis.loop_resistance(),
            inductance: motor.phase_inductance.si(),
            torque_constant: motor.torque_constant(),
            detent_torque: motor.detent_torque.si(),
            inertia: load.inertia(),
            load_inertia: load.load_inertia,
            efficiency: load.efficiency,
            viscous: load.viscous(),
            friction: load.coulomb,
            constant_torque: load.constant,
            unbalance_torque: load.unbalance,
            gearing: load.gearing,
            feed,
        }
    }

    /// Microsteps a full step m.
    pub fn microsteps(&self) -> u32 {
        match self.feed {
            Feed::FixedVoltage {
                sequence: Sequence::HalfStep,
                ..
            } => 2,
            Feed::FixedVoltage { .. } => 1,
            Feed::Regulated { microsteps, .. } => microsteps,
        }
    }

    /// Electrical angle of one microstep, 90°/m (rad).
    pub fn microstep_electrical(&self) -> f64 {
        FRAC_PI_2 / f64::from(self.microsteps())
    }

    /// Electrical angle φ that microstep `index` commands (rad).
    pub fn command_angle(&self, index: i64) -> f64 {
        self.first_angle() + index as f64 * self.microstep_electrical()
    }

    /// Electrical angle φ₀ of microstep 0 (rad).
    pub fn first_angle(&self) -> f64 {
        match self.feed {
            Feed::FixedVoltage {
                sequence: Sequence::TwoPhase,
                ..
            }
            | Feed::Regulated { microsteps: 1, .. } => FRAC_PI_4,
            _ => 0.0,
        }
    }

    /// Microsteps of one electrical cycle, four full steps.
    pub fn microsteps_per_cycle(&self) -> i64 {
        4 * i64::from(self.microsteps())
    }

    /// What microstep `index` asks of the phases.
    pub(crate) fn demand(&self, index: i64) -> Demand {
        // Four full steps are one electrical cycle; the remainder keeps every cycle
        // exactly alike however far the axis has gone.
        let place = index.rem_euclid(self.microsteps_per_cycle());
        let (sin, cos) = libm::sincos(self.command_angle(place));
        match self.feed {
            Feed::FixedVoltage { supply, .. } => {
                // On where the projection is at least cos 45° (to rounding), off where
                // it is zero.
                let switch = |projection: f64| {
                    if projection.abs() > FRAC_1_SQRT_2 / 2.0 {
                        supply.copysign(projection)
                    } else {
                        0.0
                    }
                };
                Demand::Voltage(switch(cos), switch(sin))
            }
            Feed::Regulated { peak_current, .. } => {
                Demand::Current(peak_current * cos, peak_current * sin)
            }
        }
    }

    /// Amplitude of the current vector at standstill (A): the regulated amplitude, or
    /// what the supply drives through the phases that are on, in half-step the smaller
    /// of the two.
    pub fn standstill_current(&self) -> f64 {
        match self.feed {
            Feed::FixedVoltage { supply, sequence } => {
                let one_phase = supply / self.resistance;
                match sequence {
                    Sequence::TwoPhase => SQRT_2 * one_phase,
                    Sequence::Wave | Sequence::HalfStep => one_phase,
                }
            }
            Feed::Regulated {
                supply,
                peak_current,
                ..
            } => peak_current.min(supply / self.resistance),
        }
    }

    /// Holding torque on this drive without detent, K I (N·m).
    pub fn holding_torque(&self) -> f64 {
        self.torque_constant * self.standstill_current()
    }

    /// Small-amplitude natural frequency with constant currents and without detent,
    /// ω_n = √(N K I / J) (rad/s).
    pub fn natural_frequency(&self) -> f64 {
        (self.rotor_teeth * self.holding_torque() / self.inertia).sqrt()
    }

    /// Angle of the load's shaft at motor angle `theta` (rad): zero at microstep 0.
    pub fn load_angle(&self, theta: f64) -> f64 {
        (theta - self.first_angle() / self.rotor_teeth) / self.gearing
    }

    /// Whether something holds a rotor that stands still: friction, or the losses of
    /// the gearing.
    pub(crate) fn sticks(&self) -> bool {
        self.friction > 0.0 || self.efficiency < 1.0
    }

    /// The torque of the load, without friction, at motor angle `theta` (N·m).
    pub(crate) fn load_torque(&self, theta: f64) -> f64 {
        if self.unbalance_torque == 0.0 {
            self.constant_torque
        } else {
            self.constant_torque + self.unbalance_torque * libm::sin(self.load_angle(theta))
        }
    }

    /// Motor speed (rad/s) at so many full steps a second.
    pub fn speed_of(&self, full_steps_per_s: f64) -> f64 {
        full_steps_per_s * FRAC_PI_2 / self.rotor_teeth
    }

    /// The longest step that resolves the swing of the rotor alone (s): a twentieth of a
    /// radian of it.
    pub(crate) fn rotor_step(&self) -> f64 {
        let stiffness =
            self.rotor_teeth * self.holding_torque() + 4.0 * self.rotor_teeth * self.detent_torque;
        0.05 * (self.inertia / stiffness).sqrt()
    }

    /// The longest internal step that resolves every time constant of the machine (s).
    ///
    /// A twentieth of the electrical time constant and of a radian of the fastest
    /// oscillation (of the rotor on its magnetic spring with detent, and of the rotor
    /// on the back-EMF), half the regulator's time constant: there the error of a
    /// fourth-order step is below 1e-6 of its own change.
    pub fn internal_step(&self) -> f64 {
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
