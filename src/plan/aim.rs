//! What a move aims at, as far as it matters for whether a loop repeats itself.

/// How the moves of a loop aim on one axis; the later ones ask for more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum AimKind {
    /// From where the axis stands.
    By,
    /// At an angle, whole turns not counted.
    Round,
    /// At a position.
    Place,
}

/// A target, as far as it matters for repetition.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Aim {
    pub(crate) axis: usize,
    pub(crate) kind: AimKind,
    /// How far above the halfway mark below it the exact target lies (microsteps, 0 to 1).
    pub(crate) above: f64,
}
