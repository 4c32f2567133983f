//! Coil tables in the form in which the player reads them.

use std::fmt::Write;

use thiserror::Error;

use super::bridge::{self, dead_cycles, guarded, is_chopped, pattern};
use super::text;
use super::wiring::Coils;
use crate::emit::Heading;
use crate::physics::currents::{CoilRow, CoilTable, PhaseCurrent};
use crate::rig::{Axis, DriveLines, Rig, SerialFrame, Timer};
use crate::units::{Frequency, Time, two_digits};

/// The finest microsteps that the player switches itself.
const MOST_MICROSTEPS: u32 = 16;
/// Codes go to a port of eight lines and half a port, or into the last two bytes of a frame.
const MOST_BITS: u32 = 12;
const MOST_SERIAL_BITS: u32 = 16;
/// The bits of one port.
const PORT_BITS: u32 = 8;

/// Why the player cannot switch the coils of a rig.
#[derive(Debug, Clone, PartialEq, Error)]
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
    #[error(
        "the converters of axis `{axis}` have {bits} bits; the player supports {MOST_BITS} in parallel, \
         {MOST_SERIAL_BITS} on a serial bus"
    )]
    Bits {
        /// The axis.
        axis: String,
        /// Their bits.
        bits: u32,
    },
    /// A lower current at standstill that the timer cannot chop.
    #[error(
        "axis `{axis}` has a `hold_current` of {percent} %; the player chops bridges of this kind to {least} … {most} %, \
         or switches them off at 0 %"
    )]
    Hold {
        /// The axis.
        axis: String,
        /// What the rig asks for.
        percent: u32,
        /// The least share (%) …
        least: u32,
        /// … and the most.
        most: u32,
    },
    /// A bridge of which nothing says what the current does while it is off.
    #[error(
        "axis `{axis}` has a `hold_current` below 100 %, and its `phase-enable` bridges no `decay`: how long they have to be on \
         depends on it"
    )]
    Decay {
        /// The axis.
        axis: String,
    },
    /// A current that changes much within a period of the chopping.
    #[error(
        "the current of axis `{axis}` changes with a time constant of {constant}, and the player chops with periods of {period}"
    )]
    FastWinding {
        /// The axis.
        axis: String,
        /// L/R of a phase, with all that is in series.
        constant: Time,
        /// Of the chopping timer.
        period: Time,
    },
    /// Different shares for one timer.
    #[error("axes `{axis}` and `{other}` are chopped for different times; one timer chops both")]
    Holds {
        /// One axis.
        axis: String,
        /// Another one.
        other: String,
    },
    /// A PWM that the timer does not make.
    #[error(
        "axis `{axis}` has a `pwm_frequency` of {asked}; with {bits} bits the timer makes {made}"
    )]
    PwmFrequency {
        /// The axis.
        axis: String,
        /// What the rig says.
        asked: Frequency,
        /// Bits of the converter.
        bits: u32,
        /// What the timer makes.
        made: Frequency,
    },
    /// Converters on the bus and others.
    #[error(
        "the converters of axis `{axis}` and those of `{other}` differ: the player sends all of them frames of one \
         length in one mode, or makes all of them of PWM with the same bits, or neither"
    )]
    Buses {
        /// One axis.
        axis: String,
        /// Another one.
        other: String,
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
            Self::Hold { .. } => {
                "set `hold_current` to a share within these, to 0 % where the load stays by itself, or to 100 %"
            }
            Self::Decay { .. } => {
                "write `decay: slow` or `decay: fast`, by the data sheet of the bridge"
            }
            Self::FastWinding { .. } => {
                "use a faster clock, or set `hold_current` to 100 %, or to 0 % where the load stays by itself"
            }
            Self::Holds { .. } => {
                "give both the same `hold_current` and bridges of one kind, or one of them 100 %"
            }
            Self::PwmFrequency { .. } => {
                "set `pwm_frequency` to what the timer makes, or change the clock or the bits"
            }
            Self::Buses { .. } => "use converters of one kind",
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
        let most = match one.drive.lines.serial {
            Some(_) => MOST_SERIAL_BITS,
            None => MOST_BITS,
        };
        let bits = table.converter.map_or(0, |converter| converter.bits);
        if bits > most {
            return Err(Unswitched::Bits { axis, bits });
        }
        if is_chopped(one) {
            check_chopping(one, &rig.timer)?;
        }
        if let Some(pwm) = one.drive.lines.pwm {
            let made = rig.timer.clock.si() / f64::from(bits).exp2();
            let asked = pwm.frequency;
            if (asked.si() / made - 1.0).abs() > PWM_TOLERANCE {
                let made = Frequency::new(made);
                return Err(Unswitched::PwmFrequency {
                    axis,
                    asked,
                    bits,
                    made,
                });
            }
        }
    }
    let mut chopped = rig.axes.iter().filter(|axis| is_chopped(axis));
    if let Some(first) = chopped.next()
        && let Some(other) = chopped.find(|axis| chopped_counts(axis) != chopped_counts(first))
    {
        let [axis, other] = [first, other].map(|axis| axis.name.clone());
        return Err(Unswitched::Holds { axis, other });
    }
    let bus = |axis: &Axis| {
        let serial = axis.drive.lines.serial;
        let serial = serial.map(|serial| (serial.frames[0].length, serial.mode));
        let pwm = axis.drive.lines.pwm.and(axis.drive.converter);
        (serial, pwm.map(|converter| converter.bits))
    };
    for pair in rig.axes.windows(2) {
        if bus(&pair[0]) != bus(&pair[1]) {
            let [axis, other] = [&pair[0], &pair[1]].map(|axis| axis.name.clone());
            return Err(Unswitched::Buses { axis, other });
        }
    }
    if tables.iter().any(|table| table.converter.is_some()) && !rig.axes.iter().all(regulated) {
        return Err(Unswitched::Mixed);
    }
    Ok(tables)
}

/// By how much the frequency of a PWM may be off: its ripple is off by as much.
const PWM_TOLERANCE: f64 = 0.01;

/// Counts for which the chopped lines of an axis are on; none where it cannot be chopped.
fn chopped_counts(axis: &Axis) -> Option<u32> {
    bridge::chop_counts(axis.drive.hold_current, bridge::decay(&axis.drive.lines)?)
}

/// Whether the timer can chop the current of an axis.
fn check_chopping(one: &Axis, timer: &Timer) -> Result<(), Unswitched> {
    let axis = || one.name.clone();
    let hold = one.drive.hold_current;
    if hold <= 0.0 {
        return Ok(());
    }
    let decay =
        bridge::decay(&one.drive.lines).ok_or_else(|| Unswitched::Decay { axis: axis() })?;
    if bridge::chop_counts(hold, decay).is_none() {
        let shares =
            |percent: &u32| bridge::chop_counts(f64::from(*percent) / 100.0, decay).is_some();
        let least = (1..100).find(shares).unwrap_or(100);
        let most = (1..100).rfind(shares).unwrap_or(0);
        return Err(Unswitched::Hold {
            axis: axis(),
            percent: (100.0 * hold).round() as u32,
            least,
            most,
        });
    }
    let period = f64::from(bridge::CHOP_COUNTS * bridge::CHOP_PRESCALER) / timer.clock.si();
    let constant = one.motor.phase_inductance.si() / one.loop_resistance();
    if constant < period {
        return Err(Unswitched::FastWinding {
            axis: axis(),
            constant: Time::new(two_digits(constant)),
            period: Time::new(period),
        });
    }
    Ok(())
}

/// Bytes of flash that they take.
pub(super) fn bytes(tables: &[CoilTable], rig: &Rig) -> usize {
    let row = 1 + 2 * code_width(rig) as usize;
    tables.iter().map(|table| row * table.rows.len()).sum()
}

/// Bytes of a code, or of the part of a frame that holds it.
pub(super) fn code_width(rig: &Rig) -> u32 {
    let bytes = rig.axes.iter().map(|axis| match axis.drive.lines.serial {
        Some(serial) => serial.frames[0].length.div_ceil(8).min(2),
        None => axis
            .drive
            .converter
            .map_or(1, |converter| converter.bits.div_ceil(PORT_BITS)),
    });
    bytes.max().unwrap_or(1)
}

/// Whether the player lowers the current of an axis at standstill.
pub(super) fn is_lowered(axis: &Axis) -> bool {
    axis.drive.hold_current < 1.0
}

/// Who switches the coils of axes with these tables.
pub(super) fn kind(tables: &[CoilTable], rig: &Rig) -> Coils {
    let is_serial = rig
        .axes
        .iter()
        .any(|axis| axis.drive.lines.serial.is_some());
    let bits = |table: &CoilTable| table.converter.map(|converter| converter.bits);
    match tables.first() {
        None => Coils::OfTheDrive,
        Some(table) if table.converter.is_none() => Coils::Bare,
        Some(_) if is_serial => Coils::OnBus,
        Some(_) => {
            let bits = tables.iter().filter_map(bits).max().unwrap_or(0);
            if rig.axes.iter().any(|axis| axis.drive.lines.pwm.is_some()) {
                Coils::Pwm { bits }
            } else {
                Coils::Parallel { bits }
            }
        }
    }
}

/// The lines of a row, and the codes of both phases or the ends of their frames.
fn row(CoilRow { a, b, .. }: &CoilRow, lines: &DriveLines) -> (u8, [u32; 2]) {
    let code = |phase: &PhaseCurrent| phase.code.map_or(0, |code| code.value);
    let codes = in_frames(lines, [code(a), code(b)]);
    (pattern(lines.bridge, [a.sign, b.sign]), codes)
}

/// The last two bytes of the frames of these codes, or the codes themselves.
fn in_frames(lines: &DriveLines, codes: [u32; 2]) -> [u32; 2] {
    let Some(serial) = lines.serial else {
        return codes;
    };
    let [a, b] = serial.frames;
    let end = |frame: SerialFrame, code: u32| (frame.fixed | code << frame.shift) & 0xFFFF;
    [end(a, codes[0]), end(b, codes[1])]
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
    let width = code_width(rig);
    let _ = write!(
        text,
        "\n/* A code, or the end of a frame with its code. */\n#define CODE_BYTES {width}u\ntypedef uint{}_t coil_code;\n",
        8 * width
    );
    if let Some(serial) = lines().find_map(|lines| lines.serial) {
        let _ = write!(
            text,
            "\n/* A frame of a converter (bytes), clock polarity and phase, and the length of a latch pulse, 100 ns. */\n\
             #define FRAME_BYTES {}u\n#define BUS_MODE ({}u << CPHA)\n#define LATCH_CYCLES (CLOCK / 10000000ul + 1ul)\n",
            serial.frames[0].length / 8,
            serial.mode
        );
    }
    if let Some(axis) = rig.axes.iter().find(|axis| is_chopped(axis)) {
        let on = chopped_counts(axis).unwrap_or(0);
        let off = (bridge::CHOP_COUNTS - on) % bridge::CHOP_COUNTS;
        let _ = write!(
            text,
            "\n/* For how many counts of timer 0 the chopped lines of bridges are on and off at standstill; on for none is off. */\n\
             #define CHOP_ON {on}u\n#define CHOP_OFF {off}u\n",
        );
    }
    for ((axis, table), lines) in tables.iter().enumerate().zip(lines()) {
        let _ = writeln!(
            text,
            "\n/* {}: {}, {} microsteps a full step. Bridges, code of phase A, of phase B. */\n\
             static const uint8_t rows_{axis}[] PROGMEM = {{",
            text::in_comment(&table.axis),
            table.drive,
            table.microsteps,
        );
        for (pattern, [a, b]) in table.rows.iter().map(|each| row(each, &lines)) {
            let bytes = [a, b].map(|code| match width {
                1 => format!("{code}"),
                _ => format!("{}, {}", code & 0xFF, code >> 8),
            });
            let _ = writeln!(text, "    {pattern:#04x}, {},", bytes.join(", "));
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
    let mut functions = Vec::new();
    let mut function = |what: &str, kind: &str, name: &str, values: Vec<u32>| {
        let values = values.iter().map(|value| format!("{value}u")).collect();
        functions.push(format!(
            "\n/* {what} */\nstatic inline {kind} {name}(uint8_t axis)\n{{\n    (void)axis;\n    return {};\n}}\n",
            choose(values)
        ));
    };
    let zero = |phase: usize| {
        lines()
            .map(|lines| in_frames(&lines, [0, 0])[phase])
            .collect()
    };
    function(
        "The code of no current.",
        "coil_code",
        "coil_zero_a",
        zero(0),
    );
    function("The same of phase B.", "coil_code", "coil_zero_b", zero(1));
    let top = |phase: usize| {
        let tops = lines().map(|lines| {
            lines
                .serial
                .map_or(0, |serial| serial.frames[phase].fixed >> 16)
        });
        tops.collect()
    };
    if lines().any(|lines| lines.serial.is_some()) {
        function(
            "The first of three bytes of a frame.",
            "uint8_t",
            "coil_top_a",
            top(0),
        );
        function("The same of phase B.", "uint8_t", "coil_top_b", top(1));
    }
    if rig.axes.iter().any(is_lowered) {
        let mask = lines().map(|lines| {
            lines
                .serial
                .map_or(0xFFFF, |serial| serial.frames[0].data_mask())
        });
        let mask = mask.map(|mask| mask & ((1 << (8 * width)) - 1)).collect();
        function("The bits of the code.", "coil_code", "coil_mask", mask);
        let hold = |axis: &Axis| match is_lowered(axis) {
            true => (axis.drive.hold_current * 65_536.0).ceil().min(65_534.0) as u32,
            false => 0xFFFF,
        };
        let holds = rig.axes.iter().map(hold).collect();
        function(
            "The share of the current at standstill, of 65,536; 65,535 is all of it.",
            "uint16_t",
            "coil_hold",
            holds,
        );
        let delay = |axis: &Axis| (axis.drive.lines.hold_delay.si() * rig.timer.tick_rate()).ceil();
        let delays = rig.axes.iter().map(|axis| delay(axis) as u32).collect();
        function(
            "From the last step to that share (ticks).",
            "uint32_t",
            "coil_hold_ticks",
            delays,
        );
    }
    if rig.axes.iter().any(is_chopped) {
        let chopped = lines().map(|lines| u32::from(bridge::chopped(lines.bridge)));
        let chopped = chopped.collect();
        function(
            "Lines of its bridges that are chopped at standstill.",
            "uint8_t",
            "coil_chopped",
            chopped,
        );
    }
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
         static inline uint8_t coil_guarded(uint8_t axis)\n{{\n    (void)axis;\n    return {guarded};\n}}\n{}\n#endif\n",
        functions.concat()
    );
    text
}
