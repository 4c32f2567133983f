//! The lines between the microcontroller and a drive: their levels, the enable line, and the
//! inputs of bridges.

use super::fields::{self, Bounds, Fields};
use super::frame::SerialConverters;
use super::pwm::PwmConverters;
use super::yaml::Entry;
use crate::units::Time;

/// The level at which a line does what its name says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ActiveLevel {
    /// High.
    #[default]
    High,
    /// Low.
    Low,
}

impl ActiveLevel {
    /// The level as a bit.
    pub const fn bit(self) -> u8 {
        match self {
            Self::High => 1,
            Self::Low => 0,
        }
    }

    /// As a rig writes it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Low => "low",
        }
    }

    /// The level of that key, or the usual one.
    pub(super) fn read(fields: &mut Fields<'_>, key: &'static str, usual: Self) -> Self {
        let read = fields.take(key).and_then(|entry| word(fields, key, &entry));
        read.unwrap_or(usual)
    }
}

fn word(fields: &mut Fields<'_>, key: &str, entry: &Entry) -> Option<ActiveLevel> {
    let words = [ActiveLevel::High.name(), ActiveLevel::Low.name()];
    let chosen = fields.keep(fields::choice(key, entry, &words))?;
    Some(if chosen == words[0] {
        ActiveLevel::High
    } else {
        ActiveLevel::Low
    })
}

/// What becomes of a drive when its program has finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum AtEnd {
    /// It stays enabled: the motor holds its position and its load.
    #[default]
    Hold,
    /// It is disabled: the motor cools, and whatever acts on the load turns it.
    Release,
}

/// The words of a rig for [`AtEnd`].
const AT_END: [(&str, AtEnd); 2] = [("hold", AtEnd::Hold), ("release", AtEnd::Release)];

/// The line that enables a drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnableLine {
    /// The level that enables.
    pub active: ActiveLevel,
    /// From enabling to the first step, and from the last step to disabling.
    pub delay: Time,
    /// What becomes of the drive when the program has finished.
    pub at_end: AtEnd,
}

impl EnableLine {
    /// The current rises within milliseconds; a rotor that turns to the nearest stable
    /// position, up to two full steps away, rings for some tenths of a second (common
    /// practice).
    pub const DELAY: Time = Time::new(0.5);

    fn read(entry: Entry, fields: &mut Fields<'_>) -> Option<Self> {
        let mut table = Fields::of("`enable`", entry.key_place, entry.value, fields.problems())?;
        // No level is usual: a wrong one would enable the drive at reset.
        let active = table.need("active", "low");
        let active = active.and_then(|entry| word(&mut table, "active", &entry));
        let delay = table.or("delay", Bounds::up_to(1.0), Self::DELAY);
        let at_end = table.take("at_end").and_then(|entry| {
            let chosen = table.keep(fields::choice(
                "at_end",
                &entry,
                &AT_END.map(|(word, _)| word),
            ));
            AT_END.into_iter().find(|(word, _)| Some(*word) == chosen)
        });
        table.finish();
        Some(Self {
            active: active?,
            delay,
            at_end: at_end.map_or(AtEnd::default(), |(_, at_end)| at_end),
        })
    }
}

/// What the inputs of a phase's bridge are, where the player switches the coils.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Bridge {
    /// One for each of the four switches.
    #[default]
    Switches,
    /// One for each diagonal pair of switches.
    Pairs,
    /// One that says which way the current flows, and one that lets it flow.
    PhaseEnable,
}

/// The words of a rig for [`Bridge`].
const BRIDGES: [(&str, Bridge); 3] = [
    ("switches", Bridge::Switches),
    ("pairs", Bridge::Pairs),
    ("phase-enable", Bridge::PhaseEnable),
];

/// What the current of a phase does while the inputs of its bridge are off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Decay {
    /// It goes round through a switch and a diode of one side: nothing drives it.
    Slow,
    /// It returns to the supply through diodes, against its whole voltage.
    Fast,
}

/// The words of a rig for [`Decay`].
const DECAYS: [(&str, Decay); 2] = [("slow", Decay::Slow), ("fast", Decay::Fast)];

/// Levels at which the inputs of bridges are active.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BridgeLevels {
    /// Of the switches to the supply.
    pub high_side: ActiveLevel,
    /// Of the switches to ground.
    pub low_side: ActiveLevel,
    /// Of diagonal pairs.
    pub pair: ActiveLevel,
    /// Where the current is positive.
    pub phase: ActiveLevel,
    /// Where it flows at all.
    pub phase_enable: ActiveLevel,
}

/// The lines of a drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveLines {
    /// The level of a step pulse.
    pub step: ActiveLevel,
    /// The level of the direction in which the position rises.
    pub direction: ActiveLevel,
    /// The enable line, where there is one.
    pub enable: Option<EnableLine>,
    /// The inputs of its bridges, where the player switches the coils.
    pub bridge: Bridge,
    /// Levels of these inputs.
    pub bridge_levels: BridgeLevels,
    /// From switching a part of a bridge off to switching another one on.
    pub dead_time: Time,
    /// What the current does while a chopped bridge is off, where its kind does not say it.
    pub decay: Option<Decay>,
    /// Its converters, where they are on a serial bus.
    pub serial: Option<SerialConverters>,
    /// They, where they are filtered PWM.
    pub pwm: Option<PwmConverters>,
    /// The level that selects a converter …
    pub select: ActiveLevel,
    /// … and the one of the pulse that brings both phases' codes into force.
    pub latch: ActiveLevel,
    /// From the last step to the hold current.
    pub hold_delay: Time,
}

impl Default for DriveLines {
    fn default() -> Self {
        Self {
            step: ActiveLevel::default(),
            direction: ActiveLevel::default(),
            enable: None,
            bridge: Bridge::default(),
            bridge_levels: BridgeLevels::default(),
            dead_time: Self::DEAD_TIME,
            decay: None,
            serial: None,
            pwm: None,
            select: ActiveLevel::Low,
            latch: ActiveLevel::Low,
            hold_delay: Self::HOLD_DELAY,
        }
    }
}

impl Bridge {
    /// What the current does while the bridge is off; none where its kind does not say it.
    pub(crate) const fn decay(self) -> Option<Decay> {
        match self {
            // The switch to the supply stays on.
            Self::Switches => Some(Decay::Slow),
            Self::Pairs => Some(Decay::Fast),
            Self::PhaseEnable => None,
        }
    }
}

impl DriveLines {
    /// Small transistors switch off in some tenths of a microsecond (common practice).
    pub const DEAD_TIME: Time = Time::new(1e-6);

    /// The swing of a rotor behind its last step has mostly died away by then (common
    /// practice).
    pub const HOLD_DELAY: Time = Time::new(0.2);

    /// What a drive says of its lines; `bits` is what its converters have.
    pub(super) fn read(fields: &mut Fields<'_>, bits: Option<u32>) -> Self {
        let mut lines = Self::default();
        if let Some(entry) = fields.take("active") {
            let place = entry.key_place;
            if let Some(mut table) = Fields::of("`active`", place, entry.value, fields.problems()) {
                lines.step = ActiveLevel::read(&mut table, "step", lines.step);
                lines.direction = ActiveLevel::read(&mut table, "direction", lines.direction);
                lines.select = ActiveLevel::read(&mut table, "select", lines.select);
                lines.latch = ActiveLevel::read(&mut table, "latch", lines.latch);
                let levels = &mut lines.bridge_levels;
                for (key, level) in [
                    ("high_side", &mut levels.high_side),
                    ("low_side", &mut levels.low_side),
                    ("pair", &mut levels.pair),
                    ("phase", &mut levels.phase),
                    ("phase_enable", &mut levels.phase_enable),
                ] {
                    *level = ActiveLevel::read(&mut table, key, *level);
                }
                table.finish();
            }
        }
        if let Some(entry) = fields.take("enable") {
            lines.enable = EnableLine::read(entry, fields);
        }
        if let Some(entry) = fields.take("bridge") {
            let words = BRIDGES.map(|(word, _)| word);
            let chosen = fields.keep(fields::choice("bridge", &entry, &words));
            let bridge = BRIDGES.iter().find(|(word, _)| Some(*word) == chosen);
            lines.bridge = bridge.map_or(lines.bridge, |(_, bridge)| *bridge);
        }
        if let Some(entry) = fields.take("decay") {
            let words = DECAYS.map(|(word, _)| word);
            let chosen = fields.keep(fields::choice("decay", &entry, &words));
            let decay = DECAYS.iter().find(|(word, _)| Some(*word) == chosen);
            lines.decay = decay.map(|(_, decay)| *decay);
            if lines.bridge != Bridge::PhaseEnable {
                let place = entry.key_place;
                fields.problem(
                    place
                        .error("not-for-this-bridge", "only a `phase-enable` bridge has a `decay`", "here")
                        .help("leave it out: single switches have a slow decay, diagonal pairs a fast one"),
                );
            }
        }
        lines.serial = SerialConverters::read(fields, bits);
        lines.pwm = PwmConverters::read(fields, bits, lines.serial.is_some());
        lines.hold_delay = fields.or("hold_delay", Bounds::up_to(60.0), Self::HOLD_DELAY);
        lines.dead_time = fields.or("dead_time", Bounds::up_to(100e-6), Self::DEAD_TIME);
        lines
    }
}
