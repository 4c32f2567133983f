//! The schedule against ideal times, worked out independently and more precisely.

#[path = "support/motion.rs"]
mod motion;

use motion::{axis_motion, motion, play, rig, s_curve, timer, trapezoid};
use slewsmith::plan::{AxisMotion, Item};
use slewsmith::rig::Timer;
use slewsmith::schedule::{Run, Schedule};
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

/// Checks that each step of a motion that starts `start` ticks into the program lies
/// within half a tick of the moment when its ideal position passes k − ½.
fn within_half_a_tick(ideal: &mut Ideal<'_>, k: u64, tick: u64, start: TwoFloat, timer: &Timer) {
    let place = k as f64 - 0.5;
    let rate = TwoFloat::from(timer.clock.si()) / f64::from(timer.prescaler);
    // Both are whole numbers below 2^53.
    let since = TwoFloat::from(tick as f64) - start;
    let early = ideal.position((since - (0.5 + SLACK)) / rate);
    let late = ideal.position((since + (0.5 + SLACK)) / rate);
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
    let motions = [
        motion(vec![axis_motion(
            0,
            2 * million,
            0.0,
            &trapezoid(0.71, 40.3, 0.33),
        )]),
        motion(vec![axis_motion(
            0,
            -2 * million,
            0.0,
            &s_curve(0.31, 0.117, 50.7),
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
        let Run::Steps { ticks, .. } = run else {
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
