//! The state that the equations of a machine move on.

/// The state of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct State {
    /// Current of phase A (A).
    pub current_a: f64,
    /// Current of phase B (A).
    pub current_b: f64,
    /// Angle of the motor's shaft (rad); in a [`Simulator`](super::Simulator) without the whole electrical
    /// cycles that it keeps apart, see [`Simulator::angle`](super::Simulator::angle).
    pub angle: f64,
    /// Speed of the motor's shaft (rad/s).
    pub speed: f64,
}
