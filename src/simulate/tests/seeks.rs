//! Homing in the motor model: wherever the contact is, the axis ends at the same distance from it.

use std::ops::ControlFlow;

use crate::Job;
use crate::simulate::{Options, Outcome};

const RIG: &str = "axes:
  table:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, detent_torque: 17 mN.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 60 g.cm^2, friction: 6 mN.m }
    home: required
timer: { clock: 16 MHz, prescaler: 8, fastest_interval: 20 us }
inputs: { home: {} }
";

const SCRIPT: &str = "speed 120 deg/s\naccel 600 deg/s^2\nbands allow\n\
    seek by -70 deg until home at 45 deg/s\nturn by 4 deg\ndwell 200 ms\n\
    seek by -8 deg until home at 3 deg/s\nzero\nturn to 10 deg\n";

/// The program with the contact at a place (deg), from a start so many microsteps further on.
fn sought(contact: f64, ahead: u32) -> Outcome {
    let script = match ahead {
        0 => SCRIPT.to_owned(),
        ahead => SCRIPT.replacen(
            "seek",
            &format!("turn by {ahead} microstep\ndwell 200 ms\nseek"),
            1,
        ),
    };
    let job = Job::from_texts(&script, RIG).unwrap();
    let mut outcome = Outcome::default();
    let places = [Some(contact.to_radians())];
    job.simulate_seeking(&Options::default(), &places, &mut |event| {
        outcome.take_in(&event);
        ControlFlow::Continue(())
    })
    .unwrap();
    outcome
}

const MICROSTEP: f64 = 360.0 / 3200.0;

#[test]
fn homing_repeats_within_one_microstep_wherever_the_contact_is_and_from_wherever_it_begins() {
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    // The golden section spreads them over all phases of a microstep and of a full step.
    for k in 0..6 {
        let contact = -5.0 - 45.0 * (0.5 + f64::from(k) * (5.0_f64.sqrt() - 1.0) / 2.0).fract();
        let ends = [0, 37, 90].map(|ahead| {
            let outcome = sought(contact, ahead);
            let [fast, slow] = &outcome.seeks[..] else {
                panic!("{outcome:?}")
            };
            assert!(outcome.ok && fast.found && slow.found, "{outcome:?}");
            // The move behind the zero goes its whole way.
            let last = outcome.moves.last().unwrap();
            assert!((last.travel - 10.0).abs() < MICROSTEP && last.lost_steps == 0);
            slow.at
        });
        let first = ends.iter().copied().fold(f64::INFINITY, f64::min);
        let last = ends.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        assert!(last - first <= 1.001 * MICROSTEP, "{contact}: {ends:?}");
        (least, most) = (least.min(first - contact), most.max(last - contact));
    }
    println!("stops {least} … {most} deg from the contact");
    // The contact is passed by two looks, and by what the rotor lags, which differs with the
    // detent torque over a full step.
    assert!(most < 0.0 && least > -4.0 * MICROSTEP, "{least} {most}");
}

#[test]
fn a_contact_out_of_reach_ends_the_program_and_one_that_is_closed_takes_no_step() {
    let beyond = sought(-71.0, 0);
    assert_eq!(beyond.seeks.len(), 1);
    assert!(!beyond.seeks[0].found);
    assert_eq!(beyond.seeks[0].steps, 622);
    assert_eq!(beyond.moves.len(), 1);
    let closed = sought(1.0, 0);
    assert_eq!((closed.seeks[0].found, closed.seeks[0].steps), (true, 0));
    let at = closed.seeks[1].at;
    assert!(closed.seeks[1].found && (0.4..1.0).contains(&at), "{at}");
}
