//! The inputs of bridges: which of them are active for the currents of both phases.
//!
//! Lines are numbered as the bits of a row of the coil table. Current flows from leg 1 to leg
//! 2 of a phase where it is positive.

use crate::rig::{ActiveLevel, Axis, Bridge, Decay, DriveLines, Timer};

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

/// Lines of a pattern that a timer switches off and on again to chop the current: those of the
/// switches to ground, or what lets current flow.
pub(super) const fn chopped(bridge: Bridge) -> u8 {
    match bridge {
        Bridge::Switches => 0b1010_1010,
        Bridge::Pairs => 0b1111,
        Bridge::PhaseEnable => 0b0101,
    }
}

/// Whether the current of an axis without a regulator is less at standstill.
pub(super) fn is_chopped(axis: &Axis) -> bool {
    axis.drive.peak_current().is_none() && axis.drive.hold_current < 1.0
}

/// What the current of an axis does while its chopped lines are off; none where the rig has to
/// say it and does not.
pub(super) fn decay(lines: &DriveLines) -> Option<Decay> {
    lines.bridge.decay().or(lines.decay)
}

/// Counts of a period of the chopping timer, and clock cycles of a count.
pub(super) const CHOP_COUNTS: u32 = 256;
pub(super) const CHOP_PRESCALER: u32 = 8;
/// Fewest counts that lines are on or off: the interrupt that switches them takes half as long.
const LEAST_CHOP_COUNTS: f64 = 32.0;

/// Counts of a period for which chopped lines are on. The mean voltage is the share h of the
/// supply, where the current never ceases: h with a slow decay; with a fast one, which puts the
/// supply on the winding the other way round, (1 + h)/2. None where that is too short or too long
/// for the timer.
pub(super) fn chop_counts(hold: f64, decay: Decay) -> Option<u32> {
    if hold <= 0.0 {
        return Some(0);
    }
    let share = match decay {
        Decay::Slow => hold,
        Decay::Fast => (1.0 + hold) / 2.0,
    };
    let counts = f64::from(CHOP_COUNTS) * share;
    let whole = f64::from(CHOP_COUNTS) - LEAST_CHOP_COUNTS;
    (LEAST_CHOP_COUNTS..=whole)
        .contains(&counts)
        .then(|| counts.round() as u32)
}

/// Clock cycles of a dead time, none too few.
pub(super) fn dead_cycles(lines: &DriveLines, timer: &Timer) -> u32 {
    (lines.dead_time.si() * timer.clock.si() - 1e-6).ceil() as u32 + 1
}
