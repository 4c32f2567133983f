//! slewsmith plans exact indexed turns of stepping motors and schedules them down to
//! the timer tick.
//!
//! Data flows one way:
//!
//! 1. [`script`]: a text of moves becomes actions; [`rig`]: YAML becomes a checked rig.
//! 2. [`physics`]: what the rig can do: torque, bad speeds, heat.
//! 3. [`plan`]: actions become motion, segments of constant jerk.
//! 4. [`check`]: motion against the rig: a verdict with reasons and cures.
//! 5. [`schedule`]: motion becomes ticks.
//! 6. [`emit`]: ticks become files; [`stream`]: ticks go to a board over a serial line;
//!    [`simulate`]: ticks turn a rotor.
//! 7. [`draw`]: plots and the report. [`cli`]: the commands.
//!
//! [`units`] and [`diagnostic`] serve them all.
//!
//! # Example
//!
//! ```
//! use slewsmith::check::{AxisAbility, Checker};
//! use slewsmith::diagnostic::Source;
//! use slewsmith::physics::Effort;
//! use slewsmith::rig::{NoFiles, Rig};
//! use slewsmith::schedule::{Schedule, What};
//! use slewsmith::script::Script;
//!
//! let rig = Source::new("dial.yaml", "
//! axes:
//!   dial:
//!     motor: { rotor_teeth: 50, phase_resistance: 1.6 ohm, phase_inductance: 3.2 mH, rated_current: 1.5 A,
//!              holding_torque: 0.42 N.m, rotor_inertia: 57 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
//!     drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
//!     load: { inertia: 50 g.cm^2, friction: 10 mN.m }
//! timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
//! ");
//! let rig = Rig::parse(&rig, &mut NoFiles)?.rig;
//! let script = Script::parse(Source::new("dial.moves", "
//! speed 180 deg/s
//! accel 900 deg/s^2
//! repeat 7 { turn by 360/7 deg }
//! "))?;
//!
//! let abilities: Vec<AxisAbility> =
//!     rig.axes.iter().map(|axis| AxisAbility::of(axis, Effort::Quick)).collect();
//! let mut checker = Checker::new(&rig, &abilities);
//! let mut items = Vec::new();
//! for item in slewsmith::plan::program(&rig, script.source(), script.actions()) {
//!     let item = item?;
//!     checker.check(&item);
//!     items.push(item);
//! }
//! assert!(checker.summary().ok);
//!
//! let steps = Schedule::new(items, &rig).filter(|event| matches!(event.what, What::Step { .. })).count();
//! assert_eq!(steps, 200 * 16, "seven sevenths of a turn are a turn");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod check;
pub mod cli;
pub mod diagnostic;
pub mod draw;
pub mod emit;
mod exact;
pub mod identify;
pub mod physics;
pub mod plan;
pub mod rig;
pub mod schedule;
pub mod script;
pub mod simulate;
pub mod stream;
pub mod units;
