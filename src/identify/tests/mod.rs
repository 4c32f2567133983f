//! What `identify` makes of benches, and the profiles that its scaling rule writes.

mod benches;
mod leads;
mod likely;
mod motor_profiles;
mod power_up;
mod rests;
mod unseen;
