//! How to come to a standstill from the midst of a motion, should nothing more come.
//!
//! The axes stay on their path: the time τ of the plan goes on more and more slowly. With
//! w = (dτ/dt)², v and a an axis's planned speed and acceleration at τ, and d the
//! deceleration that its motor can be trusted with,
//!
//! ```text
//! real speed          √w v
//! real acceleration   w a + ½ w′ v ≥ −d      (w′ = dw/dτ)
//! w′ = −2 min (d + w a)/v over all axes, at most 0
//! ```
//!
//! which is the soonest standstill that asks no axis for more than d; where the plan is
//! slowing down with d already, w stays as it is. On an even stretch w = 1 − x/X, with x
//! the way since, and X = v²/2d. Within a cell of τ in which w falls evenly from w₀ to
//! w₁, x takes the time 2x/(√w₀ + √w).
//!
//! d is the deceleration of a trapezoid, which its check has passed. The other shapes ask for less
//! at high speed, where there is the least torque: of an S-curve d is the mean deceleration, of a
//! full-torque motion the lowest. Where the plan is slowing down harder than d itself, it goes on
//! as planned. Where it is not slowing down, a share of d is kept in reserve, so that cells and
//! runs never ask for more. The jerk is not limited.

use crate::plan::{AxisMotion, Motion};
use crate::schedule::invert::Inverse;
use crate::script::Shape;

/// Cells that an even stretch is divided into, at least: chosen.
const CELLS: f64 = 200.0;
/// The shortest cell, as a share of the motion: chosen, to bound their number.
const SHORTEST_CELL: f64 = 1e-5;

/// By which share the runs of steps of a slow-down exceed its deceleration at most, over two
/// stretches of so many full steps and over longer ones: tests go through random plans.
pub(crate) const EXCESS: [(usize, f64); 3] = [(4, 0.05), (8, 0.03), (16, 0.015)];

/// When the steps fall that follow step number `done` of each axis of `motion`, if time
/// runs as planned until `at` and is then stretched to a standstill. Times in seconds
/// since the motion's start. `reserve` is the share of the deceleration that is kept: 0.02 is
/// more than what cells of finite length ask for too much.
pub(crate) fn standstill(motion: &Motion, done: &[u64], at: f64, reserve: f64) -> Vec<Vec<f64>> {
    let mut axes: Vec<Walker<'_>> = motion
        .axes
        .iter()
        .zip(done)
        .filter(|(axis, _)| axis.steps > 0)
        .map(|(axis, done)| Walker::new(axis, motion.shape, *done))
        .collect();
    let mut times = vec![Vec::new(); axes.len()];
    let mut tau = at.max(0.0);
    for (axis, times) in axes.iter_mut().zip(&mut times) {
        axis.walk(tau, |time| times.push(time));
    }
    let (mut real, mut w) = (tau, 1.0);
    while tau < motion.duration && w > 0.0 {
        let mut cell = motion.duration - tau;
        let (mut steepest, mut ends) = (f64::INFINITY, f64::INFINITY);
        let mut creeps = true;
        for axis in &mut axes {
            let (speed, acceleration) = axis.state(tau);
            // The acceleration of the plan may change with the segment.
            let left = axis.left(tau);
            if left > SHORTEST_CELL * SHORTEST_CELL * motion.duration {
                ends = ends.min(left);
            }
            if speed > 0.0 {
                let trusted = (1.0 - reserve) * axis.decel;
                steepest = steepest.min((trusted + w * acceleration) / speed);
                // Where the plan speeds up, w falls the faster.
                let hardest = axis.decel.max(trusted + w * acceleration);
                cell = cell.min(speed / (2.0 * hardest) / CELLS);
                creeps &= w.sqrt() * speed <= axis.start;
            }
        }
        if creeps {
            break;
        }
        cell = cell
            .max(SHORTEST_CELL * motion.duration)
            .min(motion.duration - tau)
            .min(ends);
        let slope = 2.0 * steepest.max(0.0);
        cell = cell.min(w / slope);
        let end = (w - slope * cell).max(0.0);
        for (axis, times) in axes.iter_mut().zip(&mut times) {
            axis.walk(tau + cell, |time| {
                let x = time - tau;
                let then = (w - slope * x).max(0.0);
                times.push(real + 2.0 * x / (w.sqrt() + then.sqrt()));
            });
        }
        real += 2.0 * cell / (w.sqrt() + end.sqrt());
        tau += cell;
        w = if end < 1e-12 { 0.0 } else { end };
    }
    let mut by_axis = times.into_iter();
    motion
        .axes
        .iter()
        .map(|axis| {
            let moves = (axis.steps > 0).then(|| by_axis.next()).flatten();
            moves.unwrap_or_default()
        })
        .collect()
}

/// Goes along the plan of one axis, step by step.
struct Walker<'a> {
    axis: &'a AxisMotion,
    decel: f64,
    /// Speed at which it may just stop.
    start: f64,
    /// The step that comes next, from 1, and its segment with the time when that begins.
    next: u64,
    segment: usize,
    elapsed: f64,
    /// The segment in which `state` looked last, and the time when it begins.
    seen: usize,
    seen_from: f64,
}

impl<'a> Walker<'a> {
    fn new(axis: &'a AxisMotion, shape: Shape, done: u64) -> Self {
        Self {
            axis,
            decel: trusted_decel(axis, shape),
            start: axis.limits.start,
            next: done + 1,
            segment: 0,
            elapsed: 0.0,
            seen: 0,
            seen_from: 0.0,
        }
    }

    /// Planned speed and acceleration at a time, which never goes back.
    fn state(&mut self, tau: f64) -> (f64, f64) {
        let segments = &self.axis.segments;
        while self.seen + 1 < segments.len() && self.seen_from + segments[self.seen].duration <= tau
        {
            self.seen_from += segments[self.seen].duration;
            self.seen += 1;
        }
        let segment = &segments[self.seen];
        let since = tau - self.seen_from;
        if since >= segment.duration {
            return (0.0, 0.0);
        }
        (segment.velocity_at(since), segment.acceleration_at(since))
    }

    /// Time from then, where `state` looked last, to the end of the plan's segment.
    fn left(&self, tau: f64) -> f64 {
        self.seen_from + self.axis.segments[self.seen].duration - tau
    }

    /// Gives the times of the steps up to `until`.
    fn walk(&mut self, until: f64, mut step: impl FnMut(f64)) {
        let segments = &self.axis.segments;
        while self.next <= self.axis.steps {
            let place = self.next as f64 - 0.5;
            while self.segment + 1 < segments.len() && segments[self.segment + 1].position < place {
                self.elapsed += segments[self.segment].duration;
                self.segment += 1;
            }
            let time = self.elapsed + Inverse::new(&segments[self.segment]).time(place);
            if time > until {
                return;
            }
            step(time);
            self.next += 1;
        }
    }
}

/// The deceleration that an axis can be trusted with at any speed of the motion (microsteps/s²).
pub(crate) fn trusted_decel(axis: &AxisMotion, shape: Shape) -> f64 {
    let Shape::SCurve = shape else {
        return planned_decel(axis, shape);
    };
    let (mut lost, mut time) = (0.0, 0.0);
    for segment in &axis.segments {
        let change = segment.velocity_at(segment.duration) - segment.velocity;
        if change < 0.0 {
            lost -= change;
            time += segment.duration;
        }
    }
    if time > 0.0 {
        lost / time
    } else {
        axis.limits.decel
    }
}

/// The deceleration by which a slow-down is judged: the highest that the plan itself uses, of a
/// full-torque motion the lowest (microsteps/s²).
pub(super) fn planned_decel(axis: &AxisMotion, shape: Shape) -> f64 {
    let used = axis.segments.iter().flat_map(|segment| {
        let ends = [
            segment.acceleration_at(0.0),
            segment.acceleration_at(segment.duration),
        ];
        let middle = f64::midpoint(ends[0], ends[1]);
        match shape {
            Shape::FullTorque => [-middle, -middle],
            Shape::Trapezoid | Shape::SCurve => ends.map(|acceleration| -acceleration),
        }
    });
    let used = used.filter(|decel| *decel > 0.0);
    let used = match shape {
        Shape::FullTorque => used.min_by(f64::total_cmp),
        Shape::Trapezoid | Shape::SCurve => used.max_by(f64::total_cmp),
    };
    used.unwrap_or(axis.limits.decel)
}
