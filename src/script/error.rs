//! What can be wrong with a script: kinds of errors as values. The words for them stand in
//! `error/words.rs`, `error/expected.rs` and `error/hints.rs` alone.

mod expected;
mod hints;
mod words;

use std::sync::Arc;

use super::demand::{NumberProblem, Wanted};
use super::group::Group;
use super::syntax::Addition;
use crate::diagnostic::{Diagnostic, Source, Span};
use crate::units::{Dimension, Quantity};
pub(super) use expected::Expected;
pub(crate) use hints::instead_of;

/// Something wrong, and where.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ScriptError {
    /// The place foremost.
    pub span: Span,
    /// What is wrong.
    pub kind: Box<ErrorKind>,
    /// The calls whose values led here, the innermost first.
    pub calls: Vec<Span>,
}

impl ScriptError {
    /// An error of that kind there.
    pub(super) fn new(span: Span, kind: ErrorKind) -> Self {
        Self {
            span,
            kind: Box::new(kind),
            calls: Vec::new(),
        }
    }
}

/// The kinds of errors, with what there is to say about each.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum ErrorKind {
    /// One alternative of the grammar does not fit; others are tried.
    Alternative,
    Unexpected {
        expected: Expected,
        found: Arc<str>,
    },
    UnknownStatement {
        found: Arc<str>,
    },
    UnknownUnit {
        symbol: Arc<str>,
    },
    BareUnit {
        symbol: Arc<str>,
    },
    UnclosedText,
    UnclosedBlock {
        end: Span,
    },
    UnmatchedBrace,
    TooDeep,
    ReservedName {
        unit: bool,
    },
    NumberTooLarge,
    PowerTooHigh,
    SaidTwice {
        first: Span,
    },
    SpeedAndTime {
        time: Span,
    },
    UnknownName {
        name: Arc<str>,
        near: Option<Arc<str>>,
        later: Option<Span>,
    },
    UnknownSequence {
        name: Arc<str>,
        near: Option<Arc<str>>,
    },
    Duplicate {
        what: Duplicate,
        name: Arc<str>,
        first: Span,
    },
    NotInBlock {
        keyword: &'static str,
        block: Span,
    },
    ForeverInBlock {
        block: Span,
    },
    BehindForever {
        endless: Span,
    },
    NothingForever,
    NotInGroup {
        keyword: &'static str,
        group: Group,
        block: Span,
    },
    CannotAdd {
        operator: Addition,
        left: Dimension,
        right: Dimension,
        right_span: Span,
    },
    WrongUnit {
        wanted: Wanted,
        found: Dimension,
        asker: Span,
    },
    Unfit {
        wanted: Wanted,
        unfit: NumberProblem,
        value: Quantity,
        asker: Span,
    },
    SpeedOfOtherTravel {
        speed: Dimension,
        target: Dimension,
        target_span: Span,
    },
    DivisionByZero,
    NotFinite,
    ArgumentCount {
        name: Arc<str>,
        wanted: usize,
        given: usize,
        definition: Span,
    },
    Recursive {
        name: Arc<str>,
        calls: Vec<Span>,
    },
    AxisTwice {
        axis: Option<Arc<str>>,
        first: Span,
    },
    MixedAxes {
        axis: Arc<str>,
        other: Arc<str>,
        first: Span,
    },
    PassingOutside {
        output: Span,
    },
    ShortestBy {
        by: Span,
    },
    SignAndWay {
        way: Span,
    },
    WayOfLength {
        target: Span,
    },
}

/// What is defined a second time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Duplicate {
    Value,
    Parameter,
    Sequence,
    Rig,
}

impl ErrorKind {
    /// The kind in one hyphenated word.
    pub(super) const fn code(&self) -> &'static str {
        match self {
            Self::Alternative | Self::Unexpected { .. } => "unexpected-text",
            Self::UnknownStatement { .. } => "unknown-statement",
            Self::UnknownUnit { .. } => "unknown-unit",
            Self::BareUnit { .. } => "unit-without-number",
            Self::UnclosedText => "unclosed-text",
            Self::UnclosedBlock { .. } => "unclosed-block",
            Self::UnmatchedBrace => "unmatched-brace",
            Self::TooDeep => "nested-too-deep",
            Self::ReservedName { .. } => "reserved-name",
            Self::NumberTooLarge => "number-too-large",
            Self::PowerTooHigh => "power-too-high",
            Self::SaidTwice { .. } => "said-twice",
            Self::SpeedAndTime { .. } => "speed-and-time",
            Self::UnknownName { .. } => "unknown-name",
            Self::UnknownSequence { .. } => "unknown-sequence",
            Self::Duplicate { .. } => "defined-twice",
            Self::NotInBlock { .. } => "not-in-a-block",
            Self::NotInGroup { .. } => "not-in-a-group",
            Self::ForeverInBlock { .. } => "forever-in-a-block",
            Self::BehindForever { .. } => "never-reached",
            Self::NothingForever => "nothing-forever",
            Self::CannotAdd { .. } | Self::SpeedOfOtherTravel { .. } => "unit-mismatch",
            Self::WrongUnit { .. } => "wrong-unit",
            Self::Unfit {
                unfit: NumberProblem::NotWhole,
                ..
            } => "not-whole",
            Self::Unfit { .. } => "out-of-range",
            Self::DivisionByZero => "division-by-zero",
            Self::NotFinite => "not-finite",
            Self::ArgumentCount { .. } => "argument-count",
            Self::Recursive { .. } => "recursive-sequence",
            Self::AxisTwice { .. } => "axis-twice",
            Self::MixedAxes { .. } => "mixed-axes",
            Self::PassingOutside { .. } => "passing-outside-through",
            Self::ShortestBy { .. } => "shortest-without-target",
            Self::SignAndWay { .. } => "sign-and-way",
            Self::WayOfLength { .. } => "way-of-a-length",
        }
    }
}

impl ScriptError {
    /// The error with the text that it speaks of.
    pub(super) fn diagnostic(&self, source: &Arc<Source>) -> Diagnostic {
        let mut diagnostic = Diagnostic::error(self.kind.code(), self.kind.message()).at(
            source,
            self.span,
            self.kind.label(),
        );
        for (span, text) in self.kind.further() {
            diagnostic = diagnostic.at(source, span, text);
        }
        for call in &self.calls {
            diagnostic = diagnostic.at(source, *call, "with the values given here");
        }
        let hint = self.kind.hint(source.text(), self.span);
        match hint.or_else(|| self.kind.help()) {
            Some(help) => diagnostic.help(help),
            None => diagnostic,
        }
    }
}
