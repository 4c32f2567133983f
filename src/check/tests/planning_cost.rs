//! Planning and checking stay cheap, whether moves repeat or not. `cargo bench --bench
//! plan` gives the figures; here only a slip by an order of magnitude shows, since tests
//! run with little optimisation.

use std::sync::Arc;

use crate::check::{AxisAbility, Checker};
use crate::diagnostic::Source;
use crate::physics::Band;
use crate::plan::program;
use crate::script::{Shape, Target};
use crate::testing::processor::Cost;
use crate::testing::rigs::{limit, moving, rig, rotary, settings, turn};
use crate::units::{Dimension, Quantity};

/// Plans and checks so many moves of `distance` microsteps each.
fn check(shape: Shape, moves: u32, distance: impl Fn(u32) -> u32) {
    let rig = rig(vec![rotary("a", 16)]);
    let abilities = [AxisAbility::of(&rig.axes[0])];
    let bands = abilities[0].bands.iter().map(Band::with_clearance);
    let mut settings = settings("360 deg/s", "2000 deg/s^2");
    settings.all.jerk = limit("40000 deg/s^3");
    settings.shape = shape;
    let settings = Arc::new(settings);
    let actions = (0..moves).map(|number| {
        let travel = Quantity::new(f64::from(distance(number)), Dimension::MICROSTEP);
        Ok(moving(turn(Target::By(travel), &settings)))
    });
    let source = Source::new("cost.moves", "");
    let mut checker = Checker::new(&rig, &abilities);
    for item in program(&rig, &source, actions).with_bands(vec![bands.collect()]) {
        checker.check(&item.expect("this can be planned"), 1);
    }
    assert_eq!(checker.summary().moves, u64::from(moves));
}

const SHAPES: [Shape; 3] = [Shape::Trapezoid, Shape::SCurve, Shape::FullTorque];

#[test]
fn a_hundred_thousand_equal_moves_cost_little_more_than_one() {
    for shape in SHAPES {
        let cost = Cost::begin();
        check(shape, 100_000, |_| 3200);
        cost.below(10);
    }
}

#[test]
fn moves_that_are_all_different_cost_less_than_a_millisecond_each() {
    for shape in SHAPES {
        let cost = Cost::begin();
        check(shape, 20_000, |number| 1 + 5 * number);
        cost.below(20);
    }
}
