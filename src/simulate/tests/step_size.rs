//! Nothing that the simulator says depends on its internal step: halved, the verdict of
//! every case stays, and the peak lag where the motor keeps in step changes by less than
//! one per cent. (From the first loss of synchronism on the motion is chaotic, and how many
//! steps are lost, and in which of the later moves, is a matter of the last digits; that
//! some are is not.)
//!
//! The cases are every example script, whole moves of the medium motor, and the held speeds and
//! start-stop rates of the other tests.

use crate::testing::model;
use crate::testing::motion;
use std::path::Path;

use crate::files::{FilesOnDisk, beside, read_source};
use crate::physics::machine::tests::hold_speed_in_steps;
use crate::physics::start_stop::starts_in_steps;
use crate::physics::{Feed, Machine};
use crate::plan::{Item, program};
use crate::rig::{DriveKind, Rig, Sequence};
use crate::script::Script;
use crate::simulate::{MoveOutcome, Options, Outcome, Settler};
use crate::testing::model::{entries, limits, number, scipy};
use crate::testing::motion::{axis_motion, play, rig, simulate, timer, trapezoid};
use crate::units::{Inertia, Torque, Voltage};

/// The outcome in steps `finer` times as short.
fn played(rig: &Rig, items: &[Item], finer: f64) -> Outcome {
    let options = Options {
        finer,
        ..Options::default()
    };
    simulate(rig, items.iter().cloned(), &options)
}

/// Holds a program in whole steps against half steps; gives the change of peak lag.
fn program_changes_by(name: &str, rig: &Rig, items: &[Item]) -> f64 {
    let (whole, half) = (played(rig, items, 1.0), played(rig, items, 2.0));
    assert_eq!(whole.ok, half.ok, "{name}");
    assert_eq!(whole.moves.len(), half.moves.len(), "{name}");
    // A rotor that slipped a cycle may slip back; it had lost synchronism all the same.
    let keeps = |of: &MoveOutcome| of.lost_steps == 0 && of.peak_lag_electrical_deg < 360.0;
    let mut largest = 0.0_f64;
    for (whole, half) in whole.moves.iter().zip(&half.moves) {
        assert_eq!(keeps(whole), keeps(half), "{name}: {whole:?}, {half:?}");
        if !keeps(whole) {
            break;
        }
        let change = half.peak_lag_electrical_deg / whole.peak_lag_electrical_deg - 1.0;
        assert!(change.abs() < 0.01, "{name}: {whole:?}, {half:?}");
        largest = largest.max(change.abs());
    }
    largest
}

#[test]
fn half_the_step_changes_no_example() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let scripts = [root.join("examples"), root.join("src/cli/start")];
    let mut scripts: Vec<_> = scripts
        .iter()
        .flat_map(|folder| folder.read_dir().unwrap())
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "moves"))
        .collect();
    scripts.sort();
    assert!(scripts.len() >= 7, "{scripts:?}");
    for path in scripts {
        let source = read_source(&path).unwrap();
        let script = Script::parse(source.clone()).unwrap();
        let (rig, _) = script.rig().unwrap();
        let rig = read_source(&beside(source.name(), rig)).unwrap();
        let rig = Rig::parse(&rig, &mut FilesOnDisk).unwrap().rig;
        let settler = Settler::of(&rig);
        let items: Vec<Item> = program(&rig, &source, script.actions())
            .with_settling(&settler)
            .collect::<Result<_, _>>()
            .unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let change = program_changes_by(&name, &rig, &items);
        println!("{name}: peak lag within {:.1e}", change);
    }
}

#[test]
fn half_the_step_changes_no_whole_move_of_the_medium_motor() {
    for detent in [0.0, 0.017] {
        let mut rig = rig(1, timer(8e6, 8));
        let axis = &mut rig.axes[0];
        axis.drive.kind = DriveKind::FixedVoltage {
            sequence: Sequence::TwoPhase,
        };
        axis.drive.supply = Voltage::new(2.1 * 1.5);
        axis.load.inertia = Inertia::new(0.0);
        axis.motor.detent_torque = Some(Torque::new(detent));
        for cruise in [300.0_f64, 500.0, 600.0, 800.0, 1000.0] {
            let ramp = cruise / 500.0;
            let flat = ((1667.0 - cruise * ramp) / cruise).max(0.0);
            let phases = trapezoid(ramp, flat, ramp);
            let there = motion::motion(vec![axis_motion(0, 1667, 0.0, &phases)]);
            let name = format!("cruise {cruise}, detent {detent}");
            let change = program_changes_by(&name, &rig, &[play(&there)]);
            println!("{name}: peak lag within {change:.1e}");
        }
    }
}

#[test]
fn half_the_step_changes_no_held_speed() {
    let mut largest = 0.0_f64;
    let mut judge = |name: &str, machine: &Machine, rate: f64, load: f64| {
        let run = |finer: f64| {
            hold_speed_in_steps(machine, rate, load, 0.6, machine.internal_step() / finer)
        };
        let (whole, half) = (run(1.0), run(2.0));
        assert_eq!(whole.lost, half.lost, "{name}: {whole:?}, {half:?}");
        if !whole.lost {
            let change = (half.peak_lag_deg / whole.peak_lag_deg - 1.0).abs();
            assert!(change < 0.01, "{name}: {whole:?}, {half:?}");
            largest = largest.max(change);
        }
    };
    // The medium motor at rated voltage, 30 % of pull-out as load.
    let medium = model::machine("medium", "two-phase");
    for rate in [300.0, 500.0, 600.0, 800.0, 1000.0, 1500.0] {
        let omega = medium.speed_of(rate);
        let (k, r) = (medium.torque_constant, medium.resistance);
        let z = r.hypot(omega * 50.0 * medium.inductance);
        let v = 4.0 / std::f64::consts::PI * 2.1 * 1.5;
        let load = 0.3 * (k * v / z - k * k * omega * r / (z * z));
        judge(&format!("medium motor at {rate}"), &medium, rate, load);
    }
    for case in entries(&scipy(), "growth") {
        let mut machine = Machine {
            viscous: number(&case["viscous"]),
            detent_torque: 0.0,
            ..model::machine(case["motor"].as_str().unwrap(), "two-phase")
        };
        if let Feed::FixedVoltage { supply, .. } = &mut machine.feed {
            *supply *= number(&case["voltage_factor"]);
        }
        let rate = number(&case["step_rate_hz"]);
        judge(&case.to_string(), &machine, rate, number(&case["load_nm"]));
    }
    println!("peak lag within {largest:.1e}");
}

#[test]
fn half_the_step_changes_no_start_stop_verdict() {
    let limits = limits();
    for case in entries(&limits, "start_stop") {
        let machine = model::of_start_stop(&limits, &case);
        let step = machine.internal_step();
        let top = number(&case["top_hz"]);
        for share in [0.5, 0.9, 0.985, 1.015] {
            let starts = |step: f64| starts_in_steps(&machine, share * top, step);
            assert_eq!(starts(step), starts(0.5 * step), "{case}, {share}");
        }
    }
}
