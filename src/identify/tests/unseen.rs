//! A motor that the program knows only by its bench: what the program then says of it holds
//! for the true motor. Bench, pull-out torque and the edge of the unstable band are those of
//! `tests/reference/unseen_motor.py`, from the machine's equations with numpy and scipy.

use std::io;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use serde_json::Value;

use crate::Job;
use crate::diagnostic::Source;
use crate::identify::{Estimate, Notes, profile};
use crate::physics::stability::bands;
use crate::physics::{BandKind, PullOut};
use crate::rig::{Axis, NoFiles, Rig};
use crate::study::DrawnRig;

fn reference() -> Value {
    serde_json::from_str(include_str!("../../../tests/reference/unseen_motor.json")).unwrap()
}

/// The motor's profile, as its bench has it.
fn identified(reference: &Value) -> String {
    let mut files = |path: &str, _: &Path| -> io::Result<Arc<Source>> {
        let text = reference["files"][path].as_str();
        let text = text.ok_or_else(|| io::Error::from(io::ErrorKind::NotFound))?;
        Ok(Source::new(path, text))
    };
    let source = Source::new("notes.yaml", reference["notes"].as_str().unwrap());
    let notes = Notes::parse(&source, &mut files).unwrap_or_else(|problems| panic!("{problems}"));
    let estimate = Estimate::of(notes.teeth.unwrap(), &notes.observations);
    profile::write(&notes, &estimate, &estimate.values())
}

/// The true motor's profile.
fn truth(reference: &Value) -> String {
    let motor = &reference["motor"];
    let of = |key: &str| motor[key].as_f64().unwrap();
    format!(
        "rotor_teeth: {}\nphase_resistance: {} ohm\nphase_inductance: {} H\nrated_current: {} A\n\
         holding_torque: {} N.m\nrotor_inertia: {} kg.m^2\ndetent_torque: {} N.m\n\
         viscous_damping: {} N.m.s/rad\nfriction_torque: {} N.m\n",
        reference["teeth"],
        of("resistance"),
        of("inductance"),
        of("rated_current"),
        2f64.sqrt() * of("torque_constant") * of("rated_current"),
        of("rotor_inertia"),
        of("detent_torque"),
        of("damping"),
        of("friction"),
    )
}

/// A rig with that motor on the drive of the reference.
fn rig(reference: &Value, motor: &str) -> String {
    let motor: String = motor
        .lines()
        .map(|line| format!("      {line}\n"))
        .collect();
    format!(
        "axes:
  wheel:
    motor:
{motor}
    drive: {{ kind: fixed-voltage, sequence: two-phase, supply: {} V, ballast: {{ resistance: {} ohm }} }}
    load: {{ inertia: {} kg.m^2, friction: {} N.m }}
    limits: {{ settle: 1 deg }}
    tolerances: {{ temperature: 30 degC }}
timer: {{ clock: 16 MHz, prescaler: 8 }}
",
        reference["supply"],
        reference["ballast"],
        reference["load"]["inertia"],
        reference["load"]["friction"]
    )
}

fn parse(text: &str) -> Rig {
    let source = Source::new("rig.yaml", text);
    let rig = Rig::parse(&source, &mut NoFiles);
    rig.unwrap_or_else(|problems| panic!("{problems}\n{text}"))
        .rig
}

#[test]
fn the_pull_out_torque_of_an_unseen_motor_lies_in_its_band_at_eight_speeds() {
    let reference = reference();
    let profile = identified(&reference);
    let pull_out = PullOut::of(&parse(&rig(&reference, &profile)).axes[0]);
    let points = reference["pull_out"].as_array().unwrap();
    assert_eq!(points.len(), 8);
    for point in points {
        let of = |key: &str| point[key].as_f64().unwrap();
        let found = pull_out.sample(of("step_rate_hz"));
        let torque = of("torque_nm");
        println!(
            "{} {} {torque} {}",
            found.step_rate_hz, found.low, found.high
        );
        assert!(
            found.low < torque && torque < found.high,
            "{found:?}, true {torque}\n{profile}"
        );
        // The band is one of measurements, not one that holds whatever the motor.
        assert!(found.high - found.low < 0.35 * found.torque, "{found:?}");
    }
}

/// Where the lowest unstable band of an axis begins (full steps/s).
fn unstable_from(axis: &Axis) -> f64 {
    let bands = bands(axis).into_iter();
    let unstable = bands.filter(|band| band.kind == BandKind::Unstable);
    unstable
        .map(|band| band.from_step_rate_hz)
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn the_unstable_band_of_an_unseen_motor_begins_within_its_range() {
    let reference = reference();
    let rig = parse(&rig(&reference, &identified(&reference)));
    let edges: Vec<f64> = (0..40)
        .map(|draw| unstable_from(&DrawnRig::of(&rig, 1, draw).rig.axes[0]))
        .collect();
    let low = edges.iter().copied().fold(f64::INFINITY, f64::min);
    let high = edges.iter().copied().fold(0.0, f64::max);
    let edge = reference["unstable_from_step_rate_hz"].as_f64().unwrap();
    println!("{low} {edge} {high}");
    assert!(low < edge && edge < high, "{low} {edge} {high}");
    assert!(high < 1.5 * low, "{low} {high}");
    // What a check keeps out of begins no later: it takes the least damping.
    assert!(unstable_from(&rig.axes[0]) < 1.05 * edge);
}

#[test]
fn the_fastest_program_of_an_unseen_motor_holds_in_the_true_one() {
    let reference = reference();
    let script = "speed 400 deg/s\naccel 4000 deg/s^2\nturn by 180 deg\ndwell 200 ms\nturn by -90 deg\ndwell 200 ms\n";
    let known = rig(&reference, &identified(&reference));
    let job = Job::from_texts(script, &known).unwrap();
    let fastest = job
        .fastest(Some("wheel"), &mut |_| ControlFlow::Continue(()))
        .unwrap();
    assert!(fastest.ok(), "{fastest:?}");
    let found = &fastest.moves[0];
    let (_, best) = found.best.as_ref().expect("something is faster");
    if let Ok(today) = &found.today {
        assert!(best.settled < today.settled, "{found:?}");
    }
    // The ticks are those of the rig as it is known; the rotor is the true one.
    let planned = Job::from_texts(&fastest.text, &known).unwrap();
    assert!(planned.check().summary().unwrap().ok);
    let played = planned
        .play_in(&parse(&rig(&reference, &truth(&reference))))
        .unwrap();
    assert!(
        played.ok && played.lost_steps == 0,
        "{played:?}\n{}",
        fastest.text
    );
    assert_eq!(played.moves.len(), 2, "{}", fastest.text);
}
