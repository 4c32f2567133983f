//! The full-torque shape: at every speed the acceleration that the motor can give there.
//!
//! ```text
//! J dω/dt = T_po(ω) (1 − margin) − T_load        (friction helps to slow down)
//! ```
//!
//! A ramp is planned in the plane of speed v and squared acceleration y = a². Constant
//! jerk is a straight line there, since da/dt = a da/dv = ½ dy/dv:
//!
//! ```text
//! jerk j  ⇔  dy/dv = 2 j
//! time of a line from (v₁, a₁²) to (v₂, a₂²):    2 (v₂ − v₁)/(a₁ + a₂)
//! ```
//!
//! So the curve a(v)² that the torque allows is replaced by straight lines below it, each
//! one segment of the motion. They lie within a quarter of a per cent of the curve and never
//! above it. A jerk limit is a limit on their slope: the curve is cut back to the highest
//! one below it with |dy/dv| ≤ 2 j, and a ramp begins and ends on lines of that slope
//! that rise from zero. With a constant a(v) this gives exactly the S-curve. Its time is
//! bounded from below by ∫dv/a(v).
//!
//! The real clock may be fast by the timer's tolerance δ: speeds are then (1 + δ) and
//! accelerations (1 + δ)² times what was planned, and it is those that the torque is for.

mod fit;
mod line;

use std::sync::Arc;

use fit::{fitted, limit_slope};
use line::{Line, along};

use crate::plan::profile::{Ramp, RampPiece};
use crate::plan::root::rising_root;

/// What a motor can do with its load, in one direction of travel.
pub(crate) struct Capability<'a> {
    /// Torque (N·m) that is there at a speed of the motor (rad/s), without reserve.
    pub available: &'a dyn Fn(f64) -> f64,
    /// The least and the greatest torque (N·m; negative: braking) that a speed (rad/s)
    /// and an acceleration (rad/s², signed along the motion) ask of the motor; both rise
    /// with the acceleration.
    pub required: &'a dyn Fn(f64, f64) -> (f64, f64),
    /// Share of the torque that is kept in reserve.
    pub margin: f64,
    /// Inertia of the rotor alone (kg·m²), which no load can take away.
    pub rotor_inertia: f64,
    /// How much faster than nominal the clock may be.
    pub tolerance: f64,
}

impl Capability<'_> {
    /// The highest acceleration and the highest deceleration (rad/s² by the nominal
    /// clock) at the nominal speed `omega` (rad/s). Negative where the torque does not
    /// even suffice to keep the speed.
    pub(crate) fn at(&self, omega: f64) -> [f64; 2] {
        let fast = 1.0 + self.tolerance;
        let omega = omega * fast;
        let torque = (self.available)(omega) * (1.0 - self.margin);
        let (low, high) = (self.required)(omega, 0.0);
        // The rotor alone needs J α more for α more, and the load never less.
        let most = |missing: f64| missing.abs() / self.rotor_inertia;
        let bracket = most(torque - high).max(most(torque + low));
        let accel = rising_root(-bracket, bracket, |alpha| {
            (self.required)(omega, alpha).1 - torque
        });
        let decel = rising_root(-bracket, bracket, |alpha| {
            -(self.required)(omega, -alpha).0 - torque
        });
        [accel, decel].map(|alpha| alpha / (fast * fast))
    }
}

/// A point of a ramp: speed (microsteps/s) and squared acceleration, with how far and
/// how long the straight lines from speed zero to here take without a jerk limit at
/// their ends.
#[derive(Debug, Clone, Copy, PartialEq)]
struct RampNode {
    speed: f64,
    squared: f64,
    distance: f64,
    time: f64,
}

/// A ramp below a curve of acceleration over speed. Cheap to clone.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TorqueRamp {
    nodes: Arc<[RampNode]>,
    /// Slope limit in the plane of speed and squared acceleration, 2 j.
    slope: f64,
}

impl TorqueRamp {
    /// The ramp below `curve`, the acceleration (microsteps/s²) that a speed
    /// (microsteps/s) allows, for speeds up to `top` and with the jerk limit `jerk`
    /// (microsteps/s³), where there is one. It ends where the curve falls to zero; none
    /// where that is so at rest.
    pub(crate) fn below(curve: &dyn Fn(f64) -> f64, top: f64, jerk: Option<f64>) -> Option<Self> {
        let slope = jerk.map_or(f64::INFINITY, |jerk| 2.0 * jerk);
        let mut points = fitted(curve, top);
        limit_slope(&mut points, slope);
        let end = points.iter().position(|point| point.1 <= 0.0);
        points.truncate(end.unwrap_or(points.len()));
        if points.len() < 2 {
            return None;
        }
        Some(Self {
            nodes: summed(&points, slope),
            slope,
        })
    }

    /// The nodes around a speed: the index of the upper one.
    fn upper(&self, speed: f64) -> usize {
        self.nodes
            .partition_point(|node| node.speed < speed)
            .clamp(1, self.nodes.len() - 1)
    }

    /// Squared acceleration of the table at a speed.
    fn squared(&self, speed: f64) -> f64 {
        let [low, high] = self.cell(self.upper(speed));
        along(low, high, speed)
    }

    fn cell(&self, upper: usize) -> [(f64, f64); 2] {
        [upper - 1, upper].map(|at| (self.nodes[at].speed, self.nodes[at].squared))
    }

    /// The speed at which the line of the steepest slope, rising from zero at `low`,
    /// meets the table.
    fn entry(&self, low: f64) -> f64 {
        let above = |node: &RampNode| node.squared - self.slope * (node.speed - low);
        let upper = self
            .nodes
            .partition_point(|node| node.speed <= low || above(node) > 0.0);
        self.meeting(upper, low, self.slope)
    }

    /// The speed at which the line that falls to zero at `high` leaves the table.
    fn exit(&self, high: f64) -> f64 {
        let below = |node: &RampNode| node.squared < self.slope * (high - node.speed);
        let upper = self
            .nodes
            .partition_point(|node| node.speed < high && below(node));
        self.meeting(upper, high, -self.slope)
    }

    /// Where the line of that slope through (zero, 0) crosses the cell below `upper`.
    fn meeting(&self, upper: usize, zero: f64, slope: f64) -> f64 {
        let upper = upper.clamp(1, self.nodes.len() - 1);
        let [(v1, y1), (v2, y2)] = self.cell(upper);
        let own = (y2 - y1) / (v2 - v1);
        let met = (y1 - own * v1 + slope * zero) / (slope - own);
        if met.is_finite() {
            met.clamp(v1, v2)
        } else {
            v1
        }
    }

    /// The corners of the ramp from `low` to `high`: where it leaves rest or cruise,
    /// where it joins and leaves the table, and where it ends.
    fn corners(&self, low: f64, high: f64) -> Corners {
        if self.slope.is_infinite() {
            return Corners::Table((low, self.squared(low)), (high, self.squared(high)));
        }
        let (entry, exit) = (self.entry(low).max(low), self.exit(high).min(high));
        if entry < exit {
            Corners::Cut((entry, self.squared(entry)), (exit, self.squared(exit)))
        } else {
            let middle = low / 2.0 + high / 2.0;
            // Where the lines just touch the table, rounding must not lift them over it.
            let peak = (self.slope * (high - low) / 2.0).min(self.squared(middle));
            Corners::Peak((middle, peak))
        }
    }

    /// Distance and time along the table between two of its points.
    fn table(&self, from: (f64, f64), to: (f64, f64)) -> (f64, f64) {
        let first = self.nodes.partition_point(|node| node.speed <= from.0);
        let last = self.nodes.partition_point(|node| node.speed < to.0);
        if first >= last {
            let line = self.line(from, to);
            return (line.distance(), line.duration());
        }
        let (near, far) = (&self.nodes[first], &self.nodes[last - 1]);
        let head = self.line(from, (near.speed, near.squared));
        let tail = self.line((far.speed, far.squared), to);
        (
            head.distance() + (far.distance - near.distance) + tail.distance(),
            head.duration() + (far.time - near.time) + tail.duration(),
        )
    }

    fn line(&self, from: (f64, f64), to: (f64, f64)) -> Line {
        Line::new(from, to, self.slope)
    }

    /// Distance and time of the ramp from `low` to `high`.
    fn totals(&self, low: f64, high: f64) -> (f64, f64) {
        if high <= low {
            return (0.0, 0.0);
        }
        let ends = |list: [Line; 2]| {
            list.iter().fold((0.0, 0.0), |(distance, time), line| {
                (distance + line.distance(), time + line.duration())
            })
        };
        match self.corners(low, high) {
            Corners::Table(from, to) => self.table(from, to),
            Corners::Peak(peak) => {
                ends([self.line((low, 0.0), peak), self.line(peak, (high, 0.0))])
            }
            Corners::Cut(entry, exit) => {
                let outer = ends([self.line((low, 0.0), entry), self.line(exit, (high, 0.0))]);
                let inner = self.table(entry, exit);
                (outer.0 + inner.0, outer.1 + inner.1)
            }
        }
    }
}

/// The corners of a ramp in the plane of speed and squared acceleration.
enum Corners {
    /// Along the table from end to end.
    Table((f64, f64), (f64, f64)),
    /// Onto the table by one line and off it by another.
    Cut((f64, f64), (f64, f64)),
    /// Up one line and down the other, below the table.
    Peak((f64, f64)),
}

impl Ramp for TorqueRamp {
    fn distance(&self, low: f64, high: f64) -> f64 {
        self.totals(low, high).0
    }

    fn duration(&self, low: f64, high: f64) -> f64 {
        self.totals(low, high).1
    }

    fn pieces(&self, low: f64, high: f64, give: &mut dyn FnMut(RampPiece)) {
        if high <= low {
            return;
        }
        let mut points = Vec::new();
        let table = |points: &mut Vec<(f64, f64)>, from: (f64, f64), to: (f64, f64)| {
            let inside = self
                .nodes
                .iter()
                .filter(|node| node.speed > from.0 && node.speed < to.0);
            points.push(from);
            points.extend(inside.map(|node| (node.speed, node.squared)));
            points.push(to);
        };
        match self.corners(low, high) {
            Corners::Table(from, to) => table(&mut points, from, to),
            Corners::Cut(entry, exit) => {
                points.push((low, 0.0));
                table(&mut points, entry, exit);
                points.push((high, 0.0));
            }
            Corners::Peak(peak) => points.extend([(low, 0.0), peak, (high, 0.0)]),
        }
        for pair in points.windows(2).filter(|pair| pair[1].0 > pair[0].0) {
            give(self.line(pair[0], pair[1]).piece());
        }
    }

    fn top(&self) -> f64 {
        self.nodes[self.nodes.len() - 1].speed
    }

    fn steepest(&self) -> f64 {
        let squared = self.nodes.iter().map(|node| node.squared);
        squared.fold(0.0, f64::max).sqrt()
    }

    fn slower(&self, share: f64) -> Arc<dyn Ramp> {
        let squared = share * share;
        let points: Vec<_> = self
            .nodes
            .iter()
            .map(|node| (node.speed, node.squared * squared))
            .collect();
        Arc::new(Self {
            nodes: summed(&points, self.slope * squared),
            slope: self.slope * squared,
        })
    }

    fn rising_over(&self, seconds: f64) -> Arc<dyn Ramp> {
        let slope = self.slope.min(2.0 * self.steepest() / seconds);
        let nodes = self.nodes.iter();
        let mut points: Vec<_> = nodes.map(|node| (node.speed, node.squared)).collect();
        limit_slope(&mut points, slope);
        Arc::new(Self {
            nodes: summed(&points, slope),
            slope,
        })
    }

    fn reach(&self, low: f64, distance: f64, ceiling: f64) -> f64 {
        // Without a jerk limit a lower start always needs more room; with one it may
        // need less, and the longest way is looked for among a few starts.
        let starts = if self.slope.is_infinite() { 1 } else { 16 };
        let longest = |high: f64| {
            (1..=starts)
                .map(|part| self.distance(low * f64::from(part) / f64::from(starts), high))
                .fold(0.0, f64::max)
        };
        let ceiling = ceiling.min(self.top()).max(low);
        rising_root(low, ceiling, |high| longest(high) - distance)
    }
}

/// The points with the distance and time up to each.
fn summed(points: &[(f64, f64)], slope: f64) -> Arc<[RampNode]> {
    let (mut distance, mut time) = (0.0, 0.0);
    let mut before = points[0];
    points
        .iter()
        .map(|&point| {
            let line = Line::new(before, point, slope);
            distance += line.distance();
            time += line.duration();
            before = point;
            RampNode {
                speed: point.0,
                squared: point.1,
                distance,
                time,
            }
        })
        .collect()
}
