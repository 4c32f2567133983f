//! The options of a player: its outputs, and the source of its schedule.

/// Signals that the player drives for its axes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Lines {
    /// A step and a direction line for each, for a drive that takes them.
    #[default]
    Steps,
    /// The switches of their bridges, and codes for converters where the rig has them.
    Coils,
}

/// Source of the schedule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ScheduleSource {
    /// The program's own memory.
    #[default]
    Memory,
    /// A serial line of so many bits a second, on which `stream` sends any program for
    /// the same rig.
    Line {
        /// Bits a second.
        baud: u32,
    },
}

/// Which player is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct PlayerOptions {
    /// Signals that it drives.
    pub lines: Lines,
    /// Source of its schedule.
    pub source: ScheduleSource,
    /// Whether it is for another board than those that the player is made for, whatever
    /// the rig says.
    pub other_board: bool,
    /// Whether it calls functions of the builder's own, in `user.c`.
    pub user_code: bool,
}

/// Parts of the player that a program takes besides the usual ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct ProgramParts {
    /// It seeks an input or sets a position.
    pub(super) seeks: bool,
    /// It is one of several, which inputs select.
    pub(super) several: bool,
    /// It calls functions of the builder's own.
    pub(super) user_code: bool,
}
