//! Moves that belong together: several axes on a line, targets passed without a stop,
//! and cruise speeds kept out of critical bands.

use crate::testing::rigs;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::physics::{Band, BandKind, FoundBy};
use crate::plan::{AxisMotion, ChangeKind, Item, PlannedMove, program};
use crate::rig::{Gearing, Rig};
use crate::script::action::SpeedLimits;
use crate::script::{Action, ActionKind, Move, MovePace, Settings, Shape, Target};
use crate::testing::rigs::{
    action, by, limit, linear, moving, on, plan, quantity, rig, rotary, settings,
};
use approx::assert_relative_eq;

fn one(rig: &Rig, kind: ActionKind) -> Result<PlannedMove, Diagnostic> {
    match plan(rig, vec![action(kind)])?.remove(0) {
        Item::Move(planned) => Ok(planned),
        other => panic!("{other:?} is no move"),
    }
}

fn together(rig: &Rig, turns: Vec<Move>) -> Result<PlannedMove, Diagnostic> {
    one(
        rig,
        ActionKind::Together(turns.into_iter().map(moving).collect()),
    )
}

fn through(rig: &Rig, inside: Vec<Action>) -> Result<PlannedMove, Diagnostic> {
    one(rig, ActionKind::Through(inside))
}

/// Position, speed and acceleration of an axis at a time of its motion.
fn at(axis: &AxisMotion, mut time: f64) -> [f64; 3] {
    for segment in &axis.segments {
        if time <= segment.duration {
            return [
                segment.position_at(time),
                segment.velocity_at(time),
                segment.acceleration_at(time),
            ];
        }
        time -= segment.duration;
    }
    [axis.steps as f64, 0.0, 0.0]
}

/// A turntable geared 3:1, a finely stepped arm and a slide.
fn bench() -> Rig {
    let mut table = rotary("table", 8);
    table.load.gearing = Gearing {
        motor: 3.0,
        load: 1.0,
    };
    rig(vec![table, rotary("arm", 64), linear("slide", 4, 5e-3)])
}

fn bench_settings(shape: Shape) -> Arc<Settings> {
    let limits = |name: &str, speed, accel, jerk| {
        let limits = SpeedLimits {
            speed: limit(speed),
            accel: limit(accel),
            jerk: limit(jerk),
            ..SpeedLimits::default()
        };
        (Arc::from(name), limits)
    };
    Arc::new(Settings {
        axis: vec![
            limits("table", "200 deg/s", "900 deg/s^2", "9000 deg/s^3"),
            limits("arm", "400 deg/s", "700 deg/s^2", "20000 deg/s^3"),
            limits("slide", "30 mm/s", "400 mm/s^2", "6000 mm/s^3"),
        ],
        shape,
        ..Settings::default()
    })
}

#[test]
fn axes_together_keep_the_straight_line_and_their_own_limits() {
    let rig = bench();
    for shape in [Shape::Trapezoid, Shape::SCurve, Shape::FullTorque] {
        let settings = bench_settings(shape);
        let turns = vec![
            on("slide", by("-12.34 mm", &settings)),
            on("table", by("77.7 deg", &settings)),
            on("arm", by("-133 deg", &settings)),
        ];
        let planned = together(&rig, turns).unwrap();
        let motion = &planned.motion;
        let numbers: Vec<usize> = motion.axes.iter().map(|axis| axis.axis).collect();
        assert_eq!(numbers, [0, 1, 2]);
        let mut nearest = 0.0_f64;
        for part in 0..=1000 {
            let time = motion.duration * f64::from(part) / 1000.0;
            let share = at(&motion.axes[0], time)[0] / motion.axes[0].steps as f64;
            for axis in &motion.axes {
                let [position, speed, acceleration] = at(axis, time);
                let limits = axis.limits;
                // Rounding takes half of the microstep that the line must keep within.
                assert!((position - share * axis.steps as f64).abs() < 1e-6);
                assert!(speed <= limits.speed * (1.0 + 1e-9));
                assert!(acceleration <= limits.accel * (1.0 + 1e-9));
                assert!(-acceleration <= limits.decel * (1.0 + 1e-9));
                nearest = nearest
                    .max(speed / limits.speed)
                    .max(acceleration / limits.accel);
            }
        }
        for axis in &motion.axes {
            assert_relative_eq!(axis.duration(), motion.duration, max_relative = 1e-12);
            assert_relative_eq!(
                at(axis, motion.duration)[0],
                axis.steps as f64,
                max_relative = 1e-9
            );
        }
        // Somewhere a limit is reached, or the line could be faster.
        assert!(nearest > 0.999, "{nearest}");
    }
}

#[test]
fn axes_together_take_one_time_and_an_axis_that_stands_takes_no_part() {
    let rig = bench();
    let settings = bench_settings(Shape::Trapezoid);
    let timed = Move {
        pace: MovePace::In(3.0, Span::default()),
        ..on("arm", by("90 deg", &settings))
    };
    let planned = together(&rig, vec![timed, on("table", by("0 deg", &settings))]).unwrap();
    assert_eq!(planned.motion.axes.len(), 1);
    assert_relative_eq!(planned.motion.duration, 3.0);
    let other = Move {
        pace: MovePace::In(4.0, Span::default()),
        ..on("table", by("5 deg", &settings))
    };
    let timed = Move {
        pace: MovePace::In(3.0, Span::default()),
        ..on("arm", by("90 deg", &settings))
    };
    assert_eq!(
        together(&rig, vec![timed, other]).unwrap_err().code,
        "two-times"
    );
    let twice = vec![
        on("arm", by("9 deg", &settings)),
        on("arm", by("9 deg", &settings)),
    ];
    assert_eq!(together(&rig, twice).unwrap_err().code, "axis-twice");
    let still = together(
        &rig,
        vec![
            on("arm", by("0 deg", &settings)),
            on("table", by("0 deg", &settings)),
        ],
    );
    assert_eq!(still.unwrap().motion.duration, 0.0);
}

/// 200 full steps of one microstep, in degrees.
fn plain() -> Rig {
    rig(vec![rotary("a", 10)])
}

fn mark(text: &str) -> Action {
    action(ActionKind::Mark(Arc::from(text)))
}

#[test]
fn targets_under_equal_limits_are_passed_as_if_they_were_not_there() {
    let rig = plain();
    for shape in [Shape::Trapezoid, Shape::SCurve] {
        let mut settings = settings("120 deg/s", "600 deg/s^2");
        settings.all.jerk = limit("9000 deg/s^3");
        settings.shape = shape;
        let settings = Arc::new(settings);
        let inside = (0..40).map(|_| moving(by("9 deg", &settings))).collect();
        let passing = through(&rig, inside).unwrap();
        let whole = rigs::moves(&rig, vec![moving(by("1 turn", &settings))]);
        assert_eq!(passing.motion.axes[0], whole[0].motion.axes[0]);
        let targets: Vec<u64> = passing.passes.iter().map(|pass| pass.step).collect();
        assert_eq!(targets, (1..40).map(|k| k * 50).collect::<Vec<u64>>());
    }
}

#[test]
fn passed_targets_round_like_stops() {
    let rig = plain();
    let settings = Arc::new(settings("120 deg/s", "600 deg/s^2"));
    let seventh =
        crate::units::Quantity::new(std::f64::consts::TAU / 7.0, quantity("1 deg").dimension);
    let turns = || {
        (0..7)
            .map(|_| moving(rigs::turn(Target::By(seventh), &settings)))
            .collect::<Vec<_>>()
    };
    let passing = through(&rig, turns()).unwrap();
    let stops = rigs::moves(&rig, turns());
    for (pass, stop) in passing.passes.iter().zip(&stops) {
        assert_eq!(pass.step as i64, stop.travel[0].to_steps);
        assert_eq!(
            (pass.at, pass.target_error),
            (stop.travel[0].to, stop.travel[0].target_error)
        );
    }
    assert_eq!(passing.travel[0].to_steps, 2000);
}

/// By hand, in microsteps of 0.18 degrees: 1000/s for 1000, then 500/s for 500, at
/// 1000/s²: 1 s up over 500, down to 500/s before the target over 375 in 0.5 s, so 125
/// at full speed in 0.125 s; then 500/s for 375 in 0.75 s and 0.5 s down.
#[test]
fn a_slower_leg_is_entered_at_its_own_speed() {
    let rig = plain();
    let fast = Arc::new(settings("180 deg/s", "180 deg/s^2"));
    let slow = Arc::new(settings("90 deg/s", "180 deg/s^2"));
    let passing = through(
        &rig,
        vec![moving(by("180 deg", &fast)), moving(by("90 deg", &slow))],
    )
    .unwrap();
    let axis = &passing.motion.axes[0];
    let durations: Vec<f64> = axis
        .segments
        .iter()
        .map(|segment| segment.duration)
        .collect();
    assert_relative_eq!(
        durations[..],
        [1.0, 0.125, 0.5, 0.75, 0.5][..],
        max_relative = 1e-9
    );
    assert_relative_eq!(at(axis, 1.625)[0], 1000.0, max_relative = 1e-9);
}

#[test]
fn the_look_ahead_reaches_over_legs_too_short_to_stop_in() {
    let rig = plain();
    let mut inside = Vec::new();
    let speeds = ["300 deg/s", "290 deg/s", "310 deg/s", "280 deg/s"];
    for shape in [Shape::Trapezoid, Shape::SCurve] {
        for leg in 0..60 {
            let mut settings = settings(speeds[leg % 4], "150 deg/s^2");
            settings.all.jerk = limit("700 deg/s^3");
            settings.shape = shape;
            inside.push(moving(by("3.6 deg", &Arc::new(settings))));
        }
        let passing = through(&rig, std::mem::take(&mut inside)).unwrap();
        let axis = &passing.motion.axes[0];
        let samples = 5000;
        let mut before = [0.0, 0.0, 0.0];
        for part in 0..=samples {
            let now = at(
                axis,
                passing.motion.duration * f64::from(part) / f64::from(samples),
            );
            assert!(now[0] >= before[0] - 1e-9);
            assert!(now[2].abs() <= axis.limits.accel * (1.0 + 1e-9));
            before = now;
        }
        assert_relative_eq!(
            at(axis, passing.motion.duration)[0],
            1200.0,
            max_relative = 1e-9
        );
        // 216 degrees at 150 deg/s² without a stop: 2 √(216/150) s, and stops would add more.
        let least = 2.0 * (216.0_f64 / 150.0).sqrt();
        assert!(passing.motion.duration >= least * (1.0 - 1e-9));
        let slack = if shape == Shape::Trapezoid {
            1.000_001
        } else {
            2.5
        };
        assert!(
            passing.motion.duration <= least * slack,
            "{}",
            passing.motion.duration / least
        );
    }
}

#[test]
fn events_are_tied_to_microsteps_on_the_way() {
    let rig = plain();
    let settings = Arc::new(settings("120 deg/s", "600 deg/s^2"));
    let camera = |on, passing: Option<&str>| {
        action(ActionKind::Output {
            name: Arc::from("camera"),
            name_span: Span::default(),
            on,
            passing: passing.map(quantity),
        })
    };
    let inside = |first: Action| {
        vec![
            first,
            moving(by("90 deg", &settings)),
            mark("between"),
            camera(true, None),
            moving(by("300 deg", &settings)),
            mark("end"),
        ]
    };
    let passing = through(&rig, inside(camera(false, Some("100.06 deg")))).unwrap();
    let steps: Vec<u64> = passing.on_the_way.iter().map(|event| event.step).collect();
    assert_eq!(steps, [500, 500, 556, 2167]);
    assert_eq!(
        passing.on_the_way[2].item,
        Item::Output {
            output: 0,
            on: false
        }
    );
    // Whole turns do not count: 20 degrees are passed at once, 380 would be too.
    let passing = through(&rig, inside(camera(false, Some("740 deg")))).unwrap();
    assert_eq!(passing.on_the_way[0].step, 111);
    let short = vec![
        camera(true, Some("170 deg")),
        moving(by("90 deg", &settings)),
    ];
    assert_eq!(through(&rig, short).unwrap_err().code, "never-passed");
    // Backwards the first passage is the other way round.
    let back = vec![
        camera(true, Some("170 deg")),
        moving(by("-270 deg", &settings)),
    ];
    let passing = through(&rig, back).unwrap();
    assert_eq!(passing.on_the_way[0].step, 1056);
}

#[test]
fn turning_back_while_passing_is_refused_at_its_place() {
    let rig = plain();
    let settings = Arc::new(settings("120 deg/s", "600 deg/s^2"));
    let source = Source::new("a.moves", "through {\n turn by 9 deg\n turn by -9 deg\n}\n");
    let mut back = moving(by("-9 deg", &settings));
    back.span = Span::new(26, 40);
    let inside = vec![moving(by("9 deg", &settings)), back];
    let block = action(ActionKind::Through(inside));
    let error = program(&rig, &source, [Ok(block)])
        .next()
        .unwrap()
        .unwrap_err();
    assert_eq!(error.code, "reversal-while-passing");
    assert_eq!(error.place(), Some(("a.moves", 3, 2)));
}

fn band(from: f64, to: f64) -> Band {
    Band {
        kind: BandKind::Forced,
        from_step_rate_hz: from,
        to_step_rate_hz: Some(to),
        found_by: FoundBy::Simulation,
    }
}

fn with_bands(rig: &Rig, bands: Vec<Vec<Band>>, actions: Vec<Action>) -> Vec<PlannedMove> {
    let source = Source::new("a.moves", "");
    program(rig, &source, actions.into_iter().map(Ok))
        .with_bands(bands)
        .map(|item| match item.unwrap() {
            Item::Move(planned) => planned,
            other => panic!("{other:?}"),
        })
        .collect()
}

fn cruise(planned: &PlannedMove, axis: usize) -> f64 {
    let still =
        |segment: &&crate::plan::Segment| segment.acceleration == 0.0 && segment.jerk == 0.0;
    planned.motion.axes[axis]
        .segments
        .iter()
        .find(still)
        .expect("it cruises")
        .velocity
}

/// By hand: 180 deg/s are 100 full steps/s of 1.8 degrees.
#[test]
fn a_cruise_in_a_band_goes_to_its_lower_edge_and_tells_the_cost() {
    let rig = plain();
    let settings = Arc::new(settings("180 deg/s", "900 deg/s^2"));
    let bands = vec![vec![band(60.0, 90.0), band(85.0, 130.0)]];
    let plain = rigs::moves(&rig, vec![moving(by("2 turns", &settings))]);
    let planned = with_bands(&rig, bands.clone(), vec![moving(by("2 turns", &settings))]);
    assert_relative_eq!(cruise(&planned[0], 0), 600.0);
    let change = &planned[0].changes[0];
    let ChangeKind::CruiseMoved { from, to } = change.kind else {
        panic!("{change:?}")
    };
    assert_relative_eq!(from, 100.0);
    assert_relative_eq!(to, 60.0);
    assert_relative_eq!(
        change.cost,
        planned[0].motion.duration - plain[0].motion.duration
    );
    let allowed = Arc::new(Settings {
        bands_allowed: true,
        ..(*settings).clone()
    });
    let planned = with_bands(&rig, bands, vec![moving(by("2 turns", &allowed))]);
    assert_eq!(planned[0].motion.duration, plain[0].motion.duration);
    assert!(planned[0].changes.is_empty());
}

#[test]
fn a_move_with_its_own_time_goes_to_the_upper_edge_and_still_takes_that_time() {
    let rig = plain();
    for shape in [Shape::Trapezoid, Shape::SCurve] {
        let mut settings = settings("360 deg/s", "900 deg/s^2");
        settings.all.jerk = limit("9000 deg/s^3");
        settings.shape = shape;
        let timed = Move {
            pace: MovePace::In(4.4, Span::default()),
            ..by("2 turns", &Arc::new(settings))
        };
        let planned = with_bands(&rig, vec![vec![band(80.0, 110.0)]], vec![moving(timed)]);
        assert_relative_eq!(planned[0].motion.duration, 4.4);
        assert_relative_eq!(
            planned[0].motion.axes[0].duration(),
            4.4,
            max_relative = 1e-12
        );
        assert_relative_eq!(cruise(&planned[0], 0), 1100.0);
        let change = &planned[0].changes[0];
        assert!(matches!(change.kind, ChangeKind::CruiseMoved { .. }));
        assert_eq!(change.cost, 0.0);
    }
}

/// By hand, in full steps of 1.8 degrees: 20 of them at 500/s² up and down peak at
/// 100/s after 0.4 s. Kept at 60/s they take 20/60 + 60/500 s.
#[test]
fn a_peak_that_lingers_in_a_band_is_lowered_to_its_edge_and_tells_the_cost() {
    let rig = plain();
    let bands = || vec![vec![band(60.0, 130.0)]];
    let move_at = |accel| moving(by("36 deg", &Arc::new(settings("1000 deg/s", accel))));
    let planned = with_bands(&rig, bands(), vec![move_at("900 deg/s^2")]);
    assert_relative_eq!(cruise(&planned[0], 0), 600.0);
    let change = &planned[0].changes[0];
    let ChangeKind::PeakLowered { from, to } = change.kind else {
        panic!("{change:?}")
    };
    assert_relative_eq!(from, 100.0, max_relative = 1e-9);
    assert_relative_eq!(to, 60.0);
    assert_relative_eq!(change.cost, 20.0 / 60.0 + 0.12 - 0.4, max_relative = 1e-9);
    assert_eq!(planned[0].changes.len(), 1);
    let mut allowed = settings("1000 deg/s", "900 deg/s^2");
    allowed.bands_allowed = true;
    let turn = moving(by("36 deg", &Arc::new(allowed)));
    let planned = with_bands(&rig, bands(), vec![turn]);
    assert_relative_eq!(planned[0].motion.duration, 0.4, max_relative = 1e-9);
    assert!(planned[0].changes.is_empty());
    // Below the band there would only be a crawl.
    let planned = with_bands(
        &rig,
        vec![vec![band(20.0, 130.0)]],
        vec![move_at("900 deg/s^2")],
    );
    let ChangeKind::PeakStays { at } = planned[0].changes[0].kind else {
        panic!("{:?}", planned[0].changes)
    };
    assert_relative_eq!(at, 100.0, max_relative = 1e-9);
}

/// Two microsteps at 50,000 full steps/s² peak at 100/s: 1.6 ms in the band, a fraction
/// of a period of the rotor.
#[test]
fn a_peak_that_is_gone_within_a_period_is_left_alone() {
    let rig = plain();
    let machine = crate::physics::Machine::of(&rig.axes[0]);
    let period = std::f64::consts::TAU / machine.natural_frequency();
    assert!(period > 3e-3, "{period}");
    let settings = Arc::new(settings("1000 deg/s", "50000 step/s^2"));
    let turn = moving(by("2 microsteps", &settings));
    let planned = with_bands(&rig, vec![vec![band(60.0, 130.0)]], vec![turn]);
    assert_relative_eq!(planned[0].motion.duration, 4e-3, max_relative = 1e-9);
    assert!(planned[0].changes.is_empty());
}

/// By hand: 70 full steps/s at 500/s² take 0.14 s.
#[test]
fn a_band_that_is_crossed_slowly_is_told_of() {
    let rig = plain();
    let bands = || vec![vec![band(60.0, 130.0)]];
    let turn = |accel| moving(by("2 turns", &Arc::new(settings("150 step/s", accel))));
    let planned = with_bands(&rig, bands(), vec![turn("500 step/s^2")]);
    assert_relative_eq!(cruise(&planned[0], 0), 1500.0);
    let ChangeKind::CrossesSlowly { from, to, time } = planned[0].changes[0].kind else {
        panic!("{:?}", planned[0].changes)
    };
    assert_eq!((from, to), (60.0, 130.0));
    assert_relative_eq!(time, 0.14, max_relative = 1e-9);
    let planned = with_bands(&rig, bands(), vec![turn("20000 step/s^2")]);
    assert!(planned[0].changes.is_empty());
}

/// Legs that meet inside the band: the whole hump is lowered, wherever its peak lies.
#[test]
fn a_peak_where_two_legs_meet_is_lowered_too() {
    let rig = plain();
    for shape in [Shape::Trapezoid, Shape::SCurve] {
        let leg = |accel| {
            let mut settings = settings("1000 deg/s", accel);
            settings.all.jerk = limit("90000 deg/s^3");
            settings.shape = shape;
            moving(by("18 deg", &Arc::new(settings)))
        };
        let block = action(ActionKind::Through(vec![
            leg("900 deg/s^2"),
            leg("880 deg/s^2"),
        ]));
        let planned = with_bands(&rig, vec![vec![band(60.0, 130.0)]], vec![block]);
        let peak = planned[0].motion.axes[0]
            .segments
            .iter()
            .map(|segment| segment.velocity)
            .fold(0.0, f64::max);
        assert!(peak <= 600.0 * (1.0 + 1e-9), "{peak}");
        assert!(peak > 599.0, "{peak}");
        assert!(matches!(
            planned[0].changes[0].kind,
            ChangeKind::PeakLowered { .. }
        ));
    }
}

#[test]
fn a_cruise_that_cannot_leave_its_band_says_so() {
    let rig = plain();
    let settings = Arc::new(settings("180 deg/s", "900 deg/s^2"));
    let planned = with_bands(
        &rig,
        vec![vec![band(0.0, 200.0)]],
        vec![moving(by("2 turns", &settings))],
    );
    assert!(matches!(
        planned[0].changes[0].kind,
        ChangeKind::CruiseStays { .. }
    ));
}

#[test]
fn axes_together_leave_the_bands_of_each() {
    let rig = bench();
    let settings = bench_settings(Shape::Trapezoid);
    // Alone on its line the table cruises at 200 deg/s, 333 full steps/s of the motor; the
    // arm then at 125 deg/s, 69.4 full steps/s.
    let bands = vec![vec![band(300.0, 400.0)], vec![band(50.0, 65.0)], Vec::new()];
    let block = action(ActionKind::Together(vec![
        moving(on("table", by("4 turns", &settings))),
        moving(on("arm", by("900 deg", &settings))),
    ]));
    let planned = with_bands(&rig, bands, vec![block]);
    // At 300 the arm would cruise at 62.5, so both slow down until it does at 50: on the
    // line the two bands are one.
    assert_relative_eq!(cruise(&planned[0], 1) / 64.0, 50.0, max_relative = 1e-9);
    assert_relative_eq!(cruise(&planned[0], 0) / 8.0, 240.0, max_relative = 1e-9);
    assert_eq!(planned[0].changes.len(), 1);
}

#[test]
fn ramps_begin_and_end_at_the_start_speed_or_the_cruise_where_that_is_lower() {
    let rig = plain();
    let mut with_start = settings("180 deg/s", "900 deg/s^2");
    with_start.all.start = limit("36 deg/s");
    let settings = Arc::new(with_start);
    let slow = Move {
        pace: MovePace::At(quantity("18 deg/s"), Span::default()),
        ..by("1 turn", &settings)
    };
    let planned = rigs::moves(
        &rig,
        vec![
            moving(by("1 turn", &settings)),
            moving(by("0.18 deg", &settings)),
            moving(slow),
        ],
    );
    let ends = |at: usize| {
        let segments = &planned[at].motion.axes[0].segments;
        let last = segments.last().unwrap();
        (segments[0].velocity, last.velocity_at(last.duration))
    };
    assert_eq!(ends(0).0, 200.0);
    assert_relative_eq!(ends(0).1, 200.0, max_relative = 1e-12);
    // A single microstep: on at once, no slower than the start speed.
    assert!(planned[1].motion.duration <= 1.0 / 200.0);
    assert_eq!(planned[2].motion.axes[0].segments.len(), 1);
    assert_eq!(ends(2).0, 100.0);
}

/// By hand: up to 60 full steps/s at 500/s² takes 0.12 s from rest and 0.02 s from 50/s,
/// and as long on the way down.
#[test]
fn a_start_speed_shortens_the_time_at_low_speeds() {
    let rig = plain();
    let slow_time = |start: &str| {
        let mut settings = settings("180 deg/s", "900 deg/s^2");
        settings.all.start = limit(start);
        let planned = rigs::moves(&rig, vec![moving(by("2 turns", &Arc::new(settings)))]);
        let axis = &planned[0].motion.axes[0];
        let samples = 200_000;
        let slow = (0..samples)
            .map(|sample| planned[0].motion.duration * f64::from(sample) / f64::from(samples))
            .filter(|time| at(axis, *time)[1] < 600.0)
            .count();
        planned[0].motion.duration * slow as f64 / f64::from(samples)
    };
    assert_relative_eq!(slow_time(""), 0.24, max_relative = 1e-3);
    assert_relative_eq!(slow_time("50 step/s"), 0.04, max_relative = 1e-3);
}
