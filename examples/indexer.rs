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

use slewsmith::check::{AxisAbility, Checker};
use slewsmith::diagnostic::Source;
use slewsmith::emit::firmware::Options;
use slewsmith::emit::{CHeader, Format, Heading, Project};
use slewsmith::physics::{Band, Effort};
use slewsmith::plan::{Item, program};
use slewsmith::rig::{NoFiles, Rig};
use slewsmith::script::Script;

/// The bench: a table on a belt, on a 24 V chopper and a board at 16 MHz.
const RIG: &str = "
axes:
  table:
    motor: { rotor_teeth: 50, phase_resistance: 1.6 ohm, phase_inductance: 3 mH, rated_current: 1.5 A,
             holding_torque: 0.4 N.m, rotor_inertia: 54 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
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

/// Plans the turn and goes through its moves; gives back what is to be scheduled.
///
/// # Errors
/// What is wrong with the rig or the script, or why a move must not run.
pub fn plan(stops: u32, rig: &Rig) -> Result<Vec<Item>, Box<dyn Error>> {
    let script = Script::parse(Source::new("index.moves", script(stops)))?;
    let abilities: Vec<AxisAbility> = rig
        .axes
        .iter()
        .map(|axis| AxisAbility::of(axis, Effort::Quick))
        .collect();
    let bands = abilities
        .iter()
        .map(|ability| ability.bands.iter().map(Band::with_clearance).collect());
    let mut checker = Checker::new(rig, &abilities);
    let mut items = Vec::new();
    for item in program(rig, script.source(), script.actions()).with_bands(bands.collect()) {
        let item = item?;
        if let Some(checked) = checker.check(&item) {
            for finding in checked.check.axes.iter().flat_map(|axis| &axis.findings) {
                eprintln!("line {}: {}", checked.planned.line, finding.message);
            }
        }
        items.push(item);
    }
    match &checker.summary().first_failure {
        Some((line, reason)) => Err(format!("line {line}: {reason}").into()),
        None => Ok(items),
    }
}

/// Writes the schedule: a project into `folder`, or else a C header to `out`.
///
/// # Errors
/// As [`plan`], and what cannot be written.
pub fn run(stops: u32, folder: Option<&Path>, out: &mut dyn Write) -> Result<(), Box<dyn Error>> {
    let rig = Rig::parse(&Source::new("bench.yaml", RIG), &mut NoFiles)?.rig;
    let mut items = plan(stops, &rig)?.into_iter();
    let heading = Heading {
        program: "index",
        rig: &rig,
        failure: None,
    };
    let Some(folder) = folder else {
        return Ok(CHeader.write(&heading, &mut items, out)?);
    };
    let project = Project::of(&heading, Options::default(), &mut items)?;
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
