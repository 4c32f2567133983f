//! What a motor can do whose currents come through a filter.
//!
//! A low-pass filter of n equal sections leaves |1/(1 + jωτ)|ⁿ of a sine and turns it back by
//! n atan ωτ (textbook theory of linear systems). The rest is held against integrations.

use std::f64::consts::{FRAC_PI_2, TAU};

use approx::assert_relative_eq;

use crate::physics::machine::tests::filtered::axis;
use crate::physics::machine::tests::{held_pull_out, hold_speed};
use crate::physics::orbit::growth_rate;
use crate::physics::stability::unstable_bands;
use crate::physics::start_stop::start_stop;
use crate::physics::torque::PullOut;
use crate::physics::{Feed, Machine};
use crate::rig::{Axis, DriveKind};
use crate::units::{Current, Damping, Torque, Voltage};

/// A drive of 1.2 A at such a supply (V), with such a filter (us); a motor without losses.
fn bench(supply: f64, time_constant: f64, order: u32, microsteps: u32) -> Axis {
    let mut axis = axis(time_constant, order, microsteps);
    axis.drive.supply = Voltage::new(supply);
    let DriveKind::LinearCurrent { peak_current, .. } = &mut axis.drive.kind else {
        panic!("a linear source");
    };
    *peak_current = Current::new(1.2);
    axis.motor.viscous_damping = Some(Damping::new(0.0));
    axis.motor.detent_torque = Some(Torque::new(0.0));
    axis.motor.friction_torque = Some(Torque::new(0.0));
    axis
}

/// The same whose set points jump with the command.
fn unfiltered(mut axis: Axis) -> Axis {
    axis.drive.lines.pwm = None;
    axis
}

fn natural(machine: &Machine) -> f64 {
    machine.natural_frequency() / TAU
}

#[test]
fn the_pull_out_torque_falls_with_the_gain_of_the_filter() {
    let mut least = 1.0_f64;
    for (time_constant, order) in [(60.0, 1), (60.0, 2), (400.0, 1), (400.0, 2)] {
        for microsteps in [1, 4, 64] {
            let axis = bench(1e4, time_constant, order, microsteps);
            let (with, without) = (PullOut::of(&axis), PullOut::of(&unfiltered(axis)));
            for rate in [20.0, 300.0, 1000.0, 3000.0] {
                // One electrical cycle is four full steps.
                let turns = FRAC_PI_2 * rate * time_constant * 1e-6;
                let gain = turns.hypot(1.0).recip().powi(order as i32);
                let ratio = with.at_step_rate(rate) / without.at_step_rate(rate);
                assert_relative_eq!(ratio, gain, max_relative = 0.01);
                least = least.min(gain);
            }
        }
    }
    assert!(least < 0.3, "{least}");
}

/// Asserts that the pull-out torque at a rate is that of the simulator, its rotor turned at the
/// speed of the rate, within 1 % of the holding torque; returns it.
fn assert_held(axis: &Axis, rate: f64) -> f64 {
    let machine = Machine::of(axis);
    let ours = PullOut::of(axis).at_step_rate(rate);
    // Held beyond its last speed, it would brake at any lag.
    let held = held_pull_out(&machine, rate).max(0.0);
    println!("{rate:.0}/s: {ours:.4} {held:.4}");
    let off = (ours - held).abs() / machine.holding_torque();
    assert!(off < 0.01, "{off}");
    ours
}

/// In the simulator, its rotor turned at a held speed; the supply is too little for the current
/// from some speed on. (Slow steps are another matter.)
#[test]
fn the_pull_out_curve_is_that_of_the_simulator_with_the_speed_held() {
    let mut clipped = 0;
    for filter in [None, Some((100.0, 2)), Some((300.0, 1)), Some((300.0, 2))] {
        for microsteps in [1, 2, 16] {
            let axis = match filter {
                Some((time_constant, order)) => bench(10.0, time_constant, order, microsteps),
                None => unfiltered(bench(10.0, 100.0, 1, microsteps)),
            };
            let machine = Machine::of(&axis);
            println!("{filter:?}, 1/{microsteps}");
            for share in [1.0, 1.5, 3.0, 6.0, 10.0] {
                let rate = share * natural(&machine);
                let ours = assert_held(&axis, rate);
                let regulated = machine.turning_torque(machine.speed_of(rate));
                clipped += usize::from(ours < 0.9 * regulated);
            }
        }
    }
    assert!(clipped >= 12, "{clipped}");
}

/// On a supply that drives less than the peak current even at standstill.
#[test]
fn the_pull_out_curve_is_that_of_the_simulator_where_the_current_is_never_reached() {
    for supply in [1.0, 3.0] {
        for microsteps in [1, 2, 16] {
            let axis = unfiltered(bench(supply, 100.0, 1, microsteps));
            println!("{supply} V, 1/{microsteps}");
            for share in [1.0, 1.5, 3.0, 6.0] {
                assert_held(&axis, share * natural(&Machine::of(&axis)));
            }
        }
    }
}

#[test]
fn the_simulator_keeps_synchronism_below_the_curve_and_loses_it_above() {
    let slow = bench(24.0, 250.0, 2, 16);
    let quick = unfiltered(slow.clone());
    let curve = PullOut::of(&slow);
    for share in [6.0, 10.0] {
        let mut machine = Machine::of(&slow);
        let rate = share * natural(&machine);
        let omega = machine.speed_of(rate);
        let pull_out = curve.at_step_rate(rate);
        assert!(pull_out < 0.85 * PullOut::of(&quick).at_step_rate(rate));
        // What keeps it from hunting is no part of the load.
        machine.viscous = 0.1 * machine.inertia * machine.natural_frequency();
        let lost = |machine: &Machine, of_pull_out: f64| {
            let load = of_pull_out * pull_out - machine.viscous * omega;
            hold_speed(machine, rate, load, 0.6).lost
        };
        assert!(!lost(&machine, 0.93), "{rate}");
        assert!(lost(&machine, 1.07), "{rate}");
        machine.feed = Feed::of(&quick);
        assert!(!lost(&machine, 1.07), "{rate}");
    }
}

/// Imposed currents damp nothing: small swings fade with B/2J whatever the filter does.
#[test]
fn swings_fade_with_the_mechanical_damping_while_the_supply_is_enough() {
    for (time_constant, order, microsteps) in [(100.0, 1, 16), (300.0, 2, 4), (300.0, 2, 16)] {
        let mut machine = Machine::of(&bench(1e4, time_constant, order, microsteps));
        machine.viscous = 0.1 * machine.inertia * machine.natural_frequency();
        let fades = -machine.viscous / (2.0 * machine.inertia);
        for share in [2.2, 5.3] {
            let rate = share * natural(&machine);
            let peak = machine.turning_torque(machine.speed_of(rate));
            machine.constant_torque = 0.5 * peak - machine.viscous * machine.speed_of(rate);
            let ours = growth_rate(&machine, rate).unwrap();
            assert_relative_eq!(ours, fades, max_relative = 0.03);
        }
    }
}

/// Where a swing grows by itself, one that is left alone does in the simulator.
#[test]
fn a_drive_behind_a_filter_hunts_where_its_band_begins() {
    let axis = bench(12.0, 60.0, 2, 16);
    let machine = Machine::of(&axis);
    let curve = PullOut::of(&axis);
    let load = |omega: f64| 0.5 * curve.at(omega);
    let [from, sooner] = [machine.clone(), Machine::of(&unfiltered(axis))].map(|machine| {
        unstable_bands(&machine, load)
            .first()
            .map(|band| band.from_step_rate_hz)
    });
    println!("{from:?}, without a filter {sooner:?}");
    let from = from.unwrap();
    for share in [0.9, 1.15] {
        let rate = share * from;
        let held = hold_speed(&machine, rate, load(machine.speed_of(rate)), 1.0);
        println!("{rate:.0}: {held:?}");
        let grows = held.lost || held.late_swing_deg > 1.5 * held.early_swing_deg;
        assert_eq!(grows, share > 1.0, "{rate}");
    }
    // So slow a filter leaves less than the supply drives at any speed.
    let slow = Machine::of(&bench(24.0, 2000.0, 2, 16));
    assert_eq!(unstable_bands(&slow, |_| 0.0), []);
}

/// Whether a rotor follows 60 full steps from rest: the equations in small even steps, on a source
/// of current without a limit.
fn follows(axis: &Axis, rate: f64) -> bool {
    const STEP: f64 = 1e-6;
    let machine = Machine::of(axis);
    let pwm = axis.drive.lines.pwm;
    let m = f64::from(axis.drive.microsteps());
    let first = if m == 1.0 { FRAC_PI_2 / 2.0 } else { 0.0 };
    let Feed::Regulated {
        peak_current,
        time_constant: regulator,
        ..
    } = machine.feed
    else {
        panic!("a regulator");
    };
    let angle = |k: f64| first + k * FRAC_PI_2 / m;
    let (mut theta, mut omega) = (angle(0.0), 0.0);
    let at_rest = [angle(0.0).cos(), angle(0.0).sin()].map(|one| one * peak_current);
    let (mut sections, mut currents) = ([at_rest; 2], at_rest);
    let count = (60.0 / rate / STEP) as u64;
    for number in 0..count {
        let k = 1.0 + (number as f64 * STEP * rate * m).floor();
        for (phase, part) in [angle(k).cos(), angle(k).sin()].into_iter().enumerate() {
            let mut fed = part * peak_current;
            if let Some(pwm) = pwm {
                for section in sections.iter_mut().take(pwm.order as usize) {
                    section[phase] += (fed - section[phase]) * STEP / pwm.time_constant.si();
                    fed = section[phase];
                }
            }
            currents[phase] += (fed - currents[phase]) * STEP / regulator;
        }
        let torque =
            machine.torque_constant * (currents[1] * theta.cos() - currents[0] * theta.sin());
        omega += (torque - machine.viscous * omega) / machine.inertia * STEP;
        theta += machine.rotor_teeth * omega * STEP;
        if (angle(k) - theta).abs() > TAU {
            return false;
        }
    }
    true
}

#[test]
fn the_start_stop_rate_is_that_of_an_integration() {
    for (time_constant, order, microsteps) in [(400.0, 1, 16), (300.0, 2, 16), (300.0, 2, 2)] {
        let mut axis = bench(1e4, time_constant, order, microsteps);
        axis.motor.viscous_damping = Some(Damping::new(1e-3));
        let found = start_stop(&Machine::of(&axis)).rate;
        assert!(follows(&axis, 0.98 * found), "{found}");
        assert!(!follows(&axis, 1.02 * found), "{found}");
        let without = start_stop(&Machine::of(&unfiltered(axis))).rate;
        println!("{time_constant} us, {order}: {found:.0}/s, without {without:.0}/s");
        assert!((found / without - 1.0).abs() > 0.05, "{found} {without}");
    }
}
