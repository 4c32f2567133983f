//! A phase on a sine of voltage: the formula of [`torque`](super) for a fixed voltage.

use crate::physics::machine::Machine;

/// A phase on a sinusoidal voltage of constant amplitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FixedVoltage {
    pub(super) teeth: f64,
    pub(super) resistance: f64,
    pub(super) inductance: f64,
    pub(super) torque_constant: f64,
    /// Fundamental amplitude V1.
    pub(super) voltage: f64,
}

impl FixedVoltage {
    /// The phases of `machine` on all that its supply gives.
    pub(super) fn of(machine: &Machine) -> Self {
        Self {
            teeth: machine.rotor_teeth,
            resistance: machine.resistance,
            inductance: machine.inductance,
            torque_constant: machine.torque_constant,
            voltage: machine.feed.fundamental_voltage(),
        }
    }

    /// Tpo = K V1/Z − K² ω R/Z², never below zero.
    pub(super) fn pull_out(&self, omega: f64) -> f64 {
        let reactance = self.teeth * omega * self.inductance;
        let z2 = self.resistance * self.resistance + reactance * reactance;
        let k = self.torque_constant;
        (k * self.voltage / z2.sqrt() - k * k * omega * self.resistance / z2).max(0.0)
    }
}
