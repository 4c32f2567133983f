//! Planning and checking stay cheap, whether moves repeat or not. `cargo bench --bench
//! plan` gives the figures; here only a slip by an order of magnitude shows, since tests
//! run with little optimisation on machines that do other things too.

use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::check::{AxisAbility, Checker};
use crate::diagnostic::Source;
use crate::physics::Band;
use crate::plan::program;
use crate::script::{Shape, Target};
use crate::testing::rigs::{limit, moving, rig, rotary, settings, turn};
use crate::units::{Dimension, Quantity};

/// Plans and checks so many moves of `distance` microsteps each.
fn cost(shape: Shape, moves: u32, distance: impl Fn(u32) -> u32) -> Duration {
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
    let began = Instant::now();
    let mut checker = Checker::new(&rig, &abilities);
    for item in program(&rig, &source, actions).with_bands(vec![bands.collect()]) {
        checker.check(&item.expect("this can be planned"));
    }
    assert_eq!(checker.summary().moves, u64::from(moves));
    began.elapsed()
}

const SHAPES: [Shape; 3] = [Shape::Trapezoid, Shape::SCurve, Shape::FullTorque];

#[test]
fn a_hundred_thousand_equal_moves_cost_little_more_than_one() {
    for shape in SHAPES {
        let cost = cost(shape, 100_000, |_| 3200);
        assert!(cost < Duration::from_secs(10), "{shape:?}: {cost:?}");
    }
}

#[test]
fn moves_that_are_all_different_cost_microseconds_each() {
    for shape in SHAPES {
        let cost = cost(shape, 20_000, |number| 1 + 5 * number);
        assert!(cost < Duration::from_secs(20), "{shape:?}: {cost:?}");
        println!("{shape:?}: {:.1} us a move", cost.as_secs_f64() * 1e6 / 2e4);
    }
}
