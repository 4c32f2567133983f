//! slewsmith plans exact indexed turns of stepping motors and schedules them down to
//! the timer tick.
//!
//! A [`Job`] is a script of moves with its rig. Open it, then ask it:
//!
//! | question | answer |
//! | --- | --- |
//! | [`check()`](Job::check) | each move with its verdict, reasons and cures; the whole program |
//! | [`moves()`](Job::moves), [`items()`](Job::items) | the planned motion: segments of constant jerk |
//! | [`events()`](Job::events) | steps, directions and outputs, each on its timer tick |
//! | [`simulate()`](Job::simulate) | what the rotor makes of these ticks |
//! | [`write()`](Job::write), [`project()`](Job::project) | the schedule as a file, or with firmware that plays it |
//! | [`motor()`](Job::motor) | pull-out torque, critical speeds, start-stop rate and heat of one axis |
//! | [`figure()`](Job::figure), [`report()`](Job::report) | plots, and all of it on one page |
//! | [`fastest()`](Job::fastest) | the settings with which each move settles soonest |
//! | [`size()`](Job::size) | motors, gearing, current and supply that do |
//! | [`study()`](Job::study), [`draws()`](Job::draws) | how sure the verdict is: rigs drawn at random |
//! | [`stream()`](Job::stream) | a board plays it while it comes over a serial line |
//!
//! The language of scripts is documented in [`script`].
//!
//! # Example
//!
//! A program that checks a turn in seven stops and hands its events to hardware of its own:
//!
//! ```
//! use slewsmith::Job;
//! use slewsmith::schedule::{Event, EventKind};
//!
//! fn drive_pins(event: &Event) {
//!     if let EventKind::Step { axis, direction } = event.what {
//!         println!("tick {}: axis {axis} steps {:+}", event.tick, direction.sign());
//!     }
//! }
//!
//! let script = "speed 180 deg/s\naccel 900 deg/s^2\nrepeat 7 { turn by 360/7 deg }\n";
//! let rig = "
//! axes:
//!   dial:
//!     motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
//!              holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
//!     drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
//!     load: { inertia: 50 g.cm^2, friction: 10 mN.m }
//! timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
//! ";
//! let job = Job::from_texts(script, rig)?;
//! if let Some(failure) = job.check().summary()?.first_failure {
//!     return Err(failure.to_string().into());
//! }
//! let (mut moves, mut steps) = (0, 0);
//! for planned in job.moves() {
//!     println!("a move takes {:.3} s", planned?.motion.duration);
//!     moves += 1;
//! }
//! for event in job.events() {
//!     let event = event?;
//!     drive_pins(&event);
//!     steps += u64::from(matches!(event.what, EventKind::Step { .. }));
//! }
//! assert_eq!((moves, steps), (7, 200 * 16), "seven sevenths of a turn are a turn");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#![forbid(unsafe_code)]
#![warn(missing_docs)]
// Notes for developers link to what is private: `cargo doc --document-private-items` shows it.
#![allow(rustdoc::private_intra_doc_links)]

pub mod check;
pub mod diagnostic;
pub mod draw;
pub mod emit;
mod exact;
mod files;
pub mod identify;
mod job;
pub mod physics;
pub mod plan;
pub mod player;
pub mod rig;
pub mod schedule;
pub mod script;
pub mod simulate;
pub mod size;
pub mod stream;
pub mod study;
#[cfg(test)]
mod testing;
pub mod units;

pub use files::{FilesOnDisk, read_text};
pub use job::fastest;
pub use job::{
    Checks, Error, Events, Headway, Items, Job, MotorSheet, PlotError, Settled, Sizing, Streaming,
    TextKind, TriedMotor, Unstreamable, open_source, read_rig,
};
