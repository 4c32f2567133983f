//! The scenarios in examples/: what is said about them in their comments holds.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::diagnostic::Source;
use crate::files::{FilesOnDisk, beside, read_source};
use crate::physics::{PullOut, ShaftLoad};
use crate::plan::{ChangeKind, Direction, Item, PlannedMove, program};
use crate::rig::Rig;
use crate::script::Script;
use crate::simulate::{Options, Outcome, Settler};
use crate::testing::motion::simulate;

struct Scenario {
    rig: Rig,
    items: Vec<Item>,
}

fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("examples")
        .join(name)
}

fn scenario(name: &str) -> Scenario {
    scenario_of(read_source(&example(name)).unwrap())
}

/// The scenario of a script that lies beside the examples.
fn written(text: &str) -> Scenario {
    let name = example("written.moves").display().to_string();
    scenario_of(Source::new(name, text.to_owned()))
}

fn scenario_of(source: Arc<Source>) -> Scenario {
    let script = Script::parse(Arc::clone(&source)).unwrap_or_else(|problems| panic!("{problems}"));
    let (rig, _) = script.rig().expect("an example names its rig");
    let rig = read_source(&beside(source.name(), rig)).unwrap();
    let rig = Rig::parse(&rig, &mut FilesOnDisk)
        .unwrap_or_else(|problems| panic!("{problems}"))
        .rig;
    let settler = Settler::of(&rig);
    let items = program(&rig, &source, script.actions())
        .with_settling(&settler)
        .collect::<Result<_, _>>()
        .unwrap_or_else(|problem| panic!("{problem}"));
    Scenario { rig, items }
}

impl Scenario {
    /// The largest share of the pull-out torque that any move asks for, from the
    /// corners of its segments.
    fn torque_share(&self) -> f64 {
        let mut largest = 0.0_f64;
        for item in &self.items {
            let Item::Move(planned) = item else { continue };
            for motion in &planned.motion.axes {
                let axis = &self.rig.axes[motion.axis];
                let (load, pull_out) = (ShaftLoad::of(axis), PullOut::of(axis));
                let angle = axis.microstep_angle();
                for segment in &motion.segments {
                    for t in [0.0, segment.duration] {
                        let omega = segment.velocity_at(t) * angle;
                        let alpha = segment.acceleration_at(t) * angle;
                        let torque = load.required_torque(omega, alpha, motion.direction);
                        largest = largest.max(torque.abs() / pull_out.low_at(omega));
                    }
                }
            }
        }
        largest
    }

    fn simulated(&self) -> Outcome {
        simulate(&self.rig, self.items.iter().cloned(), &Options::default())
    }

    fn moves(&self) -> impl Iterator<Item = &PlannedMove> {
        self.items.iter().filter_map(|item| match item {
            Item::Move(planned) => Some(planned),
            _ => None,
        })
    }

    fn margin(&self) -> f64 {
        self.rig.axes[0].limits.torque_margin
    }
}

#[test]
fn the_carousel_turns_with_torque_to_spare_and_comes_to_rest_between_pictures() {
    let carousel = scenario("carousel.moves");
    assert!(
        carousel.torque_share() < 0.7 * (1.0 - carousel.margin()),
        "{}",
        carousel.torque_share()
    );
    let outcome = carousel.simulated();
    assert!(
        outcome.ok && outcome.peak_lag_electrical_deg < 60.0,
        "{outcome:#?}"
    );
    for done in &outcome.moves {
        assert!(
            done.settle_s.is_some_and(|settled| settled < 0.8),
            "{done:?}"
        );
    }
}

#[test]
fn the_dial_never_loses_a_step() {
    let dial = scenario("dial.moves");
    assert!(
        dial.torque_share() < 0.7 * (1.0 - dial.margin()),
        "{}",
        dial.torque_share()
    );
    let outcome = dial.simulated();
    // At rest a full step is 90 electrical degrees away when it is commanded.
    assert!(
        outcome.ok && outcome.peak_lag_electrical_deg < 95.0,
        "{outcome:#?}"
    );
    let last = dial.items.iter().rev().find_map(|item| match item {
        Item::Move(planned) if planned.motion.axes.iter().any(|axis| axis.steps > 0) => {
            Some(planned.travel[0].to_steps)
        }
        _ => None,
    });
    assert_eq!(last, Some(200), "24 marks are a turn of 200 steps");
}

#[test]
fn the_lift_starts_too_fast_until_it_is_cured() {
    let lift = scenario("lift.moves");
    assert!(
        lift.torque_share() > 1.0 - lift.margin(),
        "{}",
        lift.torque_share()
    );
    let cured = scenario("lift-cured.moves");
    assert!(
        cured.torque_share() < 0.95 * (1.0 - cured.margin()),
        "{}",
        cured.torque_share()
    );
    let outcome = cured.simulated();
    assert!(outcome.ok, "{outcome:#?}");
}

#[test]
fn the_mixer_drops_out_in_its_band_and_not_beside_it() {
    let rough = scenario("mixer.moves").simulated();
    assert!(!rough.ok && rough.lost_steps >= 8, "{rough:#?}");
    let cured = scenario("mixer-cured.moves");
    for planned in cured.moves() {
        let change = &planned.changes[0];
        assert!(
            matches!(change.kind, ChangeKind::CruiseMoved { from, to } if to < 0.95 * from),
            "{change:?}"
        );
        assert!(change.cost > 0.0 && change.cost < 0.2 * planned.motion.duration);
    }
    let outcome = cured.simulated();
    assert!(
        outcome.ok && outcome.peak_lag_electrical_deg < 60.0,
        "{outcome:#?}"
    );
    // Each move waits for the one before it to come to rest.
    for done in &outcome.moves {
        assert!(done.settle_s.is_some(), "{done:?}");
    }
}

#[test]
fn the_mixer_may_go_faster_than_its_band_where_it_crosses_it_quickly() {
    let fast = |accel: u32| {
        written(&format!(
            "rig \"mixer.yaml\"\naccel {accel} deg/s^2\nspeed 250 deg/s\nturn by 3 turn\n"
        ))
    };
    let quick = fast(3600);
    assert!(quick.moves().all(|planned| planned.changes.is_empty()));
    assert!(quick.simulated().ok);
    let slow = fast(300);
    let changes: Vec<_> = slow.moves().flat_map(|planned| &planned.changes).collect();
    let slowly = |kind: &ChangeKind| matches!(kind, ChangeKind::CrossesSlowly { .. });
    assert!(!changes.is_empty() && changes.iter().all(|change| slowly(&change.kind)));
}

/// Moves too short to cruise, whose speed turns over in the mixer's band.
#[test]
fn peaks_that_would_linger_in_the_band_lose_steps_and_lowered_ones_do_not() {
    let outcome = |bands: &str, accel: u32, steps: u32| {
        written(&format!(
            "rig \"mixer.yaml\"\nbands {bands}\nspeed 1000 step/s\naccel {accel} step/s^2\n\
             repeat 2 {{\nturn by {steps} step\ndwell 1 s\nturn by -{steps} step\ndwell 1 s\n}}\n"
        ))
    };
    let mut lost = 0;
    for (accel, steps) in [
        (80, 34),
        (80, 42),
        (160, 19),
        (160, 24),
        (320, 9),
        (320, 11),
        (640, 5),
        (640, 6),
    ] {
        lost += u32::from(!outcome("allow", accel, steps).simulated().ok);
        let avoided = outcome("avoid", accel, steps);
        // Where a trial loses a step at the peak beside the band, the peak goes lower still.
        assert!(avoided.moves().all(|planned| matches!(
            planned.changes[0].kind,
            ChangeKind::PeakLowered { .. } | ChangeKind::Gentler { peak: Some(_), .. }
        )));
        let outcome = avoided.simulated();
        assert!(outcome.ok, "{accel} {steps}: {outcome:#?}");
    }
    assert!(lost >= 4, "{lost} of 8");
}

#[test]
fn the_focus_takes_every_picture_from_below() {
    let focus = scenario("focus.moves");
    let mut pictures = Vec::new();
    let mut last: Option<&PlannedMove> = None;
    for item in &focus.items {
        match item {
            Item::Move(planned) => last = Some(planned),
            Item::Output { on: true, .. } => pictures.push(last.expect("it moves first")),
            _ => {}
        }
    }
    assert_eq!(pictures.len(), 12);
    for (number, planned) in pictures.iter().enumerate() {
        let axis = &planned.motion.axes[0];
        assert_eq!(axis.direction, Direction::Positive);
        // 8 um apart, each on the microstep nearest to it: 0.16 um.
        let asked = -40e-6 + 8e-6 * number as f64;
        assert!((planned.travel[0].to - asked).abs() <= 0.5 * 0.5e-3 / 3200.0 + 1e-12);
    }
    let outcome = focus.simulated();
    assert!(outcome.ok, "{outcome:#?}");
}

#[test]
fn the_panorama_closes_each_row_and_lights_the_stage_only() {
    let panorama = scenario("panorama.moves");
    let pictures = panorama.items.iter().filter(|item| {
        matches!(
            item,
            Item::Output {
                output: 0,
                on: true
            }
        )
    });
    assert_eq!(pictures.count(), 36);
    let groups: Vec<_> = panorama
        .moves()
        .filter(|planned| planned.motion.axes.len() == 2)
        .collect();
    assert_eq!(groups.len(), 3);
    for planned in groups {
        assert!((planned.motion.duration - 2.0).abs() < 1e-12);
    }
    let sweep = panorama.moves().last().expect("it ends with the sweep");
    let turn = sweep.motion.axes[0].steps;
    // 20 turns of 3200 microsteps; the lamp from 90 to 140 degrees.
    assert_eq!(turn, 64_000);
    let lamp: Vec<u64> = sweep.on_the_way.iter().map(|event| event.step).collect();
    assert_eq!(lamp, [turn / 4, (turn * 140 + 180) / 360]);
    let outcome = panorama.simulated();
    assert!(outcome.ok, "{outcome:#?}");
}
