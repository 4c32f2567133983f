//! Seeks and zero positions: what is planned, and what is refused.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source};
use crate::plan::{Item, SoughtInput, program};
use crate::schedule::{Event, EventKind, Schedule};
use crate::script::{Script, Until};
use crate::testing::rigs::{rig, rotary};
use approx::assert_relative_eq;

const LIMITS: &str = "speed 120 deg/s\naccel 600 deg/s^2\nbands allow\n";

fn planned(text: &str, must_home: bool) -> Result<Vec<Item>, Diagnostic> {
    let mut axis = rotary("table", 16);
    axis.must_home = must_home;
    let rig = rig(vec![axis]);
    let source = Source::new("a.moves", format!("{LIMITS}{text}"));
    let script = Script::parse(Arc::clone(&source)).unwrap();
    program(&rig, &source, script.actions())
        .with_bands(Vec::new())
        .collect()
}

#[test]
fn a_seek_is_planned_over_its_whole_way_at_constant_speed_from_rest_to_rest() {
    let items = planned("seek by -45 deg until gate released at 18 deg/s\n", false).unwrap();
    let [Item::Move(seek)] = &items[..] else {
        panic!("{items:?}")
    };
    let until = Until::Released;
    assert_eq!(seek.seeks, Some(SoughtInput { input: 0, until }));
    // 3200 microsteps a turn: 400 microsteps at 160 a second.
    assert_eq!(seek.travel[0].to_steps, -400);
    let [segment] = seek.motion.axes[0].segments[..] else {
        panic!("{:?}", seek.motion)
    };
    assert_relative_eq!(segment.velocity, 160.0, max_relative = 1e-12);
    assert_relative_eq!(seek.motion.duration, 2.5, max_relative = 1e-12);
    assert_eq!((segment.acceleration, segment.jerk), (0.0, 0.0));
}

#[test]
fn without_a_speed_of_its_own_a_seek_takes_the_one_in_force() {
    let items = planned("speed 9 deg/s\nseek by 9 deg until gate\n", false).unwrap();
    assert_relative_eq!(items[0].duration(), 1.0, max_relative = 1e-12);
}

#[test]
fn behind_a_zero_positions_count_from_there() {
    let text = "seek by -45 deg until gate at 18 deg/s\nzero at 90 deg\nturn to 99 deg\nturn by 9 deg\nzero\nturn to -9 deg\n";
    let items = planned(text, true).unwrap();
    let places: Vec<(i64, i64)> = items
        .iter()
        .filter_map(|item| match item {
            Item::Move(planned) => Some((planned.travel[0].from_steps, planned.travel[0].to_steps)),
            _ => None,
        })
        .collect();
    assert_eq!(places, [(0, -400), (800, 880), (880, 960), (0, -80)]);
    let zeros: Vec<&Item> = items
        .iter()
        .filter(|item| matches!(item, Item::Zero { .. }))
        .collect();
    assert_eq!(
        zeros,
        [
            &Item::Zero {
                axis: 0,
                steps: 800
            },
            &Item::Zero { axis: 0, steps: 0 }
        ]
    );
}

#[test]
fn what_needs_a_position_is_refused_where_nobody_knows_it() {
    let seek = "seek by -45 deg until gate at 18 deg/s\n";
    for (text, must_home, line, code) in [
        (
            format!("{seek}turn to 9 deg\n"),
            false,
            5,
            "position-unknown",
        ),
        (
            format!("{seek}turn by 9 deg\nturn to 9 deg shortest\n"),
            false,
            6,
            "position-unknown",
        ),
        (
            format!(
                "{seek}through {{\nturn by 9 deg\noutput lamp on passing 1 deg\nturn by 9 deg\n}}\n"
            ),
            false,
            7,
            "position-unknown",
        ),
        ("turn to 9 deg\n".to_owned(), true, 4, "position-unknown"),
        (
            format!("zero\n{seek}turn to 9 deg\n"),
            true,
            6,
            "position-unknown",
        ),
        (
            format!("{seek}dwell until settled\n"),
            false,
            5,
            "settling-unknown",
        ),
    ] {
        let refused = planned(&text, must_home).unwrap_err();
        assert_eq!(refused.code, code, "{text}");
        let at = refused.to_string();
        assert!(at.contains(&format!("a.moves:{line}:")), "{at}");
        let cure = refused.help.unwrap_or_default();
        assert!(cure.contains("zero"), "{cure}");
    }
    for (text, must_home) in [
        (
            format!("{seek}turn by 9 deg\n{seek}zero\nturn to 9 deg\n"),
            true,
        ),
        (
            format!("repeat 3 {{\n{seek}zero\nturn to 9 deg\n}}\n"),
            true,
        ),
        ("turn by 9 deg\n".to_owned(), true),
        ("turn to 9 deg\n".to_owned(), false),
    ] {
        assert!(planned(&text, must_home).is_ok(), "{text}");
    }
}

#[test]
fn the_steps_of_a_seek_lie_between_two_events_that_tell_of_it() {
    let mut axis = rotary("table", 16);
    axis.must_home = true;
    let rig = rig(vec![axis]);
    let items = planned(
        "seek by 2.25 deg until gate at 18 deg/s\nzero at 9 deg\n",
        true,
    )
    .unwrap();
    let events: Vec<Event> = Schedule::new(items, &rig).collect();
    let kinds: Vec<&EventKind> = events.iter().map(|event| &event.what).collect();
    let until = Until::Active;
    assert_eq!(
        kinds[0],
        &EventKind::Seek {
            axis: 0,
            input: 0,
            until
        }
    );
    assert!(matches!(kinds[1], EventKind::Direction { axis: 0, .. }));
    assert!(
        kinds[2..22]
            .iter()
            .all(|kind| matches!(kind, EventKind::Step { .. }))
    );
    assert_eq!(kinds[22], &EventKind::Sought { axis: 0 });
    assert_eq!(kinds[23..], [&EventKind::Zero { axis: 0, steps: 80 }]);
    // 20 microsteps at 160 a second.
    assert_eq!(events[22].tick - events[0].tick, 125_000);
}
