//! Where the rig asks for it, every move ends from one side, and so the load always
//! rests against the same flanks of the gearing.

use crate::testing::rigs;
use std::sync::Arc;

use crate::diagnostic::Span;
use crate::plan::{ChangeKind, Direction, Item, MovePart, PlannedMove};
use crate::rig::{Approach, Axis, Rig};
use crate::schedule::{EventKind, Schedule};
use crate::script::{ActionKind, Move, MovePace, Settings, Shape, Way};
use crate::testing::rigs::{action, by, limit, linear, moves, moving, on, plan, rig, rotary, to};
use crate::units::{Angle, Length};
use approx::assert_relative_eq;
use proptest::prelude::*;

/// 2000 microsteps a turn, with a play of 0.9 degrees (5 microsteps) to be taken up;
/// with a full step of 10 microsteps that takes 15.
fn geared(name: &str, approach: Approach) -> Axis {
    let mut axis = rotary(name, 10);
    axis.load.backlash = Angle::new(0.9_f64.to_radians() - 1e-9);
    axis.load.approach = Some(approach);
    axis
}

fn dial(approach: Approach) -> Rig {
    rig(vec![geared("dial", approach)])
}

fn usual() -> Arc<Settings> {
    Arc::new(rigs::settings("120 deg/s", "600 deg/s^2"))
}

fn within(seconds: f64, turn: Move) -> Move {
    Move {
        pace: MovePace::In(seconds, Span::default()),
        ..turn
    }
}

/// The ends of the moves and their parts.
fn ends(moves: &[PlannedMove]) -> Vec<(i64, MovePart)> {
    moves
        .iter()
        .map(|planned| (planned.travel[0].to_steps, planned.part))
        .collect()
}

/// By hand: 90 degrees are 500 microsteps.
#[test]
fn a_move_from_the_wrong_side_goes_beyond_by_the_play_and_a_full_step_and_comes_back() {
    use MovePart::{Approach as Back, Beyond, Whole};
    let settings = usual();
    let there_and_back = || {
        vec![
            moving(by("90 deg", &settings)),
            moving(by("-90 deg", &settings)),
        ]
    };
    let planned = moves(&dial(Approach::Positive), there_and_back());
    assert_eq!(ends(&planned), [(500, Whole), (-15, Beyond), (0, Back)]);
    let planned = moves(&dial(Approach::Negative), there_and_back());
    assert_eq!(ends(&planned), [(515, Beyond), (500, Back), (0, Whole)]);
    // What it costs is told, and is the difference from going straight.
    let change = &planned[0].changes[0];
    assert_eq!(change.kind, ChangeKind::GoesBeyond { by: 1.5 });
    let straight = moves(&rig(vec![rotary("dial", 10)]), there_and_back());
    assert_relative_eq!(
        change.cost,
        planned[0].motion.duration + planned[1].motion.duration - straight[0].motion.duration
    );
    // The target's own rounding is told at the target, and nothing where it turns back.
    let odd = moves(
        &dial(Approach::Negative),
        vec![moving(by("90.05 deg", &settings))],
    );
    assert_eq!(odd[0].travel[0].target_error, 0.0);
    assert_relative_eq!(
        odd[1].travel[0].target_error,
        -0.05_f64.to_radians(),
        max_relative = 1e-6
    );
}

#[test]
fn short_moves_that_come_from_the_right_side_need_nothing_once_the_play_is_taken_up() {
    use MovePart::{Approach as Back, Beyond, Whole};
    let settings = usual();
    let list = ["1.8 deg", "1.8 deg", "0 deg", "-1.8 deg", "1.8 deg"];
    let planned = moves(
        &dial(Approach::Positive),
        list.iter()
            .map(|travel| moving(by(travel, &settings)))
            .collect(),
    );
    // Nobody knows how the play lies at the start, so the first one takes it up.
    let expected = [
        (-5, Beyond),
        (10, Back),
        (20, Whole),
        (20, Whole),
        (-5, Beyond),
        (10, Back),
        (20, Whole),
    ];
    assert_eq!(ends(&planned), expected);
}

#[test]
fn the_way_round_is_that_of_the_whole_move() {
    use MovePart::{Approach as Back, Beyond};
    let settings = usual();
    let turn = |way| {
        moves(
            &dial(Approach::Positive),
            vec![moving(to("350 deg", Some(way), &settings))],
        )
    };
    assert_eq!(ends(&turn(Way::Shortest)), [(-71, Beyond), (-56, Back)]);
    assert_eq!(ends(&turn(Way::Clockwise)), [(-71, Beyond), (-56, Back)]);
    assert_eq!(
        ends(&turn(Way::Counterclockwise)),
        [(1944, MovePart::Whole)]
    );
}

#[test]
fn both_parts_take_the_time_of_the_move_to_the_tick() {
    let settings = usual();
    let rig = dial(Approach::Positive);
    let actions = vec![moving(within(2.5, by("-90 deg", &settings)))];
    let items = plan(&rig, actions.clone()).unwrap();
    let mut schedule = Schedule::new(items, &rig);
    let last = schedule.by_ref().map(|event| event.tick).last();
    // 2.5 s of a clock of 1 MHz; the last step comes half a microstep before the end.
    assert_eq!(schedule.end_tick(), 2_500_000);
    assert!(last.is_some_and(|tick| tick < 2_500_000));
    let planned = moves(&rig, actions);
    assert_eq!(planned[0].changes[0].cost, 0.0);
    // The shortest time that is told holds both parts.
    let fastest: f64 = moves(&rig, vec![moving(by("-90 deg", &settings))])
        .iter()
        .map(|planned| planned.motion.duration)
        .sum();
    let hasty = plan(&rig, vec![moving(within(0.9, by("-90 deg", &settings)))]).unwrap_err();
    assert_eq!(hasty.code, "too-little-time");
    assert!(
        hasty.message.contains(&format!("{fastest:.6} s")),
        "{}",
        hasty.message
    );
    // What the help says is then accepted.
    let help = hasty.help.unwrap();
    let seconds = help.split(' ').find_map(|word| word.parse().ok()).unwrap();
    assert!(seconds < 1.001 * fastest, "{help}");
    assert!(
        plan(
            &rig,
            vec![moving(within(seconds, by("-90 deg", &settings)))]
        )
        .is_ok()
    );
}

#[test]
fn axes_together_keep_their_line_and_then_take_up_their_play_at_once() {
    let mut slide = linear("slide", 4, 5e-3);
    slide.load.linear.as_mut().unwrap().backlash = Length::new(20e-6);
    slide.load.approach = Some(Approach::Negative);
    let rig = rig(vec![
        geared("dial", Approach::Positive),
        slide,
        rotary("arm", 4),
    ]);
    let mut settings = rigs::settings("", "");
    for (name, speed, accel) in [
        ("dial", "120 deg/s", "600 deg/s^2"),
        ("arm", "120 deg/s", "600 deg/s^2"),
        ("slide", "30 mm/s", "400 mm/s^2"),
    ] {
        let limits = crate::script::action::SpeedLimits {
            speed: limit(speed),
            accel: limit(accel),
            ..Default::default()
        };
        settings.axis.push((Arc::from(name), limits));
    }
    let settings = Arc::new(settings);
    let block = |time: Option<f64>| {
        let turns = [
            on("dial", by("-90 deg", &settings)),
            on("slide", by("5 mm", &settings)),
            on("arm", by("45 deg", &settings)),
        ];
        let turns = turns.into_iter().map(|turn| match time {
            Some(seconds) => moving(within(seconds, turn)),
            None => moving(turn),
        });
        vec![action(ActionKind::Together(turns.collect()))]
    };
    let planned = moves(&rig, block(None));
    let steps = |planned: &PlannedMove| -> Vec<i64> {
        planned
            .travel
            .iter()
            .map(|travel| travel.to_steps)
            .collect()
    };
    let axes = |planned: &PlannedMove| -> Vec<usize> {
        planned.motion.axes.iter().map(|axis| axis.axis).collect()
    };
    // 5 mm are a turn of 800 microsteps; 20 um are 3.2 of them, and a full step is 4.
    assert_eq!(planned.len(), 3);
    assert_eq!(
        (axes(&planned[0]), steps(&planned[0])),
        (vec![0, 1, 2], vec![-500, 800, 100])
    );
    assert_eq!(
        (axes(&planned[1]), steps(&planned[1])),
        (vec![0, 1], vec![-515, 808])
    );
    assert_eq!(
        (axes(&planned[2]), steps(&planned[2])),
        (vec![0, 1], vec![-500, 800])
    );
    let timed = moves(&rig, block(Some(3.0)));
    let all: f64 = timed.iter().map(|planned| planned.motion.duration).sum();
    assert_relative_eq!(all, 3.0, max_relative = 1e-12);
    let hasty = plan(&rig, block(Some(0.2))).unwrap_err();
    assert_eq!(hasty.code, "too-little-time");
}

#[test]
fn targets_are_passed_with_the_play_taken_up_or_not_at_all() {
    let settings = usual();
    let rig = dial(Approach::Positive);
    let through = |list: &[&str]| {
        let inside = list.iter().map(|travel| moving(by(travel, &settings)));
        action(ActionKind::Through(inside.collect()))
    };
    assert_eq!(
        plan(&rig, vec![through(&["-9 deg", "-9 deg"])])
            .unwrap_err()
            .code,
        "against-approach"
    );
    // The first target comes before the play is taken up, unless it is already.
    let planned = moves(
        &rig,
        vec![
            through(&["1.8 deg", "9 deg"]),
            through(&["1.8 deg", "9 deg"]),
        ],
    );
    use MovePart::{Approach as Back, Beyond, Whole};
    assert_eq!(
        ends(&planned),
        [(-15, Beyond), (0, Back), (60, Whole), (120, Whole)]
    );
    let planned = moves(&rig, vec![through(&["9 deg", "1.8 deg"])]);
    assert_eq!(ends(&planned), [(60, Whole)]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    /// The play itself: a load between two flanks that are b microsteps apart is pushed by
    /// one of them. Wherever in between it lay at the start, every stop finds it against
    /// the same flank, and the last motion went the way that the rig says.
    #[test]
    fn every_stop_finds_the_load_against_the_same_flank(
        list in prop::collection::vec(prop_oneof![-40_i64..40, -3000_i64..3000], 1..20),
        ways in prop::collection::vec(prop::sample::select(vec![None, Some(Way::Clockwise), Some(Way::Counterclockwise), Some(Way::Shortest)]), 20),
        play in 1.0..200.0_f64,
        lies in 0.0..1.0_f64,
        back in any::<bool>(),
        shape in prop::sample::select(vec![Shape::Trapezoid, Shape::SCurve, Shape::FullTorque]),
    ) {
        let approach = if back { Approach::Negative } else { Approach::Positive };
        let mut axis = geared("dial", approach);
        axis.load.backlash = Angle::new(play / axis.microsteps_per_travel());
        let rig = rig(vec![axis]);
        let mut settings = rigs::settings("120 deg/s", "600 deg/s^2");
        settings.all.jerk = limit("9000 deg/s^3");
        settings.shape = shape;
        let settings = Arc::new(settings);
        let actions = list.iter().zip(&ways).map(|(steps, way)| {
            let travel = format!("{steps} microsteps");
            moving(match way {
                None => by(&travel, &settings),
                way => to(&travel, *way, &settings),
            })
        }).collect();
        let items = plan(&rig, actions).unwrap();
        let schedule = Schedule::new(items.clone(), &rig);
        // Where each statement ends, in steps made so far.
        let mut made = 0;
        let mut stops = Vec::new();
        for item in &items {
            let Item::Move(planned) = item else { panic!("only moves are planned") };
            made += planned.motion.axes[0].steps;
            if planned.part != MovePart::Beyond {
                stops.push((made, planned.travel[0].to_steps));
            }
        }
        // The load lies `slack` behind the flank that pushes it in positive direction.
        let (mut at, mut slack, mut made) = (0_i64, play * lies, 0_u64);
        let mut stops = stops.into_iter().peekable();
        let mut check = |made: u64, at: i64, slack: f64, last: Option<Direction>| -> Result<(), TestCaseError> {
            while let Some((_, target)) = stops.next_if(|(steps, _)| *steps == made) {
                prop_assert_eq!(at, target);
                let Some(last) = last else { continue };
                let (way, rests) = if back { (Direction::Negative, 0.0) } else { (Direction::Positive, play) };
                prop_assert_eq!(last, way);
                prop_assert!((slack - rests).abs() < 1e-9, "{} of {}", slack, play);
            }
            Ok(())
        };
        check(made, at, slack, None)?;
        for event in schedule {
            let EventKind::Step { direction, .. } = event.what else { continue };
            at += direction.sign();
            // The flanks move by a microstep; the load only where one reaches it.
            slack = (slack + direction.sign() as f64).clamp(0.0, play);
            made += 1;
            check(made, at, slack, Some(direction))?;
        }
        prop_assert_eq!(stops.count(), 0);
    }
}

#[test]
fn the_verdict_tells_of_the_detour() {
    use crate::check::Checker;
    let rig = dial(Approach::Positive);
    let abilities: Vec<_> = rig.axes.iter().map(crate::check::AxisAbility::of).collect();
    let mut checker = Checker::new(&rig, &abilities);
    let items = plan(&rig, vec![moving(by("-90 deg", &usual()))]).unwrap();
    let checked = checker.check(&items[0], 1).unwrap();
    assert_eq!(checked.changes[0].code, "backlash-taken-up");
    assert!(
        checked.changes[0]
            .message
            .contains("overshoots its target by 2.7 deg"),
        "{}",
        checked.changes[0].message
    );
    let json = checked.to_json(&rig);
    assert_eq!(json[0]["part"], "beyond");
}
