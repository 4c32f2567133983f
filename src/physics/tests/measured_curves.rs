//! The computed pull-out curve against makers' measured ones.
//!
//! `tests/reference/measured.json` holds points that makers of motors measured and published as
//! curves, with the source of each. Rotor inertia and detent torque are not in those sources:
//! the inertia is assumed there, and the detent torque is left to the defaults here.
//!
//! The default damping ratio of a rotor is fitted to these points, among others: the typical
//! curve agrees with them by choice. The edges of the band and the reserve are chosen, and the
//! points only confirm them. For a check by points that chose nothing, each curve is left out in
//! turn while the ratio is chosen on the other two.

use crate::diagnostic::Source;
use crate::physics::loss::DAMPING_RATIO;
use crate::physics::torque::PullOut;
use crate::rig::{Axis, Limits, NoFiles, Rig};
use serde_json::Value;

/// A measured point with what is computed there.
struct Point {
    curve: String,
    rpm: f64,
    measured: f64,
    low: f64,
    typical: f64,
    high: f64,
    /// What a damping ratio of one would take (N·m).
    critical: f64,
}

impl Point {
    /// What the damping ratio `ratio` leaves more than the default one (N·m). The range about it
    /// stays as wide, so both edges move with the typical curve.
    fn moved(&self, ratio: f64) -> f64 {
        (DAMPING_RATIO.typical - ratio) * self.critical
    }

    /// The typical curve over the measured point, less one.
    fn off(&self, ratio: f64) -> f64 {
        (self.typical + self.moved(ratio)) / self.measured - 1.0
    }
}

/// Root of the mean square of how far points are off.
fn rms<'p>(points: impl Iterator<Item = &'p Point>, ratio: f64) -> f64 {
    let squares: Vec<f64> = points.map(|point| point.off(ratio).powi(2)).collect();
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

fn axis(motor: &Value, drive: &Value, more: &str) -> Axis {
    let number = |of: &Value, key: &str| of[key].as_f64().unwrap();
    let text = format!(
        "axes: {{ a: {{ motor: {{ rotor_teeth: {}, phase_resistance: {} ohm, phase_inductance: {} mH, \
         rated_current: {} A, holding_torque: {} N.m, rotor_inertia: {} g.cm^2{more} }}, \
         drive: {{ kind: chopper, supply: {} V, peak_current: {} A, microsteps: {} }} }} }}\n\
         timer: {{ clock: 16 MHz }}\n",
        number(motor, "rotor_teeth"),
        number(motor, "phase_resistance_ohm"),
        number(motor, "phase_inductance_mH"),
        number(motor, "rated_current_A"),
        number(motor, "holding_torque_Nm"),
        number(motor, "rotor_inertia_gcm2_assumed"),
        number(drive, "supply_V"),
        2_f64.sqrt() * number(drive, "current_rms_A"),
        number(drive, "microsteps"),
    );
    let source = Source::new("measured.yaml", text);
    Rig::parse(&source, &mut NoFiles)
        .unwrap()
        .rig
        .axes
        .remove(0)
}

/// The curves with their motor.
fn curves() -> Vec<(Value, Value)> {
    let text = include_str!("../../../tests/reference/measured.json");
    let measured: Value = serde_json::from_str(text).unwrap();
    let curves = measured["curves"].as_array().unwrap();
    let first = &curves[0]["motor"];
    let of = |curve: &Value| match &curve["motor"] {
        // A text says that the motor is that of the first curve.
        Value::String(_) => first.clone(),
        motor => motor.clone(),
    };
    curves
        .iter()
        .map(|curve| (curve.clone(), of(curve)))
        .collect()
}

/// Speed (rpm) and torque (N·m) of each point of a curve.
fn measured(curve: &Value) -> Vec<(f64, f64)> {
    serde_json::from_value(curve["points_rpm_Nm"].clone()).unwrap()
}

/// All points, `more` said of the motor.
fn points(more: &str) -> Vec<Point> {
    let mut points = Vec::new();
    for (curve, motor) in curves() {
        let axis = axis(&motor, &curve["drive"], more);
        let pull_out = PullOut::of(&axis);
        let stiffness = axis.motor.holding_torque.si() * f64::from(axis.motor.rotor_teeth);
        let critical = 2.0 * (stiffness * axis.motor.rotor_inertia.si()).sqrt();
        for (rpm, torque) in measured(&curve) {
            let sample = pull_out.sample(rpm / 60.0 * 200.0);
            points.push(Point {
                curve: curve["id"].as_str().unwrap().to_owned(),
                rpm,
                measured: torque,
                low: sample.low,
                typical: sample.torque,
                high: sample.high,
                critical: critical * sample.omega,
            });
        }
    }
    points
}

#[test]
fn the_typical_curve_is_within_12_per_cent_of_the_measured_points() {
    for detent in ["", ", detent_torque: 0.12 N.m"] {
        let points = points(detent);
        for point in &points {
            println!(
                "{:<28} {:>5} rpm  measured {:.2}  computed {:.2} ({:.2} … {:.2})  {:+.0} %",
                point.curve,
                point.rpm,
                point.measured,
                point.typical,
                point.low,
                point.high,
                100.0 * (point.typical / point.measured - 1.0)
            );
        }
        let rms = rms(points.iter(), DAMPING_RATIO.typical);
        println!("rms {:.1} %", 100.0 * rms);
        assert!(rms < 0.12, "{rms}");
    }
}

#[test]
fn the_low_edge_is_below_the_measured_points() {
    let points = points("");
    let below = points
        .iter()
        .filter(|point| point.low <= point.measured)
        .count();
    assert!(
        below as f64 >= 0.95 * points.len() as f64,
        "{below} of {}",
        points.len()
    );
}

#[test]
fn what_the_default_reserve_leaves_is_never_more_than_was_measured() {
    for point in points("") {
        let most = point.low * (1.0 - Limits::TORQUE_MARGIN);
        assert!(
            most < point.measured,
            "{} at {} rpm: {most}",
            point.curve,
            point.rpm
        );
    }
}

/// The damping ratio with which the typical curve meets the points of each measured curve on
/// average. All three are of one motor of one size, and lie as far apart as the default range is
/// wide: the points tell no range by size.
#[test]
fn three_curves_of_one_motor_ask_for_damping_as_different_as_the_default_range() {
    let mut found = Vec::new();
    for (curve, motor) in curves() {
        let number = |key: &str| motor[key].as_f64().unwrap();
        let inertia = 1e-7 * number("rotor_inertia_gcm2_assumed");
        let critical = 2.0 * (number("rotor_teeth") * number("holding_torque_Nm") * inertia).sqrt();
        let mean = |ratio: f64| {
            let more = format!(", viscous_damping: {} mN.m.s/rad", 1e3 * ratio * critical);
            let pull_out = PullOut::of(&axis(&motor, &curve["drive"], &more));
            let points = measured(&curve);
            let off = points
                .iter()
                .map(|(rpm, torque)| pull_out.at_step_rate(rpm / 60.0 * 200.0) / torque - 1.0);
            off.sum::<f64>() / points.len() as f64
        };
        let (mut low, mut high) = (0.0, 0.1);
        for _ in 0..20 {
            let middle = 0.5 * (low + high);
            if mean(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        println!(
            "{:<28} damping ratio {low:.3}",
            curve["id"].as_str().unwrap()
        );
        found.push(low);
    }
    let (least, most) = (
        found[0].min(found[1]).min(found[2]),
        found[0].max(found[1]).max(found[2]),
    );
    assert!(least > 0.0 && most < 0.1 && most > 2.0 * least, "{found:?}");
}

/// All points chose the default damping ratio; so that some check it, each curve is left out in
/// turn, the ratio chosen on the other two, and the curve of that ratio held against the points left
/// out. Its low edge must still lie below them.
#[test]
fn the_low_edge_of_a_damping_chosen_on_two_curves_is_below_the_third() {
    let points = points("");
    let ids: Vec<String> = curves()
        .iter()
        .map(|(curve, _)| curve["id"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(ids.len(), 3);
    for left_out in &ids {
        let chosen_on = || points.iter().filter(|point| point.curve != *left_out);
        let rest: Vec<&Point> = points
            .iter()
            .filter(|point| point.curve == *left_out)
            .collect();
        let ratios = (0..=200).map(|k| 5e-4 * f64::from(k));
        let ratio = ratios
            .min_by(|a, b| rms(chosen_on(), *a).total_cmp(&rms(chosen_on(), *b)))
            .unwrap();
        let off = rms(rest.iter().copied(), ratio);
        let below = rest
            .iter()
            .filter(|point| point.low + point.moved(ratio) <= point.measured)
            .count();
        println!(
            "{left_out:<28} left out: damping ratio {ratio:.4}, off by {:.1} % rms, low edge below {below} of {}",
            100.0 * off,
            rest.len()
        );
        assert_eq!(below, rest.len(), "{left_out}");
        assert!(off < 0.2, "{left_out}: {off}");
    }
}
