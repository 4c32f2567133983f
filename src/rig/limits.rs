//! Limits: what the builder wants kept, at the load.

/// Limits of one axis, in SI units of the load's travel (rad, or m where the axis
/// is linear).
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Highest speed (rad/s or m/s), where there is one.
    pub speed: Option<f64>,
    /// Highest acceleration (rad/s² or m/s²), where there is one.
    pub acceleration: Option<f64>,
    /// Highest jerk (rad/s³ or m/s³), where there is one.
    pub jerk: Option<f64>,
    /// Share of the pull-out torque kept in reserve, from 0 to below 1 (0.3 where
    /// it is not given).
    pub torque_margin: f64,
    /// How close to the target counts as settled (rad or m); half a full step
    /// where it is not given.
    pub settle: f64,
}
