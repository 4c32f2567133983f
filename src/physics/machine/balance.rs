//! The balance of energy of a running machine: what the supply puts in is heat in the phases,
//! loss in the rotor, work on the load, and what the machine stores.

use super::{Machine, Simulator};
use crate::physics::feed::{Demand, Feed};
use crate::rig::Sequence;

/// A motor of 0.42 N·m with eddy currents for 70 Ω, hysteresis and a load, on 4 V.
fn machine(sequence: Sequence) -> Machine {
    let torque_constant = 0.42 / (1.5 * std::f64::consts::SQRT_2);
    Machine {
        rotor_teeth: 50.0,
        resistance: 2.7,
        inductance: 3.2e-3,
        torque_constant,
        detent_torque: 0.018,
        inertia: 57e-7,
        load_inertia: 0.0,
        efficiency: 1.0,
        viscous: torque_constant * torque_constant / 70.0,
        friction: 0.02,
        rotor_friction: 0.015,
        constant_torque: 0.03,
        unbalance_torque: 0.0,
        gearing: 1.0,
        feed: Feed::FixedVoltage {
            supply: 4.0,
            sequence,
        },
    }
}

#[test]
fn power_in_is_heat_and_loss_and_work_within_a_thousandth() {
    for sequence in [Sequence::Wave, Sequence::TwoPhase, Sequence::HalfStep] {
        let machine = machine(sequence);
        let step = 0.1 * machine.internal_step();
        let mut simulator = Simulator::at_rest(&machine, 0, step);
        let before = simulator.energy();
        let (mut supplied, mut heat, mut loss, mut work) = (0.0, 0.0, 0.0, 0.0);
        // From a rest up to 600 full steps a second, so that energy is stored as well.
        let per_step = f64::from(machine.microsteps());
        let mut time = 0.0;
        for command in 1..=400 {
            let rate = (100.0 + 2.0 * f64::from(command)).min(600.0) * per_step;
            simulator.command(command.into());
            let Demand::Voltage(a, b) = machine.demand(command.into()) else {
                panic!("a fixed voltage");
            };
            let mut last = (simulator.time(), *simulator.state());
            time += 1.0 / rate;
            simulator.advance_with(time, |simulator| {
                let (now, state) = (simulator.time(), *simulator.state());
                let half = 0.5 * (now - last.0);
                for state in [last.1, state] {
                    let (ia, ib, speed) = (state.current_a, state.current_b, state.speed);
                    supplied += half * (a * ia + b * ib);
                    heat += half * machine.resistance * (ia * ia + ib * ib);
                    loss += half * speed * (machine.viscous * speed)
                        + half * machine.rotor_friction * speed.abs();
                    work += half * speed * machine.constant_torque
                        + half * machine.friction * speed.abs();
                }
                last = (now, state);
            });
        }
        let stored = simulator.energy() - before;
        assert!(loss > 0.01 * supplied && work > 0.01 * supplied);
        let off = (supplied - heat - loss - work - stored) / supplied;
        assert!(off.abs() < 1e-3, "{sequence:?}: {off}");
    }
}
