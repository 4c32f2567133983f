//! Timer rules: what the counter can play, and the verdict on each motion.
//!
//! With f ticks a second and a clock that may run fast by the tolerance ε, a time d
//! lasts at least ⌈d · f · (1 + ε)⌉ ticks. Two steps that lie Δ seconds apart fall
//! ⌊Δ f⌋ or ⌈Δ f⌉ ticks apart, whatever tick the motion starts on; the worse of the
//! two is taken each time, so one verdict holds for every place in a program.
//!
//! An axis steps no faster than
//!
//! - `fastest_interval`, what the firmware can keep;
//! - twice `step_pulse`: the pulse is as long as the pause after it, at least;
//! - one tick: two steps of an axis never share one.
//!
//! An interval longer than the counter (2^bits − 1 ticks) is legal: the firmware
//! waits several turns of the counter. It is only reported.

use std::fmt;

use thiserror::Error;

use super::clock::TickClock;
use super::invert::Inverse;
use crate::exact::Exact;
use crate::plan::{AxisMotion, Motion, Segment};
use crate::rig::{Rig, Timer};

/// Share by which an interval may miss the least one: what arithmetic in `f64` takes
/// from a speed that was meant to be exactly the highest.
const SLACK: f64 = 1e-12;

/// The timer's rules in ticks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct TickRules {
    /// Length of a step pulse.
    pub step_pulse: u64,
    /// How long the direction stands before a step and after the last one.
    pub direction_setup: u64,
    /// Least time between two steps of an axis.
    pub between_steps: u64,
    /// Which rule sets `between_steps`.
    pub limit: PaceLimit,
    /// Longest interval that the counter holds.
    pub counter: u64,
}

/// The rules that limit how fast an axis steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PaceLimit {
    /// `fastest_interval`.
    FastestInterval,
    /// Twice `step_pulse`.
    StepPulse,
    /// One tick.
    Tick,
}

impl fmt::Display for PaceLimit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::FastestInterval => "timer's fastest_interval",
            Self::StepPulse => "step pulse and an equal pause after it",
            Self::Tick => "length of one tick",
        })
    }
}

impl TickRules {
    /// The rules of a timer.
    pub(crate) fn new(timer: &Timer) -> Self {
        let clock = TickClock::new(timer);
        let step_pulse = clock.at_least(timer.step_pulse.si()).max(1);
        let (between_steps, limit) = [
            (1, PaceLimit::Tick),
            (
                2 * clock.at_least(timer.step_pulse.si()),
                PaceLimit::StepPulse,
            ),
            (
                clock.at_least(timer.fastest_interval.si()),
                PaceLimit::FastestInterval,
            ),
        ]
        .into_iter()
        .max_by_key(|(ticks, _)| *ticks)
        .unwrap_or((1, PaceLimit::Tick));
        Self {
            step_pulse,
            direction_setup: clock.at_least(timer.direction_setup.si()),
            between_steps,
            limit,
            counter: timer.longest_interval(),
        }
    }
}

/// How the intervals of one axis lie during a motion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct AxisTiming {
    /// Which axis of the rig.
    pub axis: usize,
    /// Shortest time between two steps, rounded down (ticks).
    pub shortest_interval: u64,
    /// Longest time between two steps, rounded up (ticks).
    pub longest_interval: u64,
    /// Whether the longest is more than the counter holds.
    pub beyond_counter: bool,
}

/// How the intervals of a motion lie: one entry for each axis that makes at least
/// two steps.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct TimerFacts {
    /// By rising axis.
    pub axes: Vec<AxisTiming>,
}

/// Why the timer cannot play a motion.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[error(
    "step interval {interval} ticks; the {limit} requires {least}: at most {speed:.0} microsteps/s"
)]
pub(crate) struct TimerProblem {
    /// Which axis of the rig.
    pub axis: usize,
    /// Its shortest interval in the motion (ticks, rounded down).
    pub interval: u64,
    /// The least that the timer can play (ticks).
    pub least: u64,
    /// Which rule sets it.
    pub limit: PaceLimit,
    /// The highest speed that the timer can play (microsteps/s).
    pub speed: f64,
}

impl TimerProblem {
    /// A word for the problem.
    pub(crate) const CODE: &'static str = "timer-too-slow";

    /// The highest speed that the timer can play, at the load (rad/s, or m/s on a
    /// linear axis).
    pub(crate) fn travel_speed(&self, rig: &Rig) -> f64 {
        self.speed / rig.axes[self.axis].microsteps_per_travel()
    }
}

/// Whether the timer can play a motion, and how its intervals lie. The answer does
/// not depend on where in a program the motion stands.
///
/// # Errors
/// One problem for each axis that asks for steps faster than the timer can play.
pub(crate) fn verdict(motion: &Motion, rig: &Rig) -> Result<TimerFacts, Vec<TimerProblem>> {
    let clock = TickClock::new(&rig.timer);
    let pace = TickRules::new(&rig.timer);
    let mut facts = TimerFacts::default();
    let mut problems = Vec::new();
    for axis_motion in &motion.axes {
        let Some((shortest, longest)) = intervals(axis_motion, &clock) else {
            continue;
        };
        let axis = axis_motion.axis;
        if shortest < pace.between_steps {
            problems.push(TimerProblem {
                axis,
                interval: shortest,
                least: pace.between_steps,
                limit: pace.limit,
                speed: clock.rate() / pace.between_steps as f64,
            });
        }
        facts.axes.push(AxisTiming {
            axis,
            shortest_interval: shortest,
            longest_interval: longest,
            beyond_counter: longest > pace.counter,
        });
    }
    if problems.is_empty() {
        Ok(facts)
    } else {
        Err(problems)
    }
}

/// The shortest interval rounded down and the longest rounded up (ticks); none where
/// there are fewer than two steps.
///
/// An interval is the mean of 1/v over one microstep, so the shortest and the longest
/// touch a place where the speed is highest or lowest: the ends of the motion, and where
/// the acceleration passes zero or jumps over it.
fn intervals(axis: &AxisMotion, clock: &TickClock) -> Option<(u64, u64)> {
    let steps = StepMoments::new(axis);
    // Each step that may begin the shortest or the longest interval, with that interval
    // in plain arithmetic and how far it may be off.
    let mut candidates: Vec<(u64, f64, f64)> = Vec::new();
    for place in steps.turning_places() {
        let near = (place + 0.5).max(0.0) as u64;
        let window = near.saturating_sub(2).max(1)..near.saturating_add(3).min(axis.steps);
        let known = candidates.last().map_or(0, |(step, ..)| *step);
        let mut begins: Option<f64> = None;
        for step in window.filter(|step| *step > known) {
            let begin = begins.unwrap_or_else(|| steps.rough_moment(step));
            let end = steps.rough_moment(step + 1);
            begins = Some(end);
            candidates.push((step, end - begin, ROUGH * end));
        }
    }
    let least = candidates
        .iter()
        .map(|(_, interval, error)| interval + error);
    let least = least.fold(f64::INFINITY, f64::min);
    let most = candidates
        .iter()
        .map(|(_, interval, error)| interval - error);
    let most = most.fold(0.0, f64::max);
    let extremes = candidates
        .iter()
        .filter(|(_, interval, error)| interval - error <= least || interval + error >= most)
        .map(|(step, ..)| clock.ticks(steps.interval(*step)).nearest());
    let span = extremes.fold(None, |span: Option<(f64, f64)>, ticks| {
        let (least, most) = span.unwrap_or((ticks, ticks));
        Some((least.min(ticks), most.max(ticks)))
    });
    let (least, most) = span?;
    Some((
        (least * (1.0 + SLACK)).floor() as u64,
        (most * (1.0 - SLACK)).ceil() as u64,
    ))
}

/// How far the root of a position in plain arithmetic may lie from the true one, as a
/// share of the time since the motion's start; far more than it ever does.
const ROUGH: f64 = 1e-12;

/// When the steps of an axis fall, one by one.
struct StepMoments<'a> {
    axis: &'a AxisMotion,
    starts: Vec<Exact>,
}

impl<'a> StepMoments<'a> {
    fn new(axis: &'a AxisMotion) -> Self {
        let mut elapsed = Exact::default();
        let starts = axis
            .segments
            .iter()
            .map(|segment| {
                let start = elapsed;
                elapsed = elapsed + Exact::from(segment.duration);
                start
            })
            .collect();
        Self { axis, starts }
    }

    /// Positions where the speed may be highest or lowest, rising. A border that the
    /// speed passes rising, or falling, is none.
    fn turning_places(&self) -> impl Iterator<Item = f64> {
        let segments = &self.axis.segments;
        segments.iter().enumerate().flat_map(|(number, segment)| {
            let turn = -segment.acceleration / segment.jerk;
            let inside = turn > 0.0 && turn < segment.duration;
            let at_turn = inside.then(|| segment.position_at(turn));
            let trend = trend_behind(segment);
            let passed = segments
                .get(number + 1)
                .is_some_and(|next| trend != 0.0 && trend == trend_ahead(next));
            let at_start = (number == 0).then_some(segment.position);
            let at_end = (!passed).then(|| segment.position_at(segment.duration));
            [at_start, at_turn, at_end].into_iter().flatten()
        })
    }

    /// The segment in which a step falls, by its number, and the step's position.
    fn segment_of(&self, step: u64) -> (usize, f64) {
        let place = step as f64 - 0.5;
        let later = self.axis.segments.get(1..).unwrap_or_default();
        (
            later.partition_point(|segment| segment.position < place),
            place,
        )
    }

    /// Time of a step (s since the motion's start).
    fn moment(&self, step: u64) -> Exact {
        let (number, place) = self.segment_of(step);
        match self.axis.segments.get(number) {
            Some(segment) => self.starts[number] + Inverse::new(segment).exact(place),
            None => Exact::default(),
        }
    }

    /// From a step to the next (s).
    fn interval(&self, step: u64) -> Exact {
        let (number, _) = self.segment_of(step);
        match self.axis.segments.get(number) {
            // Both at one speed: no roots to be found.
            Some(Segment {
                velocity,
                acceleration: 0.0,
                jerk: 0.0,
                ..
            }) if self.segment_of(step + 1).0 == number => Exact::from(1.0).over(*velocity),
            _ => self.moment(step + 1) - self.moment(step),
        }
    }

    /// Time of a step in plain arithmetic.
    fn rough_moment(&self, step: u64) -> f64 {
        let (number, place) = self.segment_of(step);
        let segment = self.axis.segments.get(number);
        segment.map_or(0.0, |segment| {
            self.starts[number].nearest() + Inverse::new(segment).time(place)
        })
    }
}

/// Whether the speed rises (1) or falls (−1) at the start of a segment; 0 where it is
/// steady.
fn trend_ahead(segment: &Segment) -> f64 {
    sign(segment.acceleration, segment.jerk)
}

/// The same at its end.
fn trend_behind(segment: &Segment) -> f64 {
    sign(segment.acceleration_at(segment.duration), -segment.jerk)
}

/// The sign of the first number, or of the second where that is zero.
fn sign(first: f64, second: f64) -> f64 {
    let deciding = if first == 0.0 { second } else { first };
    if deciding == 0.0 {
        0.0
    } else {
        deciding.signum()
    }
}
