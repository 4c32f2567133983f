//! How the travel of a load is shown.

use super::Axis;

/// The unit of the load's travel and how many of it a radian (or metre) is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TravelUnit {
    /// `deg` or `mm`.
    pub name: &'static str,
    /// Units in one radian or metre.
    pub per_si: f64,
}

impl TravelUnit {
    /// Degrees for a rotary load, millimetres for a linear one.
    pub fn of(axis: &Axis) -> Self {
        match axis.load.linear {
            None => Self {
                name: "deg",
                per_si: 360.0 / std::f64::consts::TAU,
            },
            Some(_) => Self {
                name: "mm",
                per_si: 1e3,
            },
        }
    }
}
