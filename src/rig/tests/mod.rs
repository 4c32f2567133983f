//! Rigs as they are read, and what is said of wrong ones.

mod rig_reading;
