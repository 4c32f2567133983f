//! The schedule against ideal times, worked out independently and more precisely.

use std::sync::Arc;

use crate::plan::{AxisMotion, Item, Motion, OnTheWay, Segment};
use crate::rig::Timer;
use crate::schedule::invert::Inverse;
use crate::schedule::timer::{PaceLimit, TickRules, verdict};
use crate::schedule::{Event, EventKind, Schedule, ScheduleRun};
use crate::script::Until;
use crate::testing::motion::{
    Phase, axis_motion, in_whole_ticks, motion, play, rig, s_curve, timer, trapezoid,
};
use proptest::prelude::*;
use twofloat::TwoFloat;

/// Where the ideal motion of an axis is at a time, in the double-double arithmetic of
/// the crate twofloat.
struct Ideal<'a> {
    axis: &'a AxisMotion,
    starts: Vec<TwoFloat>,
    segment: usize,
}

impl<'a> Ideal<'a> {
    fn new(axis: &'a AxisMotion) -> Self {
        let mut elapsed = TwoFloat::from(0.0);
        let mut starts = Vec::new();
        for segment in &axis.segments {
            starts.push(elapsed);
            elapsed += segment.duration;
        }
        Self {
            axis,
            starts,
            segment: 0,
        }
    }

    /// Position at a time; times are asked for in rising order, give or take.
    fn position(&mut self, time: TwoFloat) -> TwoFloat {
        while self.segment > 0 && time < self.starts[self.segment] {
            self.segment -= 1;
        }
        while self.segment + 1 < self.starts.len() && time >= self.starts[self.segment + 1] {
            self.segment += 1;
        }
        let segment = &self.axis.segments[self.segment];
        let t = time - self.starts[self.segment];
        let t = if t > segment.duration {
            TwoFloat::from(segment.duration)
        } else {
            t
        };
        let t = if t < 0.0 { TwoFloat::from(0.0) } else { t };
        let a = TwoFloat::from(segment.acceleration * 0.5);
        let j = TwoFloat::from(segment.jerk) / 6.0;
        (if segment.jerk == 0.0 {
            t * (t * a + segment.velocity)
        } else {
            t * (t * (t * j + a) + segment.velocity)
        }) + segment.position
    }
}

/// More than arithmetic in double-double can be off, and far less than a tick.
const SLACK: f64 = 1e-9;

/// a / b, with one more round of long division: the crate's own is good to some 2^-58
/// only, which is too coarse for 10^12 ticks.
fn quotient(a: TwoFloat, b: TwoFloat) -> TwoFloat {
    let first = a / b;
    first + (a - first * b) / b
}

/// Checks that each step of a motion that starts `start` ticks into the program lies
/// within half a tick of the moment when its ideal position passes k − ½.
fn within_half_a_tick(ideal: &mut Ideal<'_>, k: u64, tick: u64, start: TwoFloat, timer: &Timer) {
    let place = k as f64 - 0.5;
    let rate = quotient(
        TwoFloat::from(timer.clock.si()),
        TwoFloat::from(f64::from(timer.prescaler)),
    );
    // Both are whole numbers below 2^53.
    let since = TwoFloat::from(tick as f64) - start;
    let early = ideal.position(quotient(since - (0.5 + SLACK), rate));
    let late = ideal.position(quotient(since + (0.5 + SLACK), rate));
    // A motion's own end may fall short of the step by a rounding of its segments.
    assert!(
        early <= place && late >= place,
        "step {k} on tick {tick}: passed {early:?} … {late:?}, ideal {place}"
    );
}

#[test]
fn ten_million_steps_lie_within_half_a_tick_each() {
    let timer = timer(16e6, 3);
    let rate = TwoFloat::from(16e6) / 3.0;
    let million = 1_000_000;
    // The first cruises so long that an f64 tells its ticks only to some ten thousandths.
    let motions = [
        motion(vec![axis_motion(
            0,
            2 * million,
            0.0,
            &trapezoid(0.71, 400_003.712_345_678, 0.33),
        )]),
        motion(vec![axis_motion(
            0,
            -2 * million,
            0.0,
            &s_curve(0.314_159, 0.117_171, 50.777_123),
        )]),
        motion(vec![axis_motion(0, million, 0.0, &s_curve(9.7, 1.3, 0.01))]),
    ];
    let dwell = 100_000.000_000_123;
    let items = motions
        .iter()
        .chain(&motions)
        .flat_map(|motion| [Item::Dwell(dwell), play(motion)]);

    let mut schedule = Schedule::new(items, &rig(1, timer.clone()));
    let mut moves = motions.iter().chain(&motions);
    let mut start = TwoFloat::from(0.0);
    let (mut ideal, mut steps, mut left, mut duration) = (None, 0, 0, 0.0);
    while let Some(run) = schedule.next_run() {
        let ScheduleRun::Steps { ticks, .. } = run else {
            continue;
        };
        if left == 0 {
            let next = moves.next().unwrap();
            start += (TwoFloat::from(duration) + dwell) * rate;
            duration = next.duration;
            ideal = Some(Ideal::new(&next.axes[0]));
            (steps, left) = (0, next.axes[0].steps);
        }
        let ideal = ideal.as_mut().unwrap();
        for tick in ticks {
            steps += 1;
            within_half_a_tick(ideal, steps, *tick, start, &timer);
        }
        left -= ticks.len() as u64;
    }
    assert_eq!(schedule.facts().steps, [10_000_000]);
    assert_eq!(schedule.facts().added_ticks, 0);
    assert!(schedule.facts().last_tick > 3_000_000_000_000);
}

/// D. Austin, “Generate stepper-motor speed profiles in real time”, Embedded Systems
/// Programming, January 2005: from rest at constant acceleration the delays are
/// c_n = c_0 (√(n+1) − √n), whose first ratios are these. The paper puts step n where
/// the position passes n microsteps; ours passes it half a microstep sooner, so the
/// whole positions are asked for here, through the same inversion.
#[test]
fn delays_from_rest_are_those_of_the_published_formula() {
    let acceleration = 800.0;
    let inverse = Inverse::new(&Segment {
        duration: 100.0,
        acceleration,
        ..Segment::default()
    });
    let time = |n: u32| inverse.time(f64::from(n));
    let first = time(1);
    // c_0 = √(2 / a) for an angle of one step.
    assert!((first - (2.0 / acceleration).sqrt()).abs() < 1e-15);
    for (n, ratio) in [(1, 0.4142), (2, 0.7673), (3, 0.8430), (5, 0.9041)] {
        let delay = |n| time(n + 1) - time(n);
        assert!((delay(n) / delay(n - 1) - ratio).abs() < 5e-5);
    }
    for n in 0..100_000 {
        let exact = first * (f64::from(n + 1).sqrt() - f64::from(n).sqrt());
        assert!((time(n + 1) - time(n) - exact).abs() < 1e-13, "delay {n}");
    }
    // The sum of the first thousand: 31.62278 c_0, from the formula.
    assert!((time(1000) / first - 31.62278).abs() < 5e-6);
}

fn ticks_of(motion: &Arc<Motion>) -> Vec<u64> {
    let steps = |event: Event| matches!(event.what, EventKind::Step { .. }).then_some(event.tick);
    let rig = rig(2, timer(1e6, 1));
    Schedule::new([play(motion)], &rig)
        .filter_map(steps)
        .collect()
}

/// Rotor teeth · 4 · microsteps: common practice for two-phase motors.
#[test]
fn a_full_turn_is_teeth_times_four_times_microsteps() {
    let rig = rig(1, timer(1e6, 1));
    let turn = rig.axes[0].microsteps_per_motor_turn();
    assert_eq!(turn, 50 * 4 * 16);
    let motion = motion(vec![axis_motion(
        0,
        turn as i64,
        0.0,
        &trapezoid(0.1, 0.5, 0.1),
    )]);
    assert_eq!(ticks_of(&motion).len(), 3200);
}

#[test]
fn a_move_mirrored_in_time_has_the_mirrored_schedule() {
    let whole = |phases: &[Phase]| {
        let motion = motion(vec![axis_motion(0, 4000, 0.0, phases)]);
        ticks_of(&in_whole_ticks(&motion, &timer(1e6, 1)))
    };
    let there = whole(&trapezoid(0.25, 1.0, 0.5));
    let mirrored = whole(&trapezoid(0.5, 1.0, 0.25));
    let end = 1_750_000;
    for (tick, back) in there.iter().zip(mirrored.iter().rev()) {
        // Half a tick rounds to even whichever way it is counted, and the segments
        // of the two were rounded on their own: one tick, rarely.
        assert!((end - tick).abs_diff(*back) <= 1);
    }
    let same = there
        .iter()
        .zip(mirrored.iter().rev())
        .filter(|(a, b)| end - **a == **b);
    assert!(same.count() > 3990);
}

#[test]
fn the_other_direction_has_the_same_ticks() {
    let ticks = |steps| {
        ticks_of(&motion(vec![axis_motion(
            0,
            steps,
            0.0,
            &s_curve(0.1, 0.2, 0.3),
        )]))
    };
    assert_eq!(ticks(5000), ticks(-5000));
}

#[test]
fn the_direction_stands_before_the_first_step_and_after_the_last() {
    // A motor that starts at full speed: half a step comes 50 µs after the start.
    let mut timer = timer(1e6, 1);
    timer.direction_setup = crate::units::Time::new(700e-6);
    let rig = rig(1, timer);
    let jump = |steps| motion(vec![axis_motion(0, steps, 1.0, &[(0.01, 0.0, 0.0)])]);
    let (there, back) = (jump(100), jump(-100));
    let mut schedule = Schedule::new([play(&there), play(&there), play(&back)], &rig);
    let events: Vec<Event> = schedule.by_ref().collect();
    let turns: Vec<usize> = (0..events.len())
        .filter(|at| matches!(events[*at].what, EventKind::Direction { .. }))
        .collect();
    assert_eq!(turns, [0, 201]);
    assert_eq!(events[1].tick - events[0].tick, 700);
    assert_eq!(
        events[101].tick - events[100].tick,
        100,
        "no wait where nothing turns"
    );
    assert_eq!(events[201].tick - events[200].tick, 700);
    assert_eq!(events[202].tick - events[201].tick, 700);
    assert_eq!(schedule.facts().added_ticks, 650 + 1300);
    assert_eq!(schedule.end_tick(), 30_000 + 1950);
}

#[test]
fn await_takes_no_ticks_and_items_keep_their_order() {
    let rig = rig(1, timer(1e6, 1));
    let output = |on| Item::Output { output: 0, on };
    let items = [
        Item::Dwell(0.5),
        output(true),
        Item::Await {
            input: 0,
            until: Until::Active,
            timeout: Some(2.0),
        },
        Item::Mark(Arc::from("here")),
        output(false),
        Item::Dwell(0.25),
        output(true),
    ];
    let events: Vec<Event> = Schedule::new(items, &rig).collect();
    let ticks: Vec<u64> = events.iter().map(|event| event.tick).collect();
    assert_eq!(ticks, [500_000, 500_000, 500_000, 500_000, 750_000]);
    assert_eq!(
        events[1].what,
        EventKind::Await {
            input: 0,
            until: Until::Active,
            timeout: Some(2_000_000)
        }
    );
    assert_eq!(events[2].what, EventKind::Mark(Arc::from("here")));
    assert_eq!(
        events[3].what,
        EventKind::Output {
            output: 0,
            on: false
        }
    );
}

#[test]
fn what_happens_on_the_way_comes_right_after_its_step() {
    let rig = rig(1, timer(1e6, 1));
    let motion = motion(vec![axis_motion(0, 1000, 0.0, &trapezoid(0.1, 0.1, 0.1))]);
    let Item::Move(mut planned) = play(&motion) else {
        unreachable!()
    };
    planned.on_the_way = [1000, 0, 400, 401]
        .map(|step| OnTheWay {
            axis: 0,
            step,
            item: Item::Mark(Arc::from(step.to_string())),
            line: 1,
        })
        .to_vec();
    let (mut steps, mut last, mut marks) = (0, 0, Vec::new());
    for event in Schedule::new([Item::Move(planned)], &rig) {
        match event.what {
            EventKind::Step { .. } => steps += 1,
            EventKind::Mark(text) => {
                assert_eq!(text.as_ref(), steps.to_string());
                assert_eq!(event.tick, last);
                marks.push(steps);
            }
            _ => {}
        }
        last = event.tick;
    }
    assert_eq!(marks, [0, 400, 401, 1000]);
}

#[test]
fn a_motion_that_the_timer_cannot_play_is_refused_with_the_speed_at_which_it_could() {
    // 20 µs at 1 MHz with a clock that may be 1 % fast: 21 ticks.
    let mut timer = timer(1e6, 1);
    timer.fastest_interval = crate::units::Time::new(20e-6);
    timer.tolerance = 0.01;
    let rig = rig(1, timer);
    // A cruise of 0.1 s with ramps of 0.1 s: 0.2 s at the highest speed.
    let at_speed = |speed: f64| {
        motion(vec![axis_motion(
            0,
            (0.2 * speed).round() as i64,
            0.0,
            &trapezoid(0.1, 0.1, 0.1),
        )])
    };
    let problem = verdict(&at_speed(50_000.0), &rig).unwrap_err()[0];
    assert_eq!(
        (problem.interval, problem.least, problem.limit),
        (20, 21, PaceLimit::FastestInterval)
    );
    assert!((problem.speed - 1e6 / 21.0).abs() < 1e-9);
    let facts = verdict(&at_speed(47_500.0), &rig).unwrap();
    assert_eq!(facts.axes[0].shortest_interval, 21);
    assert!(!facts.axes[0].beyond_counter);
    let slow = verdict(&at_speed(10.0), &rig).unwrap();
    assert!(slow.axes[0].beyond_counter && slow.axes[0].longest_interval > 65_535);
}

#[test]
fn the_fastest_step_may_be_amid_a_segment() {
    // The speed rises and falls within one segment.
    let swelling = motion(vec![axis_motion(0, 2000, 0.0, &[(1.0, 2.0, -4.0)])]);
    let ticks = ticks_of(&swelling);
    let shortest = ticks.windows(2).map(|pair| pair[1] - pair[0]).min();
    let facts = verdict(&swelling, &rig(1, timer(1e6, 1))).unwrap();
    assert_eq!(Some(facts.axes[0].shortest_interval), shortest);
}

#[test]
fn moves_of_whole_ticks_have_the_same_ticks_everywhere() {
    let timer = timer(16e6, 3);
    let rig = rig(1, timer.clone());
    let ragged = motion(vec![axis_motion(
        0,
        777,
        0.0,
        &s_curve(0.0123, 0.0071, 0.037_700_1),
    )]);
    let motion = in_whole_ticks(&ragged, &timer);
    let program = std::iter::repeat_n(play(&motion), 500);
    let mut first: Option<Vec<u64>> = None;
    let mut of_moves = vec![Vec::new(); 500];
    let mut schedule = Schedule::new(program, &rig);
    while let Some(run) = schedule.next_run() {
        if let ScheduleRun::Steps { ticks, of, .. } = run {
            of_moves[of.number as usize - 1].extend_from_slice(ticks);
        }
    }
    for ticks in of_moves {
        let from_first: Vec<u64> = ticks.iter().map(|tick| tick - ticks[0]).collect();
        assert_eq!(from_first.len(), 777);
        assert_eq!(*first.get_or_insert_with(|| from_first.clone()), from_first);
    }
}

/// Two axes that step together, and an output on the way.
fn crowded() -> [Item; 3] {
    let phases = s_curve(0.01, 0.02, 0.05);
    let both = motion(vec![
        axis_motion(0, 600, 0.0, &phases),
        axis_motion(1, -600, 0.0, &phases),
    ]);
    let Item::Move(mut planned) = play(&both) else {
        unreachable!()
    };
    planned.on_the_way = vec![OnTheWay {
        axis: 1,
        step: 300,
        item: Item::Output {
            output: 0,
            on: true,
        },
        line: 1,
    }];
    [Item::Move(planned), Item::Dwell(0.3), play(&both)]
}

#[test]
fn axes_that_step_on_one_tick_come_in_the_order_of_the_rig() {
    let rig = rig(2, timer(1e6, 1));
    let steps: Vec<(u64, usize)> = Schedule::new(crowded(), &rig)
        .filter_map(|event| match event.what {
            EventKind::Step { axis, .. } => Some((event.tick, axis)),
            _ => None,
        })
        .collect();
    assert_eq!(steps.len(), 2400);
    for pair in steps.chunks_exact(2) {
        assert_eq!((pair[0].1, pair[1].1), (0, 1));
        assert_eq!(pair[0].0, pair[1].0);
    }
}

#[test]
fn runs_and_single_events_are_the_same_schedule() {
    let rig = rig(2, timer(1e6, 1));
    let one_by_one: Vec<Event> = Schedule::new(crowded(), &rig).collect();
    // Taking turns, so that runs also begin in the middle.
    let mut schedule = Schedule::new(crowded(), &rig);
    let mut mixed = Vec::new();
    loop {
        match schedule.next_run() {
            None => break,
            Some(ScheduleRun::Event(event)) => mixed.push(event),
            Some(ScheduleRun::Steps {
                axis,
                direction,
                ticks,
                ..
            }) => mixed.extend(ticks.iter().map(|tick| Event {
                tick: *tick,
                what: EventKind::Step { axis, direction },
            })),
        }
        mixed.extend(schedule.next());
    }
    assert_eq!(mixed, one_by_one);
    let facts = schedule.facts();
    assert_eq!(facts.events, one_by_one.len() as u64);
    assert_eq!(facts.steps, [1200, 1200]);
    let waits = || {
        one_by_one
            .windows(2)
            .map(|pair| pair[1].tick - pair[0].tick)
    };
    assert_eq!(facts.longest_wait, waits().max().unwrap());
    let beyond = waits().filter(|wait| *wait > 65_535).count();
    assert_eq!(facts.waits_beyond_counter, beyond as u64);
    assert_eq!(beyond, 1, "the dwell");
}

/// Motions of every kind: phases of any length, with and without jerk, starting at
/// any speed; none stands still on the way.
fn any_axis(axis: usize) -> impl Strategy<Value = AxisMotion> {
    type Course = (f64, Vec<Phase>);
    let phases = prop_oneof![
        (0.01..2.0, 0.01..2.0, 0.01..2.0)
            .prop_map(|(a, b, c)| -> Course { (0.0, trapezoid(a, b, c).to_vec()) }),
        (0.01..2.0, 0.001..2.0, 0.001..2.0)
            .prop_map(|(a, b, c)| -> Course { (0.0, s_curve(a, b, c).to_vec()) }),
        (0.01..2.0, 0.01..2.0).prop_map(|(v, a): (f64, f64)| -> Course {
            (v, vec![(0.5, 0.0, a), (0.5, 0.5 * a, -a), (0.2, 0.0, -v)])
        }),
        (0.01..2.0, 1e-9..1e-3).prop_map(|(v, a): (f64, f64)| -> Course {
            (v, vec![(0.5, a, 0.0), (0.5, 0.5 * a, a), (0.2, -a, 0.0)])
        }),
    ];
    (phases, 1..6000_i64, any::<bool>()).prop_map(move |((start, phases), steps, back)| {
        axis_motion(axis, if back { -steps } else { steps }, start, &phases)
    })
}

/// A dwell in ticks. One that is within one unit in the last place of a whole number of
/// ticks is meant to be that number (0.8 s at 1 MHz is 800 000.000 000 000 04 ticks in
/// `f64`); after 10^12 ticks that unit is a ten-thousandth of a tick, so a random dwell
/// does fall into it now and then.
fn dwell_in_ticks(seconds: f64, rate: TwoFloat) -> TwoFloat {
    let ticks = TwoFloat::from(seconds) * rate;
    let whole = TwoFloat::from(f64::from(ticks).round());
    let off = f64::from(ticks - whole).abs();
    if off <= f64::from(whole) * f64::EPSILON {
        whole
    } else {
        ticks
    }
}

/// Found by chance: a dwell so close to a whole number of ticks that it counts as one.
#[test]
fn a_dwell_within_rounding_of_whole_ticks_is_whole() {
    let (dwell, clock) = (948_028.053_786_158, 13_283_260.186_648_991);
    let rig = rig(1, timer(clock, 3));
    let steps = motion(vec![axis_motion(0, 1, 0.0, &trapezoid(0.01, 0.01, 0.01))]);
    let mut schedule = Schedule::new([Item::Dwell(dwell), play(&steps)], &rig);
    let step = schedule
        .find(|event| matches!(event.what, EventKind::Step { .. }))
        .unwrap();
    // Half a microstep, the middle of the motion: 15 ms, 66 416.3 ticks.
    assert_eq!(step.tick - 4_197_634_434_228, 66_416);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_motion_steps_in_order_and_within_half_a_tick(
        one in any_axis(0),
        other in any_axis(1),
        dwell in 0.001..1e6,
        clock in 1e5..4e7_f64,
        prescaler in 1..9_u32,
    ) {
        let timer = timer(clock, prescaler);
        let rate = quotient(TwoFloat::from(clock), TwoFloat::from(f64::from(prescaler)));
        let rig = rig(2, timer.clone());
        let motion = motion(vec![one, other]);
        let mut schedule = Schedule::new([Item::Dwell(dwell), play(&motion)], &rig);
        let events: Vec<Event> = schedule.by_ref().collect();
        let added = schedule.facts().added_ticks as f64;
        let start = dwell_in_ticks(dwell, rate) + added;
        let mut ideal = motion.axes.iter().map(Ideal::new).collect::<Vec<_>>();
        let mut steps = [0; 2];
        let mut last = 0;
        for event in events {
            prop_assert!(event.tick >= last);
            last = event.tick;
            if let EventKind::Step { axis, direction } = event.what {
                prop_assert_eq!(direction, motion.axes[axis].direction);
                steps[axis] += 1;
                within_half_a_tick(&mut ideal[axis], steps[axis], event.tick, start, &timer);
            }
        }
        prop_assert_eq!(steps, [motion.axes[0].steps, motion.axes[1].steps]);
    }

    #[test]
    fn any_motion_mirrored_in_time_has_the_mirrored_schedule(
        durations in (0.01..2.0, 0.01..2.0, 0.01..2.0),
        steps in 1..6000_i64,
        is_s_curve in any::<bool>(),
    ) {
        let (a, b, c) = durations;
        // An S-curve is its own mirror image.
        let (forwards, mirrored) = if is_s_curve {
            (s_curve(a, b, c).to_vec(), s_curve(a, b, c).to_vec())
        } else {
            (trapezoid(a, b, c).to_vec(), trapezoid(c, b, a).to_vec())
        };
        let ticks = |phases: &[Phase]| {
            let rig = rig(1, timer(1e6, 1));
            let motion = motion(vec![axis_motion(0, steps, 0.0, phases)]);
            let mut schedule = Schedule::new([play(&motion)], &rig);
            let ticks: Vec<u64> = schedule
                .by_ref()
                .filter(|event| matches!(event.what, EventKind::Step { .. }))
                .map(|event| event.tick)
                .collect();
            (ticks, motion.duration * 1e6, schedule.facts().added_ticks as f64)
        };
        let ((there, end, added), (back, _, added_back)) = (ticks(&forwards), ticks(&mirrored));
        prop_assert_eq!(there.len(), back.len());
        for (tick, back) in there.iter().zip(back.iter().rev()) {
            // Each is rounded on its own, and the end is no whole tick.
            let off = (end - (*tick as f64 - added)) - (*back as f64 - added_back);
            prop_assert!(off.abs() <= 1.0 + 1e-3, "{} and {}: {}", tick, back, off);
        }
    }

    #[test]
    fn the_verdict_knows_the_shortest_and_the_longest_interval(one in any_axis(0), clock in 1e5..4e7_f64) {
        let rig = rig(1, timer(clock, 1));
        let motion = motion(vec![one]);
        let ticks: Vec<u64> = Schedule::new([play(&motion)], &rig)
            .filter(|event| matches!(event.what, EventKind::Step { .. }))
            .map(|event| event.tick)
            .collect();
        let intervals = ticks.windows(2).map(|pair| pair[1] - pair[0]);
        let least = TickRules::new(&rig.timer).between_steps;
        match verdict(&motion, &rig) {
            Ok(facts) if ticks.len() > 1 => {
                let facts = facts.axes[0];
                let (shortest, longest) = (intervals.clone().min().unwrap(), intervals.max().unwrap());
                prop_assert!((facts.shortest_interval..=facts.shortest_interval + 1).contains(&shortest));
                prop_assert!((longest..=longest + 1).contains(&facts.longest_interval));
                prop_assert!(shortest >= least);
            }
            Ok(facts) => prop_assert!(facts.axes.is_empty()),
            Err(problems) => {
                prop_assert!(problems[0].interval < least);
                prop_assert!(intervals.min().unwrap() <= least);
            }
        }
    }
}
