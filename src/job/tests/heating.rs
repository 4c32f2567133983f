//! How warm the windings get over a program, which depends on how long its passes rest.

use crate::Job;

/// 3 A of amplitude: 3² · 2.1 = 18.9 W in motion, 0.3² of it with the hold current; the rated
/// current in both phases takes 2 · 1.5² · 2.1 = 9.45 W.
const RIG: &str = "axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2 }
    drive: { kind: chopper, supply: 24 V, peak_current: 3 A, microsteps: 8, hold_current: 30 %, hold_delay: 200 ms }
    load: { inertia: 65 g.cm^2 }
timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
";
/// A turn takes 360/360 s, and 360/3600 s more for its ramps.
const TURN: &str = "turn by 1 turn\n";

/// What is said of too much heat in the windings.
fn overload(body: &str) -> String {
    let script = format!("speed 360 deg/s\naccel 3600 deg/s^2\n{body}");
    let job = Job::from_texts(&script, RIG).unwrap().without_simulation();
    let findings = job.check().of_the_motion().unwrap().findings;
    let mut overloads = findings.iter().filter(|one| one.code == "winding-overload");
    let message = overloads.next().expect("too much heat").message.clone();
    assert!(overloads.next().is_none());
    message
}

#[test]
fn every_pass_counts_with_its_rest_until_the_hold_current() {
    // Full current for 1.1 s and the 0.2 s of the delay, of 1.5 s: 13/15.
    for body in [
        format!("repeat 50 {{\n{TURN}dwell 400 ms\n}}\n"),
        format!("repeat 7 {{\nrepeat 7 {{\n{TURN}dwell 400 ms\n}}\n}}\n"),
        format!("{TURN}dwell 400 ms\n").repeat(3),
        format!("repeat 50 {{\n{TURN}dwell 150 ms\ndwell 250 ms\n}}\n"),
    ] {
        let message = overload(&body);
        // 13/15 · 18.9 + 2/15 · 1.701.
        assert!(
            message.contains("average winding loss 16.61 W"),
            "{body}{message}"
        );
        assert!(
            message.contains("in motion for 87 % of it"),
            "{body}{message}"
        );
    }
    // Full current all the time, as the next turn begins before the delay is over.
    let busy = overload(&format!("repeat 50 {{\n{TURN}dwell 100 ms\n}}\n"));
    assert!(busy.contains("average winding loss 18.9 W"), "{busy}");
}
