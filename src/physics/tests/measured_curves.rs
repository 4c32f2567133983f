//! The computed pull-out curve against makers' measured ones.
//!
//! `tests/reference/measured.json` holds points that makers of motors measured and published as
//! curves, with the source of each. Rotor inertia and detent torque are not in those sources:
//! the inertia is assumed there, and the detent torque is left to the defaults here.
//!
//! The default damping ratio of a rotor is fitted to these points, among others: the typical
//! curve agrees with them by choice. The edges of the band and the reserve are chosen, and the
//! points only confirm them.

use crate::diagnostic::Source;
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
        let pull_out = PullOut::of(&axis(&motor, &curve["drive"], more));
        for (rpm, torque) in measured(&curve) {
            let sample = pull_out.sample(rpm / 60.0 * 200.0);
            points.push(Point {
                curve: curve["id"].as_str().unwrap().to_owned(),
                rpm,
                measured: torque,
                low: sample.low,
                typical: sample.torque,
                high: sample.high,
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
        let squares = points
            .iter()
            .map(|point| (point.typical / point.measured - 1.0).powi(2));
        let rms = (squares.sum::<f64>() / points.len() as f64).sqrt();
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
