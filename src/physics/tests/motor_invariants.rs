//! What mechanics and numerics demand of the motor model, whatever its numbers.

use std::f64::consts::{FRAC_PI_2, TAU};

use crate::physics::machine::tests::hold_speed;
use crate::physics::{Feed, Machine, Simulator, State};
use crate::rig::Sequence;
use crate::testing::model::machine;

/// The medium motor with both phases on at its rated voltage.
fn at_rated_voltage() -> Machine {
    machine("medium", "two-phase")
}

#[test]
fn halving_the_step_divides_the_error_by_sixteen() {
    // The order of the classical Runge-Kutta method is four.
    let machine = at_rated_voltage();
    let angle_after = |step: f64| {
        let mut simulator = Simulator::at_rest(&machine, 0, step);
        simulator.command(1);
        simulator.advance(0.02);
        simulator.angle()
    };
    let exact = angle_after(2.5e-6);
    let errors = [80e-6, 40e-6, 20e-6].map(|step| (angle_after(step) - exact).abs());
    for pair in errors.windows(2) {
        let ratio = pair[0] / pair[1];
        assert!((13.0..20.0).contains(&ratio), "{errors:?}");
    }
}

#[test]
fn what_the_supply_gives_is_stored_or_becomes_heat() {
    let machine = Machine {
        viscous: 1e-3,
        ..at_rated_voltage()
    };
    let Feed::FixedVoltage { supply, .. } = machine.feed else {
        unreachable!("both phases are on a fixed voltage")
    };
    let mut simulator = Simulator::at_rest(&machine, 0, 5e-6);
    let before = simulator.energy();
    // Microstep 1 is at 135°: phase A reversed, phase B as before.
    simulator.command(1);
    let power = |s: &State| {
        let input = supply * (s.current_b - s.current_a);
        let copper = machine.resistance * (s.current_a.powi(2) + s.current_b.powi(2));
        input - copper - machine.viscous * s.speed * s.speed
    };
    let (mut last, mut net) = ((0.0, power(simulator.state())), 0.0);
    simulator.advance_with(0.02, |simulator| {
        let now = (simulator.time(), power(simulator.state()));
        net += 0.5 * (now.1 + last.1) * (now.0 - last.0);
        last = now;
    });
    let turnover = supply * 1.5 * 0.02;
    let missing = simulator.energy() - before - net;
    assert!(
        missing.abs() < 1e-5 * turnover,
        "{missing:e} J of {turnover} J"
    );
}

#[test]
fn friction_holds_the_rotor_off_its_target_by_what_it_can_carry_at_most() {
    let friction = 0.05;
    let machine = Machine {
        friction,
        detent_torque: 0.0,
        ..machine("medium", "current")
    };
    let rest = |step: f64| {
        let mut simulator = Simulator::at_rest(&machine, 0, step);
        simulator.command(16);
        simulator.advance(0.1);
        assert_eq!(simulator.state().speed, 0.0);
        simulator.lag()
    };
    let step = machine.internal_step();
    let (lag, halved) = (rest(step), rest(0.5 * step));
    let most = (friction / machine.holding_torque()).asin();
    assert!(lag.abs() > 1e-3 && lag.abs() <= most, "{lag} of {most}");
    assert!((lag - halved).abs() < 1e-5, "{lag} against {halved}");
}

#[test]
fn friction_alone_holds_a_pull_that_is_smaller_than_itself() {
    // Without current; statics of Coulomb friction.
    let pulled = |friction: f64| {
        let machine = Machine {
            constant_torque: 0.02,
            friction,
            detent_torque: 0.0,
            feed: Feed::FixedVoltage {
                supply: 0.0,
                sequence: Sequence::TwoPhase,
            },
            ..at_rated_voltage()
        };
        let state = State::default();
        let mut simulator = Simulator::new(&machine, state, 0, 2e-5);
        simulator.advance(0.05);
        simulator.angle()
    };
    assert_eq!(pulled(0.021), 0.0);
    assert!(pulled(0.019) < -1e-3);
}

#[test]
fn losses_of_a_gearing_cost_torque_going_up_and_save_it_coming_down() {
    // A steady 10 rad/s with 0.1 N·m behind a gearing of 80 %: 0.125 N·m up, 0.08 N·m
    // down; lag = asin(T / K I) while the current is regulated.
    let machine = Machine {
        constant_torque: 0.1,
        efficiency: 0.8,
        detent_torque: 0.0,
        viscous: 5e-3,
        ..machine("medium", "current")
    };
    let rate = 10.0 * 50.0 / FRAC_PI_2;
    for (constant, torque) in [(0.1, 0.1 / 0.8), (-0.1, -0.1 * 0.8)] {
        let machine = Machine {
            constant_torque: constant,
            ..machine.clone()
        };
        let outcome = hold_speed(&machine, rate, 0.0, 0.05);
        let expected = ((torque + 0.05) / machine.holding_torque()).asin();
        let lag = outcome.standing_lag_deg.to_radians() - 10.0 * 50.0 * 20e-6;
        assert!((lag - expected).abs() < 0.01, "{lag} against {expected}");
    }
}

#[test]
fn every_turn_is_like_the_one_before() {
    // Whole cycles are taken out of the angle on the way, which must not show.
    let machine = Machine {
        viscous: 5e-3,
        ..machine("medium", "current")
    };
    let mut simulator = Simulator::at_rest(&machine, 0, machine.internal_step());
    let mut lags = Vec::new();
    for step in 1..=6 * 3200_i64 {
        simulator.command(step);
        simulator.advance(step as f64 / 6400.0);
        if step % 3200 == 0 {
            lags.push(simulator.lag());
        }
    }
    assert!((lags[5] - lags[2]).abs() < 1e-9, "{lags:?}");
    assert!((simulator.angle() / TAU - 6.0).abs() < 0.01);
}
