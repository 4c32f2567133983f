//! A program whose slow-down asks for more than the motor has is not streamed.

use crate::check::Finding;
use crate::simulate::Options;
use crate::stream::slow_down::EXCESS;
use crate::{Job, Unstreamable};

const BAUD: u32 = 115_200;
/// Speeds (deg/s) and decelerations (deg/s²) on both sides of what the motor can.
const SPEEDS: [f64; 4] = [3000.0, 5000.0, 6500.0, 8000.0];
const DECELS: [f64; 6] = [4e3, 8e3, 16e3, 20e3, 25e3, 30e3];
/// Of the motion's own deceleration, that with which it speeds up: gentle, so that it is the
/// deceleration that matters.
const ACCEL: f64 = 2000.0;

fn job(moves: &str) -> Job {
    let rig = "axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.05 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8 }
    load: { inertia: 4000 g.cm^2, friction: 10 mN.m }
    limits: { torque_margin: 0 % }
timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
";
    Job::from_texts(&format!("bands allow\n{moves}turn by 40 turn\n"), rig)
        .unwrap()
        .without_simulation()
}

/// With that deceleration at half of the top speed, and next to none at the top.
fn s_curve(speed: f64, decel: f64) -> Job {
    let jerk = 1.2 * decel * decel / speed;
    job(&format!(
        "shape s-curve\njerk {jerk} deg/s^3\nspeed {speed} deg/s\naccel {ACCEL} deg/s^2\ndecel {decel} deg/s^2\n"
    ))
}

/// With that deceleration from the top speed on.
fn trapezoid(speed: f64, decel: f64) -> Job {
    job(&format!(
        "shape trapezoid\nspeed {speed} deg/s\naccel {ACCEL} deg/s^2\ndecel {decel} deg/s^2\n"
    ))
}

fn found(job: &Job, code: &str) -> Option<Finding> {
    let all: Vec<_> = job.check().map(Result::unwrap).collect();
    let mut findings = all.iter().flat_map(|one| one.findings());
    findings.find(|finding| finding.code == code).cloned()
}

#[test]
fn a_slow_down_asks_what_a_plan_of_that_deceleration_asks_at_its_top_speed() {
    let [(_, excess), ..] = EXCESS;
    let (mut hard, mut held) = (0, 0);
    for speed in SPEEDS {
        for decel in DECELS {
            let curved = s_curve(speed, decel);
            if found(&curved, "torque-margin").is_some() {
                continue;
            }
            let too_hard = found(&curved, "slow-down-torque");
            let straight = trapezoid(speed, (1.0 + excess) * decel);
            let fails = found(&straight, "torque-margin").is_some();
            assert_eq!(too_hard.is_some(), fails, "{speed} {decel}: {too_hard:?}");
            *(if fails { &mut hard } else { &mut held }) += 1;
        }
    }
    assert!(hard >= 3 && held >= 3, "{hard} too hard, {held} held");
}

#[test]
fn a_program_whose_slow_down_loses_steps_is_refused_a_line_and_its_cure_is_not() {
    let (speed, decel) = (8000.0, 28e3);
    let curved = s_curve(speed, decel);
    let lost = |job: &Job| job.simulate(&Options::default()).unwrap().lost_steps;
    assert_eq!(lost(&curved), 0);
    assert!(lost(&trapezoid(speed, decel)) > 0);

    let finding = found(&curved, "slow-down-torque").unwrap();
    let summary = curved.check().summary().unwrap();
    assert!(summary.ok, "{summary:?}");
    let Err(Unstreamable::SlowDown(why)) = curved.stream(BAUD) else {
        panic!("it is streamed");
    };
    assert_eq!((why.line, &why.reason), (Some(7), &finding.message));
    assert!(curved.project(Default::default()).is_ok());

    let cured = finding.cures.iter().find_map(|cure| {
        let (_, to) = cure.strip_prefix("decel ")?.split_once(" → ")?;
        to.strip_suffix(" deg/s^2")?.parse::<f64>().ok()
    });
    let cured = s_curve(speed, cured.unwrap());
    assert_eq!(found(&cured, "slow-down-torque"), None);
    assert!(cured.stream(BAUD).is_ok());
}
