//! The machine linearised about a steady speed, in rotor coordinates.
//!
//! **Fixed voltage** of fundamental amplitude V1. States id, iq, ω and δ, the angle of the
//! applied voltage from the rotor's d axis:
//!
//! ```text
//! d/dt [id iq ω δ] = [ −R/L   ωe    N iq          −(V1/L) sin δ ]
//!                    [ −ωe   −R/L  −N id − K/L     (V1/L) cos δ ] · [id iq ω δ]
//!                    [  0     K/J   −B/J            0           ]
//!                    [  0     0     −N              0           ]
//! ```
//!
//! with iq = T/K from the torque needed and id the larger root of
//! Z² id² + 2 ωe L K ω id + Z² iq² + 2 R K ω iq + (K ω)² = V1²  (symbols:
//! [`torque`](super::torque)). The larger root is the branch on which torque rises with
//! the load angle. There is none where the torque is more than the pull-out torque.
//!
//! **Regulated current.** The currents are imposed in the stator's frame; ω and the lag
//! remain, with the stiffness N √((K I)² − T²) and the viscous damping.
//!
//! A speed is unstable where an eigenvalue has a positive real part. Source: linear
//! stability of the equations of [`machine`](super::machine), derived here.

use nalgebra::Matrix4;

use super::eigenvalues::eigenvalues;
use super::feed::Feed;
use super::machine::Machine;

/// The slowest-decaying swing of the rotor about its steady motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Swing {
    /// Undamped natural frequency |s| (rad/s).
    pub omega: f64,
    /// Damping ratio −Re s/|s|; negative where swings grow.
    pub zeta: f64,
}

impl Swing {
    /// Growth rate of the swing, Re s (1/s).
    pub(crate) fn growth(self) -> f64 {
        -self.zeta * self.omega
    }
}

/// The swing of `machine` at the speed `omega` (rad/s) while it makes the torque
/// `torque` (N·m), its currents regulated or its supply fixed; none where it cannot make
/// so much.
pub(crate) fn swing(machine: &Machine, omega: f64, torque: f64) -> Option<Swing> {
    match machine.feed {
        Feed::FixedVoltage { .. } => {
            voltage_swing(machine, machine.feed.fundamental_voltage(), omega, torque)
        }
        Feed::Regulated { peak_current, .. } => {
            let left = machine.feed.gain(machine.electrical(omega));
            current_swing(machine, peak_current * left, torque)
        }
    }
}

/// The swing with currents of amplitude `current` (A) imposed in the stator's frame.
pub(crate) fn current_swing(machine: &Machine, current: f64, torque: f64) -> Option<Swing> {
    let peak = machine.torque_constant * current;
    let restoring = peak * peak - torque * torque;
    if restoring <= 0.0 {
        return None;
    }
    let stiffness = machine.rotor_teeth * restoring.sqrt();
    let omega = (stiffness / machine.inertia).sqrt();
    Some(Swing {
        omega,
        zeta: machine.viscous / (2.0 * machine.inertia * omega),
    })
}

/// The swing on a voltage of fundamental amplitude `voltage` (V).
pub(crate) fn voltage_swing(
    machine: &Machine,
    voltage: f64,
    omega: f64,
    torque: f64,
) -> Option<Swing> {
    let steady = SteadyState::at(machine, voltage, omega, torque)?;
    let swing = eigenvalues(steady.matrix(machine))?
        .iter()
        .map(|s| Swing {
            omega: s.norm(),
            zeta: -s.re / s.norm(),
        })
        .max_by(|a, b| a.growth().total_cmp(&b.growth()))?;
    swing.omega.is_finite().then_some(swing)
}

/// Steady motion on a voltage of constant amplitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SteadyState {
    /// Current along the rotor's d axis (A).
    pub direct: f64,
    /// Current along the q axis, which makes the torque (A).
    pub quadrature: f64,
    /// Speed (rad/s).
    pub omega: f64,
    voltage: f64,
}

impl SteadyState {
    /// The steady state at `omega` (rad/s) with the torque `torque` (N·m) on a voltage
    /// of fundamental amplitude `voltage` (V); none above the pull-out torque.
    pub(crate) fn at(machine: &Machine, voltage: f64, omega: f64, torque: f64) -> Option<Self> {
        let (r, k) = (machine.resistance, machine.torque_constant);
        let reactance = machine.rotor_teeth * omega * machine.inductance;
        let z2 = r * r + reactance * reactance;
        let emf = k * omega;
        let quadrature = torque / k;
        let half_b = reactance * emf / z2;
        let rest = (quadrature * quadrature)
            + (2.0 * r * emf * quadrature + emf * emf - voltage * voltage) / z2;
        let under_root = half_b * half_b - rest;
        (under_root >= 0.0).then(|| Self {
            direct: under_root.sqrt() - half_b,
            quadrature,
            omega,
            voltage,
        })
    }

    /// Amplitude of the phase current (A).
    pub(crate) fn current(&self) -> f64 {
        self.direct.hypot(self.quadrature)
    }

    fn matrix(&self, machine: &Machine) -> Matrix4<f64> {
        let (r, l, k, n, j) = (
            machine.resistance,
            machine.inductance,
            machine.torque_constant,
            machine.rotor_teeth,
            machine.inertia,
        );
        let omega_e = n * self.omega;
        let v_d = r * self.direct - omega_e * l * self.quadrature;
        let v_q = r * self.quadrature + omega_e * l * self.direct + k * self.omega;
        // The fourth state is scaled by ωn so that all entries are of a size.
        let scale = (n * k * self.voltage / r / j).sqrt();
        #[rustfmt::skip]
        let matrix = Matrix4::new(
            -r / l,   omega_e,  n * self.quadrature,          -v_q / l / scale,
            -omega_e, -r / l,   -n * self.direct - k / l,     v_d / l / scale,
            0.0,      k / j,    -machine.viscous / j,         0.0,
            0.0,      0.0,      -n * scale,                   0.0,
        );
        matrix
    }
}
