//! A phase on a sine of voltage: the formula of [`torque`](super) for a fixed voltage.

use crate::physics::machine::Machine;

/// A phase on a sinusoidal voltage of constant amplitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FixedVoltage {
    pub(crate) teeth: f64,
    pub(crate) resistance: f64,
    pub(crate) inductance: f64,
    pub(crate) torque_constant: f64,
    /// Fundamental amplitude V1.
    pub(crate) voltage: f64,
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
        self.greatest(None, omega).max(0.0)
    }

    /// The greatest torque with a current of amplitude `current` (A) at most, never below zero.
    pub(super) fn pull_out_within(&self, current: f64, omega: f64) -> f64 {
        self.greatest(Some(current), omega).max(0.0)
    }

    /// The greatest torque with a current of amplitude `current` (A) at most, if anything limits
    /// it; below zero where the back-EMF is more than the voltage. On the circle
    /// |i| = I with the angle a before the q axis the voltage is
    /// v² = Z² I² + (K ω)² + 2 K ω I Z cos(a + atan(X/R)); it must be V or less.
    pub(crate) fn greatest(&self, current: Option<f64>, omega: f64) -> f64 {
        let k = self.torque_constant;
        let reactance = self.teeth * omega * self.inductance;
        let emf = k * omega;
        let Some(current) = current else {
            let z2 = self.resistance * self.resistance + reactance * reactance;
            return k * self.voltage / z2.sqrt() - k * k * omega * self.resistance / z2;
        };
        let z = self.resistance.hypot(reactance);
        // The point of most torque on |v| = V: its voltage leads the impedance's drop.
        let quadrature = self.voltage / z - emf * self.resistance / (z * z);
        let direct = -emf * reactance / (z * z);
        if quadrature.hypot(direct) <= current {
            return k * quadrature;
        }
        let phase = reactance.atan2(self.resistance);
        let spare = self.voltage * self.voltage - (z * current).powi(2) - emf * emf;
        let cosine = spare / (2.0 * emf * current * z);
        if emf == 0.0 || cosine >= phase.cos() {
            return k * current;
        }
        if cosine < -1.0 {
            return 0.0;
        }
        k * current * (cosine.acos() - phase).cos()
    }
}
