//! The rig: what the builder has on the bench, read from YAML and checked.
//!
//! A [`Rig`] that exists has been validated: every number is finite and possible,
//! every name is unique. All public fields are read-only by convention; rigs come
//! from [`Rig::parse`].

mod amplitude;
mod ballast;
mod body;
mod chopping;
mod controller;
mod direction;
mod drive;
pub(crate) mod fields;
mod found;
mod frame;
mod limits;
mod lines;
mod load;
mod meant;
mod motor;
mod names;
mod plausible;
pub(crate) mod problems;
pub(crate) mod profile;
mod pwm;
mod read;
mod rests;
#[cfg(test)]
mod tests;
mod timer;
mod tolerances;
mod travel;
pub(crate) mod yaml;

pub(crate) use amplitude::Amplitude;
pub use ballast::{Ballast, BallastPlace};
pub use chopping::Chopping;
pub use controller::{ClockSource, NamedController};
pub use direction::Direction;
pub use drive::{Converter, Correction, Drive, DriveKind, Sequence};
pub use frame::{SerialConverters, SerialFrame};
pub use limits::Limits;
pub use lines::{ActiveLevel, AtEnd, Bridge, BridgeLevels, Decay, DriveLines, EnableLine};
pub use load::{Approach, Gearing, LinearLoad, Load};
pub use motor::{Motor, PullOutPoint};
pub use profile::{BorrowedMotor, Files, NoFiles};
pub use pwm::PwmConverters;
#[cfg(test)]
pub(crate) use read::ReadRig;
pub use rests::Rest;
pub use timer::Timer;
pub use tolerances::{AxisTolerances, COLD, MotorTolerances, ToleratedValue};
pub use travel::TravelUnit;

/// Everything on the bench that one script moves.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// The axes, in the order in which they are written; at least one.
    pub axes: Vec<Axis>,
    /// The clock that times every step of every axis.
    pub timer: Timer,
    /// The microcontroller, as far as the rig says it.
    pub controller: NamedController,
    /// Named outputs, in the order in which they are written.
    pub outputs: Vec<Pin>,
    /// Named inputs, in the order in which they are written.
    pub inputs: Vec<Pin>,
}

/// One motor with its drive and what it turns.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What the script calls it.
    pub name: String,
    /// The motor.
    pub motor: Motor,
    /// The drive.
    pub drive: Drive,
    /// What the motor turns, and through which gearing.
    pub load: Load,
    /// What the builder wants kept.
    pub limits: Limits,
    /// How far what surrounds the motor may be off.
    pub tolerances: AxisTolerances,
    /// Whether nobody knows where it stands at the start, so that it must be sought first.
    pub must_home: bool,
}

/// A named pin of the board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pin {
    /// What the script calls it.
    pub name: String,
    /// Which pin of the board it is, where the rig says so.
    pub pin: Option<String>,
    /// The level at which it is on: high for an output, low for an input, unless the rig says
    /// otherwise.
    pub active: ActiveLevel,
}

impl Axis {
    /// Microsteps that make one turn of the motor: rotor teeth · 4 · microsteps
    /// (a two-phase motor passes four full steps a tooth).
    pub fn microsteps_per_motor_turn(&self) -> u64 {
        u64::from(self.motor.rotor_teeth) * 4 * u64::from(self.drive.microsteps())
    }

    /// Angle of the motor's shaft in one microstep (rad).
    pub fn microstep_angle(&self) -> f64 {
        std::f64::consts::TAU / self.microsteps_per_motor_turn() as f64
    }

    /// How many microsteps one unit of travel at the load takes: per radian of a
    /// rotary load, per metre of a linear one.
    pub fn microsteps_per_travel(&self) -> f64 {
        let gearing = self.load.gearing.ratio();
        let turn = match &self.load.linear {
            None => std::f64::consts::TAU,
            Some(linear) => linear.travel_per_turn.si(),
        };
        self.microsteps_per_motor_turn() as f64 * gearing / turn
    }

    /// Speed of the load's travel (rad/s or m/s) when the motor turns at `omega` (rad/s).
    pub fn travel_speed(&self, omega: f64) -> f64 {
        omega / (self.microstep_angle() * self.microsteps_per_travel())
    }

    /// How close to the target counts as settled (rad or m of the load): what the rig
    /// says, or half a full step.
    pub fn settle(&self) -> f64 {
        self.limits
            .settle
            .unwrap_or_else(|| self.travel_per_full_step() / 2.0)
    }

    /// Travel of the load (rad or m) for one full step of the motor.
    pub fn travel_per_full_step(&self) -> f64 {
        f64::from(self.drive.microsteps()) / self.microsteps_per_travel()
    }
}
