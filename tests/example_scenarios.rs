//! The scenarios in examples/: what is said about them in their comments holds.

use std::path::Path;
use std::sync::Arc;

use slewsmith::cli::files::{FilesOnDisk, beside, read_source};
use slewsmith::physics::{PullOut, ShaftLoad};
use slewsmith::plan::{Item, program};
use slewsmith::rig::Rig;
use slewsmith::script::Script;
use slewsmith::simulate::{self, Outcome};

struct Scenario {
    rig: Rig,
    items: Vec<Item>,
}

fn scenario(name: &str) -> Scenario {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("examples")
        .join(name);
    let source = read_source(&path).unwrap();
    let script = Script::parse(Arc::clone(&source)).unwrap_or_else(|problems| panic!("{problems}"));
    let (rig, _) = script.rig().expect("an example names its rig");
    let rig = read_source(&beside(source.name(), rig)).unwrap();
    let rig = Rig::parse(&rig, &mut FilesOnDisk)
        .unwrap_or_else(|problems| panic!("{problems}"))
        .rig;
    let items = program(&rig, &source, script.actions())
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
                        largest = largest.max(torque.abs() / pull_out.at(omega));
                    }
                }
            }
        }
        largest
    }

    fn simulated(&self) -> Outcome {
        simulate::simulate(
            &self.rig,
            self.items.iter().cloned(),
            &simulate::Options::default(),
        )
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
