//! Plans, held against arithmetic, each other and outside programs.

mod backlash;
mod best_trapezoid;
mod groups;
mod plan_properties;
mod program;
mod ramps;
mod random_scripts;
mod seeks;
