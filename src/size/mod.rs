//! Which motor, gearing, current and supply a program needs.
//!
//! With J_L the inertia of the load, α_L its acceleration, T_F all other torque at its shaft, J
//! the rotor's inertia and G motor turns a load turn:
//!
//! ```text
//! T_L = J_L α_L + T_F                    asked for at the load
//! T   = G J α_L + T_L / (G η)            asked for at the motor, whose speed is G ω_L
//! G*  = √(J_L / J)                       where T is least while T_F is small and η is 1
//! ```
//!
//! (textbook practice: dT/dG = J α_L − J_L α_L/G² = 0; the reflected inertia is then the
//! rotor's). More gearing asks for more speed, at which a motor has less torque, so the ratio
//! is not taken from G* but tried: 1. `demand`: torque and speed at the load. 2. `choice`: for
//! each motor the gearing, current and supply with which its low edge, less the rig's reserve,
//! lies above what is asked for.

mod choice;
mod demand;
#[cfg(test)]
mod tests;

pub(crate) use choice::choose;
pub use choice::{SizedDrive, SizedMotor};
pub use demand::LoadDemand;
pub(crate) use demand::{LoadMotion, demand};
