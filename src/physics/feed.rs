//! What feeds the phases: the one account of a drive that torque, stability, heat, coil
//! tables and the simulator share.
//!
//! **The command** is the microstep index k. Its electrical angle is
//! φ = φ₀ + k · 90°/m with m microsteps a full step, and the rotor follows φ.
//!
//! **Fixed voltage**: a phase that is on has ±V across it; a phase that is off is
//! short-circuited through the free-wheeling path, v = 0, so that its current decays
//! with L/R (slow decay) and the back-EMF can still drive current through it. Wave
//! drive has φ₀ = 0; two phases on have φ₀ = 45°. The fundamental of a phase's voltage is
//! V1 = 4V/π for two phases on, (4V/π) sin 45° for one, (4V/π) cos 22.5° for half steps
//! (Fourier series of a square wave and of square pulses of 90° and 135°).
//!
//! **Regulated current** (a linear source, or a chopper without its ripple): each
//! phase has the set point I cos φ or I sin φ and a first-order regulator with
//! back-EMF compensated, di/dt = (i* − i)/τ, for as long as that takes no more than
//! ±V across the phase; beyond, the phase has ±V. Full steps of a regulated drive
//! (m = 1) rest on the two-phase positions, φ₀ = 45°, with 71 % of the peak current in
//! each phase (common practice); finer steps have φ₀ = 0.
//!
//! **Behind the filter** of converters that are a PWM, the set points are those of the sines as
//! the [filter](super::filter) leaves them: smaller and later, the faster the rotor turns.
//!
//! **Corrected currents** turn ahead of where [detent and the like](super::harmonics) pull the rotor
//! back: those of microstep k point to φ' = φ + asin(T_x(φ)/(K I)).
//!
//! **At rest** the current vector has the amplitude
//!
//! ```text
//! V/R at a one-phase position     √2 V/R at a two-phase position     I where it is regulated
//! ```
//!
//! and the rotor sits on a spring of N K times that. Half steps rest on both kinds of position
//! in turn, for equal times. The small swing of a rotor on a spring that changes so,
//! J x″ + k(t) x = 0, averages the stiffness (method of averaging, first order):
//! k̄ = N K (1 + √2)/2 · V/R. That is the stiffness of its natural frequency, between
//! the frequencies f₁ and f₂ of a rotor that rings on either position:
//! f_n² = (f₁² + f₂²)/2. A detent's ± 4 N Td cancels in the mean. What must be held is
//! held by the weaker position.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_2, FRAC_PI_4, PI, SQRT_2};

use super::filter::ConverterFilter;
use super::harmonics::Harmonics;
use super::loss::RotorLoss;
use crate::rig::{Axis, Correction, DriveKind, Sequence};

/// Time constant of a current regulator in the model (s): a bandwidth of 8 kHz, as
/// linear sources and choppers above the audible range reach (common practice).
pub(crate) const REGULATOR_TIME_CONSTANT: f64 = 20e-6;

/// Fundamental of a square wave of the amplitude 1.
const SQUARE_WAVE: f64 = 4.0 / PI;

/// What feeds the phases of a [`Machine`](super::machine::Machine).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Feed {
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
        /// Torque that the currents make up for, over K I; none for a plain sine.
        correction: Harmonics,
        /// What the set points come through; none where they jump with the command.
        filter: Option<ConverterFilter>,
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

/// Amplitudes of the current vector (A) over the rests of a cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RestCurrent {
    /// Where the rotor is held the least.
    pub weakest: f64,
    /// Mean over the rests, whose spring gives the natural frequency.
    pub mean: f64,
    /// Where the rotor is held the most.
    pub strongest: f64,
}

impl RestCurrent {
    fn between(weakest: f64, strongest: f64) -> Self {
        Self {
            weakest,
            mean: 0.5 * (weakest + strongest),
            strongest,
        }
    }
}

impl Feed {
    /// What the drive of `axis` feeds its motor with.
    pub(crate) fn of(axis: &Axis) -> Self {
        let supply = axis.drive.supply.si();
        match axis.drive.kind {
            DriveKind::FixedVoltage { sequence } => Self::FixedVoltage { supply, sequence },
            DriveKind::LinearCurrent { microsteps, .. } | DriveKind::Chopper { microsteps, .. } => {
                let peak_current = axis
                    .amplitude()
                    .map_or(0.0, |amplitude| amplitude.reached());
                let correction = match axis.drive.correction {
                    Some(Correction::Detent | Correction::Measured(_)) => {
                        let peak = axis.motor.torque_constant() * peak_current;
                        pull(axis).times(1.0 / peak)
                    }
                    None => Harmonics::NONE,
                };
                Self::Regulated {
                    supply,
                    peak_current,
                    microsteps,
                    time_constant: REGULATOR_TIME_CONSTANT,
                    correction,
                    filter: ConverterFilter::of(axis),
                }
            }
        }
    }

    /// What the set points of regulated currents come through.
    pub(crate) fn filter(&self) -> Option<ConverterFilter> {
        match *self {
            Self::FixedVoltage { .. } => None,
            Self::Regulated { filter, .. } => filter,
        }
    }

    /// Share of the amplitude that is left of set points that turn at `omega` (rad/s, electrical).
    pub(crate) fn gain(&self, omega: f64) -> f64 {
        ConverterFilter::left(self.filter(), omega)
    }

    /// How far (rad) such set points lag behind the command.
    pub(crate) fn lag(&self, omega: f64) -> f64 {
        self.filter().map_or(0.0, |filter| filter.lag(omega))
    }

    /// Microsteps a full step m.
    pub(crate) fn microsteps(&self) -> u32 {
        match *self {
            Self::FixedVoltage { sequence, .. } => sequence.microsteps(),
            Self::Regulated { microsteps, .. } => microsteps,
        }
    }

    /// Electrical angle φ₀ of microstep 0 (rad).
    pub(crate) fn first_angle(&self) -> f64 {
        match *self {
            Self::FixedVoltage { sequence, .. } => match sequence {
                Sequence::TwoPhase => FRAC_PI_4,
                Sequence::Wave | Sequence::HalfStep => 0.0,
            },
            Self::Regulated { microsteps: 1, .. } => FRAC_PI_4,
            Self::Regulated { .. } => 0.0,
        }
    }

    /// Electrical angle φ that microstep `index` commands (rad).
    pub(crate) fn command_angle(&self, index: i64) -> f64 {
        self.first_angle() + index as f64 * (FRAC_PI_2 / f64::from(self.microsteps()))
    }

    /// Electrical angle φ' to which the currents of microstep `index` point (rad).
    pub(crate) fn current_angle(&self, index: i64) -> f64 {
        let angle = self.command_angle(index);
        match *self {
            Self::Regulated { correction, .. } if !correction.is_none() => {
                angle + libm::asin(correction.at(angle).clamp(-1.0, 1.0))
            }
            Self::Regulated { .. } | Self::FixedVoltage { .. } => angle,
        }
    }

    /// Microsteps of one electrical cycle, four full steps.
    pub(crate) fn microsteps_per_cycle(&self) -> i64 {
        4 * i64::from(self.microsteps())
    }

    /// What microstep `index` asks of the phases.
    pub(crate) fn demand(&self, index: i64) -> Demand {
        // Four full steps are one electrical cycle; the remainder keeps every cycle
        // exactly alike however far the axis has gone.
        let place = index.rem_euclid(self.microsteps_per_cycle());
        let (sin, cos) = libm::sincos(self.current_angle(place));
        match *self {
            Self::FixedVoltage { supply, .. } => {
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
            Self::Regulated { peak_current, .. } => {
                Demand::Current(peak_current * cos, peak_current * sin)
            }
        }
    }

    /// Amplitudes of the current vector at standstill with phases of `resistance` (Ω).
    pub(crate) fn rest_current(&self, resistance: f64) -> RestCurrent {
        match *self {
            Self::FixedVoltage { supply, sequence } => {
                let one_phase = supply / resistance;
                let two_phases = SQRT_2 * one_phase;
                match sequence {
                    Sequence::Wave => RestCurrent::between(one_phase, one_phase),
                    Sequence::TwoPhase => RestCurrent::between(two_phases, two_phases),
                    Sequence::HalfStep => RestCurrent::between(one_phase, two_phases),
                }
            }
            Self::Regulated { peak_current, .. } => {
                RestCurrent::between(peak_current, peak_current)
            }
        }
    }

    /// What a detent adds to the spring at rest, over 4 N Td, in the mean over the rests: it
    /// stiffens one-phase positions and softens two-phase ones.
    pub(crate) fn detent_stiffness(&self) -> f64 {
        match *self {
            Self::FixedVoltage { sequence, .. } => match sequence {
                Sequence::Wave => 1.0,
                Sequence::TwoPhase => -1.0,
                Sequence::HalfStep => 0.0,
            },
            Self::Regulated { microsteps: 1, .. } => -1.0,
            Self::Regulated { .. } => 0.0,
        }
    }

    /// Fundamental amplitude V1 of a phase's voltage (V) once nothing but the supply limits
    /// it: a regulator that has run out of voltage gives a square wave.
    pub(crate) fn fundamental_voltage(&self) -> f64 {
        match *self {
            Self::FixedVoltage { supply, sequence } => supply * fundamental(sequence),
            Self::Regulated { supply, .. } => supply * SQUARE_WAVE,
        }
    }

    /// What is left of the fundamental's torque where each step is taken at leisure: the
    /// curves of neighbouring steps cross below its peak.
    pub(crate) fn slow_step_share(&self) -> f64 {
        match *self {
            Self::FixedVoltage { sequence, .. } => match sequence {
                Sequence::Wave | Sequence::TwoPhase => FRAC_PI_4,
                // The one-phase curve is the lower.
                Sequence::HalfStep => 1.0 / fundamental(sequence),
            },
            Self::Regulated { microsteps, .. } => {
                let half_step = FRAC_PI_4 / f64::from(microsteps);
                half_step.cos() / (half_step.sin() / half_step)
            }
        }
    }
}

/// What pulls the rotor of `axis` whatever its current (N·m): as measured, where the rig has that,
/// or its detent torque.
pub(super) fn pull(axis: &Axis) -> Harmonics {
    let detent = || Harmonics::detent(RotorLoss::of(&axis.motor).detent.typical);
    let Some(Correction::Measured(rests)) = &axis.drive.correction else {
        return detent();
    };
    let (teeth, microsteps) = (
        f64::from(axis.motor.rotor_teeth),
        f64::from(axis.drive.microsteps()),
    );
    // Full steps rest with both phases on.
    let first = if microsteps == 1.0 { FRAC_PI_4 } else { 0.0 };
    let angles: Vec<(f64, f64)> = rests
        .iter()
        .map(|rest| {
            let set = first + rest.microstep as f64 * FRAC_PI_2 / microsteps;
            (set, teeth * rest.angle)
        })
        .collect();
    let peak = axis
        .amplitude()
        .map_or(0.0, |amplitude| amplitude.reached());
    // Rests that tell nothing are the rig reader's to refuse.
    Harmonics::of_rests(&angles).map_or_else(detent, |over_peak| {
        over_peak.times(axis.motor.torque_constant() * peak)
    })
}

/// Fundamental of a phase's voltage over the supply.
fn fundamental(sequence: Sequence) -> f64 {
    match sequence {
        Sequence::Wave => SQUARE_WAVE * FRAC_1_SQRT_2,
        Sequence::TwoPhase => SQUARE_WAVE,
        Sequence::HalfStep => SQUARE_WAVE * (FRAC_PI_4 / 2.0).cos(),
    }
}
