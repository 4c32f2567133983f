//! The inputs of bridges: which of them are active for the currents of both phases.
//!
//! Lines are numbered as the bits of a row of the coil table. Current flows from leg 1 to leg
//! 2 of a phase where it is positive.

use crate::rig::{ActiveLevel, Bridge, DriveLines, Timer};

/// An input of a bridge.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct BridgeLine {
    /// What it is, for a table of wiring.
    pub(super) name: String,
    /// The level at which it is active.
    pub(super) active: ActiveLevel,
}

/// The inputs of both bridges of an axis, phase A first.
pub(super) fn bridge_lines(lines: &DriveLines) -> Vec<BridgeLine> {
    let levels = &lines.bridge_levels;
    let of_phase = match lines.bridge {
        Bridge::Switches => vec![
            ("switch @ leg 1 high", levels.high_side),
            ("switch @ leg 1 low", levels.low_side),
            ("switch @ leg 2 high", levels.high_side),
            ("switch @ leg 2 low", levels.low_side),
        ],
        Bridge::Pairs => vec![
            ("pair @ positive", levels.pair),
            ("pair @ negative", levels.pair),
        ],
        Bridge::PhaseEnable => vec![
            ("enable of phase @", levels.phase_enable),
            ("direction of phase @", levels.phase),
        ],
    };
    let both = ["A", "B"].map(|phase| {
        let line = |&(name, active): &(&str, ActiveLevel)| BridgeLine {
            name: name.replace('@', phase),
            active,
        };
        of_phase.iter().map(line).collect::<Vec<_>>()
    });
    both.concat()
}

/// The lines that are active for currents of these signs.
pub(super) fn pattern(bridge: Bridge, [a, b]: [i8; 2]) -> u8 {
    let (positive, negative, lines) = match bridge {
        Bridge::Switches => (0b1001, 0b0110, 4),
        Bridge::Pairs => (0b01, 0b10, 2),
        Bridge::PhaseEnable => (0b11, 0b01, 2),
    };
    let of_phase = |sign: i8| match sign {
        0 => 0,
        1.. => positive,
        _ => negative,
    };
    of_phase(a) | of_phase(b) << lines
}

/// The bits of a pattern that may change only while the line below them is not active.
pub(super) const fn guarded(bridge: Bridge) -> u8 {
    match bridge {
        Bridge::Switches | Bridge::Pairs => 0,
        Bridge::PhaseEnable => 0b1010,
    }
}

/// Clock cycles of a dead time, none too few.
pub(super) fn dead_cycles(lines: &DriveLines, timer: &Timer) -> u32 {
    (lines.dead_time.si() * timer.clock.si() - 1e-6).ceil() as u32 + 1
}
