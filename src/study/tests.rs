//! Draws and their statistics. What is compared with scipy is of scipy 1.15.3, computed once;
//! `tests/commands/variations.rs` has scipy look at the draws of a real study as well.

use approx::{assert_abs_diff_eq, assert_relative_eq};

use super::statistics::{percentile, rank_correlation, wilson};
use super::varied::{Law, VariedKind};
use super::{DrawOutcome, DrawnRig, Study, StudyFailure, StudyResult};
use crate::diagnostic::Source;
use crate::physics::{RotorLoss, Spread};
use crate::rig::{NoFiles, Rig};

fn rig(motor: &str, axis: &str) -> Rig {
    let text = format!(
        "axes:
  drum:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, {motor} }}
    drive: {{ kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8 }}
    load: {{ inertia: 50 g.cm^2, friction: 60 mN.m }}
    {axis}
timer: {{ clock: 16 MHz, tolerance: 1 % }}
"
    );
    Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles)
        .unwrap()
        .rig
}

/// `scipy.stats.binomtest(k, n).proportion_ci(method="wilson")`.
#[test]
fn the_interval_of_a_share_is_wilsons() {
    for (passed, trials, low, high) in [
        (95, 100, 0.888_249_530_768_080_9, 0.978_456_320_845_632),
        (0, 20, 0.0, 0.161_125_158_052_819_35),
        (400, 400, 0.990_487_705_665_703_5, 1.0),
        (371, 400, 0.897_817_506_746_453_2, 0.949_049_481_597_722_3),
    ] {
        let interval = wilson(passed, trials);
        assert_abs_diff_eq!(interval.0, low, epsilon = 1e-7);
        assert_abs_diff_eq!(interval.1, high, epsilon = 1e-7);
    }
}

/// `scipy.stats.spearmanr` with ties; `numpy.percentile`.
#[test]
fn ranks_share_places_and_percentiles_lie_between_neighbours() {
    let x = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0, 5.0, 3.0, 5.0];
    let y = [2.0, 7.0, 1.0, 8.0, 2.0, 8.0, 1.0, 8.0, 2.0, 8.0, 4.0];
    let found = rank_correlation(&x, &y).unwrap();
    assert_relative_eq!(found, 0.138_456_765_146_769_5, max_relative = 1e-12);
    assert_eq!(rank_correlation(&x, &[1.0; 11]), None);
    let sorted = [1.0, 2.0, 4.0, 8.0, 16.0];
    for (share, value) in [(0.05, 1.2), (0.5, 4.0), (0.95, 14.4)] {
        assert_relative_eq!(
            percentile(&sorted, share).unwrap(),
            value,
            max_relative = 1e-12
        );
    }
}

#[test]
fn a_draw_is_the_same_whoever_makes_it_and_another_is_another() {
    let rig = rig("detent_torque: 18 mN.m", "tolerances: { supply: 10 % }");
    let draw = |seed, number| DrawnRig::of(&rig, seed, number);
    assert_eq!(draw(1, 5), draw(1, 5));
    assert_ne!(draw(1, 5).values, draw(1, 6).values);
    assert_ne!(draw(1, 5).values, draw(2, 5).values);
    // The random numbers are those of a published cipher, so they never change: the first even
    // number of seed 0, stream 0 is that of the key stream of ChaCha8 with the key zero, whose
    // first eight bytes are 3e 00 ef 2f 89 5f 40 d6 (Strombergson, draft-strombergson-chacha-test-vectors-01,
    // TC1, 256-bit key, 8 rounds).
    let first = u64::from_le_bytes([0x3e, 0x00, 0xef, 0x2f, 0x89, 0x5f, 0x40, 0xd6]) >> 11;
    assert_eq!(
        super::draw::first_even(0, 0),
        first as f64 / (1u64 << 53) as f64
    );
}

#[test]
fn the_ends_of_a_range_are_its_percentiles_whatever_the_law() {
    let spread = Spread {
        low: 8.0,
        typical: 10.0,
        high: 15.0,
    };
    // Even quantiles of a normal quantity by Box and Muller's formula from a grid of both numbers.
    let grid = (0..200).flat_map(|u| (0..200).map(move |v| (u, v)));
    let numbers: Vec<(f64, f64)> = grid
        .map(|(u, v)| ((f64::from(u) + 0.5) / 200.0, (f64::from(v) + 0.5) / 200.0))
        .map(|(u, v)| {
            (
                u,
                (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos(),
            )
        })
        .collect();
    let share = |law: Law, holds: &dyn Fn(f64) -> bool| {
        let values = numbers.iter().map(|(u, z)| law.value(spread, *u, *z));
        values.filter(|value| holds(*value)).count() as f64 / numbers.len() as f64
    };
    for law in [Law::Normal, Law::Factor] {
        assert_abs_diff_eq!(share(law, &|v| v < 8.0), 0.05, epsilon = 0.003);
        assert_abs_diff_eq!(share(law, &|v| v < 10.0), 0.5, epsilon = 0.003);
        assert_abs_diff_eq!(share(law, &|v| v > 15.0), 0.05, epsilon = 0.003);
    }
    assert_abs_diff_eq!(share(Law::Even, &|v| v < 9.4), 0.2, epsilon = 0.003);
    assert_abs_diff_eq!(share(Law::Upwards, &|v| v <= 10.0), 0.5, epsilon = 0.003);
    assert_abs_diff_eq!(share(Law::Upwards, &|v| v >= 15.0), 0.05, epsilon = 0.003);
}

#[test]
fn what_is_not_known_varies_and_what_is_known_does_not() {
    let kinds = |rig: &Rig| -> Vec<VariedKind> {
        let study = Study::of(rig, String::new(), 1, 1);
        study.varied.iter().map(|value| value.kind).collect()
    };
    let lossless = rig("detent_torque: 0 mN.m, viscous_damping: 0 mN.m.s/rad", "");
    assert_eq!(kinds(&lossless), [VariedKind::Clock]);
    let little = kinds(&rig("", ""));
    for kind in [
        VariedKind::TorqueConstant,
        VariedKind::DetentTorque,
        VariedKind::ViscousDamping,
        VariedKind::Temperature,
        VariedKind::Saturation,
    ] {
        assert!(little.contains(&kind), "{kind:?}");
    }
    let much = kinds(&rig(
        "detent_torque: 18 mN.m, viscous_damping: 0.4 mN.m.s/rad, friction_torque: 9 mN.m, \
         tolerances: { rotor_inertia: 5 %, torque_constant: 0 % }",
        "tolerances: { supply: 10 %, temperature: 25 degC }",
    ));
    assert_eq!(
        much,
        [
            VariedKind::PhaseInductance,
            VariedKind::RotorInertia,
            VariedKind::Saturation,
            VariedKind::Supply,
            VariedKind::Clock
        ]
    );
}

/// A draw has the values that it says, at the place where the physics looks for them.
#[test]
fn a_drawn_rig_is_known_and_holds_what_was_drawn() {
    let rig = rig(
        "tolerances: { phase_resistance: 10 %, rotor_inertia: 20 % }",
        "tolerances: { supply: 10 %, friction: 30 %, inertia: 20 % }",
    );
    let study = Study::of(&rig, String::new(), 1, 7);
    let drawn = DrawnRig::of(&rig, 7, 3);
    let value = |kind: VariedKind| {
        let place = study.varied.iter().position(|value| value.kind == kind);
        drawn.values[place.unwrap()]
    };
    let (was, is) = (&rig.axes[0], &drawn.rig.axes[0]);
    let ratio = |is: f64, was: f64| is / was;
    assert_relative_eq!(
        ratio(is.motor.torque_constant(), was.motor.torque_constant()),
        value(VariedKind::TorqueConstant),
        max_relative = 1e-12
    );
    // Copper at 0.393 %/K from 25 °C.
    let warm = 1.0 + 0.003_93 * (value(VariedKind::Temperature) - 25.0);
    assert_relative_eq!(
        ratio(
            is.motor.phase_resistance.si(),
            was.motor.phase_resistance.si()
        ),
        warm * value(VariedKind::PhaseResistance),
        max_relative = 1e-12
    );
    assert_relative_eq!(
        ratio(is.load.friction.si(), was.load.friction.si()),
        value(VariedKind::LoadFriction),
        max_relative = 1e-12
    );
    assert_relative_eq!(
        ratio(is.drive.supply.si(), was.drive.supply.si()),
        value(VariedKind::Supply),
        max_relative = 1e-12
    );
    let loss = RotorLoss::of(&is.motor);
    assert!(loss.viscous.is_exact() && loss.friction.is_exact() && loss.detent.is_exact());
    assert_eq!(
        is.motor.viscous_damping.unwrap().si(),
        value(VariedKind::ViscousDamping)
    );
    assert_eq!(drawn.rig.timer.tolerance, value(VariedKind::Clock));
    assert_eq!(is.limits.torque_margin, 0.0);
}

fn outcome(draw: u64, ok: bool, margin: f64, value: f64, count: usize) -> DrawOutcome {
    DrawOutcome {
        draw,
        ok,
        torque_margin: Some(margin),
        peak_lag_electrical_deg: Some(40.0),
        lost_steps: Some(0),
        failures: if ok {
            Vec::new()
        } else {
            vec!["torque-margin".to_owned()]
        },
        values: vec![value; count],
    }
}

#[test]
fn lines_come_back_as_they_were_and_must_be_complete() {
    let study = Study::of(&rig("", ""), "it".to_owned(), 5, 1);
    let count = study.varied.len();
    // Numbers with all digits.
    let outcomes: Vec<DrawOutcome> = (0..5)
        .map(|draw| {
            outcome(
                draw,
                draw != 2,
                1.0 / (3.0 + draw as f64),
                0.1 + draw as f64 / 7.0,
                count,
            )
        })
        .collect();
    let text = |numbers: &[u64]| {
        let lines = numbers
            .iter()
            .map(|draw| serde_json::json!(outcomes[*draw as usize]).to_string());
        let head = serde_json::json!(study).to_string();
        std::iter::once(head)
            .chain(lines)
            .collect::<Vec<_>>()
            .join("\n")
    };
    let parts = |texts: &[String]| -> Vec<(String, String)> {
        texts
            .iter()
            .map(|text| ("part".to_owned(), text.clone()))
            .collect()
    };
    let merged = study.merge(&parts(&[text(&study.part(2, 2)), text(&study.part(1, 2))]));
    assert_eq!(merged.unwrap(), outcomes);
    let refused = |texts: &[String]| study.merge(&parts(texts)).unwrap_err().to_string();
    assert!(
        refused(&[text(&[0, 1, 3])])
            .contains("2 of 5 draws are missing, the first of them number 2")
    );
    assert!(refused(&[text(&[0, 1]), text(&[1, 2, 3, 4])]).contains("draw 1 is there twice"));
    let other = Study {
        seed: 2,
        ..study.clone()
    };
    assert!(
        other
            .merge(&parts(&[text(&[0])]))
            .unwrap_err()
            .to_string()
            .contains("another study")
    );
    let broken = format!("{}\n{{\"draw\":1", text(&[0]));
    assert!(refused(&[broken]).contains("line 3"));
    let result = StudyResult::of(study.clone(), &outcomes);
    let margin = StudyFailure {
        code: "torque-margin".to_owned(),
        draws: 1,
        alone: 1,
        without_lost_step: Some(1),
    };
    assert_eq!((result.passed, result.failures.clone()), (4, vec![margin]));
}
