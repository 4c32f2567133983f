//! Whole programs through the schedule into the motor model.

use crate::testing::model;
use std::ops::ControlFlow;

use crate::plan::Item;
use crate::rig::{Converter, DriveKind, LinearLoad, PwmConverters, Rig, Sequence};
use crate::simulate::{Options, SimulationEvent, TraceWriter, simulate_with};
use crate::testing::motion::{axis_motion, motion, play, rig, simulate, timer, trapezoid};
use crate::units::{
    Angle, Damping, Force, Frequency, Inertia, Length, LinearDamping, Mass, Time, Torque, Voltage,
};

/// Half a turn and back, a dwell between and behind, in `ramp` and `cruise` seconds.
fn there_and_back(steps: i64, ramp: f64, cruise: f64) -> Vec<Item> {
    let phases = trapezoid(ramp, cruise, ramp);
    let out = motion(vec![axis_motion(0, steps, 0.0, &phases)]);
    let back = motion(vec![axis_motion(0, -steps, 0.0, &phases)]);
    vec![play(&out), Item::Dwell(0.3), play(&back), Item::Dwell(60.0)]
}

fn damped_rig() -> Rig {
    let mut rig = rig(1, timer(8e6, 8));
    rig.axes[0].motor.viscous_damping = Some(Damping::new(2e-3));
    rig
}

/// The medium motor at rated voltage, two phases on, without load.
fn fixed_voltage_rig() -> Rig {
    let mut rig = rig(1, timer(8e6, 8));
    let axis = &mut rig.axes[0];
    axis.drive.kind = DriveKind::FixedVoltage {
        sequence: Sequence::TwoPhase,
    };
    axis.drive.supply = Voltage::new(2.1 * 1.5);
    axis.load.inertia = Inertia::new(0.0);
    axis.motor.detent_torque = Some(Torque::new(0.0));
    rig
}

#[test]
fn a_gentle_move_arrives_and_settles() {
    let outcome = simulate(
        &damped_rig(),
        there_and_back(1600, 0.1, 0.1),
        &Options::default(),
    );
    assert!(outcome.ok, "{outcome:?}");
    assert_eq!(outcome.moves.len(), 2);
    for one in &outcome.moves {
        assert_eq!(one.lost_steps, 0);
        assert!(one.peak_lag_electrical_deg < 45.0, "{one:?}");
        assert!(one.settle_s.is_some_and(|time| time < 0.1), "{one:?}");
        assert!(one.final_error.abs() < 0.01, "{one:?}");
    }
}

#[test]
fn a_move_that_cannot_be_followed_loses_whole_cycles() {
    // 8000 full steps/s within 5 ms is far beyond any pull-out torque.
    let outcome = simulate(
        &damped_rig(),
        there_and_back(3200, 0.005, 0.02),
        &Options::default(),
    );
    assert!(!outcome.ok);
    assert!(outcome.lost_steps > 0);
    for one in &outcome.moves {
        assert_eq!(one.lost_steps % 4, 0, "{one:?}");
    }
    assert!(outcome.moves[0].final_error.abs() > 7.0, "{outcome:?}");
}

/// 1667 full steps with ramps of 500 steps/s² up to `cruise` steps a second, or as far as the
/// steps let it, 913.
fn long_move(cruise: f64) -> (Vec<Item>, impl Fn(f64) -> f64) {
    let peak = cruise.min((1667.0_f64 * 500.0).sqrt());
    let ramp = peak / 500.0;
    let flat = ((1667.0 - peak * ramp) / peak).max(0.0);
    let out = motion(vec![axis_motion(
        0,
        1667,
        0.0,
        &trapezoid(ramp, flat, ramp),
    )]);
    let items = vec![play(&out)];
    let ideal = move |time: f64| {
        let segments = &out.axes[0].segments;
        let before = |start: f64| time - start;
        let mut start = 0.0;
        for segment in segments {
            if before(start) <= segment.duration {
                return segment.position_at(before(start));
            }
            start += segment.duration;
        }
        1667.0
    };
    (items, ideal)
}

/// scipy integrates the same moves (`tests/reference/long_moves.py`), their steps on the same ticks.
/// Whether a rotor loses steps is the same; where it catches synchronism again on the ramp down
/// hangs on the least difference. So scipy's own spread over tolerances and starts bounds the loss,
/// with as much on either side.
#[test]
fn long_moves_arrive_or_end_as_far_short_as_in_scipy() {
    let text = include_str!("../../../tests/reference/long_moves.json");
    let outside: serde_json::Value = serde_json::from_str(text).unwrap();
    for case in model::entries(&outside, "cases") {
        let cruise = case["cruise"].as_f64().unwrap();
        let (items, _) = long_move(cruise);
        let options = Options {
            clock_error: Some(0.0),
            ..Options::default()
        };
        let outcome = simulate(&fixed_voltage_rig(), items, &options);
        let lost = outcome.moves[0].lost_steps;
        println!(
            "cruise {cruise}: {lost} steps short, in scipy {}",
            case["lost_steps"]
        );
        let theirs = case["lost_steps"].as_array().unwrap().iter();
        let theirs: Vec<i64> = theirs.map(|one| one.as_i64().unwrap()).collect();
        let (least, most) = (*theirs.iter().min().unwrap(), *theirs.iter().max().unwrap());
        // Whole cycles are lost.
        let apart = if most == 0 { 0 } else { (most - least).max(4) };
        let fits = (least - apart..=most + apart).contains(&lost);
        assert!(fits, "cruise {cruise}: {lost}, in scipy {theirs:?}");
        assert_eq!(outcome.ok, lost == 0);
    }
}

/// The greatest lag of a long move on the medium motor (electrical degrees) behind the step that has
/// been commanded, and behind the smooth ramp.
fn peak_lags(cruise: f64, detent: bool) -> (f64, f64) {
    let mut rig = fixed_voltage_rig();
    if detent {
        rig.axes[0].motor.detent_torque = Some(Torque::new(0.017));
    }
    let (items, ideal) = long_move(cruise);
    let options = Options {
        clock_error: Some(0.0),
        trace_interval: Some(1e-5),
        ..Options::default()
    };
    let (mut of_step, mut of_ramp) = (0.0, 0.0_f64);
    let _ = simulate_with(&rig, items.into_iter(), &options, &mut |report| {
        match report {
            SimulationEvent::Sample(sample) => {
                // 1.8 degrees a full step, 50 electrical degrees a degree of the shaft.
                let behind = 1.8 * ideal(sample.time_s) - sample.angle_deg;
                of_ramp = of_ramp.max(50.0 * behind.abs());
            }
            SimulationEvent::Move(result) => of_step = result.peak_lag_electrical_deg,
            SimulationEvent::Progress(_)
            | SimulationEvent::LeftOut(_)
            | SimulationEvent::Sought(_)
            | SimulationEvent::Cut(_) => {}
        }
        ControlFlow::Continue(())
    });
    (of_step, of_ramp)
}

#[test]
fn the_peak_lag_of_a_long_move_is_scipys_in_both_senses() {
    for case in model::entries(&model::scipy(), "whole_move") {
        let number = |key: &str| model::number(&case[key]);
        let detent = case["detent"].as_bool().unwrap();
        let (of_step, of_ramp) = peak_lags(number("cruise_steps_s"), detent);
        println!("{case}: {of_step:.2}, {of_ramp:.2}");
        let close = |ours: f64, scipy: f64| (ours / scipy - 1.0).abs() < 0.005;
        assert!(
            close(of_step, number("peak_lag_of_step_deg")),
            "{case}: {of_step}"
        );
        assert!(
            close(of_ramp, number("peak_lag_of_ramp_deg")),
            "{case}: {of_ramp}"
        );
    }
}

#[test]
fn a_linear_load_is_off_by_millimetres_where_a_rotary_one_is_by_degrees() {
    // 360 mm a turn: a degree of the shaft is a millimetre of travel.
    let mut linear = damped_rig();
    linear.axes[0].load.linear = Some(LinearLoad {
        mass: Mass::new(0.0),
        travel_per_turn: Length::new(0.36),
        incline: Angle::new(0.0),
        friction: Force::new(0.0),
        viscous: LinearDamping::new(0.0),
        constant_force: Force::new(0.0),
        backlash: Length::new(0.0),
    });
    // Once too fast to follow, so that there is an error to speak of, and once gently.
    for ramp in [0.005, 0.1] {
        let run = |rig: &Rig| {
            let outcome = simulate(rig, there_and_back(3200, ramp, 0.02), &Options::default());
            serde_json::to_value(outcome).unwrap()["moves"][0].clone()
        };
        let (rotary, linear) = (run(&damped_rig()), run(&linear));
        for field in ["overshoot", "final_error"] {
            let value = |run: &serde_json::Value, unit: &str| {
                run[format!("{field}_{unit}")].as_f64().unwrap()
            };
            let (degrees, millimetres) = (value(&rotary, "deg"), value(&linear, "mm"));
            assert!((degrees - millimetres).abs() < 1e-9, "{rotary} {linear}");
        }
        assert!(linear.get("overshoot_deg").is_none(), "{linear}");
    }
}

#[test]
fn writing_a_trace_changes_no_result() {
    let rig = damped_rig();
    let items = || there_and_back(1600, 0.05, 0.02);
    let plain = simulate(&rig, items(), &Options::default());
    let mut trace = TraceWriter::new(Vec::new()).unwrap();
    let mut moves = Vec::new();
    let options = Options {
        trace_interval: Some(1e-3),
        ..Options::default()
    };
    let _ = simulate_with(&rig, items().into_iter(), &options, &mut |report| {
        match report {
            SimulationEvent::Sample(sample) => trace.write(sample).unwrap(),
            SimulationEvent::Move(result) => moves.push(result.clone()),
            SimulationEvent::Progress(_)
            | SimulationEvent::LeftOut(_)
            | SimulationEvent::Sought(_)
            | SimulationEvent::Cut(_) => {}
        }
        ControlFlow::Continue(())
    });
    assert_eq!(moves, plain.moves);
    let text = String::from_utf8(trace.into_inner()).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines.len() > 200, "{}", lines.len());
    assert!(lines[0].starts_with("time_s,axis,commanded_deg,angle_deg,speed_deg_s"));
    assert!(lines.iter().all(|line| line.split(',').count() == 9));
}

#[test]
fn a_simulation_can_be_broken_off() {
    let mut reports = 0;
    let flow = simulate_with(
        &damped_rig(),
        there_and_back(1600, 0.1, 0.1).into_iter(),
        &Options::default(),
        &mut |_| {
            reports += 1;
            ControlFlow::Break(())
        },
    );
    assert_eq!((flow, reports), (ControlFlow::Break(()), 1));
}

#[test]
fn the_filter_of_the_converters_holds_the_rotor_back_by_its_phase() {
    // Between ramps of 0.1 s the rotor turns 750 full steps/s for half a second.
    let played = |filter: Option<PwmConverters>| {
        let mut rig = damped_rig();
        let drive = &mut rig.axes[0].drive;
        drive.lines.pwm = filter;
        drive.converter = Some(Converter {
            bits: 8,
            reference: Voltage::new(2.5),
            sense_gain: 4.0,
        });
        let steps = 450 * i64::from(drive.microsteps());
        let items = there_and_back(steps, 0.1, 0.5);
        let options = Options {
            trace_interval: Some(1e-4),
            ..Options::default()
        };
        let (mut lags, mut ends) = (Vec::new(), Vec::new());
        let _ = simulate_with(&rig, items.into_iter(), &options, &mut |report| {
            match report {
                SimulationEvent::Sample(sample) if (0.3..0.6).contains(&sample.time_s) => {
                    lags.push(sample.lag_electrical_deg);
                }
                SimulationEvent::Move(result) => ends.push(result.clone()),
                SimulationEvent::Sample(_)
                | SimulationEvent::Progress(_)
                | SimulationEvent::LeftOut(_)
                | SimulationEvent::Sought(_)
                | SimulationEvent::Cut(_) => {}
            }
            ControlFlow::Continue(())
        });
        assert_eq!(ends.len(), 2);
        for end in &ends {
            assert_eq!(end.lost_steps, 0);
            assert!(end.final_error.abs() < 0.01, "{end:?}");
        }
        lags.iter().sum::<f64>() / lags.len() as f64
    };
    let more = played(Some(PwmConverters {
        frequency: Frequency::new(62_500.0),
        time_constant: Time::new(100e-6),
        order: 2,
    })) - played(None);
    // 2 atan ωT, ω = 750 π/2 (frequency response of two sections).
    let lag = 2.0 * (750.0 * std::f64::consts::FRAC_PI_2 * 100e-6_f64).atan();
    assert!((more - lag.to_degrees()).abs() < 0.4, "{more} for {lag}");
}
