//! What `identify` makes of benches, and the profiles that its scaling rule writes.

mod benches;
mod likely;
mod motor_profiles;
mod rests;
mod unseen;
