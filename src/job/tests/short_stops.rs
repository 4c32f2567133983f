//! A dwell that ends before the load has come to rest.

use crate::Job;
use crate::check::Finding;

/// Full steps and little friction: every stop swings.
const RIG: &str = "axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.1 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 1 }
    load: { inertia: 40 g.cm^2, friction: 5 mN.m }
    limits: { settle: 0.05 deg }
timer: { clock: 8 MHz }
";

/// What is said of the first of two moves with something between them.
fn unsettled(between: &str) -> Option<Finding> {
    let script =
        format!("speed 60 deg/s\naccel 4000 deg/s^2\nturn by 90 deg\n{between}\nturn by 90 deg\n");
    let job = Job::from_texts(&script, RIG).unwrap();
    let first = job.check().next().unwrap().unwrap();
    let mut findings = first.findings();
    findings.find(|one| one.code == "not-settled").cloned()
}

#[test]
fn a_dwell_is_told_the_time_that_it_lacks() {
    let finding = unsettled("dwell 5 ms").expect("it swings");
    assert_eq!(finding.cures[1], "dwell until settled");
    assert_eq!(unsettled("dwell until settled"), None);
    let told = finding.cures[0].strip_prefix("a dwell of ").unwrap();
    let told = told.strip_suffix(" after it").unwrap();
    assert_eq!(unsettled(&format!("dwell {told}")), None);
    let (time, unit) = told.split_once(' ').unwrap();
    let half = 0.5 * time.parse::<f64>().unwrap();
    assert!(unsettled(&format!("dwell {half} {unit}")).is_some());
    // Who does not dwell does not ask for rest.
    assert_eq!(unsettled("mark \"between\""), None);
}
