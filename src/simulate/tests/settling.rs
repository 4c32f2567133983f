//! `dwell until settled`: as long as the rotor swings, no longer, and told when it never
//! stops.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source};
use crate::emit::{Heading, format};
use crate::physics::{Machine, Simulator};
use crate::plan::{Item, program};
use crate::rig::Rig;
use crate::script::{Action, ActionKind, Settings};
use crate::simulate::{Options, Settler};
use crate::testing::motion::simulate;
use crate::testing::processor::Cost;
use crate::testing::rigs::{self, action, by, moving, rig, rotary, settings};
use crate::units::{Damping, Inertia, Torque, Unbalance};

/// A rotor with a light load and some viscous damping, which rings for a while.
fn ringing() -> Rig {
    let mut axis = rotary("dial", 8);
    axis.motor.viscous_damping = Some(Damping::new(1e-3));
    axis.load.inertia = Inertia::new(2e-5);
    axis.limits.settle = Some(0.13_f64.to_radians());
    rig(vec![axis])
}

fn usual() -> Arc<Settings> {
    Arc::new(settings("300 deg/s", "9000 deg/s^2"))
}

fn settled() -> Action {
    action(ActionKind::DwellUntilSettled)
}

fn plan_with(rig: &Rig, settler: &Settler, actions: &[Action]) -> Result<Vec<Item>, Diagnostic> {
    let source = Source::new("test.moves", "");
    program(rig, &source, actions.iter().cloned().map(Ok))
        .with_bands(Vec::new())
        .with_settling(settler)
        .collect()
}

fn plan(rig: &Rig, actions: &[Action]) -> Result<Vec<Item>, Diagnostic> {
    plan_with(rig, &Settler::of(rig), actions)
}

fn dwells(items: &[Item]) -> Vec<f64> {
    items
        .iter()
        .filter_map(|item| match item {
            Item::Dwell(seconds) => Some(*seconds),
            _ => None,
        })
        .collect()
}

#[test]
fn the_dwell_is_as_long_as_the_simulator_sees_the_load_swing() {
    let rig = ringing();
    let settings = usual();
    let mut actions = Vec::new();
    for travel in ["90 deg", "-3.6 deg", "0.45 deg", "200 deg", "7 deg"] {
        let rest = action(ActionKind::Dwell(1.0));
        actions.extend([moving(by(travel, &settings)), settled(), rest]);
    }
    let items = plan(&rig, &actions).unwrap();
    let outcome = simulate(&rig, items.iter().cloned(), &Options::default());
    let rate = rig.timer.tick_rate();
    let mut rang = 0;
    for (three, seen) in items.chunks(3).zip(&outcome.moves) {
        let [Item::Move(planned), Item::Dwell(dwell), _] = three else {
            panic!("{three:?}")
        };
        assert!(
            (dwell * rate - (dwell * rate).round()).abs() < 1e-6,
            "{dwell} s"
        );
        let seen = seen.settle_s.unwrap();
        // The last step comes half a microstep before the motion's end.
        let segment = planned.motion.axes[0].segments.last().unwrap();
        let tail = (1.0 / -segment.acceleration).sqrt();
        if *dwell == 0.0 {
            assert!(seen <= tail * 1.01, "{seen} {tail}");
            continue;
        }
        rang += 1;
        let found = dwell + tail;
        assert!(
            (found - seen).abs() < 0.01 * seen + 2e-5,
            "{found} against {seen}"
        );
    }
    assert!(rang >= 3, "{rang}");
}

/// Straight from the machine's equations: after the dwell the load is within `settle`,
/// and stays there; somewhat before, it was outside.
#[test]
fn after_the_dwell_the_load_is_at_its_target_for_good() {
    let rig = ringing();
    let actions = [moving(by("90 deg", &usual())), settled()];
    let items = plan(&rig, &actions).unwrap();
    let [Item::Move(planned), Item::Dwell(dwell)] = &items[..] else {
        panic!("{items:?}")
    };
    let machine = Machine::of(&rig.axes[0]);
    let mut simulator = Simulator::at_rest(&machine, 0, machine.internal_step());
    let fast = 1.0 / (1.0 + rig.timer.tolerance);
    for event in crate::schedule::Schedule::new(items.clone(), &rig) {
        if let crate::schedule::EventKind::Step { .. } = event.what {
            simulator.advance(event.tick as f64 / rig.timer.tick_rate() * fast);
            simulator.command(simulator.commanded() + 1);
        }
    }
    let end = (planned.motion.duration + dwell) * fast;
    let settle = rig.axes[0].limits.settle.unwrap();
    let (mut outside, mut inside) = (0.0, f64::INFINITY);
    simulator.advance_with(end + 1.0, |simulator| {
        if simulator.lag().abs() / machine.rotor_teeth > settle {
            (outside, inside) = (simulator.time(), f64::INFINITY);
        } else if inside == f64::INFINITY {
            inside = simulator.time();
        }
    });
    // It comes inside between two internal steps; a straight line between them tells when, within
    // some microseconds.
    assert!(outside <= end + 5e-6, "{outside} {end}");
    assert!(end <= inside + 5e-6, "{end} {inside}");
}

#[test]
fn time_that_has_passed_since_the_move_counts() {
    let rig = ringing();
    let turn = || moving(by("90 deg", &usual()));
    let dwell = |seconds| action(ActionKind::Dwell(seconds));
    let at_once = dwells(&plan(&rig, &[turn(), settled()]).unwrap())[0];
    let later = dwells(&plan(&rig, &[turn(), dwell(0.01), settled(), settled()]).unwrap());
    assert!((later[1] - (at_once - 0.01)).abs() <= 1.0 / rig.timer.tick_rate());
    assert_eq!(later[2], 0.0);
    let long = dwells(&plan(&rig, &[turn(), dwell(5.0), settled()]).unwrap());
    assert_eq!(long[1], 0.0);
    assert_eq!(dwells(&plan(&rig, &[settled()]).unwrap()), [0.0]);
}

#[test]
fn every_axis_has_settled() {
    let mut slow = rotary("slow", 8);
    slow.motor.viscous_damping = Some(Damping::new(1e-3));
    slow.load.inertia = Inertia::new(2e-4);
    slow.limits.settle = Some(0.1_f64.to_radians());
    let mut both = ringing();
    both.axes.push(slow);
    let settings = usual();
    let one = |name| moving(rigs::on(name, by("90 deg", &settings)));
    let alone = |name| dwells(&plan(&both, &[one(name), settled()]).unwrap())[0];
    let (dial, slow) = (alone("dial"), alone("slow"));
    assert!(slow > 1.5 * dial, "{slow} {dial}");
    let items = plan(&both, &[one("slow"), one("dial"), settled()]).unwrap();
    let Item::Move(second) = &items[1] else {
        panic!("two moves")
    };
    let expected = dial.max(slow - second.motion.duration);
    assert!((dwells(&items)[0] - expected).abs() <= 1.0 / both.timer.tick_rate());
}

#[test]
fn what_cannot_be_waited_for_is_refused_at_its_place() {
    let refused = |rig: &Rig| plan(rig, &[moving(by("90 deg", &usual())), settled()]).unwrap_err();
    let mut unknown = ringing();
    unknown.axes[0].limits.settle = None;
    assert_eq!(refused(&unknown).code, "settle-missing");
    // A regulated current does not damp, and here nothing else does.
    let mut free = ringing();
    free.axes[0].motor.viscous_damping = Some(Damping::new(0.0));
    let never = refused(&free);
    assert_eq!(never.code, "never-settles");
    assert!(never.message.contains("still swings"), "{}", never.message);
    // By hand: 0.1 of 0.297 N·m holds it asin(0.1/0.297)/50, 0.394 degrees, off.
    let mut held = ringing();
    held.axes[0].load.constant_torque = Torque::new(0.1);
    held.axes[0].motor.detent_torque = Some(Torque::new(0.0));
    let never = refused(&held);
    assert_eq!(never.code, "never-settles");
    assert!(
        never.message.contains("stands off by 0.39"),
        "{}",
        never.message
    );
    let source = Source::new("test.moves", "");
    let actions = [moving(by("90 deg", &usual())), settled()].map(Ok);
    let alone: Result<Vec<Item>, Diagnostic> = program(&free, &source, actions).collect();
    assert_eq!(alone.unwrap_err().code, "not-available");
}

/// An unbalance holds the load off by more at one angle than at another.
#[test]
fn an_unbalance_makes_it_matter_where_the_load_stops() {
    let mut rig = ringing();
    rig.axes[0].load.unbalance = Unbalance::new(6e-4);
    rig.axes[0].limits.settle = Some(0.06_f64.to_radians());
    let settings = usual();
    let found: Vec<f64> = ["90 deg", "180 deg"]
        .iter()
        .map(|travel| {
            let there = plan(&rig, &[moving(by(travel, &settings)), settled()]).unwrap();
            dwells(&there)[0]
        })
        .collect();
    // By more than a sample of the simulation, so not by rounding.
    assert!((found[0] - found[1]).abs() > 1e-3, "{found:?}");
}

#[test]
fn a_hundred_thousand_waits_cost_a_few_and_give_the_same_bytes_each_time() {
    let rig = ringing();
    let settings = usual();
    let pair = [moving(by("15 deg", &settings)), settled()];
    let actions: Vec<Action> = pair.iter().cycle().take(200_000).cloned().collect();
    let settler = Settler::of(&rig);
    let cost = Cost::begin();
    let items = plan_with(&rig, &settler, &actions).unwrap();
    cost.below(20);
    assert_eq!(items.len(), 200_000);
    let csv = |items: &[Item]| {
        let mut bytes = Vec::new();
        let heading = Heading {
            program: "waits",
            rig: &rig,
            failure: None,
        };
        let mut items = items[..400].iter().cloned();
        format("csv")
            .unwrap()
            .write(&heading, &mut items, &mut bytes)
            .unwrap();
        bytes
    };
    let again = plan(&rig, &actions[..400]).unwrap();
    assert!(csv(&items) == csv(&again));
}
