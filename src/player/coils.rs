//! Coil tables in the form in which the player reads them.

use std::fmt::Write;

use thiserror::Error;

use super::bridge::{dead_cycles, guarded, pattern};
use super::text;
use super::wiring::Coils;
use crate::emit::Heading;
use crate::physics::currents::{CoilRow, CoilTable, PhaseCurrent};
use crate::physics::heat::Heat;
use crate::rig::{Axis, Bridge, Rig};

/// The finest microsteps that the player switches itself.
const MOST_MICROSTEPS: u32 = 16;
/// Codes go to ports of eight lines.
const MOST_BITS: u32 = 8;

/// Why the player cannot switch the coils of a rig.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Unswitched {
    /// Microsteps too fine.
    #[error(
        "axis `{axis}` has {microsteps} microsteps per full step; the player supports {MOST_MICROSTEPS}"
    )]
    Microsteps {
        /// The axis.
        axis: String,
        /// Its microsteps.
        microsteps: u32,
    },
    /// A regulated current that nothing is known to set.
    #[error(
        "axis `{axis}` has a regulated current without `sense_resistor`, `converter_bits` and `converter_reference`"
    )]
    Converter {
        /// The axis.
        axis: String,
    },
    /// Converters too fine.
    #[error("the converters of axis `{axis}` have more than {MOST_BITS} bits")]
    Bits {
        /// The axis.
        axis: String,
    },
    /// A motor that the full current at standstill overheats.
    #[error(
        "the player keeps full current at standstill, above the continuous rating of the motor of axis `{axis}`"
    )]
    TooWarm {
        /// The axis.
        axis: String,
    },
    /// Converters on some axes only.
    #[error("some axes have converters and others have none")]
    Mixed,
}

impl Unswitched {
    /// What would cure it.
    pub(super) fn cure(&self) -> &'static str {
        match self {
            Self::Microsteps { .. } => "use fewer microsteps",
            Self::Converter { .. } => "give these keys of the drive",
            Self::Bits { .. } => "use converters of fewer bits",
            Self::TooWarm { .. } => "lower its current to the rated one",
            Self::Mixed => "give every axis converters, or none",
        }
    }
}

/// The tables of all axes, or why the player cannot switch their coils.
pub(super) fn tables(rig: &Rig) -> Result<Vec<CoilTable>, Unswitched> {
    let tables: Vec<CoilTable> = rig.axes.iter().map(CoilTable::of).collect();
    let regulated = |axis: &Axis| axis.drive.peak_current().is_some();
    for (one, table) in rig.axes.iter().zip(&tables) {
        let axis = one.name.clone();
        let microsteps = table.microsteps;
        if microsteps > MOST_MICROSTEPS {
            return Err(Unswitched::Microsteps { axis, microsteps });
        }
        if regulated(one) && table.converter.is_none() {
            return Err(Unswitched::Converter { axis });
        }
        let converter = table.converter.as_ref();
        if converter.is_some_and(|converter| converter.bits > MOST_BITS) {
            return Err(Unswitched::Bits { axis });
        }
    }
    if let Some(axis) = rig.axes.iter().find(|axis| too_warm(axis)) {
        let axis = axis.name.clone();
        return Err(Unswitched::TooWarm { axis });
    }
    if tables.iter().any(|table| table.converter.is_some()) && !rig.axes.iter().all(regulated) {
        return Err(Unswitched::Mixed);
    }
    Ok(tables)
}

/// Bytes of flash that they take.
pub(super) fn bytes(tables: &[CoilTable]) -> usize {
    tables.iter().map(|table| 3 * table.rows.len()).sum()
}

/// Whether the motor gets too warm where the current is not lowered at standstill as the
/// rig says; one that does in any case is a matter of the check.
fn too_warm(axis: &Axis) -> bool {
    let overloaded = |axis: &Axis| Heat::of(axis).windings.overload(None).is_some();
    let mut held = axis.clone();
    held.drive.hold_current = 1.0;
    overloaded(&held) && !overloaded(axis)
}

/// Who switches the coils of axes with these tables.
pub(super) fn kind(tables: &[CoilTable]) -> Coils {
    match tables.first() {
        None => Coils::OfTheDrive,
        Some(table) if table.converter.is_some() => Coils::WithConverters,
        Some(_) => Coils::Bare,
    }
}

fn row(CoilRow { a, b, .. }: &CoilRow, bridge: Bridge) -> [u8; 3] {
    let code = |phase: &PhaseCurrent| phase.code.map_or(0, |code| code.value as u8);
    [pattern(bridge, [a.sign, b.sign]), code(a), code(b)]
}

pub(super) fn table_h(heading: &Heading<'_>, tables: &[CoilTable]) -> String {
    let mut text = text::opening(heading, "The coil tables");
    let rig = heading.rig;
    let lines = || rig.axes.iter().map(|axis| axis.drive.lines);
    let dead = lines().map(|lines| dead_cycles(&lines, &rig.timer)).max();
    let _ = write!(
        text,
        "#ifndef COIL_TABLE_H\n#define COIL_TABLE_H\n\n#include <avr/pgmspace.h>\n#include <stdint.h>\n\n\
         /* From switching a part of a bridge off to switching another one on (clock cycles). */\n\
         #define DEAD_CYCLES {}ul\n",
        dead.unwrap_or(1),
    );
    for ((axis, table), lines) in tables.iter().enumerate().zip(lines()) {
        let _ = writeln!(
            text,
            "\n/* {}: {}, {} microsteps a full step. Bridges, code of phase A, of phase B. */\n\
             static const uint8_t rows_{axis}[] PROGMEM = {{",
            text::in_comment(&table.axis),
            table.drive,
            table.microsteps,
        );
        for [pattern, a, b] in table.rows.iter().map(|each| row(each, lines.bridge)) {
            let _ = writeln!(text, "    {pattern:#04x}, {a}, {b},");
        }
        text.push_str("};\n");
    }
    let choose = |values: Vec<String>| {
        let mut values = values.into_iter().enumerate().rev();
        let last = values.next().map(|(_, value)| value).unwrap_or_default();
        values.fold(last, |rest, (axis, value)| {
            format!("axis == {axis}u ? {value} : {rest}")
        })
    };
    let rows = choose(
        (0..tables.len())
            .map(|axis| format!("rows_{axis}"))
            .collect(),
    );
    let guarded = choose(
        lines()
            .map(|lines| format!("{:#04x}u", guarded(lines.bridge)))
            .collect(),
    );
    let counts = choose(
        tables
            .iter()
            .map(|table| format!("{}u", table.rows.len()))
            .collect(),
    );
    let _ = write!(
        text,
        "\nstatic inline const uint8_t *coil_rows(uint8_t axis)\n{{\n    (void)axis;\n    return {rows};\n}}\n\n\
         static inline uint8_t coil_row_count(uint8_t axis)\n{{\n    (void)axis;\n    return {counts};\n}}\n\n\
         /* Lines of its bridges that change only while the line of the bit below is not active. */\n\
         static inline uint8_t coil_guarded(uint8_t axis)\n{{\n    (void)axis;\n    return {guarded};\n}}\n\n#endif\n"
    );
    text
}
