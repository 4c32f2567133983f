//! What the motor can do, against `reference/motor_limits.json`.
//!
//! `reference/motor_limits.py` makes it from the machine's equations alone, by an integration
//! of its own and by numpy's eigenvalues (`reference/redo` runs it again). The values are true of
//! the model, not of a measured motor.

use crate::physics::forced::{LAG_LIMIT_DEG, forced_bands};
use crate::physics::linear::{current_swing, voltage_swing};
use crate::physics::load::ShaftLoad;
use crate::physics::machine::tests::hold_speed;
use crate::physics::orbit::growth_rate;
use crate::physics::stability::{bands, unstable_bands};
use crate::physics::torque::PullOut;
use crate::physics::{Band, BandKind, Feed, Machine};
use crate::rig::{Axis, Direction, PullOutPoint, Sequence};
use crate::testing::bench::{Bench, MotorData};
use crate::testing::model::{self, entries, limits, number, of_motor};
use crate::testing::motors;
use crate::testing::spread::Spread;
use crate::units::{Resistance, Torque};

/// Of the rotor with its load (Hz).
fn natural_frequency(axis: &Axis) -> f64 {
    Machine::of(axis).natural_frequency() / std::f64::consts::TAU
}

#[test]
fn pull_out_is_within_4_per_cent_of_the_held_speed_integration() {
    let limits = limits();
    let mut spread = Spread::default();
    let cases = entries(&limits, "pull_out");
    for case in &cases {
        let axis = Bench::of_case(&limits, case).axis();
        let rate = number(&case["step_rate_hz"]);
        let ours = PullOut::of(&axis).at_step_rate(rate);
        let ratio = ours / number(&case["torque_nm"]);
        let drive = case["sequence"].as_str().unwrap_or("regulated");
        let class = format!("{} {drive}", case["motor"].as_str().unwrap());
        if rate >= 0.9 * natural_frequency(&axis) {
            spread.add(format!("above 0.9 f_n, {class}"), ratio - 1.0);
            assert!((0.96..=1.035).contains(&ratio), "{case}: {ours}");
        } else {
            spread.add(format!("below 0.9 f_n, {class}"), ratio - 1.0);
            assert!(ratio <= 1.05, "{case}: {ours}");
        }
    }
    spread.print("pull-out curve over the outside integration");
    assert_eq!(cases.len(), 120);
}

#[test]
fn slow_full_steps_promise_no_more_than_a_load_raised_from_zero_finds() {
    let limits = limits();
    let mut seen = 0;
    let mut spread = Spread::default();
    for case in entries(&limits, "pull_out") {
        let Some(raised) = case["raised_nm"].as_f64() else {
            continue;
        };
        let axis = Bench::of_case(&limits, &case).axis();
        let rate = number(&case["step_rate_hz"]);
        // Closer to the natural frequency the steps excite the swing and the rotor may drop out
        // of any load: a matter of critical speeds.
        if rate > 0.7 * natural_frequency(&axis) {
            continue;
        }
        let ours = PullOut::of(&axis).at_step_rate(rate);
        assert!(
            ours <= 1.05 * raised && ours >= 0.75 * raised,
            "{case}: {ours}"
        );
        spread.add(case["sequence"].as_str().unwrap(), ours / raised - 1.0);
        seen += 1;
    }
    spread.print("pull-out curve over a load raised from zero, below 0.7 f_n");
    assert!(seen >= 28, "{seen}");
}

/// On three more motors with sines of the rated current as peak; scipy's adaptive
/// integrators hold the speed (`reference/motor_model.py`).
#[test]
fn pull_out_is_within_4_per_cent_of_scipy() {
    let mut spread = Spread::default();
    let mut seen = 0;
    for case in entries(&model::scipy(), "pull_out") {
        let [name, drive] = ["motor", "drive"].map(|key| case[key].as_str().unwrap());
        let motor = &model::scipy()["motors"][name];
        let [r, l, i, th, j, ceiling] =
            ["R", "L", "I", "Th", "J", "ceiling"].map(|key| number(&motor[key]));
        let bench = Bench::new(MotorData {
            resistance: r,
            inductance: l,
            rated_current: i,
            holding_torque: th,
            inertia: j,
            detent: 0.0,
        });
        let axis = match drive {
            "wave" => bench.fixed_voltage(r * i, Sequence::Wave),
            "two-phase" => bench.fixed_voltage(r * i, Sequence::TwoPhase),
            "half-step" => bench.fixed_voltage(r * i, Sequence::HalfStep),
            _ => bench.regulated(ceiling, i, 16),
        }
        .axis();
        let rate = number(&case["step_rate_hz"]);
        // The curve takes the regulator as ideal; scipy's takes 20 us, which is nothing of a full
        // step of 100 us and more.
        if rate < 0.9 * natural_frequency(&axis) || rate > 1e4 {
            continue;
        }
        let ratio = PullOut::of(&axis).at_step_rate(rate) / number(&case["torque_nm"]);
        spread.add(format!("{name} motor, {drive}"), ratio - 1.0);
        assert!((0.96..=1.04).contains(&ratio), "{case}: {ratio}");
        seen += 1;
    }
    spread.print("pull-out curve over scipy");
    assert!(seen >= 30, "{seen}");
}

#[test]
fn natural_frequency_is_that_of_the_rule_worked_by_hand() {
    // D. W. Jones, Stepping Motors (University of Iowa): f = √(k/J)/2π with
    // k = h (π/2)/S for a holding torque h and a step of S radians. By hand, for 0.42 N·m,
    // π/100 rad and 65 g·cm²: k = 0.42 · 50 = 21 N·m, √(21/65e-7) = 1797.43 rad/s, 286.070 Hz.
    let axis = Bench::medium()
        .regulated(24.0, 1.5 * 2_f64.sqrt(), 16)
        .axis();
    let ours = natural_frequency(&axis);
    assert!((ours - 286.070).abs() < 0.001, "{ours}");
}

/// The rig of an outside check declares it so.
#[test]
fn a_motor_declared_without_losses_has_the_torque_of_the_equations_and_no_band() {
    let mut axis = Bench::medium().detent(0.0).axis();
    axis.motor.friction_torque = None;
    let machine = Machine::of(&axis);
    let equations = formula(&machine, machine.feed.fundamental_voltage());
    let pull_out = PullOut::of(&axis);
    for rate in [400.0, 800.0, 1600.0, 3200.0] {
        let sample = pull_out.sample(rate);
        let expected = equations(machine.speed_of(rate));
        assert!((sample.torque / expected - 1.0).abs() < 1e-12, "{sample:?}");
        assert_eq!([sample.low, sample.high], [sample.torque; 2], "{sample:?}");
    }
    // The same motor with losses that are only assumed has less, and a band.
    axis.motor.viscous_damping = None;
    axis.motor.detent_torque = None;
    let sample = PullOut::of(&axis).sample(800.0);
    assert!(sample.low < sample.torque && sample.torque < sample.high);
    assert!(sample.torque < pull_out.sample(800.0).torque);
}

#[test]
fn a_measured_curve_is_torque_at_the_shaft_and_is_charged_no_loss() {
    let mut axis = Bench::medium()
        .regulated(24.0, 1.5, 16)
        .viscous(5e-3)
        .axis();
    axis.motor.friction_torque = Some(Torque::new(0.05));
    axis.motor.pull_out = Some(
        [(0.0, 0.3), (1000.0, 0.2)]
            .map(|(step_rate_hz, torque)| PullOutPoint {
                step_rate_hz,
                torque: Torque::new(torque),
            })
            .to_vec(),
    );
    let sample = PullOut::of(&axis).sample(500.0);
    assert_eq!([sample.low, sample.torque, sample.high], [0.25; 3]);
    // Nor does the load ask for it: without friction of its own it asks for none.
    let load = ShaftLoad::of(&axis);
    let asked = load.required_torque(sample.omega, 0.0, Direction::Positive);
    assert_eq!(asked, 0.0);
}

/// With a fixed voltage it is that of machine and windings, with a regulated current that of the
/// machine alone.
#[test]
fn the_natural_frequency_that_is_printed_is_that_of_the_eigenvalues() {
    let limits = limits();
    let mut seen = 0;
    for case in entries(&limits, "swings") {
        if case["drive"] != "voltage" {
            continue;
        }
        let bare = model::bare(&limits, &case);
        let resistance = number(&case["windings"]) * bare.resistance;
        let machine = Machine {
            resistance,
            feed: Feed::FixedVoltage {
                supply: resistance * of_motor(&limits, &case)("I"),
                sequence: Sequence::TwoPhase,
            },
            ..bare
        };
        let damping = number(&case["damping_ratio"]);
        let eigenvalue = number(&case["natural_rad_s"]) * (1.0 - damping * damping).sqrt();
        let ratio = machine.ringing_frequency() / eigenvalue;
        assert!((ratio - 1.0).abs() < 1e-6, "{case}: {ratio}");
        seen += 1;
    }
    assert_eq!(seen, 4);
}

/// Pull-out torque of the fundamental on a fixed voltage, without any correction.
fn formula(machine: &Machine, voltage: f64) -> impl Fn(f64) -> f64 + Sync + use<> {
    let (r, k) = (machine.resistance, machine.torque_constant);
    let reactance = machine.rotor_teeth * machine.inductance;
    move |omega| {
        let z2 = r * r + (reactance * omega).powi(2);
        k * voltage / z2.sqrt() - k * k * omega * r / z2
    }
}

#[test]
fn unstable_edges_are_within_1_5_per_cent_of_the_outside_eigenvalues() {
    let limits = limits();
    let mut worst = 0.0_f64;
    let cases = entries(&limits, "unstable");
    assert_eq!(cases.len(), 48);
    for mut case in cases {
        case["sequence"] = "two-phase-on".into();
        let mut machine = Machine::of(&Bench::of_case(&limits, &case).axis());
        // The damping is relative to the swing on the holding torque.
        let holding = of_motor(&limits, &case)("Th");
        let natural = (50.0 * holding / machine.inertia).sqrt();
        machine.viscous = 2.0 * number(&case["damping_ratio"]) * natural * machine.inertia;
        let share = number(&case["load_share"]);
        let voltage = 4.0 / std::f64::consts::PI * number(&case["supply_v"]);
        let pull_out = formula(&machine, voltage);
        let ours = unstable_bands(&machine, |omega| share * pull_out(omega));
        let outside: Vec<(f64, Option<f64>)> =
            serde_json::from_value(case["bands"].clone()).unwrap();
        assert_eq!(ours.len(), outside.len(), "{case}: {ours:?}");
        for (ours, (from, to)) in ours.iter().zip(outside) {
            let edges = [
                (Some(ours.from_step_rate_hz), Some(from)),
                (ours.to_step_rate_hz, to),
            ];
            for (ours, outside) in edges {
                assert_eq!(ours.is_some(), outside.is_some(), "{case}");
                let deviation = ours.zip(outside).map_or(0.0, |(a, b)| (a / b - 1.0).abs());
                assert!(deviation < 0.015, "{case}: {ours:?} {outside:?}");
                worst = worst.max(deviation);
            }
        }
    }
    println!("largest deviation of an edge: {worst}");
}

/// A small swing about a staircase of 16 microsteps grows or fades as it does in an integration. Without
/// damping the growth jumps from one rate to the next, with the number of microsteps whose current does
/// not come to rest on its set point. Where it grows the integration leaves the steady motion, so there
/// only the sign is held.
#[test]
fn swings_about_a_clipped_staircase_grow_as_in_an_integration() {
    let limits = limits();
    let cases = entries(&limits, "growth");
    assert_eq!(cases.len(), 24);
    for case in cases {
        let [supply, rate, outside] =
            ["supply_v", "step_rate_hz", "growth_per_s"].map(|key| number(&case[key]));
        let axis = Bench::of_case(&limits, &case).detent(0.0).axis();
        let mut machine = Machine::of(&axis);
        let torque = number(&case["load_share"]) * PullOut::of(&axis).at(machine.speed_of(rate));
        (machine.friction, machine.rotor_friction) = (0.0, 0.0);
        machine.constant_torque = torque - machine.viscous * machine.speed_of(rate);
        let ours = growth_rate(&machine, rate).unwrap();
        println!("{supply} V {rate}/s: {ours:.1} against {outside:.1}");
        match outside > 0.0 {
            true => assert!(ours > 0.0, "{case}: {ours}"),
            false => approx::assert_relative_eq!(ours, outside, epsilon = 5.0, max_relative = 0.05),
        }
    }
}

/// A swing of 10 electrical degrees grows in the integration of a sine from there on. At a tenth of the
/// pull-out torque ours begins up to a third earlier, on the safe side: the swing is taken as small and
/// the sine as a staircase, see above.
#[test]
fn regulated_drives_begin_to_hunt_near_an_integration_at_half_load_and_no_later_at_less() {
    let limits = limits();
    let cases = entries(&limits, "hunting");
    assert_eq!(cases.len(), 8);
    for case in cases {
        let axis = Bench::of_case(&limits, &case).detent(0.0).axis();
        let pull_out = PullOut::of(&axis);
        let share = number(&case["load_share"]);
        let ours = unstable_bands(&Machine::of(&axis), |omega| share * pull_out.at(omega));
        let ratio = ours[0].from_step_rate_hz / number(&case["first_hunting_hz"]);
        println!("{case} {ratio:.3}");
        let least = if share < 0.5 { 0.65 } else { 0.88 };
        assert!((least..=1.12).contains(&ratio), "{case}: {ratio}");
    }
}

/// Several orbits are looked at in parallel, and the load is more than the clipped wave carries from some
/// speed on, of which the cores come to know in any order.
#[test]
fn a_band_that_ends_where_the_load_is_too_much_is_the_same_every_time() {
    for share in [0.05, 0.1, 0.15, 0.2, 0.25, 0.3] {
        let axis = Bench::medium().regulated(24.0, 1.5, 16).axis();
        let machine = Machine::of(&axis);
        let torque = share * machine.holding_torque();
        let first = unstable_bands(&machine, |_| torque);
        for _ in 0..25 {
            assert_eq!(unstable_bands(&machine, |_| torque), first, "{share}");
        }
    }
}

/// scipy lets a swing about steady running grow or fade (`reference/motor_model.py`).
#[test]
fn the_medium_motor_at_rated_voltage_is_unstable_from_between_500_and_650_steps_a_second_upward() {
    let axis = Bench::medium().detent(0.0).axis();
    let machine = Machine::of(&axis);
    let pull_out = PullOut::of(&axis);
    let found = unstable_bands(&machine, |omega| 0.3 * pull_out.at(omega));
    let [band] = found.as_slice() else {
        panic!("{found:?}");
    };
    assert!((500.0..650.0).contains(&band.from_step_rate_hz), "{band:?}");
    assert_eq!(band.to_step_rate_hz, None);
    let mut rates = Vec::new();
    for case in entries(&model::scipy(), "growth") {
        if case["motor"] != "medium" || case["viscous"] != 0.0 {
            continue;
        }
        let rate = number(&case["step_rate_hz"]);
        let voltage = machine.feed.fundamental_voltage();
        let omega = machine.speed_of(rate);
        let ours = voltage_swing(&machine, voltage, omega, number(&case["load_nm"]))
            .unwrap()
            .growth();
        let scipy = number(&case["growth_1_s"]);
        assert!((ours - scipy).abs() < 3.0, "{case}: {ours}");
        assert_eq!(scipy > 0.0, rate > band.from_step_rate_hz, "{case}");
        rates.push(rate);
    }
    assert_eq!(rates, [500.0, 650.0, 1500.0, 3000.0]);
}

#[test]
fn swings_at_standstill_are_those_of_the_outside_eigenvalues() {
    let limits = limits();
    let mut seen = 0;
    for case in entries(&limits, "swings") {
        let current = of_motor(&limits, &case)("I");
        if case["detent_nm"] != 0.0 {
            continue;
        }
        let bare = model::bare(&limits, &case);
        let machine = Machine {
            viscous: number(&case["viscous"]),
            resistance: number(&case["windings"]) * bare.resistance,
            ..bare
        };
        // Both phases on: the vector at rest is √2 times that of one phase.
        let vector = 2_f64.sqrt() * current;
        let swing = match case["drive"].as_str().unwrap() {
            "voltage" => voltage_swing(&machine, machine.resistance * vector, 0.0, 0.0),
            _ => current_swing(&machine, vector, 0.0),
        }
        .unwrap();
        // The fastest-growing eigenvalue is the swing; its |s| is the undamped frequency.
        let natural = swing.omega / number(&case["natural_rad_s"]);
        let zeta = swing.zeta / number(&case["damping_ratio"]);
        assert!((natural - 1.0).abs() < 1e-5, "{case}: {natural}");
        assert!((zeta - 1.0).abs() < 1e-5, "{case}: {zeta}");
        seen += 1;
    }
    assert_eq!(seen, 8);
}

#[test]
fn forced_bands_cover_the_critical_speeds_of_the_outside_integration() {
    // Ideal current, a synchronised start, speeds 3.7 % apart: a critical speed counts as
    // found where a band of ours is within one such step of it.
    //
    // The outside integration leaves the first swings after the start out of its peak lag. Here
    // they count, for a motor that comes to a speed has first swings too. So an alarm is
    // false where the simulator, left to itself at that speed, finds nothing either.
    const STEP: f64 = 1.037;
    let grid: Vec<f64> = (-43..24).map(|k| 0.759 * 1.0365_f64.powi(k)).collect();
    let (mut bad, mut found, mut lost, mut lost_found) = (0_usize, 0_usize, 0_usize, 0_usize);
    let (mut beyond, mut false_alarms) = (0_usize, 0_usize);
    let limits = limits();
    let cases = entries(&limits, "critical");
    assert_eq!(cases.len(), 80);
    let data = MotorData::from(motors::medium());
    for case in cases {
        let of_holding = |key: &str| number(&case[key]) * data.holding_torque;
        let motor = Bench::new(data).detent(of_holding("detent_share"));
        let microsteps = case["microsteps"].as_u64().unwrap() as u32;
        let peak = data.rated_current * 2_f64.sqrt();
        let mut machine = Machine::of(&motor.regulated(1e4, peak, microsteps).axis());
        machine.constant_torque = of_holding("load_share");
        let zeta = number(&case["damping_ratio"]);
        machine.viscous = 2.0 * zeta * machine.natural_frequency() * machine.inertia;
        let natural = machine.natural_frequency() / std::f64::consts::TAU;
        let ours = forced_bands(&machine, &[]);
        let covered =
            |share: f64, step: f64| ours.iter().any(|band| covers(band, share * natural, step));
        let outside: Vec<(f64, f64)> =
            serde_json::from_value(case["bands_of_natural"].clone()).unwrap();
        let is_bad = |share: f64| {
            outside
                .iter()
                .any(|(from, to)| (from / 1.002..=to * 1.002).contains(&share))
        };
        for share in &grid {
            if is_bad(*share) {
                bad += 1;
                found += usize::from(covered(*share, STEP));
            } else if covered(*share, 1.0) {
                beyond += 1;
                let seconds = 400.0 / machine.natural_frequency();
                let held = hold_speed(&machine, share * natural, 0.0, seconds);
                false_alarms +=
                    usize::from(!held.lost && held.peak_lag_excess_deg <= LAG_LIMIT_DEG);
            }
        }
        for share in case["lost_of_natural"].as_array().unwrap() {
            lost += 1;
            lost_found += usize::from(covered(share.as_f64().unwrap(), STEP));
        }
    }
    println!(
        "lost {lost_found} of {lost}, bad {found} of {bad}; beyond these {beyond} alarms, of which {} are bad here too",
        beyond - false_alarms
    );
    assert!(lost > 180 && bad > 220, "{lost} {bad}");
    assert!(lost_found as f64 >= 0.98 * lost as f64);
    assert!(found as f64 >= 0.95 * bad as f64);
    assert!(false_alarms <= found, "{false_alarms}");
    // Most of the rest is the least damping, where full steps are called rough everywhere below
    // 1.3 f_n on purpose.
    assert!(2 * beyond <= 3 * found, "{beyond}");
}

fn covers(band: &Band, rate: f64, step: f64) -> bool {
    band.from_step_rate_hz <= rate * step && band.to_step_rate_hz.is_none_or(|to| rate <= to * step)
}

#[test]
fn sixteenth_steps_have_no_forced_bands_and_full_steps_do() {
    let forced = |microsteps: u32| {
        let axis = Bench::medium()
            .regulated(24.0, 1.5, microsteps)
            .viscous(4e-4)
            .axis();
        let mut found = bands(&axis);
        found.retain(|band| band.kind == BandKind::Forced);
        found
    };
    assert_eq!(forced(16), []);
    assert!(!forced(1).is_empty());
}

/// The shaft torque of two motors with a core-loss resistance and friction at eight speeds
/// each, which `reference/motor_losses.py` integrates with scipy, the core loss phase by phase.
#[test]
fn pull_out_with_losses_is_within_2_per_cent_of_scipy() {
    let text = include_str!("../../../tests/reference/motor_losses.json");
    let outside: serde_json::Value = serde_json::from_str(text).unwrap();
    let mut spread = Spread::default();
    let entries = outside["pull_out"].as_array().unwrap();
    for entry in entries {
        let name = entry["motor"].as_str().unwrap();
        let motor = |key: &str| outside["motors"][name][key].as_f64().unwrap();
        let given = |key: &str| entry[key].as_f64().unwrap();
        let bench = Bench::new(MotorData {
            resistance: motor("R"),
            inductance: motor("L"),
            rated_current: motor("I"),
            holding_torque: motor("Th"),
            inertia: motor("J"),
            detent: motor("Td"),
        });
        let sequence = match entry["drive"].as_str().unwrap() {
            "wave" => Sequence::Wave,
            _ => Sequence::TwoPhase,
        };
        let mut axis = bench.fixed_voltage(given("supply_v"), sequence).axis();
        axis.drive.switch_resistance = Resistance::new(given("series_ohm"));
        axis.motor.viscous_damping = None;
        axis.motor.core_loss_resistance = Some(Resistance::new(given("core_loss_resistance_ohm")));
        axis.motor.friction_torque = Some(Torque::new(given("friction_nm")));
        let rate = given("step_rate_hz");
        assert!(rate > 0.9 * natural_frequency(&axis), "{name} at {rate}");
        let ours = PullOut::of(&axis).at_step_rate(rate);
        let off = ours / given("torque_nm") - 1.0;
        spread.add(name, off);
        assert!(off.abs() < 0.02, "{entry}: {ours}");
    }
    spread.print("pull-out at the shaft with losses over scipy");
    assert_eq!(entries.len(), 16);
}
