//! The text of the header.

use std::io::{self, Write};

use super::{HeaderAction, HeaderActionKind, SEVERAL, Tables};
use crate::emit::Heading;
use crate::emit::identifiers::Identifiers;
use crate::schedule::Facts;
use crate::schedule::timer::TickRules;

/// Entries of an array are 2^13: 16,384 bytes of intervals, 8,192 of axes.
const ENTRIES_BITS: u32 = 13;
/// Actions and parts of an array are 2^11: 20,480 and 24,576 bytes.
const RECORDS_BITS: u32 = 11;

/// Writes the header.
pub(super) fn write(
    tables: &Tables,
    heading: &Heading<'_>,
    facts: &Facts,
    end_tick: u64,
    out: &mut dyn Write,
) -> io::Result<()> {
    opening(heading, out)?;
    constants(tables, heading, facts, end_tick, out)?;
    out.write_all(MEMORY.as_bytes())?;
    let parts = &tables.parts;
    numbers("uint16_t", "interval", &parts.intervals, out)?;
    if !parts.axes.is_empty() {
        numbers("uint8_t", "axis", &parts.axes, out)?;
    }
    records(
        "part",
        &["steps", "first_interval", "first_axis"],
        &parts.list,
        out,
        |part, out| {
            writeln!(
                out,
                "    SLEWSMITH_PART({}UL, {}UL, {}UL),",
                part.steps, part.first_interval, part.first_axis
            )
        },
    )?;
    records(
        "action",
        &["kind_which", "value", "wait"],
        &tables.actions,
        out,
        action,
    )?;
    out.write_all(READERS.as_bytes())?;
    if parts.axes.is_empty() {
        out.write_all(ONE_AXIS.as_bytes())?;
    }
    writeln!(out, "\n#endif")
}

fn opening(heading: &Heading<'_>, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "/*")?;
    writeln!(
        out,
        " * Schedule of the program {}",
        comment(heading.program)
    )?;
    writeln!(
        out,
        " * written by slewsmith {}.",
        env!("CARGO_PKG_VERSION")
    )?;
    if let Some(failure) = heading.failure {
        writeln!(out, " *")?;
        writeln!(out, " * UNCHECKED, IT MUST NOT RUN: {}", comment(failure))?;
    }
    out.write_all(EXPLANATION.as_bytes())
}

const EXPLANATION: &str = " *
 * The program is a table of actions. Each happens `wait` ticks after the one before
 * it, or after the last step where that one played a part. A part is a number of
 * steps: the first falls on the tick of its action, the others follow at the
 * intervals of the interval table. An entry of 65535 there means: add 65535 and go
 * on with the next entry; slewsmith_interval() does that. A wait may be longer than
 * the counter is wide. Set a direction line when its action says so: the time that
 * it needs before the next step is in the waits. Keep the step line up for
 * SLEWSMITH_STEP_PULSE_TICKS.
 *
 * Moving machinery crushes and cuts. Try a new schedule with the load
 * uncoupled, and with an emergency stop in reach that removes the motor's power.
 */
#ifndef SLEWSMITH_SCHEDULE_H
#define SLEWSMITH_SCHEDULE_H

#include <stdint.h>

";

fn constants(
    tables: &Tables,
    heading: &Heading<'_>,
    facts: &Facts,
    end_tick: u64,
    out: &mut dyn Write,
) -> io::Result<()> {
    let rig = heading.rig;
    let pace = TickRules::new(&rig.timer);
    let is_endless = tables.endless.is_some();
    let mut define = |name: &str, value: String| writeln!(out, "#define SLEWSMITH_{name} {value}");
    // {:?} writes a point into every number, which makes it a double in C.
    define("TICK_RATE_HZ", format!("{:?}", heading.tick_rate()))?;
    define("TIMER_BITS", format!("{}", rig.timer.bits))?;
    define("STEP_PULSE_TICKS", format!("{}UL", pace.step_pulse))?;
    define(
        "DIRECTION_SETUP_TICKS",
        format!("{}UL", pace.direction_setup),
    )?;
    if !is_endless {
        define("END_TICK", format!("{end_tick}ULL"))?;
        define("EVENTS", format!("{}ULL", facts.events))?;
    }
    define("ACTIONS", format!("{}UL", tables.actions.len()))?;
    define("PARTS", format!("{}UL", tables.parts.list.len()))?;
    define("INTERVALS", format!("{}UL", tables.parts.intervals.len()))?;
    define("AXES", format!("{}", rig.axes.len()))?;
    let mut identifiers = Identifiers::default();
    for (number, (axis, steps)) in rig.axes.iter().zip(&facts.steps).enumerate() {
        let name = identifiers.unique("AXIS", &axis.name.to_ascii_uppercase());
        define(&name, format!("{number}"))?;
        if !is_endless {
            define(&format!("{name}_STEPS"), format!("{steps}ULL"))?;
        }
    }
    for (kind, pins) in [("OUTPUT", &rig.outputs), ("INPUT", &rig.inputs)] {
        for (number, pin) in pins.iter().enumerate() {
            let name = identifiers.unique(kind, &pin.name.to_ascii_uppercase());
            define(&name, format!("{number}"))?;
        }
    }
    writeln!(out, "\n/* The kinds of action: */")?;
    let kinds = HeaderActionKind::ALL.into_iter();
    for (kind, word, meaning) in
        kinds.filter(|(kind, ..)| is_endless || *kind != HeaderActionKind::Forever)
    {
        writeln!(
            out,
            "#define SLEWSMITH_{word} {} /* {meaning} */",
            kind as u8
        )?;
    }
    writeln!(out, "#define SLEWSMITH_SEVERAL {SEVERAL}")?;
    if !tables.marks.is_empty() {
        writeln!(out, "\n/* The marks:")?;
        for (number, mark) in tables.marks.iter().enumerate() {
            writeln!(out, " * {number}: {}", comment(mark))?;
        }
        writeln!(out, " */")?;
    }
    Ok(())
}

const MEMORY: &str = "
#if defined(__AVR__)
#include <avr/pgmspace.h>
#define SLEWSMITH_STORED PROGMEM
#if defined(__AVR_HAVE_ELPM__)
/* Tables may lie beyond 64 KB, where near reads are silently wrong. */
#define SLEWSMITH_READ8(table, at) pgm_read_byte_far(pgm_get_far_address(table) + (at))
#define SLEWSMITH_READ16(table, at) pgm_read_word_far(pgm_get_far_address(table) + 2UL * (at))
#else
#define SLEWSMITH_READ8(table, at) pgm_read_byte(&(table)[(at)])
#define SLEWSMITH_READ16(table, at) pgm_read_word(&(table)[(at)])
#endif
#else
#define SLEWSMITH_STORED
#define SLEWSMITH_READ8(table, at) ((table)[(at)])
#define SLEWSMITH_READ16(table, at) ((table)[(at)])
#endif

#if defined(__GNUC__)
#define SLEWSMITH_MAYBE_UNUSED __attribute__((unused))
#else
#define SLEWSMITH_MAYBE_UNUSED
#endif

/* Numbers of 32 bits are stored as two of 16, the lower half first. */
#define SLEWSMITH_HALVES(number) \\
    (uint16_t)((number) & 0xffffUL), (uint16_t)((number) >> 16)
#define SLEWSMITH_PART(steps, first_interval, first_axis) \\
    SLEWSMITH_HALVES(steps), SLEWSMITH_HALVES(first_interval), SLEWSMITH_HALVES(first_axis)
#define SLEWSMITH_ACTION(kind, which, value, wait) \\
    (uint16_t)((kind) | (which) << 8), SLEWSMITH_HALVES(value), SLEWSMITH_HALVES(wait)
";

const READERS: &str = "
struct slewsmith_part {
    uint32_t steps;
    uint32_t first_interval; /* of steps - 1, the first step has none */
    uint32_t first_axis;     /* where the action's axis is SLEWSMITH_SEVERAL */
};

struct slewsmith_action {
    uint32_t wait;
    uint32_t value;
    uint8_t kind;
    uint8_t which;
};

/* The interval whose first entry is *at, which then moves on behind it. */
static inline uint32_t slewsmith_interval(uint32_t *at)
{
    uint32_t ticks = 0;
    uint16_t entry;
    do {
        entry = slewsmith_interval_at(*at);
        *at += 1;
        ticks += entry;
    } while (entry == 65535U);
    return ticks;
}

static inline uint32_t slewsmith_part_number(uint32_t part, uint8_t word)
{
    uint32_t low = slewsmith_part_at(part, word);
    return low | (uint32_t)slewsmith_part_at(part, (uint8_t)(word + 1)) << 16;
}

static inline struct slewsmith_part slewsmith_part(uint32_t number)
{
    struct slewsmith_part part;
    part.steps = slewsmith_part_number(number, 0);
    part.first_interval = slewsmith_part_number(number, 2);
    part.first_axis = slewsmith_part_number(number, 4);
    return part;
}

static inline struct slewsmith_action slewsmith_action(uint32_t number)
{
    struct slewsmith_action action;
    uint16_t kind_which = slewsmith_action_at(number, 0);
    action.kind = (uint8_t)(kind_which & 255U);
    action.which = (uint8_t)(kind_which >> 8);
    action.value = slewsmith_action_at(number, 1);
    action.value |= (uint32_t)slewsmith_action_at(number, 2) << 16;
    action.wait = slewsmith_action_at(number, 3);
    action.wait |= (uint32_t)slewsmith_action_at(number, 4) << 16;
    return action;
}
";

/// Where no part has several axes there is no table of them.
const ONE_AXIS: &str = "
static inline uint8_t slewsmith_axis_at(uint32_t at)
{
    (void)at;
    return 0;
}
";

/// Arrays of plain numbers, and the function that reads one.
fn numbers<N: std::fmt::Display + Copy + Default>(
    kind: &str,
    name: &str,
    entries: &[N],
    out: &mut dyn Write,
) -> io::Result<()> {
    let nothing = [N::default()];
    let entries = if entries.is_empty() {
        &nothing
    } else {
        entries
    };
    let arrays = entries.chunks(1 << ENTRIES_BITS);
    let count = arrays.len();
    for (number, array) in arrays.enumerate() {
        open_array(kind, name, number, array.len(), out)?;
        for line in array.chunks(12) {
            write!(out, "   ")?;
            for entry in line {
                write!(out, " {entry},")?;
            }
            writeln!(out)?;
        }
        writeln!(out, "}};")?;
    }
    writeln!(
        out,
        "\nstatic inline {kind} slewsmith_{name}_at(uint32_t at)\n{{"
    )?;
    let bits = if kind == "uint8_t" { 8 } else { 16 };
    reader(name, count, "at", ENTRIES_BITS, out, |array, at| {
        format!("SLEWSMITH_READ{bits}({array}, {at})")
    })
}

/// Arrays of records, each of 16-bit words, and the function that reads a word.
fn records<R>(
    name: &str,
    fields: &[&str],
    all: &[R],
    out: &mut dyn Write,
    mut write: impl FnMut(&R, &mut dyn Write) -> io::Result<()>,
) -> io::Result<()> {
    // Every field has two words but kind_which.
    let words: usize = fields
        .iter()
        .map(|field| if *field == "kind_which" { 1 } else { 2 })
        .sum();
    let arrays = all.chunks(1 << RECORDS_BITS);
    let count = arrays.len().max(1);
    if all.is_empty() {
        open_array("uint16_t", name, 0, words, out)?;
        writeln!(out, "    0\n}};")?;
    }
    for (number, array) in arrays.enumerate() {
        open_array("uint16_t", name, number, words * array.len(), out)?;
        for record in array {
            write(record, out)?;
        }
        writeln!(out, "}};")?;
    }
    writeln!(
        out,
        "\nstatic inline uint16_t slewsmith_{name}_at(uint32_t number, uint8_t word)\n{{"
    )?;
    reader(name, count, "number", RECORDS_BITS, out, |array, at| {
        format!("SLEWSMITH_READ16({array}, {at} * {words}U + word)")
    })
}

fn open_array(
    kind: &str,
    name: &str,
    number: usize,
    length: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(
        out,
        "\nstatic const {kind} slewsmith_{name}_table_{number}[{length}] SLEWSMITH_STORED SLEWSMITH_MAYBE_UNUSED = {{"
    )
}

/// The body of a function that finds the array which holds a number.
fn reader(
    name: &str,
    arrays: usize,
    index: &str,
    bits: u32,
    out: &mut dyn Write,
    read: impl Fn(&str, &str) -> String,
) -> io::Result<()> {
    let array = |number: usize| format!("slewsmith_{name}_table_{number}");
    if arrays == 1 {
        let read = read(&array(0), &format!("(uint16_t){index}"));
        return writeln!(out, "    return {read};\n}}");
    }
    let within = format!("(uint16_t)({index} & {}U)", (1 << bits) - 1);
    writeln!(out, "    switch ({index} >> {bits}) {{")?;
    for number in 0..arrays {
        let read = read(&array(number), &within);
        writeln!(out, "    case {number}: return {read};")?;
    }
    writeln!(out, "    default: return 0;\n    }}\n}}")
}

fn action(action: &HeaderAction, out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "    SLEWSMITH_ACTION(SLEWSMITH_{}, {}U, {}UL, {}UL),",
        action.kind.word(),
        action.which,
        action.value,
        action.wait
    )
}

/// Text that neither ends its comment nor upsets a careful compiler.
fn comment(text: &str) -> String {
    crate::emit::comment::in_c(text)
}
