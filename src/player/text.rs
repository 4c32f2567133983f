//! The files of a project that depend on the program.

use std::fmt::Write;

use super::bridge::bridge_lines;
use super::budget;
use super::coils::is_lowered;
use super::controller::{CompareOutput, PartPin};
use super::makefile::fuses_of;
use super::options::ProgramParts;
use super::wiring::Wiring;
use crate::emit::Heading;
use crate::emit::binary::{CRC, Layout};
use crate::rig::{ActiveLevel, AtEnd, DriveLines, Pin, Rig};
use crate::schedule::timer::TickRules;
use crate::units::Time;

/// Bytes of the table on one line.
const PER_LINE: usize = 16;

/// Text that cannot end a comment of C.
pub(super) fn in_comment(text: &str) -> String {
    crate::emit::comment::in_c(text)
}

pub(super) fn opening(heading: &Heading<'_>, what: &str) -> String {
    let mut text = format!("/* {what} of {}.", in_comment(heading.program));
    if let Some(failure) = heading.failure {
        let _ = write!(
            text,
            "\n *\n * DANGER: this program failed its check and was written anyway:\n * {}",
            in_comment(failure)
        );
    }
    text.push_str(" */\n");
    text
}

/// The line of `pins.h` that says which wiring it is for.
fn fingerprint(rig: &Rig, wiring: &Wiring) -> String {
    let Wiring {
        controller,
        steps,
        directions,
        enables,
        switches,
        converters,
        upper,
        bus,
        pwm,
        outputs,
        exact,
        inputs,
        stop_contact,
        ..
    } = wiring;
    let drives: Vec<DriveLines> = rig.axes.iter().map(|axis| axis.drive.lines).collect();
    let levels = |pins: &[Pin]| pins.iter().map(|pin| pin.active).collect::<Vec<_>>();
    let levels = [levels(&rig.outputs), levels(&rig.inputs)];
    let all = format!(
        "2 {} {drives:?} {levels:?} {steps:?} {directions:?} {enables:?} {switches:?} {converters:?} {upper:?} {bus:?} {pwm:?} {outputs:?} {exact:?} {inputs:?} {stop_contact}",
        controller.compiler_name
    );
    format!("{:#010x}ul", CRC.checksum(all.as_bytes()))
}

/// What the last line of a file says before the checksum of all lines above it.
const AS_WRITTEN: &str = "As written: ";

/// How a comment begins and ends in a file of that name.
fn comment_marks(name: &str) -> [&'static str; 2] {
    match name.rsplit_once('.') {
        Some((_, "c" | "h")) => ["/* ", " */"],
        Some((_, "md")) => ["<!-- ", " -->"],
        _ => ["# ", ""],
    }
}

/// A file's text with a checksum as its last line, which shows whether it was edited.
pub(super) fn sealed(name: &str, text: &str) -> String {
    let [open, close] = comment_marks(name);
    let sum = CRC.checksum(text.as_bytes());
    format!("{text}{open}{AS_WRITTEN}{sum:08x}{close}\n")
}

/// A file's text without the line of its seal.
pub(super) fn unsealed<'t>(name: &str, text: &'t str) -> Option<&'t str> {
    let [open, _] = comment_marks(name);
    let end = text.rfind(&format!("{open}{AS_WRITTEN}"))?;
    Some(&text[..end])
}

/// Whether the text of a file is as it was written.
pub(super) fn is_as_written(name: &str, text: &str) -> bool {
    unsealed(name, text).is_some_and(|inside| sealed(name, inside) == text)
}

/// Whether two texts of `pins.h` are for one wiring.
pub(super) fn same_wiring(one: &str, other: &str) -> bool {
    let line = |text: &str| {
        let mut lines = text.lines();
        let found = lines.find(|line| line.starts_with("#define PINS_FINGERPRINT"));
        found.map(str::to_owned)
    };
    line(one).is_some() && line(one) == line(other)
}

pub(super) fn schedule_h(
    heading: &Heading<'_>,
    wiring: Option<&Wiring>,
    layout: Option<&Layout>,
    parts: ProgramParts,
    marks: &[Vec<String>],
) -> String {
    let rig = heading.rig;
    let timer = &rig.timer;
    let pace = TickRules::new(timer);
    let mut text = opening(heading, "The schedule");
    let _ = write!(
        text,
        "#ifndef SCHEDULE_H
#define SCHEDULE_H

#include <stdint.h>

#define AXES {axes}u
#define STREAMS {streams}u
#define OUTPUTS {outputs}u
#define INPUTS {inputs}u

/* Clock of the microcontroller (Hz), clock cycles a tick, ticks a second. */
#define CLOCK {clock:.0}ul
#define PRESCALER {prescaler}ul
#define TICK_RATE {rate:.0}ul
#define STEP_PULSE_TICKS {pulse}u
",
        axes = rig.axes.len(),
        streams = rig.axes.len() + 1,
        outputs = rig.outputs.len(),
        inputs = rig.inputs.len(),
        clock = timer.clock.si(),
        prescaler = timer.prescaler,
        rate = timer.tick_rate(),
        pulse = pace.step_pulse,
    );
    if let Some(wiring) = wiring {
        let _ = write!(
            text,
            "\n/* Which wiring pins.h has to be for, and which parts have these pins. */
#define WIRING_FINGERPRINT {}
#if defined(__AVR__) && !({})
#error \"the pins are those of an {}: set the rig's controller to the part that you build for, and write the project again\"
#endif
",
            fingerprint(rig, wiring),
            wiring
                .controller
                .macros
                .iter()
                .map(|name| format!("defined({name})"))
                .collect::<Vec<_>>()
                .join(" || "),
            wiring.controller.compiler_name
        );
    }
    if let Some(delay) = enable_delay(rig) {
        let ticks = (delay.si() * timer.tick_rate()).ceil().max(1.0);
        let released = rig.axes.iter().enumerate().filter(|(_, axis)| {
            let line = axis.drive.lines.enable;
            line.is_some_and(|line| line.at_end == AtEnd::Release)
        });
        let released: String = released
            .map(|(number, _)| format!(" || (axis) == {number}u"))
            .collect();
        let _ = write!(
            text,
            "\n/* From enabling the drives to the first event, and which of them are disabled at the end. */
#define ENABLE_TICKS {ticks:.0}ul
#define IS_RELEASED(axis) (0{released})
"
        );
    }
    let switches_coils = wiring.is_some_and(|wiring| !wiring.switches.is_empty());
    if switches_coils && rig.axes.iter().any(is_lowered) {
        text.push_str("\n/* Some axes have a lower current at standstill. */\n#define HOLDS\n");
    }
    if parts.user_code {
        text.push_str(&user_lines(timer.tick_rate(), marks));
    }
    if parts.seeks {
        text.push_str(
            "\n/* The program seeks an input, or gives an axis a position. */\n#define SEEKS\n",
        );
    }
    if let Some(input) = wiring.and(rig.controller.start) {
        let _ = write!(
            text,
            "\n/* The input whose contact starts the program after any reset but power-on, after its end and
 * after a stop. */\n#define START_INPUT {input}u\n"
        );
    }
    if let Some((time, name)) = wiring.and_then(|wiring| budget::watchdog(wiring.controller, timer))
    {
        let _ = write!(
            text,
            "\n/* The watchdog of a program that plays: {time}. */\n#define WATCH {name}\n"
        );
    }
    if let Some(fuses) = wiring.and_then(|wiring| fuses_of(rig, wiring).ok()) {
        let _ = write!(
            text,
            "\n/* Fuse bytes for this clock; see README.md. */\n#define FUSE_LOW {:#04X}\n#define FUSE_HIGH {:#04X}\n",
            fuses.low, fuses.high
        );
        if let Some(extended) = fuses.extended {
            let _ = writeln!(text, "#define FUSE_EXTENDED {extended:#04X}");
        }
        text = text.replace("0XF", "0xF").replace("0XE", "0xE");
    }
    if let Some(layout) = layout {
        let places = if parts.several {
            several_programs(rig, marks.len())
        } else {
            one_program(layout)
        };
        let _ = write!(
            text,
            "
/* Bytes of the table{places}

extern const uint8_t schedule[SCHEDULE_LENGTH];

#ifdef __AVR__
#include <avr/pgmspace.h>
#define SCHEDULE_BYTE(place) pgm_read_byte(place)
#define SCHEDULE_MEMORY PROGMEM
#else
#define SCHEDULE_BYTE(place) (*(place))
#define SCHEDULE_MEMORY
#endif
",
            places = places.replace("@LENGTH@", &layout.bytes.len().to_string()),
        );
    }
    text.push_str("\n#endif\n");
    text
}

/// Where in the table the parts of its program begin.
fn one_program(layout: &Layout) -> String {
    let streams: Vec<String> = layout.streams.iter().map(ToString::to_string).collect();
    format!(
        ", and where in it its parts begin. */
#define SCHEDULE_LENGTH @LENGTH@u
#define SCHEDULE_RAMPS {ramps}u
#define SCHEDULE_MOTIONS {motions}u
#define SCHEDULE_STREAMS {{{starts}}}",
        ramps = layout.ramps,
        motions = layout.motions,
        starts = streams.join(", "),
    )
}

/// How many programs the table has, and which inputs select one.
fn several_programs(rig: &Rig, programs: usize) -> String {
    let select = &rig.controller.select;
    let inputs: Vec<String> = select.iter().map(|input| format!("{input}u")).collect();
    format!(
        ", how many programs it has, and which inputs select one. */
#define SCHEDULE_LENGTH @LENGTH@u
#define PROGRAMS {programs}u
#define SELECTS {}u
#define SELECT_INPUTS {{{}}}",
        select.len(),
        inputs.join(", ")
    )
}

/// What `schedule.h` says of functions of the builder's own.
fn user_lines(tick_rate: f64, marks: &[Vec<String>]) -> String {
    let ticks = (budget::USER_TIME * tick_rate).ceil().max(2.0);
    let mut text = format!(
        "\n/* Functions of user.c are called; how long those of a pass of the main loop may take. */\n\
         #define USER\n#define USER_TICKS {ticks:.0}u\n"
    );
    for (program, marks) in marks
        .iter()
        .enumerate()
        .filter(|(_, marks)| !marks.is_empty())
    {
        let _ = writeln!(text, "\n/* The numbers of the marks of program {program}:");
        for (number, mark) in marks.iter().enumerate() {
            let _ = writeln!(text, " *   {} {}", number + 1, in_comment(mark));
        }
        text.push_str(" */\n");
    }
    text
}

pub(super) fn schedule_c(heading: &Heading<'_>, layout: &Layout) -> String {
    let mut text = opening(heading, "The packed schedule");
    text.push_str(
        "#include \"schedule.h\"\n\nconst uint8_t schedule[SCHEDULE_LENGTH] SCHEDULE_MEMORY = {\n",
    );
    for line in layout.bytes.chunks(PER_LINE) {
        let bytes: Vec<String> = line.iter().map(|byte| format!("{byte:#04x}")).collect();
        let _ = writeln!(text, "    {},", bytes.join(", "));
    }
    text.push_str("};\n");
    text
}

/// The registers of a line that the part drives.
const OUT: [&str; 2] = ["PORT", "DDR"];

/// A macro that does something for each line of a kind.
fn lines(
    text: &mut String,
    name: &str,
    pins: impl Iterator<Item = (usize, (PartPin, ActiveLevel))>,
    [second, third]: [&str; 2],
) {
    let each = pins.map(|(number, (PartPin { port, bit }, active))| {
        let active = active.bit();
        format!(" DO({number}u, {second}{port}, {third}{port}, {bit}, {active})")
    });
    let _ = writeln!(text, "#define {name}(DO){}", each.collect::<String>());
}

/// The outputs that timers make, with these timers and what brings their compare outputs to
/// their level at rest, and those that the player writes.
fn output_lines(text: &mut String, rig: &Rig, wiring: &Wiring) {
    let numbered = || {
        let outputs = wiring.outputs.iter().zip(&rig.outputs).enumerate();
        outputs.map(|(number, (pin, output))| (number, (*pin, output.active)))
    };
    let written = numbered().filter(|(_, (pin, _))| wiring.compare_of(*pin).is_none());
    lines(text, "OUTPUT_LINES", written, OUT);
    let mut made = String::new();
    let mut timers: Vec<(u8, Vec<String>)> = Vec::new();
    for (number, (output, active)) in numbered() {
        let Some(&CompareOutput { timer, channel, .. }) = wiring.compare_of(output) else {
            continue;
        };
        let level = active.bit();
        let PartPin { port, bit } = output;
        let _ = write!(
            made,
            " DO({number}u, PORT{port}, DDR{port}, {bit}, {level}, {timer}, {channel})"
        );
        let rest = match active {
            ActiveLevel::High => format!("1 << COM{timer}{channel}1"),
            ActiveLevel::Low => format!("3 << COM{timer}{channel}0"),
        };
        match timers.iter_mut().find(|(known, _)| *known == timer) {
            Some((_, rests)) => rests.push(rest),
            None => timers.push((timer, vec![rest])),
        }
    }
    let timers = timers
        .iter()
        .map(|(timer, rests)| format!(" DO({timer}, {})", rests.join(" | ")));
    let _ = writeln!(
        text,
        "#define TIMED_OUTPUTS(DO){made}\n#define OUTPUT_TIMERS(DO){}",
        timers.collect::<String>()
    );
}

/// The channels of timers that make the PWM of converters, with the highest count of each timer.
fn pwm_lines(text: &mut String, rig: &Rig, wiring: &Wiring) {
    if wiring.pwm.is_empty() {
        return;
    }
    let pins = wiring.pwm.iter().flat_map(|outputs| outputs.pins);
    let pins = pins.map(|pin| (pin, ActiveLevel::High));
    lines(text, "PWM_LINES", pins.enumerate(), OUT);
    let mut timers = String::new();
    for (number, (outputs, axis)) in wiring.pwm.iter().zip(&rig.axes).enumerate() {
        let timer = outputs.timer;
        let bits = axis.drive.converter.map_or(0, |converter| converter.bits);
        let _ = write!(timers, " DO({timer}, {}u)", (1u32 << bits) - 1);
        for phase in ["A", "B"] {
            let _ = writeln!(
                text,
                "#define PWM_{phase}_{number}(DO, code) DO({timer}, {phase}, code)"
            );
        }
    }
    let _ = writeln!(text, "#define PWM_TIMERS(DO){timers}");
}

pub(super) fn pins_h(rig: &Rig, wiring: &Wiring) -> String {
    let mut text = format!(
        "/* Which pin does what, on an {}. This file is yours: once you have changed it, it is
 * kept when the project is written again. The step lines are the compare outputs of timer 1 and stay where they
 * are, and TIMED_OUTPUTS those of other timers; an output may move from there to a line
 * of OUTPUT_LINES, DO(number, PORTB, DDRB, 0, 1), but is exact no longer. The last number of
 * a line, and the one behind the bit of TIMED_OUTPUTS, is the level at which it is active.
 * Inputs have the pull-up on; the stop contact is a contact to ground that opens. */
#ifndef PINS_H
#define PINS_H

#include \"schedule.h\"

#define PINS_FINGERPRINT {}
#if PINS_FINGERPRINT != WIRING_FINGERPRINT
#error \"pins.h is for another wiring: rename it, write the project again, carry your changes over\"
#endif

",
        wiring.controller.compiler_name,
        fingerprint(rig, wiring),
    );
    let drive_lines = || rig.axes.iter().map(|axis| axis.drive.lines);
    let steps = wiring.steps.iter().zip(drive_lines());
    let steps = steps.map(|(pin, lines)| (*pin, lines.step));
    lines(&mut text, "STEP_LINES", steps.enumerate(), OUT);
    for (axis, pins) in wiring.switches.iter().enumerate() {
        let inputs = bridge_lines(&rig.axes[axis].drive.lines);
        let pins = pins.iter().zip(inputs);
        let pins = pins.map(|(pin, line)| (*pin, line.active));
        lines(
            &mut text,
            &format!("SWITCHES_{axis}"),
            pins.enumerate(),
            OUT,
        );
    }
    for (axis, ports) in wiring.converters.iter().enumerate() {
        for (phase, port) in ["A", "B"].iter().zip(ports) {
            let _ = writeln!(
                text,
                "#define CODE_{phase}_{axis} PORT{port}\n#define CODE_{phase}_{axis}_OUT DDR{port}"
            );
        }
    }
    for (axis, port) in wiring.upper.iter().enumerate() {
        let _ = writeln!(
            text,
            "#define CODE_HIGH_{axis} PORT{port}\n#define CODE_HIGH_{axis}_OUT DDR{port}"
        );
    }
    pwm_lines(&mut text, rig, wiring);
    if let Some(bus) = &wiring.bus {
        let high = |pin: PartPin| (0, (pin, ActiveLevel::High));
        let own = [bus.clock, bus.data].into_iter();
        lines(&mut text, "BUS_LINES", own.map(high), OUT);
        for (axis, (pins, drive)) in bus.selects.iter().zip(drive_lines()).enumerate() {
            for (phase, pin) in ["A", "B"].iter().zip(pins) {
                let line = [(axis, (*pin, drive.select))];
                lines(
                    &mut text,
                    &format!("SELECT_{phase}_{axis}"),
                    line.into_iter(),
                    OUT,
                );
            }
        }
        let latch = rig.axes[0].drive.lines.latch;
        lines(
            &mut text,
            "LATCH_LINE",
            [(0, (bus.latch, latch))].into_iter(),
            OUT,
        );
    }
    let directions = wiring.directions.iter().zip(drive_lines());
    let directions = directions.map(|(pin, lines)| (*pin, lines.direction));
    lines(&mut text, "DIRECTION_LINES", directions.enumerate(), OUT);
    let enables = wiring.enables.iter().zip(drive_lines()).enumerate();
    let enables =
        enables.filter_map(|(axis, (pin, lines))| Some((axis, ((*pin)?, lines.enable?.active))));
    lines(&mut text, "ENABLE_LINES", enables, OUT);
    output_lines(&mut text, rig, wiring);
    let inputs = wiring.inputs.iter().zip(&rig.inputs);
    let inputs = inputs.map(|(pin, input)| (*pin, input.active));
    lines(
        &mut text,
        "INPUT_LINES",
        inputs.enumerate(),
        ["PIN", "PORT"],
    );
    let PartPin { port, bit } = wiring.stop_contact;
    let _ = write!(
        text,
        "
/* After which kinds of reset the program starts, as bits of MCUSR: after power-on. After
 * any other one nobody knows where the axes stand, so nothing moves. A boot loader that
 * clears MCUSR hides the kind of reset, and then nothing starts: write the program to the
 * part without it. */
#define STARTS_AFTER (1 << PORF)

#define STOP_CONTACT_INTERRUPT {number}
#define STOP_CONTACT_VECTOR INT{number}_vect
#define STOP_CONTACT_PIN PIN{port}
#define STOP_CONTACT_PORT PORT{port}
#define STOP_CONTACT_BIT {bit}

#endif
",
        number = wiring.interrupt,
    );
    text
}

/// The longest time that a drive of the rig needs from being enabled to its first step.
pub(super) fn enable_delay(rig: &Rig) -> Option<Time> {
    let lines = rig.axes.iter().filter_map(|axis| axis.drive.lines.enable);
    lines
        .map(|line| line.delay)
        .max_by(|one, other| one.si().total_cmp(&other.si()))
}
