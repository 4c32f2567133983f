//! Currents behind the filters of converters that are a PWM.

use std::f64::consts::{PI, TAU};

use approx::assert_relative_eq;

use crate::diagnostic::Source;
use crate::physics::feed::Feed;
use crate::physics::filter::ConverterFilter;
use crate::physics::machine::equations::Damper;
use crate::physics::machine::{Machine, Simulator};
use crate::rig::{Axis, NoFiles, Rig};
use crate::testing::motors::MEDIUM;

/// An axis whose converters have such a filter (us).
pub(crate) fn axis(time_constant: f64, order: u32, microsteps: u32) -> Axis {
    let text = format!(
        "axes: {{ a: {{ motor: {{ {MEDIUM} }}, drive: {{ kind: linear-current, supply: 100 V, peak_current: 0.5 A, \
         microsteps: {microsteps}, sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.5 V, \
         converter_filter: {{ pwm_frequency: 62500 Hz, time_constant: {time_constant} us, order: {order} }} }} }} }}\n\
         timer: {{ clock: 16 MHz }}\n"
    );
    let read = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles).unwrap();
    read.rig.axes[0].clone()
}

/// Without anything that turns the rotor but its currents.
fn machine(axis: &Axis) -> Machine {
    Machine {
        detent_torque: 0.0,
        friction: 0.0,
        rotor_friction: 0.0,
        viscous: 0.0,
        ..Machine::of(axis)
    }
}

const TIMES: [f64; 4] = [20e-6, 60e-6, 150e-6, 400e-6];
/// Time constant of a section (us), sections, what is left of a jump at those times, and how far
/// the solution may be off: where regulator and section have one time constant, it takes another one.
/// Source: scipy 1.15.3, `signal.lsim` of 1/((1 + sT)ⁿ (1 + sτ)) with τ = 20 us for a unit step, on
/// a grid of 0.01 us.
const JUMPS: [(f64, u32, [f64; 4], f64); 4] = [
    (
        60.0,
        1,
        [0.890_857_245, 0.526_925_628, 0.122_850_956, 0.001_908_950],
        1e-6,
    ),
    (
        60.0,
        2,
        [0.987_633_999, 0.840_175_510, 0.369_520_765, 0.013_680_814],
        1e-6,
    ),
    (
        20.0,
        1,
        [0.735_758_882, 0.199_148_273, 0.004_701_217, 0.000_000_043],
        1e-3,
    ),
    (
        20.0,
        2,
        [0.919_698_603, 0.423_190_081, 0.020_256_715, 0.000_000_456],
        1e-3,
    ),
];

#[test]
fn a_jump_of_the_set_point_reaches_the_current_as_the_linear_system_has_it() {
    for (time_constant, order, left, off) in JUMPS {
        // A full step turns the current of one phase round, while the rotor stands.
        let axis = axis(time_constant, order, 1);
        let held = Machine {
            inertia: 1e9,
            ..machine(&axis)
        };
        for longest in [1e-6, 7e-6, held.internal_step()] {
            let mut simulator = Simulator::at_rest(&held, 0, longest);
            let before = simulator.state().current_a;
            simulator.command(1);
            for (time, left) in TIMES.iter().zip(left) {
                simulator.advance(*time);
                let share = 0.5 + 0.5 * simulator.state().current_a / before;
                assert_relative_eq!(share, left, epsilon = off);
            }
        }
    }
}

/// The currents of a rotor that turns evenly lag by n atan ωT + atan ωτ (frequency response of the
/// linear system), and without a load it turns with them.
#[test]
fn a_rotor_without_a_load_lags_by_the_phase_of_filter_and_regulator() {
    for (time_constant, order, rate) in [(60.0, 1, 900.0), (60.0, 2, 900.0), (250.0, 2, 300.0)] {
        let axis = axis(time_constant, order, 64);
        let omega = PI / 2.0 * rate;
        let regulator = (omega * 20e-6_f64).atan();
        let filter = ConverterFilter::of(&axis);
        let lag = filter.unwrap().lag(omega);
        assert!(lag > 0.05, "{lag}");
        for (behind, expected) in [(filter, lag + regulator), (None, regulator)] {
            let mut machine = machine(&axis);
            match &mut machine.feed {
                Feed::Regulated { filter, .. } => *filter = behind,
                Feed::FixedVoltage { .. } => unreachable!("a regulator"),
            }
            let step = machine.internal_step();
            let mut simulator = Simulator::at_rest(&machine, 0, step);
            let natural = machine.natural_frequency();
            simulator.put_on(Damper {
                damping: 2.0 * machine.inertia * natural,
                about: omega / machine.rotor_teeth,
            });
            let microstep = machine.microstep_electrical();
            let from = 40.0 / natural;
            let (mut all, mut last) = (0.0_f64, 0.0_f64);
            let mut k = 0i64;
            let to = from + 20.0 * TAU / omega;
            while simulator.time() < to {
                k += 1;
                simulator.advance_with(k as f64 * microstep / omega, |simulator| {
                    let now = simulator.time();
                    if now > from {
                        let turned = machine.rotor_teeth * simulator.angle();
                        all += (omega * now - turned) * (now - last.max(from));
                    }
                    last = now;
                });
                simulator.command(k);
            }
            // The commanded angle is half a microstep behind in the mean.
            let mean = all / (last - from) - 0.5 * microstep;
            assert!(
                (mean - expected).abs() < 0.002,
                "{mean} for {expected} at {rate}"
            );
        }
    }
}
