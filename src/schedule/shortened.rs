//! What a shortened schedule leaves out: the middle of very long even stretches.
//!
//! Where every axis of a move turns evenly, nothing happens that has not happened before. A
//! schedule that is only judged therefore plays the begin and the end of such a stretch, and
//! what it takes to judge a move no longer grows with its length.

use std::ops::Range;

use crate::plan::{AxisMotion, Motion};

/// Steps that are played at either end of an even stretch, by the axis with the most. Chosen,
/// so that a move that can be packed is played whole: it has at most twice as many.
pub(super) const PLAYED: u64 = 1 << 23;

/// The longest stretch of an axis at constant speed (s since the start of the move).
fn even_stretch(axis: &AxisMotion) -> Range<f64> {
    let (mut longest, mut elapsed) = (0.0..0.0, 0.0);
    for segment in &axis.segments {
        let end = elapsed + segment.duration;
        let is_even = segment.acceleration == 0.0 && segment.jerk == 0.0;
        if is_even && segment.duration > longest.end - longest.start {
            longest = elapsed..end;
        }
        elapsed = end;
    }
    longest
}

/// Steps of an axis up to an instant of a move (s).
fn steps_until(axis: &AxisMotion, instant: f64) -> u64 {
    let mut elapsed = 0.0;
    for segment in &axis.segments {
        let within = instant - elapsed;
        if within < segment.duration {
            let position = segment.position_at(within.max(0.0));
            return ((position + 0.5).floor() as u64).min(axis.steps);
        }
        elapsed += segment.duration;
    }
    axis.steps
}

/// The steps that `motion.axes[number]` leaves out, from 1, where `played` come at either end of
/// an even stretch; empty where all of them are played.
pub(super) fn left_out(motion: &Motion, number: usize, played: u64) -> Range<u64> {
    let moving = || motion.axes.iter().filter(|axis| axis.steps > 0);
    if moving().all(|axis| axis.steps <= 2 * played) {
        return 0..0;
    }
    let fastest = moving().map(|axis| axis.peaks().0).fold(0.0, f64::max);
    let even = moving().map(even_stretch);
    let (from, to) = even.fold((0.0, f64::INFINITY), |(from, to), even| {
        (f64::max(from, even.start), f64::min(to, even.end))
    });
    let lead = played as f64 / fastest;
    let (from, to) = (from + lead, to - lead);
    if from >= to {
        return 0..0;
    }
    let axis = &motion.axes[number];
    steps_until(axis, from) + 1..steps_until(axis, to) + 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::schedule::clock::{TickClock, TickInstant};
    use crate::schedule::ticks::{BATCH, StepTicks};
    use crate::testing::motion::{axis_motion, motion, s_curve, timer, trapezoid};

    fn ticks(mut steps: StepTicks) -> Vec<u64> {
        let mut all = Vec::new();
        while let Some(first) = steps.peek() {
            all.push(first);
            steps.used(1);
        }
        all
    }

    #[test]
    fn steps_that_are_played_fall_on_the_ticks_they_have_in_the_whole_schedule() {
        let motion = motion(vec![
            axis_motion(0, 90_001, 0.0, &trapezoid(0.5, 9.0, 0.5)),
            axis_motion(1, -7_003, 0.0, &s_curve(0.4, 0.3, 7.0)),
        ]);
        let clock = TickClock::new(&timer(16e6, 8));
        let played = 3 * BATCH as u64 / 2;
        for number in 0..2 {
            let new = || StepTicks::new(&motion, number, clock, TickInstant::at_tick(12_345));
            let left_out = left_out(&motion, number, played);
            let (mut expected, mut short) = (ticks(new()), new());
            short.leave_out(left_out.clone());
            expected.drain(left_out.start as usize - 1..left_out.end as usize - 1);
            assert_eq!(ticks(short), expected);
            // The even stretch of the second axis is the shorter one: 7 s less both ends.
            let share = expected.len() as f64 / motion.axes[number].steps as f64;
            assert!((0.1..0.3).contains(&share), "{share}");
        }
    }

    #[test]
    fn a_move_that_never_turns_evenly_or_is_no_longer_than_both_ends_is_played_whole() {
        let short = motion(vec![axis_motion(0, 2000, 0.0, &trapezoid(0.1, 9.0, 0.1))]);
        assert_eq!(left_out(&short, 0, 1000), 0..0);
        assert!(!left_out(&short, 0, 900).is_empty());
        let ramps = motion(vec![axis_motion(0, 9000, 0.0, &trapezoid(5.0, 0.0, 5.0))]);
        assert!(left_out(&ramps, 0, 10).is_empty());
    }
}
