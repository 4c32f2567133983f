//! What the slow-down of a board whose line has died asks of the motor: a program for which that is
//! too much is not streamed.

use crate::check::Finding;
use crate::player::PlayerOptions;
use crate::simulate::Options;
use crate::stream::slow_down::EXCESS;
use crate::{Job, Unstreamable};

const BAUD: u32 = 115_200;
/// Speeds (deg/s), and the least deceleration (deg/s²) of those tried with them.
const SPEEDS: [(f64, f64); 3] = [(6500.0, 20e3), (9000.0, 12e3), (12e3, 9e3)];
/// How many decelerations, each so much harder than the one before.
const DECELS: i32 = 30;
const HARDER: f64 = 1.03;
/// The deceleration with which all speed up: gentle, so that it is the other that matters.
const ACCEL: f64 = 2000.0;
/// The highest over the mean deceleration of the S-curves.
const PEAK: f64 = 1.0 + 5.0 / 6.0;

fn job(moves: &str) -> Job {
    let rig = "axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.05 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 4 }
    load: { inertia: 4000 g.cm^2, friction: 10 mN.m }
    limits: { torque_margin: 0 % }
timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
";
    Job::from_texts(&format!("bands allow\n{moves}turn by 400 turn\n"), rig)
        .unwrap()
        .without_simulation()
}

/// With that deceleration at half of the top speed, none at the top, and 1/[`PEAK`] of it in the
/// mean: it rises and falls for 5/6 each of the time that a trapezoid takes.
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

fn fails(job: &Job) -> bool {
    found(job, "torque-margin").is_some()
}

fn decels(least: f64) -> impl Iterator<Item = f64> {
    (0..DECELS).map(move |number| least * HARDER.powi(number))
}

#[test]
fn a_slow_down_asks_what_plans_of_its_deceleration_ask() {
    let [(_, excess), ..] = EXCESS;
    let (mut hard, mut held) = ([0; 2], [0; 2]);
    for (speed, least) in SPEEDS {
        for decel in decels(least) {
            let harder = (1.0 + excess) * decel;
            let straight = (trapezoid(speed, decel), fails(&trapezoid(speed, harder)));
            // Its mean at any speed, and its own at each.
            let likewise = [trapezoid(speed, harder / PEAK), s_curve(speed, harder)];
            let curved = (s_curve(speed, decel), likewise.iter().any(fails));
            for (shape, (plan, is_hard)) in [straight, curved].into_iter().enumerate() {
                if !fails(&plan) {
                    let finding = found(&plan, "slow-down-torque");
                    assert_eq!(finding.is_some(), is_hard, "{speed} {decel}: {finding:?}");
                    let count = if is_hard { &mut hard } else { &mut held };
                    count[shape] += 1;
                }
            }
        }
    }
    println!("too hard {hard:?}, held {held:?}");
    assert!(
        hard.into_iter().chain(held).all(|count| count >= 3),
        "{hard:?}, {held:?}"
    );
}

#[test]
fn the_slow_down_of_an_s_curve_keeps_what_one_of_its_highest_deceleration_loses() {
    let (speed, decel) = (8000.0, 28e3);
    let lost = |job: &Job| job.simulate(&Options::default()).unwrap().lost_steps;
    let curved = s_curve(speed, decel);
    assert_eq!(lost(&curved), 0);
    assert!(lost(&trapezoid(speed, decel)) > 0);
    assert_eq!(lost(&trapezoid(speed, decel / PEAK)), 0);
}

#[test]
fn a_program_whose_slow_down_is_too_hard_is_refused_a_line_and_its_cure_is_not() {
    let (speed, least) = SPEEDS[0];
    let mut plans = decels(least).map(|decel| trapezoid(speed, decel));
    let (job, finding) = plans
        .find_map(|job| found(&job, "slow-down-torque").map(|finding| (job, finding)))
        .unwrap();
    let summary = job.check().summary().unwrap();
    assert!(summary.ok, "{summary:?}");
    let Err(Unstreamable::SlowDown(why)) = job.stream(BAUD) else {
        panic!("it is streamed");
    };
    assert_eq!((why.line, &why.reason), (Some(6), &finding.message));
    assert!(job.project(PlayerOptions::default()).is_ok());

    let cured = finding.cures.iter().find_map(|cure| {
        let (_, to) = cure.strip_prefix("decel ")?.split_once(" → ")?;
        to.strip_suffix(" deg/s^2")?.parse::<f64>().ok()
    });
    let cured = trapezoid(speed, cured.unwrap());
    assert_eq!(found(&cured, "slow-down-torque"), None);
    assert!(cured.stream(BAUD).is_ok());
}
