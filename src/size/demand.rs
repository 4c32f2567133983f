//! What the moves ask of the load's shaft, whatever turns it.

use crate::check::TorqueRule;
use crate::physics::{PullOut, ShaftLoad};
use crate::plan::AxisMotion;
use crate::rig::{Axis, Gearing};
use crate::units::Inertia;

/// A motion of the axis, with the line of its first move.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LoadMotion {
    /// The line.
    pub line: usize,
    /// The motion, in microsteps of the rig as it is written.
    pub motion: AxisMotion,
}

/// What one motion asks for at the load's shaft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadDemand {
    /// Line of the move.
    pub line: usize,
    /// Highest speed of the shaft (rad/s).
    pub speed: f64,
    /// Highest acceleration (rad/s²).
    pub acceleration: f64,
    /// Largest torque (N·m), either way.
    pub torque: f64,
    /// Torque (N·m) at the highest speed without acceleration, either way.
    pub cruise_torque: f64,
    /// Largest power (W) that goes into the load.
    pub power: f64,
}

/// What each motion asks for. `pull_out` only names a curve; no torque is compared.
pub(crate) fn demand(axis: &Axis, motions: &[LoadMotion], tolerance: f64) -> Vec<LoadDemand> {
    let mut bare = axis.clone();
    bare.motor.rotor_inertia = Inertia::new(0.0);
    bare.load.gearing = Gearing::DIRECT;
    bare.load.efficiency = 1.0;
    let load = ShaftLoad::of(&bare);
    let pull_out = PullOut::of(axis);
    let rule = TorqueRule {
        load: &load,
        pull_out: &pull_out,
        microstep: load_microstep(axis),
        clock: 1.0 + tolerance,
    };
    let one = |moved: &LoadMotion| {
        let direction = moved.motion.direction;
        let mut found = LoadDemand {
            line: moved.line,
            speed: 0.0,
            acceleration: 0.0,
            torque: 0.0,
            cruise_torque: 0.0,
            power: 0.0,
        };
        for at in rule.instants(&moved.motion) {
            let torque = load.required_torque(at.omega, at.alpha, direction);
            found.speed = found.speed.max(at.omega);
            found.acceleration = found.acceleration.max(at.alpha.abs());
            found.torque = found.torque.max(torque.abs());
            found.power = found.power.max(torque * at.omega);
        }
        let cruise = load.required_torque(found.speed, 0.0, direction);
        found.cruise_torque = cruise.abs();
        found
    };
    motions.iter().map(one).collect()
}

/// Angle (rad) of the load's shaft in a microstep of the rig as it is written.
pub(super) fn load_microstep(axis: &Axis) -> f64 {
    axis.microstep_angle() / axis.load.gearing.ratio()
}
