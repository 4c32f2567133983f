//! Demand and gearing against examples worked by hand.

use approx::assert_relative_eq;

use super::{LoadMotion, choose, demand};
use crate::plan::{AxisLimits, AxisMotion, Direction, Segment};
use crate::rig::{Axis, DriveKind, Gearing};
use crate::testing::rigs::rotary;
use crate::units::{Inertia, Torque};

/// A ramp of the load's shaft to `speed` (rad/s) in `ramp` seconds, a cruise of 1 s, and back.
fn motion(axis: &Axis, speed: f64, ramp: f64) -> LoadMotion {
    let per_angle = axis.microsteps_per_travel();
    let (v, a) = (speed * per_angle, speed * per_angle / ramp);
    let (on_ramp, cruise) = (0.5 * v * ramp, v);
    let segment = |duration, position, velocity, acceleration| Segment {
        duration,
        position,
        velocity,
        acceleration,
        jerk: 0.0,
    };
    LoadMotion {
        line: 3,
        motion: AxisMotion {
            axis: 0,
            direction: Direction::Positive,
            steps: (2.0 * on_ramp + cruise).round() as u64,
            segments: vec![
                segment(ramp, 0.0, 0.0, a),
                segment(1.0, on_ramp, v, 0.0),
                segment(ramp, on_ramp + cruise, v, -a),
            ],
            limits: AxisLimits {
                speed: v,
                accel: a,
                decel: a,
                jerk: None,
                start: 0.0,
            },
        },
    }
}

fn table(inertia: f64, friction: f64) -> Axis {
    let mut axis = rotary("table", 8);
    axis.load.inertia = Inertia::new(inertia);
    axis.load.friction = Torque::new(friction);
    axis
}

/// By hand (T = J α + T_F, P = T ω; textbook mechanics): a disc of 4 kg and 0.2 m across has
/// J = m r²/2 = 4 · 0.01/2 = 0.02 kg·m². To 10 rad/s in 0.25 s is 40 rad/s², so 0.8 N·m; with
/// 0.3 N·m of friction 1.1 N·m, and 11 W at the end of the ramp; 0.3 N·m in the cruise.
#[test]
fn a_disc_that_is_accelerated_asks_for_what_is_worked_out_by_hand() {
    let axis = table(0.02, 0.3);
    let found = demand(&axis, &[motion(&axis, 10.0, 0.25)], 0.0)[0];
    assert_eq!(found.line, 3);
    for (found, by_hand) in [
        (found.speed, 10.0),
        (found.acceleration, 40.0),
        (found.torque, 1.1),
        (found.cruise_torque, 0.3),
        (found.power, 11.0),
    ] {
        assert_relative_eq!(found, by_hand, max_relative = 1e-9);
    }
}

/// By hand: T = G J α + J_L α/G with J = 65e-7, J_L = 65e-5 kg·m² (a hundred times the rotor) and
/// α = 200 rad/s² at the load: at G* = √100 = 10 it is 2 · 10 · 65e-7 · 200 = 26 mN·m, and
/// 5 · 65e-7 · 200 + 65e-5 · 200/5 = 32.5 mN·m at 5 as well as at 20.
#[test]
fn the_torque_at_the_motor_is_least_where_the_inertias_match() {
    let mut axis = table(65e-5, 0.0);
    let moved = motion(&axis, 2.0, 0.01);
    let torque = |axis: &mut Axis, ratio: f64| {
        let motor = axis.motor.clone();
        axis.load.gearing = Gearing::reduction(ratio);
        // The motion is planned on this gearing, as the rig is written.
        let moved = motion(axis, 2.0, 0.01);
        choose(axis, "it", &motor, &[moved], 0.0, true)
    };
    for (ratio, by_hand) in [(10.0, 26e-3), (5.0, 32.5e-3), (20.0, 32.5e-3)] {
        let found = torque(&mut axis, ratio);
        assert_relative_eq!(found.margin.unwrap().required, by_hand, max_relative = 1e-9);
        assert_relative_eq!(found.matched_gearing, 10.0, max_relative = 1e-12);
        assert_relative_eq!(
            found.inertia_ratio,
            100.0 / ratio.powi(2),
            max_relative = 1e-12
        );
    }
    // Direct, it asks for 65.65e-5 · 200 = 131 mN·m, and with 0.22 N·m of friction for 351 of some
    // 420 mN·m: too much with the reserve of 30 %, so a gearing is taken.
    axis.load.gearing = Gearing::DIRECT;
    axis.load.friction = Torque::new(0.22);
    let motor = axis.motor.clone();
    let kept = choose(&axis, "it", &motor, std::slice::from_ref(&moved), 0.0, true);
    assert!(!kept.meets && kept.drive.gearing == 1.0, "{kept:?}");
    let geared = choose(&axis, "it", &motor, &[moved], 0.0, false);
    assert!(geared.meets && geared.drive.gearing > 1.0, "{geared:?}");
    assert_eq!(geared.drive.supply, 24.0, "the rig's own supply does");
    // 100 times the rotor's inertia are 11 at 3:1 and 6 at 4:1, where common practice has them.
    assert_eq!(geared.drive.gearing, 4.0, "{geared:?}");
    assert!(geared.is_matched() && !kept.is_matched());
}

/// By hand: 12 V over 1.5 A is 8 Ω, of which the winding has 2.1 and 5.9 are left.
#[test]
fn a_fixed_voltage_gets_the_ballast_of_the_rated_current() {
    let mut axis = table(1e-5, 0.0);
    axis.drive.kind = DriveKind::FixedVoltage {
        sequence: crate::rig::Sequence::TwoPhase,
    };
    axis.drive.supply = crate::units::Voltage::new(12.0);
    let motor = axis.motor.clone();
    let moved = motion(&axis, 1.0, 0.5);
    let found = choose(&axis, "it", &motor, &[moved], 0.0, false);
    assert_relative_eq!(found.drive.ballast.unwrap(), 5.9, max_relative = 1e-12);
    assert_eq!(found.drive.peak_current, None);
    // Both phases at the rated current: 2 · 2.1 · 1.5² = 9.45 W.
    assert_relative_eq!(found.loss, 9.45, max_relative = 1e-12);
}
