//! What a script expands to: one [`Action`] after the other.
//!
//! Travel is kept in the unit it was written in (angle, length, full steps or
//! microsteps), since only the planner knows the axis that turns it into
//! microsteps.

use std::sync::Arc;

use crate::diagnostic::Span;
use crate::units::{Dimension, Quantity};

/// One thing to do, with the place in the script that asks for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Action {
    /// The statement in the script.
    pub span: Span,
    /// Line of the statement, from 1.
    pub line: usize,
    /// What to do.
    pub kind: ActionKind,
}

/// The things that a script can ask for.
#[derive(Debug, Clone, PartialEq)]
pub enum ActionKind {
    /// Turn (or travel).
    Move(Move),
    /// Stand still for so many seconds.
    Dwell(f64),
    /// Stand still until the motor model has come to rest within `settle`.
    DwellUntilSettled,
    /// Switch an output.
    Output {
        /// Its name in the rig.
        name: Arc<str>,
        /// Where the name is written.
        name_span: Span,
        /// On or off.
        on: bool,
        /// Not now, but when the axis passes this position (inside the moves of a
        /// `through` block).
        passing: Option<Quantity>,
    },
    /// Wait for an input.
    Await {
        /// Its name in the rig.
        name: Arc<str>,
        /// Where the name is written.
        name_span: Span,
        /// Until what.
        until: Until,
        /// Give up after so many seconds.
        timeout: Option<f64>,
    },
    /// Turn until an input is seen.
    Seek(Seek),
    /// Take the place where an axis stands for a position.
    Zero(Zero),
    /// A text in the schedule.
    Mark(Arc<str>),
    /// Moves that start and end together, on a straight line.
    Together(Vec<Action>),
    /// Moves that do not stop at their targets, and what happens on the way.
    Through(Vec<Action>),
}

/// What is waited for at an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Until {
    /// It is active, or becomes so.
    #[default]
    Active,
    /// It is not active, or no longer so.
    Released,
    /// It becomes active, after it has not been.
    Pressed,
}

impl Until {
    /// All of them, in the order of their [numbers](Self::number).
    pub const ALL: [Self; 3] = [Self::Active, Self::Released, Self::Pressed];

    /// The event's word in the formats.
    pub const fn event_word(self) -> &'static str {
        match self {
            Self::Active => "await",
            Self::Released => "await-released",
            Self::Pressed => "await-pressed",
        }
    }

    /// The word of a seek in the formats; none seeks until `Pressed`.
    pub(crate) const fn seek_word(self) -> &'static str {
        match self {
            Self::Active | Self::Pressed => "seek",
            Self::Released => "seek-released",
        }
    }

    /// Its number in packed schedules and on the serial line.
    pub const fn number(self) -> u8 {
        match self {
            Self::Active => 0,
            Self::Released => 1,
            Self::Pressed => 2,
        }
    }
}

/// A move of one axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Move {
    /// The axis by name and where it is written; none: the only axis of the rig.
    pub axis: Option<(Arc<str>, Span)>,
    /// How far, or to where: an angle, a length, full steps or microsteps.
    pub target: Target,
    /// Where the target's expression is written.
    pub target_span: Span,
    /// Which way round, on a rotary axis.
    pub way: Option<Way>,
    /// How fast.
    pub pace: MovePace,
    /// The limits and manners in force. Moves written under the same settings share
    /// one value, so that the planner can tell by address.
    pub settings: Arc<Settings>,
}

/// A search for an input: a move at constant speed that ends where the input is seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Seek {
    /// The move, by the furthest distance.
    pub way: Move,
    /// Name of the input in the rig.
    pub input: Arc<str>,
    /// Where that is written.
    pub input_span: Span,
    /// Until the input is released, else until it is active.
    pub released: bool,
}

impl Seek {
    /// What is looked for at the input.
    pub const fn until(&self) -> Until {
        if self.released {
            Until::Released
        } else {
            Until::Active
        }
    }
}

/// A position that is given to the place where an axis stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Zero {
    /// The axis by name and where it is written; none: the only axis of the rig.
    pub axis: Option<(Arc<str>, Span)>,
    /// The position and where it is written; none: zero.
    pub at: Option<(Quantity, Span)>,
}

/// Where a move ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// So far from where the last move ended (exactly, not as rounded).
    By(Quantity),
    /// At this position.
    To(Quantity),
}

/// Which way round to a target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Way {
    /// Falling angle.
    Clockwise,
    /// Rising angle.
    Counterclockwise,
    /// Whichever is shorter; counter-clockwise where both are the same.
    Shortest,
}

/// How fast a move must be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MovePace {
    /// As fast as the limits allow.
    Limits,
    /// Cruising at this speed at most.
    At(Quantity, Span),
    /// Taking exactly so many seconds.
    In(f64, Span),
}

/// Limits and manners that the script has set for the moves that follow.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settings {
    /// Limits for every axis.
    pub all: SpeedLimits,
    /// Limits for one axis, which go before those for all.
    pub axis: Vec<(Arc<str>, SpeedLimits)>,
    /// Shape of the profile.
    pub shape: Shape,
    /// Whether cruise speeds may lie in critical bands.
    pub bands_allowed: bool,
}

/// Limits as the script sets them: travel per time, squared time, cubed time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SpeedLimits {
    /// `speed`.
    pub speed: Option<(Quantity, Span)>,
    /// `accel`.
    pub accel: Option<(Quantity, Span)>,
    /// `decel`; where it is not set, `accel` holds.
    pub decel: Option<(Quantity, Span)>,
    /// `jerk`.
    pub jerk: Option<(Quantity, Span)>,
    /// `start`: the speed that ramps begin and end at.
    pub start: Option<(Quantity, Span)>,
}

/// The shape of a move's profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Shape {
    /// Constant acceleration, cruise, constant deceleration.
    #[default]
    Trapezoid,
    /// Limited jerk, seven segments.
    SCurve,
    /// The acceleration that the motor can give at each speed.
    FullTorque,
}

impl Shape {
    /// As the script writes it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Trapezoid => "trapezoid",
            Self::SCurve => "s-curve",
            Self::FullTorque => "full-torque",
        }
    }

    /// Whether its ramps follow the torque of the motor instead of a limit of their own.
    pub const fn follows_torque(self) -> bool {
        match self {
            Self::Trapezoid | Self::SCurve => false,
            Self::FullTorque => true,
        }
    }
}

/// The dimensions that travel can be written in.
pub(crate) const TRAVEL: [Dimension; 4] = [
    Dimension::ANGLE,
    Dimension::LENGTH,
    Dimension::FULL_STEP,
    Dimension::MICROSTEP,
];
