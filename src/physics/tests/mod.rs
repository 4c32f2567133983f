//! The motor model, held against values from outside.

mod against_scipy;
mod hit_and_miss;
mod motor_invariants;
mod motor_model;
mod motor_physics;
