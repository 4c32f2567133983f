//! The script as a tree. Every node knows its place in the text.

use std::sync::Arc;

use super::action::{Shape, Way};
use crate::diagnostic::Span;
use crate::script::action::Until;
use crate::units::Dimension;

/// A word that the user chose, or that names something of the rig.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Name {
    pub text: Arc<str>,
    pub span: Span,
}

/// A text in quotation marks; the span includes them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Text {
    pub text: Arc<str>,
    pub span: Span,
}

/// What stands between braces.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Block {
    pub statements: Vec<Statement>,
    /// From the opening brace to the closing one.
    pub span: Span,
}

/// One statement.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Statement {
    /// The whole of it.
    pub span: Span,
    /// The word that it begins with.
    pub keyword: Span,
    /// Line of its first word, from 1.
    pub line: usize,
    pub kind: StatementKind,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum StatementKind {
    Rig(Text),
    Let {
        name: Name,
        value: Expression,
    },
    Limit {
        limit: Limit,
        axis: Option<Name>,
        value: Expression,
    },
    Shape(Shape),
    Bands {
        allowed: bool,
    },
    Turn(TurnStatement),
    Dwell(Expression),
    DwellUntilSettled,
    Output {
        name: Name,
        on: bool,
        passing: Option<Box<Clause>>,
    },
    Await {
        name: Name,
        until: Until,
        timeout: Option<Box<Clause>>,
    },
    Seek(SeekStatement),
    Zero {
        axis: Option<Name>,
        at: Option<Box<Clause>>,
    },
    Mark(Text),
    Repeat {
        count: Expression,
        body: Block,
    },
    RepeatForever(Block),
    Sequence(Arc<SequenceDefinition>),
    Do {
        name: Name,
        arguments: Vec<Expression>,
        /// The name and the arguments with their parentheses.
        call: Span,
    },
    Together(Block),
    Through(Block),
    /// A statement that could not be read; its error has been noted.
    Broken {
        /// What it would have defined, so that uses of it are not errors too.
        defines: Option<Defined>,
        /// The statements in its braces.
        body: Vec<Statement>,
    },
}

impl StatementKind {
    /// The word that it begins with.
    pub(super) const fn keyword(&self) -> &'static str {
        match self {
            Self::Rig(_) => "rig",
            Self::Let { .. } => "let",
            Self::Limit { limit, .. } => limit.keyword(),
            Self::Shape(_) => "shape",
            Self::Bands { .. } => "bands",
            Self::Turn(_) => "turn",
            Self::Dwell(_) | Self::DwellUntilSettled => "dwell",
            Self::Output { .. } => "output",
            Self::Await { .. } => "await",
            Self::Seek(_) => "seek",
            Self::Zero { .. } => "zero",
            Self::Mark(_) => "mark",
            Self::Repeat { .. } | Self::RepeatForever(_) => "repeat",
            Self::Sequence(_) => "sequence",
            Self::Do { .. } => "do",
            Self::Together(_) => "together",
            Self::Through(_) => "through",
            Self::Broken { .. } => "",
        }
    }
}

/// What a statement that could not be read was going to define.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Defined {
    Value(Name),
    Sequence(Name),
}

/// A limit that the script can set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Limit {
    Speed,
    Accel,
    Decel,
    Jerk,
    Start,
}

impl Limit {
    const fn keyword(self) -> &'static str {
        match self {
            Self::Speed => "speed",
            Self::Accel => "accel",
            Self::Decel => "decel",
            Self::Jerk => "jerk",
            Self::Start => "start",
        }
    }
}

/// A keyword with the expression that belongs to it, such as `at 40 deg/s`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Clause {
    pub keyword: Span,
    pub value: Expression,
}

impl Clause {
    /// Keyword and expression.
    pub(super) fn span(&self) -> Span {
        self.keyword.to(self.value.span)
    }
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct TurnStatement {
    pub axis: Option<Name>,
    /// `to` a position, else `by` a distance.
    pub to: bool,
    pub target: Clause,
    pub way: Option<(Way, Span)>,
    pub at: Option<Box<Clause>>,
    pub time: Option<Box<Clause>>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct SeekStatement {
    pub axis: Option<Name>,
    /// How far at most.
    pub distance: Clause,
    pub input: Name,
    /// Until it is released, else until it is active.
    pub released: bool,
    pub at: Option<Box<Clause>>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct SequenceDefinition {
    pub name: Name,
    pub parameters: Vec<Name>,
    pub body: Block,
}

/// A value with its unit, still to be computed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Expression {
    pub span: Span,
    pub kind: ExpressionKind,
}

/// Sums and products hold all their parts side by side, so that the depth of the
/// tree is the depth of the parentheses however long the line.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum ExpressionKind {
    Number(f64),
    /// So many of a unit.
    Measure {
        number: Box<Expression>,
        units: Units,
    },
    Name(Arc<str>),
    Parenthesis(Box<Expression>),
    Negative(Box<Expression>),
    /// The first part, and further ones that are added or taken away.
    Sum(Box<Expression>, Vec<(Addition, Expression)>),
    /// The first factor, and further ones that multiply or divide.
    Product(Box<Expression>, Vec<(Multiplication, Expression)>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Addition {
    Plus,
    Minus,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Multiplication {
    Times,
    Over,
}

/// A product of units: its size in SI units and its dimension.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Units {
    pub factor: f64,
    pub dimension: Dimension,
}
