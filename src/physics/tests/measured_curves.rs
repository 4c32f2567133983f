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

fn axis(motor: &Value, drive: &Value, detent: &str) -> Axis {
    let number = |of: &Value, key: &str| of[key].as_f64().unwrap();
    let text = format!(
        "axes: {{ a: {{ motor: {{ rotor_teeth: {}, phase_resistance: {} ohm, phase_inductance: {} mH, \
         rated_current: {} A, holding_torque: {} N.m, rotor_inertia: {} g.cm^2{detent} }}, \
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

/// All points, `detent` added to the motor.
fn points(detent: &str) -> Vec<Point> {
    let text = include_str!("../../../tests/reference/measured.json");
    let measured: Value = serde_json::from_str(text).unwrap();
    let curves = measured["curves"].as_array().unwrap();
    let motor = &curves[0]["motor"];
    let mut points = Vec::new();
    for curve in curves {
        // A text says that the motor is that of the first curve.
        let motor = if curve["motor"].is_object() {
            &curve["motor"]
        } else {
            motor
        };
        let pull_out = PullOut::of(&axis(motor, &curve["drive"], detent));
        for point in curve["points_rpm_Nm"].as_array().unwrap() {
            let [rpm, torque] = [0, 1].map(|k| point[k].as_f64().unwrap());
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
