//! Motion: segments of constant jerk on one clock.
//!
//! Within a segment, with τ the time since its start,
//!
//! ```text
//! a(τ) = a₀ + j τ
//! v(τ) = v₀ + a₀ τ + j τ²/2
//! s(τ) = s₀ + v₀ τ + a₀ τ²/2 + j τ³/6
//! ```
//!
//! Positions are in **microsteps from the start of the move, growing whichever way
//! the axis turns** ([`Direction`] says which), times in seconds. Velocity is never
//! negative. The planner alone converts between the load's travel and microsteps.

use std::sync::Arc;

use crate::diagnostic::Span;
use crate::rig::Direction;
use crate::script::{Shape, Until};

/// A stretch of constant jerk. Units: s, microsteps, microsteps/s, /s², /s³.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Segment {
    /// How long it lasts (s).
    pub duration: f64,
    /// Position at its start (microsteps from the start of the move).
    pub position: f64,
    /// Speed at its start (microsteps/s).
    pub velocity: f64,
    /// Acceleration at its start (microsteps/s²).
    pub acceleration: f64,
    /// Jerk throughout (microsteps/s³).
    pub jerk: f64,
}

impl Segment {
    /// Position after `t` seconds of the segment.
    pub fn position_at(&self, t: f64) -> f64 {
        self.position + t * (self.velocity + t * (self.acceleration / 2.0 + t * self.jerk / 6.0))
    }

    /// Speed after `t` seconds of the segment.
    pub fn velocity_at(&self, t: f64) -> f64 {
        self.velocity + t * (self.acceleration + t * self.jerk / 2.0)
    }

    /// Acceleration after `t` seconds of the segment.
    pub fn acceleration_at(&self, t: f64) -> f64 {
        self.acceleration + t * self.jerk
    }
}

/// The motion of one axis during a move.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisMotion {
    /// Which axis of the rig.
    pub axis: usize,
    /// Which way it turns.
    pub direction: Direction,
    /// How many microsteps, exactly.
    pub steps: u64,
    /// Its segments, one after the other from time zero; empty where `steps` is 0.
    pub segments: Vec<Segment>,
    /// The limits that it was planned within.
    pub limits: AxisLimits,
}

/// The limits of one axis for one move, the script's and the rig's put together.
/// Units: microsteps/s, /s², /s³.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisLimits {
    /// Highest speed.
    pub speed: f64,
    /// Highest acceleration.
    pub accel: f64,
    /// Highest deceleration.
    pub decel: f64,
    /// Highest jerk, where there is one.
    pub jerk: Option<f64>,
    /// Speed that ramps begin and end at; 0 where the script does not set it.
    pub start: f64,
}

impl AxisMotion {
    /// How long it takes (s).
    pub fn duration(&self) -> f64 {
        self.segments.iter().map(|segment| segment.duration).sum()
    }

    /// The highest speed and the highest acceleration or deceleration anywhere
    /// (microsteps/s, /s²).
    pub fn peaks(&self) -> (f64, f64) {
        let (mut speed, mut acceleration) = (0.0_f64, 0.0_f64);
        for segment in &self.segments {
            let turn = -segment.acceleration / segment.jerk;
            if turn > 0.0 && turn < segment.duration {
                speed = speed.max(segment.velocity_at(turn));
            }
            for t in [0.0, segment.duration] {
                speed = speed.max(segment.velocity_at(t));
                acceleration = acceleration.max(segment.acceleration_at(t).abs());
            }
        }
        (speed, acceleration)
    }
}

/// The motion of one move (or of a group of moves): a list of segments for each
/// axis that moves, on one clock. Position-independent, so equal moves share one.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// The shape that the script asked for.
    pub shape: Shape,
    /// The axes that move, by rising number.
    pub axes: Vec<AxisMotion>,
    /// From start to end (s).
    pub duration: f64,
}

impl Motion {
    /// Microsteps of all its axes.
    pub fn steps(&self) -> u64 {
        self.axes.iter().map(|axis| axis.steps).sum()
    }
}

/// A move (or group of moves) with its place in the program.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedMove {
    /// Number of the move in the program, from 0.
    pub index: u64,
    /// The statement in the script.
    pub span: Span,
    /// Line of the statement, from 1.
    pub line: usize,
    /// Which part of what the statement asks for it is.
    pub part: MovePart,
    /// How it goes; shared between equal moves, so that what depends on the motion
    /// alone is worked out once.
    pub motion: Arc<Motion>,
    /// Where each axis of `motion.axes` starts and ends.
    pub travel: Vec<Travel>,
    /// What happens when an axis has made so many microsteps of this motion.
    pub on_the_way: Vec<OnTheWay>,
    /// The targets that are passed without stopping, in order; the last target, where
    /// the motion ends, is in `travel`. Empty outside a `through` block.
    pub passes: Vec<Pass>,
    /// What the planner did otherwise than asked, and what it cost.
    pub changes: Vec<Change>,
    /// What ends it early, where it seeks an input; its steps and time are then the most.
    pub seeks: Option<SoughtInput>,
}

impl PlannedMove {
    /// The axis that seeks an input, and the input; none where it turns by its whole way.
    pub(crate) fn sought(&self) -> Option<(usize, SoughtInput)> {
        self.motion
            .axes
            .first()
            .map(|moved| moved.axis)
            .zip(self.seeks)
    }
}

/// The input that ends a move of one axis at the step at which it is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SoughtInput {
    /// Which input of the rig.
    pub input: usize,
    /// What is looked for at it.
    pub until: Until,
}

/// Which part of what its statement asks for a move is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MovePart {
    /// All of it, or all but a stretch beyond the target and back.
    Whole,
    /// It ends beyond the target, so that the way back can take up the gearing's play.
    Beyond,
    /// Back to the target, from the side from which every move of the axis ends.
    Approach,
}

impl MovePart {
    /// As outputs write it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Whole => "whole",
            Self::Beyond => "beyond",
            Self::Approach => "approach",
        }
    }
}

/// A target that an axis passes without stopping.
#[derive(Debug, Clone, PartialEq)]
pub struct Pass {
    /// Which axis of the rig.
    pub axis: usize,
    /// At which of its microsteps of this motion.
    pub step: u64,
    /// Line of the statement that asks for it, from 1.
    pub line: usize,
    /// Position there, a whole number of microsteps (rad or m).
    pub at: f64,
    /// How far that lies from what the script asked for: `at` − asked.
    pub target_error: f64,
}

/// Something that the planner did otherwise than asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Which axis of the rig.
    pub axis: usize,
    /// What was changed.
    pub kind: ChangeKind,
    /// How much longer the motion takes for it (s); 0 where it takes no longer.
    pub cost: f64,
}

/// The kinds of change. Speeds in full steps/s of the motor.
#[derive(Debug, Clone, PartialEq)]
pub enum ChangeKind {
    /// The cruise speed lay in a critical band and was moved to its edge.
    CruiseMoved {
        /// Where it would have been.
        from: f64,
        /// Where it is now.
        to: f64,
    },
    /// The cruise speed lies in a critical band, and no allowed speed lies outside.
    CruiseStays {
        /// Where it is.
        at: f64,
    },
    /// The peak speed of a move too short to cruise stayed in a critical band for long and was
    /// lowered to its edge.
    PeakLowered {
        /// Where it would have been.
        from: f64,
        /// Where it is now.
        to: f64,
    },
    /// The peak speed stays in a critical band for long, and no allowed speed lies outside.
    PeakStays {
        /// Where it is.
        at: f64,
    },
    /// It crosses a critical band so slowly that a swing can build up; nothing was changed.
    CrossesSlowly {
        /// The band's lower edge.
        from: f64,
        /// Its upper edge.
        to: f64,
        /// How long one crossing takes (s).
        time: f64,
    },
    /// It is gentler than the limits allow, since the rotor would not follow the fastest plan.
    Gentler {
        /// Time over which the torque rises from zero at least (s); zero: at once.
        rise: f64,
        /// Share of the accelerations that the limits allow.
        share: f64,
        /// The peak speed, where it was lowered for that.
        peak: Option<f64>,
    },
    /// The script sets a limit beyond the rig's, which holds instead; with the first move
    /// that it would hold for.
    LimitCut {
        /// As the script writes the limit: `speed`, `accel`, `decel`, `jerk`.
        word: &'static str,
        /// The line where its value is written, from 1.
        line: usize,
        /// Full steps over seconds to this power.
        power: i8,
        /// What is written.
        asked: f64,
        /// What holds.
        allowed: f64,
    },
    /// It goes beyond its target and comes back, so that backlash is taken up.
    GoesBeyond {
        /// How far (full steps of the motor).
        by: f64,
    },
}

/// Where one axis starts and ends in a move. Positions in SI units of the load's
/// travel (rad, or m on a linear axis).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Travel {
    /// Microsteps from the program's origin at the start.
    pub from_steps: i64,
    /// Microsteps from the program's origin at the end.
    pub to_steps: i64,
    /// Position at the start.
    pub from: f64,
    /// Position at the end, which is a whole number of microsteps.
    pub to: f64,
    /// How far the end lies from what the script asked for: `to` − asked.
    pub target_error: f64,
}

/// One item of a planned program, in the order of time.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A move.
    Move(PlannedMove),
    /// Stand still for so many seconds.
    Dwell(f64),
    /// Switch an output of the rig, by number.
    Output {
        /// Which one.
        output: usize,
        /// On or off.
        on: bool,
    },
    /// Wait for an input of the rig, by number.
    Await {
        /// Which one.
        input: usize,
        /// Until what.
        until: Until,
        /// Give up after so many seconds.
        timeout: Option<f64>,
    },
    /// The place where an axis stands is so many microsteps from the origin from now on.
    Zero {
        /// Which axis.
        axis: usize,
        /// The microsteps.
        steps: i64,
    },
    /// A text.
    Mark(Arc<str>),
}

impl Item {
    /// How long it takes by the plan (s); waiting for an input is not counted.
    pub fn duration(&self) -> f64 {
        match self {
            Self::Move(planned) => planned.motion.duration,
            Self::Dwell(seconds) => *seconds,
            Self::Output { .. } | Self::Await { .. } | Self::Zero { .. } | Self::Mark(_) => 0.0,
        }
    }
}

/// Something that happens when an axis passes a position during a motion.
#[derive(Debug, Clone, PartialEq)]
pub struct OnTheWay {
    /// Which axis is watched.
    pub axis: usize,
    /// At which of its microsteps (1 is its first step; 0 the start of the motion).
    pub step: u64,
    /// What happens: an output or a mark.
    pub item: Item,
    /// Line of its statement in the script, from 1.
    pub line: usize,
}
