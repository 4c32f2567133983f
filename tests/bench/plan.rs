//! How long planning takes: 100,000 moves, equal and all different, and the ramps of one
//! full-torque axis.

#[path = "../support/rigs.rs"]
mod rigs;

use std::sync::Arc;

use divan::Bencher;
use divan::counter::ItemsCount;
use rigs::{limit, moving, rig, rotary, settings, turn};
use slewsmith::diagnostic::Source;
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
