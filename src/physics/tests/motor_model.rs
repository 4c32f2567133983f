//! The motor model against independent integrations of the same equations.
//!
//! `reference/motor_model.json` is what `reference/motor_model.py` makes with scipy's
//! adaptive integrators, and `reference/motor_limits.json` what `reference/motor_limits.py`
//! makes with numpy's eigenvalues and an integration that it holds against scipy. Each script
//! starts from the equations; `reference/redo` runs both again.

use crate::testing::model;
use crate::testing::support;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, FRAC_PI_8, PI, SQRT_2, TAU};

use crate::physics::machine::tests::{held_pull_out, hold_speed};
use crate::physics::start_stop::starts;
use crate::physics::{Feed, Machine, Simulator, State, start_stop};
use crate::rig::Sequence;
use crate::testing::model::{
    Ring, entries, limits, machine, number, numbers, of_motor, ring, ring_at, scipy,
};
use crate::testing::spread::Spread;
use serde_json::Value;

#[test]
fn the_integrator_follows_dop853_within_a_millionth_of_a_radian() {
    for case in entries(&scipy(), "integrator") {
        let machine = model::of_case(&case);
        let step = machine.internal_step();
        let mut simulator = Simulator::at_rest(&machine, 0, step);
        simulator.command(i64::from(machine.microsteps()));
        let mut worst = 0.0_f64;
        for (time, angle) in numbers(&case["times_s"]).zip(numbers(&case["angles_rad"])) {
            simulator.advance(time);
            worst = worst.max((simulator.angle() - angle).abs());
        }
        assert!(
            worst < 1e-6,
            "{}, {}: {worst:e} rad",
            case["motor"],
            case["drive"]
        );
        println!("{} {}: {worst:.1e} rad", case["motor"], case["drive"]);
    }
}

#[test]
fn small_swings_have_the_frequency_that_jones_works_out() {
    // D. W. Jones, Stepping Motors (University of Iowa), the section on resonance:
    // f = √(k/J) / 2π with k the slope of the torque curve at equilibrium, h (π/2)/S for
    // holding torque h and S radians a step. (From memory.)
    let machine = Machine {
        detent_torque: 0.0,
        ..machine("medium", "current")
    };
    let (h, s, j) = (machine.holding_torque(), PI / 100.0, machine.inertia);
    let jones = (h * FRAC_PI_2 / s / j).sqrt();
    let ring = ring(&machine);
    assert!(
        (ring.natural / jones - 1.0).abs() < 1e-3,
        "{ring:?}, {jones}"
    );
    assert!(ring.damping.abs() < 1e-4, "{ring:?}");
}

#[test]
fn ring_downs_agree_with_scipy_with_and_without_detent() {
    let mut spread = Spread::default();
    for case in entries(&scipy(), "ring_down") {
        let machine = Machine {
            viscous: number(&case["viscous"]),
            ..model::of_case(&case)
        };
        let Ring { natural, damping } = ring(&machine);
        let frequency = natural / number(&case["natural_frequency_rad_s"]) - 1.0;
        let difference = damping - number(&case["damping_ratio"]);
        assert!(frequency.abs() < 5e-3, "{case}: {natural}");
        assert!(difference.abs() < 2e-3, "{case}: {damping}");
        let motor = case["motor"].as_str().unwrap();
        spread.add(format!("{motor} motor, natural frequency"), frequency);
        spread.add(
            format!("{motor} motor, damping ratio, absolute"),
            difference,
        );
    }
    spread.print("ring-down against scipy");
}

/// With the windings' resistance and the supply a thousandfold the currents stand still, and
/// a ring-down shows the spring alone: softer where one phase is on, stiffer where two are.
/// The spring of a rotor that takes half steps is their mean.
#[test]
fn half_steps_swing_on_the_mean_of_the_springs_that_ring_downs_show() {
    let mut machine = machine("medium", "half-step");
    machine.detent_torque = 0.0;
    machine.resistance *= 1e3;
    if let Feed::FixedVoltage { supply, .. } = &mut machine.feed {
        *supply *= 1e3;
    }
    let [soft, stiff] = [0, 1].map(|command| ring_at(&machine, command).natural);
    assert!((stiff / soft).powi(4) > 1.99, "{soft}, {stiff}");
    let mean = (0.5 * (soft * soft + stiff * stiff)).sqrt();
    let ours = machine.natural_frequency();
    assert!((ours / mean - 1.0).abs() < 1e-3, "{ours} against {mean}");
}

/// Stepped at six times its natural frequency, the rotor sees only the mean spring. What a
/// step turns meanwhile softens it by sin(22.5°)/22.5° = 0.974, the frequency by 1.3 %.
#[test]
fn a_half_stepped_rotor_swings_at_its_natural_frequency_while_it_runs() {
    let mut machine = machine("medium", "half-step");
    machine.detent_torque = 0.0;
    machine.resistance *= 1e3;
    if let Feed::FixedVoltage { supply, .. } = &mut machine.feed {
        *supply *= 1e3;
    }
    let natural = machine.natural_frequency();
    let rate = 6.0 * natural / TAU;
    let start = State {
        angle: -0.1 / machine.rotor_teeth,
        speed: machine.speed_of(rate),
        ..State::default()
    };
    let mut simulator = Simulator::new(&machine, start, 0, machine.internal_step());
    let mut crossings: Vec<f64> = Vec::new();
    let mut before = (0.0, 0.1);
    for step in 1..=600_i64 {
        let time = step as f64 / (2.0 * rate);
        simulator.advance(time - 0.25 / rate);
        simulator.command(step);
        simulator.advance(time);
        let lag = simulator.lag();
        if before.1 * lag < 0.0 {
            crossings.push(before.0 + (time - before.0) * before.1 / (before.1 - lag));
        }
        before = (time, lag);
    }
    let swings = 0.5 * (crossings.len() - 1) as f64;
    let omega = TAU * swings / (crossings[crossings.len() - 1] - crossings[0]);
    assert!(swings > 10.0, "{swings}");
    let softened = (FRAC_PI_8.sin() / FRAC_PI_8).sqrt();
    assert!(
        (omega / natural - softened).abs() < 5e-3,
        "{}",
        omega / natural
    );
}

#[test]
fn ring_downs_have_the_frequency_and_damping_of_the_eigenvalues() {
    let limits = limits();
    for case in entries(&limits, "swings") {
        let motor = of_motor(&limits, &case);
        let bare = model::bare(&limits, &case);
        let resistance = number(&case["windings"]) * bare.resistance;
        let mut machine = Machine {
            detent_torque: number(&case["detent_nm"]),
            viscous: number(&case["viscous"]),
            resistance,
            feed: Feed::FixedVoltage {
                supply: resistance * motor("I"),
                sequence: Sequence::TwoPhase,
            },
            ..bare
        };
        if case["drive"] == "regulated" {
            machine.feed = Feed::Regulated {
                supply: 1e6,
                peak_current: SQRT_2 * motor("I"),
                microsteps: if case["position"] == "two" { 1 } else { 2 },
                time_constant: 20e-6,
                correction: crate::physics::Harmonics::NONE,
                filter: None,
            };
        }
        let Ring { natural, damping } = ring(&machine);
        let frequency = natural / number(&case["natural_rad_s"]) - 1.0;
        let ratio = damping / number(&case["damping_ratio"]) - 1.0;
        assert!(frequency.abs() < 2e-3, "{case}: {natural}");
        assert!(ratio.abs() < 0.02, "{case}: {damping}");
    }
}

#[test]
fn the_damping_that_a_ring_down_tells_is_that_of_the_machine() {
    // Textbook mechanics: B = 2 f J δ with the logarithmic decrement δ of a swing at f.
    let machine = Machine {
        viscous: 6e-4,
        ..machine("medium", "current")
    };
    let Ring { natural, damping } = ring(&machine);
    let damped = (1.0 - damping * damping).sqrt();
    let decrement = TAU * damping / damped;
    let found = 2.0 * natural * damped / TAU * machine.inertia * decrement;
    assert!((found / machine.viscous - 1.0).abs() < 0.01, "{found}");
}

#[test]
fn pull_out_with_the_speed_held_agrees_with_scipy() {
    let mut spread = Spread::default();
    for case in &entries(&scipy(), "pull_out") {
        let machine = model::of_case(case);
        let rate = number(&case["step_rate_hz"]);
        let ours = held_pull_out(&machine, rate);
        let relative = ours / number(&case["torque_nm"]) - 1.0;
        assert!(relative.abs() < 0.01, "{case}: {ours}");
        let [motor, drive] = ["motor", "drive"].map(|key| case[key].as_str().unwrap());
        spread.add(format!("{motor} motor, {drive}"), relative);
    }
    spread.print("simulated pull-out over scipy's");
}

#[test]
fn swings_grow_and_fade_on_the_sides_of_the_edges_where_scipy_says() {
    for case in entries(&scipy(), "growth") {
        let mut machine = Machine {
            viscous: number(&case["viscous"]),
            detent_torque: 0.0,
            ..machine(case["motor"].as_str().unwrap(), "two-phase")
        };
        if let Feed::FixedVoltage { supply, .. } = &mut machine.feed {
            *supply *= number(&case["voltage_factor"]);
        }
        let (rate, load) = (number(&case["step_rate_hz"]), number(&case["load_nm"]));
        let outcome = hold_speed(&machine, rate, load, 0.6);
        // Half a full step either way is the command's own sawtooth; slow growth shows as
        // a difference between the beginning and the end.
        let grows = outcome.late_swing_deg > outcome.early_swing_deg + 2.0;
        let hunts = outcome.lost || grows || outcome.late_swing_deg > 45.0 + 10.0;
        assert_eq!(
            hunts,
            number(&case["growth_1_s"]) > 0.0,
            "{case}: {outcome:?}"
        );
    }
}

#[test]
fn a_quarter_turn_against_friction_and_gravity_agrees_with_scipy() {
    let case = &scipy()["ninety_degrees"][0];
    let machine = Machine {
        friction: 0.03,
        constant_torque: 0.05,
        inertia: 65e-7 + 1.2e-5,
        viscous: 2e-4,
        ..machine("medium", "current")
    };
    let run = |step: f64| {
        let mut simulator = Simulator::at_rest(&machine, 0, step);
        let mut samples = numbers(&case["sampled_s"]).peekable();
        let mut angles = Vec::new();
        let mut peak = 0.0_f64;
        let end = number(&case["end_s"]);
        for (k, until) in numbers(&case["step_times_s"]).chain([end]).enumerate() {
            while let Some(sample) = samples.next_if(|sample| *sample <= until) {
                simulator.advance(sample);
                angles.push(simulator.angle());
            }
            simulator.advance(until);
            if until < end {
                simulator.command(k as i64 + 1);
                peak = peak.max(simulator.lag_degrees().abs());
            }
        }
        (angles, peak, simulator.lag_degrees())
    };
    let (angles, peak, last) = run(machine.internal_step());
    let worst = angles
        .iter()
        .zip(numbers(&case["angles_rad"]))
        .map(|(ours, scipy)| (ours - scipy).abs())
        .fold(0.0, f64::max);
    println!("angle within {worst:.1e} rad, peak lag {peak:.3}°, at rest {last:.3}°");
    assert_eq!(angles.len(), 60);
    assert!(worst < 5e-5, "{worst:e} rad");
    assert!(
        (peak - number(&case["peak_lag_at_steps_deg"])).abs() < 0.1,
        "{peak}"
    );
    assert!(
        (last - number(&case["final_lag_deg"])).abs() < 0.1,
        "{last}"
    );

    let (_, halved, _) = run(0.5 * machine.internal_step());
    assert!(
        (halved / peak - 1.0).abs() < 0.01,
        "{halved} against {peak}"
    );
}

#[test]
fn start_stop_rates_agree_with_an_independent_integration() {
    let limits = limits();
    let (mut same, mut rates) = (0, 0);
    let mut spread = Spread::default();
    let cases = entries(&limits, "start_stop");
    for case in &cases {
        let machine = model::of_start_stop(&limits, case);
        let top = number(&case["top_hz"]);
        // Chosen; the integration itself stops within 0.2 %.
        assert!(starts(&machine, 0.985 * top), "{case}");
        assert!(!starts(&machine, 1.015 * top), "{case}");
        let (mut good, mut bad) = (0.985, 1.015);
        while bad - good > 2e-3 {
            let middle = 0.5 * (good + bad);
            if starts(&machine, middle * top) {
                good = middle;
            } else {
                bad = middle;
            }
        }
        spread.add(case["drive"].as_str().unwrap(), good - 1.0);
        // Many a case has none.
        let islands = case["failing_hz"].as_array().unwrap();
        for island in islands.iter().map(number).step_by(3) {
            same += u32::from(!starts(&machine, island));
            rates += 1;
        }
    }
    spread.print("start-stop rate over the outside integration");
    println!("{same} of {rates} island rates fail here too");
    assert_eq!(cases.len(), 40);
    assert!(rates > 30 && same * 100 >= rates * 95, "{same} of {rates}");
}

#[test]
fn equal_areas_estimate_the_start_stop_rate_of_an_ideal_current_within_a_tenth() {
    // The torque of an ideal current does not fall with speed.
    let limits = limits();
    let mut seen = 0;
    for case in entries(&limits, "start_stop") {
        if case["drive"] != "ideal full" {
            continue;
        }
        let machine = model::of_start_stop(&limits, &case);
        let holding = machine.holding_torque();
        let estimate = equal_area_estimate(&machine, machine.constant_torque, |_| holding);
        let ratio = estimate / number(&case["top_hz"]);
        assert!((0.9..1.1).contains(&ratio), "{case}: {ratio}");
        seen += 1;
    }
    assert_eq!(seen, 8);
}

#[test]
fn the_scan_finds_top_edge_and_islands() {
    let limits = limits();
    let case = entries(&limits, "start_stop")
        .into_iter()
        .find(|case| case["drive"] == "regulated full" && case["load_share"] == 0.3)
        .unwrap();
    let found = start_stop(&model::of_start_stop(&limits, &case));
    let top = number(&case["top_hz"]);
    assert!((found.rate / top - 1.0).abs() < 0.01, "{found:?}, {top}");
    let failing: Vec<f64> = numbers(&case["failing_hz"]).collect();
    // The file rounds to seven digits, and the ends of an island are rates that were tried.
    let fails =
        |rate: &f64| [1.0 - 1e-6, 1.0 + 1e-6].map(|near| found.allows(rate * near)) != [true; 2];
    let inside = failing.iter().filter(|rate| fails(rate)).count();
    assert!(failing.len() > 5, "{failing:?}");
    assert!(10 * inside >= 8 * failing.len(), "{found:?}: {failing:?}");
    assert!(found.allows(0.9 * found.rate));
    assert!(!found.allows(1.02 * found.rate));
}

#[test]
fn redoing_the_integration_gives_the_committed_values() {
    // Some of each kind, the whole of what is quick: `reference/redo` does all. A growth rate is
    // a small difference of two integrations, in which the last bit of another processor's sine
    // has grown to 2e-5.
    let all: [(&str, &[usize], f64); 5] = [
        ("integrator", &[0, 1, 2, 3, 4], 1e-6),
        ("ring_down", &[0, 5, 10], 1e-6),
        ("growth", &[0, 5, 7], 1e-3),
        ("whole_move", &[1], 1e-6),
        ("pull_out", &[1, 9, 28], 1e-6),
    ];
    let wanted = all.map(|(name, cases, _)| {
        let numbers: Vec<String> = cases.iter().map(usize::to_string).collect();
        format!("{name}:{}", numbers.join(","))
    });
    let Some(redone) = support::python_says("reference/motor_model.py", wanted) else {
        return;
    };
    let redone: Value = serde_json::from_str(&redone).unwrap();
    let committed = scipy();
    model::assert_close(&redone["motors"], &committed["motors"], 1e-12, "motors");
    for (name, cases, tolerance) in all {
        for (redone, case) in entries(&redone, name).iter().zip(cases) {
            let committed = &committed[name][*case];
            model::assert_close(redone, committed, tolerance, &format!("{name}[{case}]"));
        }
    }
}

/// The start-stop rate (full steps/s) estimated by equal areas under the torque curve, with
/// ωe the electrical speed, ω_n = √(N Tpo / J), s = Tload/Tpo and d₀ the lag at the
/// first step:
///
/// ```text
/// ωe² / (2 ω_n²) = cos d₀ + √(1 − s²) − s (π − asin s − d₀)
/// ```
///
/// The kinetic energy that the rotor lacks, seen from the rotating field, must be won
/// before the lag passes the unstable balance at π − asin s (the equal-area criterion
/// of synchronous machines, a textbook method; this form derived here). Held against the
/// simulation it lies within −10 … +15 % for regulated currents and −25 … +15 % for
/// fixed voltage: an estimate, and called one.
/// `load_torque` is what resists at the motor's shaft (N·m, friction included), `pull_out` the
/// pull-out torque (N·m) at a rate in full steps/s.
fn equal_area_estimate(machine: &Machine, load_torque: f64, pull_out: impl Fn(f64) -> f64) -> f64 {
    let behind = if machine.microsteps() == 1 {
        FRAC_PI_4
    } else {
        0.0
    };
    let holding = machine.holding_torque();
    // Above zero while the field is slow enough to catch the rotor.
    let spare = |rate: f64| {
        let available = pull_out(rate);
        let share = load_torque / available;
        if !(0.0..1.0).contains(&share) || load_torque >= holding {
            return -1.0;
        }
        let first = (load_torque / holding).asin() + behind;
        let natural_squared = machine.rotor_teeth * available / machine.inertia;
        let electrical = rate * FRAC_PI_2;
        first.cos() + (1.0 - share * share).sqrt()
            - share * (PI - share.asin() - first)
            - electrical * electrical / (2.0 * natural_squared)
    };
    let (mut low, mut high) = (0.0, 8.0 * machine.natural_frequency() / TAU);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if spare(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}
