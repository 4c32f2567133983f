//! The balance of energy of a running machine: what the supply puts in is heat in the phases,
//! loss in the rotor, work on the load, and what the machine stores.

use std::f64::consts::TAU;

use crate::physics::feed::Feed;
use crate::physics::machine::{Machine, Simulator, State};
use crate::rig::Sequence;

impl Simulator<'_> {
    /// Voltages across the phases (V).
    fn voltages(&self) -> (f64, f64) {
        let (m, s) = (self.machine(), self.state());
        let change = self.equations.slope(&self.during, s);
        let (sin, cos) = libm::sincos(m.rotor_teeth * s.angle);
        let emf = m.torque_constant * s.speed;
        (
            m.inductance * change.current_a + m.resistance * s.current_a - emf * sin,
            m.inductance * change.current_b + m.resistance * s.current_b + emf * cos,
        )
    }

    /// Energy in the machine (J): ½L i² of both phases, ½Jω², and that of the rotor in
    /// the detent's field, −(Td/4N) cos 4θe.
    pub(crate) fn energy(&self) -> f64 {
        let (m, s) = (self.machine(), self.state());
        let detent = m.detent_torque / (4.0 * m.rotor_teeth);
        0.5 * m.inductance * (s.current_a * s.current_a + s.current_b * s.current_b)
            + 0.5 * m.inertia * s.speed * s.speed
            - detent * libm::cos(4.0 * m.rotor_teeth * s.angle)
    }
}

/// The medium motor of the tests, its winding and switches warm, with eddy currents for 70 Ω, hysteresis and a load.
fn machine(feed: Feed) -> Machine {
    let torque_constant = 0.42 / (1.5 * std::f64::consts::SQRT_2);
    Machine {
        rotor_teeth: 50.0,
        resistance: 2.7,
        inductance: 4.2e-3,
        torque_constant,
        detent_torque: 0.017,
        inertia: 65e-7,
        load_inertia: 0.0,
        efficiency: 1.0,
        viscous: torque_constant * torque_constant / 70.0,
        friction: 0.02,
        rotor_friction: 0.015,
        constant_torque: 0.03,
        unbalance_torque: 0.0,
        harmonics: crate::physics::Harmonics::NONE,
        gearing: 1.0,
        feed,
    }
}

/// A drive that regulates 1.5 A.
fn regulated(supply: f64, microsteps: u32) -> Feed {
    Feed::Regulated {
        supply,
        peak_current: 1.5,
        microsteps,
        time_constant: 20e-6,
        correction: crate::physics::Harmonics::NONE,
        filter: None,
    }
}

/// Power at an instant (W): from the supply, heat, loss of the rotor, work on the load.
fn powers(simulator: &Simulator<'_>) -> [f64; 4] {
    let (machine, state) = (simulator.machine(), simulator.state());
    let (a, b) = simulator.voltages();
    let (ia, ib, speed) = (state.current_a, state.current_b, state.speed);
    [
        a * ia + b * ib,
        machine.resistance * (ia * ia + ib * ib),
        speed * machine.viscous * speed + machine.rotor_friction * speed.abs(),
        speed * machine.constant_torque + machine.friction * speed.abs(),
    ]
}

/// Runs a machine from a rest up to `rate` full steps a second, so that energy is stored as well.
fn balances(feed: Feed, rate: f64) {
    let machine = machine(feed);
    let step = 0.1 * machine.internal_step();
    let mut simulator = Simulator::at_rest(&machine, 0, step).no_coarser_than(step);
    let before = simulator.energy();
    let microsteps = i64::from(machine.microsteps());
    let mut sums = [0.0; 4];
    let mut time = 0.0;
    for command in 1..=200 * microsteps {
        let full_steps = command as f64 / microsteps as f64;
        simulator.command(command);
        let mut last = (simulator.time(), powers(&simulator));
        time += 1.0 / ((100.0 + 4.0 * full_steps).min(rate) * microsteps as f64);
        simulator.advance_with(time, |simulator| {
            let now = (simulator.time(), powers(simulator));
            for (sum, (was, is)) in sums.iter_mut().zip(last.1.iter().zip(now.1)) {
                *sum += 0.5 * (now.0 - last.0) * (was + is);
            }
            last = now;
        });
    }
    let [supplied, heat, loss, work] = sums;
    let stored = simulator.energy() - before;
    assert!(loss > 0.01 * supplied && work > 0.01 * supplied, "{feed:?}");
    let off = (supplied - heat - loss - work - stored) / supplied;
    assert!(off.abs() < 1e-3, "{feed:?}: {off}");
}

#[test]
fn power_in_is_heat_and_loss_and_work_within_a_thousandth() {
    for sequence in [Sequence::Wave, Sequence::TwoPhase, Sequence::HalfStep] {
        let supply = 4.0;
        balances(Feed::FixedVoltage { supply, sequence }, 600.0);
    }
}

/// On 24 V the current stays in regulation, on 9 V the supply runs out of voltage on the way.
#[test]
fn power_in_is_heat_and_loss_and_work_on_a_regulated_drive() {
    for (supply, microsteps) in [(24.0, 1), (24.0, 16), (9.0, 2), (9.0, 16)] {
        balances(regulated(supply, microsteps), 600.0);
    }
}

/// Without detent, friction and drag the rotor swings on a spring that is linear within 0.1 % here:
/// all of its energy is in the spring, a quarter of a period later all is speed.
#[test]
fn a_rotor_that_is_let_go_swings_as_far_as_it_was_turned() {
    let machine = Machine {
        detent_torque: 0.0,
        viscous: 0.0,
        friction: 0.0,
        rotor_friction: 0.0,
        constant_torque: 0.0,
        ..machine(regulated(24.0, 16))
    };
    let step = machine.internal_step();
    let rest = *Simulator::at_rest(&machine, 0, step).state();
    let turned = 0.05;
    let state = State {
        angle: rest.angle + turned / machine.rotor_teeth,
        ..rest
    };
    let mut simulator = Simulator::new(&machine, state, 0, step);
    for quarter in 0..4 {
        let period = TAU / machine.natural_frequency();
        simulator.advance(f64::from(quarter) * period / 4.0);
        approx::assert_relative_eq!(simulator.swing(), turned, max_relative = 0.01);
    }
}
