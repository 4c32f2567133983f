//! The motor model, held against values from outside.

mod against_scipy;
mod behind_filters;
mod hit_and_miss;
mod measured_curves;
mod motor_invariants;
mod motor_model;
mod motor_physics;
