//! How long planning takes, and planning with checking: 100,000 moves, equal and all
//! different.

#[path = "../support/rigs.rs"]
mod rigs;

use std::sync::Arc;

use divan::Bencher;
use divan::counter::ItemsCount;
use rigs::{limit, moving, rig, rotary, settings, turn};
use slewsmith::check::{AxisAbility, Checker};
use slewsmith::diagnostic::Source;
use slewsmith::physics::{Band, Effort};
use slewsmith::plan::{Item, program};
use slewsmith::script::{Settings, Shape, Target};
use slewsmith::units::{Dimension, Quantity};

fn main() {
    divan::main();
}

const MOVES: u32 = 100_000;

const SHAPES: [Shape; 3] = [Shape::Trapezoid, Shape::SCurve, Shape::FullTorque];

fn usual(shape: Shape) -> Arc<Settings> {
    let mut settings = settings("360 deg/s", "2000 deg/s^2");
    settings.all.jerk = limit("40000 deg/s^3");
    settings.shape = shape;
    Arc::new(settings)
}

/// Plans moves of so many microsteps and adds up their times.
fn planned(shape: Shape, distance: impl Fn(u32) -> u32) -> f64 {
    let rig = rig(vec![rotary("a", 16)]);
    let source = Source::new("bench.moves", "");
    let settings = usual(shape);
    let actions = (0..MOVES).map(|number| {
        let travel = Quantity::new(f64::from(distance(number)), Dimension::MICROSTEP);
        Ok(moving(turn(Target::By(travel), &settings)))
    });
    program(&rig, &source, actions)
        .with_bands(Vec::new())
        .map(|item| match item {
            Ok(Item::Move(planned)) => planned.motion.duration,
            other => panic!("{other:?} is no move"),
        })
        .sum()
}

/// Plans and checks moves of so many microsteps; what the rig can do is known already.
fn checked(bencher: Bencher, shape: Shape, distance: fn(u32) -> u32) {
    let rig = rig(vec![rotary("a", 16)]);
    let abilities = [AxisAbility::of(&rig.axes[0], Effort::Quick)];
    let bands = || {
        vec![
            abilities[0]
                .bands
                .iter()
                .map(Band::with_clearance)
                .collect(),
        ]
    };
    let settings = usual(shape);
    bencher.counter(ItemsCount::new(MOVES)).bench_local(|| {
        let source = Source::new("bench.moves", "");
        let actions = (0..MOVES).map(|number| {
            let travel = Quantity::new(f64::from(distance(number)), Dimension::MICROSTEP);
            Ok(moving(turn(Target::By(travel), &settings)))
        });
        let mut checker = Checker::new(&rig, &abilities);
        for item in program(&rig, &source, actions).with_bands(bands()) {
            checker.check(&item.expect("the bench can be planned"));
        }
        assert_eq!(checker.summary().moves, u64::from(MOVES));
    });
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn equal_moves_checked(bencher: Bencher, shape: &Shape) {
    checked(bencher, *shape, |_| 3200);
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn all_different_moves_checked(bencher: Bencher, shape: &Shape) {
    checked(bencher, *shape, |number| 1 + number);
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn equal_moves(bencher: Bencher, shape: &Shape) {
    bencher
        .counter(ItemsCount::new(MOVES))
        .bench(|| planned(*shape, |_| 3200));
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn all_different_moves(bencher: Bencher, shape: &Shape) {
    bencher
        .counter(ItemsCount::new(MOVES))
        .bench(|| planned(*shape, |number| 1 + number));
}
