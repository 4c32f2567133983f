//! The library from a program: plans an index table with as many stops as it is told,
//! checks every move, and writes the schedule as a C header or as a project for the
//! microcontroller.
//!
//! ```sh
//! cargo run --example indexer -- 7 > index.h
//! cargo run --example indexer -- 7 index-player
//! ```

use std::env;
use std::error::Error;
use std::fs;
use std::io::{self, Write};
use std::path::Path;

use slewsmith::Job;
use slewsmith::emit::CHeader;
use slewsmith::player::PlayerOptions;

/// The bench: a table on a belt, on a 24 V chopper and a board at 16 MHz.
const RIG: &str = "
axes:
  table:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.4 A, microsteps: 16 }
    load: { inertia: 1.2 kg.cm^2, friction: 15 mN.m, gearing: 2:1, efficiency: 0.92 }
    limits: { speed: 300 deg/s, torque_margin: 40 % }
timer: { clock: 16 MHz, prescaler: 8, bits: 16, step_pulse: 3 us, fastest_interval: 40 us }
outputs: { ready: {} }
";

/// A turn in so many stops, each one told by a short signal.
fn script(stops: u32) -> String {
    format!(
        "speed 120 deg/s
         accel 400 deg/s^2
         repeat {stops} {{
             turn by 360/{stops} deg
             dwell 300 ms
             output ready on
             dwell 50 ms
             output ready off
         }}"
    )
}

/// The turn on the bench; what the check finds about its moves is printed.
///
/// # Errors
/// What is wrong with the rig or the script.
pub(crate) fn job(stops: u32, rig: &str) -> Result<Job, Box<dyn Error>> {
    let job = Job::from_texts(&script(stops), rig)?;
    for checked in job.check() {
        let checked = checked?;
        for finding in checked.check.axes.iter().flat_map(|axis| &axis.findings) {
            eprintln!("line {}: {}", checked.planned.line, finding.message);
        }
    }
    Ok(job)
}

/// Writes the schedule: a project into `folder`, or else a C header to `out`.
///
/// # Errors
/// As [`job`], why a move must not run, and what cannot be written.
pub(crate) fn run(
    stops: u32,
    folder: Option<&Path>,
    out: &mut dyn Write,
) -> Result<(), Box<dyn Error>> {
    let job = job(stops, RIG)?;
    let Some(folder) = folder else {
        return Ok(job.write(&CHeader, out)?);
    };
    let project = job.project(PlayerOptions::default())?;
    fs::create_dir_all(folder)?;
    for file in &project.files {
        fs::write(folder.join(file.name), &file.text)?;
    }
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = env::args().skip(1);
    let stops = arguments.next().unwrap_or_else(|| "8".to_owned()).parse()?;
    let folder = arguments.next();
    run(
        stops,
        folder.as_deref().map(Path::new),
        &mut io::stdout().lock(),
    )
}
