//! The files of a project that depend on the program.

use std::fmt::Write;

use super::board::OtherBoard;
use super::budget;
use super::controller::{CompareOutput, PartPin};
use super::fuses::{FuseBytes, NoFuses, named};
use super::options::ScheduleSource;
use super::wiring::Wiring;
use crate::emit::Heading;
use crate::emit::binary::{CRC, Layout};
use crate::physics::cautions;
use crate::rig::{Pin, Rig, Timer};
use crate::schedule::timer::TickRules;
use crate::units::Rounded;

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
fn fingerprint(wiring: &Wiring) -> String {
    let Wiring {
        controller,
        steps,
        directions,
        switches,
        converters,
        outputs,
        exact,
        inputs,
        stop_contact,
        ..
    } = wiring;
    let all = format!(
        "{} {steps:?} {directions:?} {switches:?} {converters:?} {outputs:?} {exact:?} {inputs:?} {stop_contact}",
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

/// A file's text with a last line that tells whether somebody has edited it.
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
            fingerprint(wiring),
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
    if let Some(input) = wiring.and(rig.controller.start) {
        let _ = write!(
            text,
            "\n/* The input whose contact starts the program after any reset but power-on. */\n#define START_INPUT {input}u\n"
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
        let streams: Vec<String> = layout.streams.iter().map(ToString::to_string).collect();
        let _ = write!(
            text,
            "
/* Bytes of the table, and where in it its parts begin. */
#define SCHEDULE_LENGTH {length}u
#define SCHEDULE_RAMPS {ramps}u
#define SCHEDULE_MOTIONS {motions}u
#define SCHEDULE_STREAMS {{{starts}}}

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
            length = layout.bytes.len(),
            ramps = layout.ramps,
            motions = layout.motions,
            starts = streams.join(", "),
        );
    }
    text.push_str("\n#endif\n");
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

/// A macro that does something for each line of a kind.
fn lines(text: &mut String, name: &str, pins: &[PartPin], second: &str, third: &str) {
    numbered_lines(text, name, pins.iter().enumerate(), second, third);
}

fn numbered_lines<'a>(
    text: &mut String,
    name: &str,
    pins: impl Iterator<Item = (usize, &'a PartPin)>,
    second: &str,
    third: &str,
) {
    let each = pins.map(|(number, PartPin { port, bit })| {
        format!(" DO({number}u, {second}{port}, {third}{port}, {bit})")
    });
    let _ = writeln!(text, "#define {name}(DO){}", each.collect::<String>());
}

/// The outputs that timers make, with these timers and what has their compare outputs
/// cleared, and those that the player writes.
fn output_lines(text: &mut String, wiring: &Wiring) {
    let numbered = || wiring.outputs.iter().enumerate();
    let written = numbered().filter(|(_, pin)| wiring.compare_of(**pin).is_none());
    numbered_lines(text, "OUTPUT_LINES", written, "PORT", "DDR");
    let mut lines = String::new();
    let mut timers: Vec<(u8, Vec<String>)> = Vec::new();
    for (number, output) in numbered() {
        let Some(&CompareOutput { timer, channel, .. }) = wiring.compare_of(*output) else {
            continue;
        };
        let PartPin { port, bit } = output;
        let _ = write!(
            lines,
            " DO({number}u, DDR{port}, {bit}, {timer}, {channel})"
        );
        let clear = format!("1 << COM{timer}{channel}1");
        match timers.iter_mut().find(|(known, _)| *known == timer) {
            Some((_, clears)) => clears.push(clear),
            None => timers.push((timer, vec![clear])),
        }
    }
    let timers = timers
        .iter()
        .map(|(timer, clears)| format!(" DO({timer}, {})", clears.join(" | ")));
    let _ = writeln!(
        text,
        "#define TIMED_OUTPUTS(DO){lines}\n#define OUTPUT_TIMERS(DO){}",
        timers.collect::<String>()
    );
}

pub(super) fn pins_h(wiring: &Wiring) -> String {
    let mut text = format!(
        "/* Which pin does what, on an {}. This file is yours: once you have changed it, it is
 * kept when the project is written again. The step lines are the compare outputs of timer 1 and stay where they
 * are, and TIMED_OUTPUTS those of other timers; an output may move from there to a line
 * of OUTPUT_LINES, DO(number, PORTB, DDRB, 0), but is exact no longer. Inputs are active
 * low, with the pull-up on; the stop contact is a contact to ground that opens. */
#ifndef PINS_H
#define PINS_H

#include \"schedule.h\"

#define PINS_FINGERPRINT {}
#if PINS_FINGERPRINT != WIRING_FINGERPRINT
#error \"pins.h is for another wiring: rename it, write the project again, carry your changes over\"
#endif

",
        wiring.controller.compiler_name,
        fingerprint(wiring),
    );
    lines(&mut text, "STEP_LINES", &wiring.steps, "PORT", "DDR");
    for (axis, pins) in wiring.switches.iter().enumerate() {
        lines(&mut text, &format!("SWITCHES_{axis}"), pins, "PORT", "DDR");
    }
    for (axis, ports) in wiring.converters.iter().enumerate() {
        for (phase, port) in ["A", "B"].iter().zip(ports) {
            let _ = writeln!(
                text,
                "#define CODE_{phase}_{axis} PORT{port}\n#define CODE_{phase}_{axis}_OUT DDR{port}"
            );
        }
    }
    lines(
        &mut text,
        "DIRECTION_LINES",
        &wiring.directions,
        "PORT",
        "DDR",
    );
    output_lines(&mut text, wiring);
    lines(&mut text, "INPUT_LINES", &wiring.inputs, "PIN", "PORT");
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

/// The fuse bytes of the part of a wiring.
fn fuses_of(rig: &Rig, wiring: &Wiring) -> Result<FuseBytes, NoFuses> {
    FuseBytes::of(
        wiring.controller,
        rig.controller.clock_source,
        rig.timer.clock,
    )
}

/// What fuse bytes select the clock, for a shell or a document.
fn fuses_text(rig: &Rig, wiring: &Wiring) -> String {
    match fuses_of(rig, wiring) {
        Ok(FuseBytes {
            low,
            high,
            extended,
        }) => {
            let extended =
                extended.map_or_else(String::new, |byte| format!(", extended {byte:02X}"));
            format!(
                "Fuse bytes of an {} with {} of {}: low {low:02X}, high {high:02X}{extended}.",
                wiring.controller.compiler_name,
                named(rig.controller.clock_source),
                rig.timer.clock
            )
        }
        Err(none) => {
            let none = none.to_string();
            let first = none[..1].to_uppercase();
            format!(
                "{first}{}: change clock or clock_source in the rig.",
                &none[1..]
            )
        }
    }
}

/// What a wrong clock fuse does, and how it is undone.
const WRONG_FUSE: &str = "A wrong clock fuse locks the part out: no programmer reaches it until a clock of 1 MHz or so, \
    from a generator or another microcontroller, is fed to its pin XTAL1. Write the right fuses while it is.";

pub(super) fn makefile(rig: &Rig, wiring: Option<&Wiring>, source: ScheduleSource) -> String {
    let (sources, fed) = match source {
        ScheduleSource::Memory => ("table.c schedule.c", String::new()),
        ScheduleSource::Line { baud } => ("link.c", format!(" -DSTREAMED -DSTREAM_BAUD={baud}ul")),
    };
    let Some(wiring) = wiring else {
        return OTHER_MAKEFILE
            .replace("@SOURCES@", sources)
            .replace("@FED@", &fed);
    };
    let (coils, switching) = if wiring.switches.is_empty() {
        ("", "")
    } else {
        (" coils_avr.c", " -DCOILS")
    };
    AVR_MAKEFILE
        .replace("@MCU@", wiring.controller.compiler_name)
        .replace("@SOURCES@", sources)
        .replace("@COILS@", coils)
        .replace("@FED@", &fed)
        .replace("@SWITCHING@", switching)
        .replace("@FUSES@", &fuses_text(rig, wiring))
        .replace("@WRONG_FUSE@", WRONG_FUSE)
}

const AVR_MAKEFILE: &str = "\
# make            builds player.hex, for your programmer
# make size       says how much of the memory it takes
# make fuses      says which fuse bytes select the clock; they are in player.elf too
# make flash      writes player.hex to the part, with the command of your programmer:
#                 make flash PROGRAMMER='avrdude -p PART -c PROGRAMMER'
# Any other board: make objects CC=... CFLAGS=..., and see board.h.
MCU = @MCU@
PROGRAMMER =
WRITE = -U flash:w:player.hex:i
CC = avr-gcc
OBJCOPY = avr-objcopy
SIZE = avr-size
# Small code: with these the player without its schedule fits 4 KiB (avr-gcc 5.4).
SMALL = -Os -flto -mcall-prologues -frename-registers -fno-split-wide-types \\
\t-fno-move-loop-invariants -fno-tree-loop-optimize -fno-tree-ter -fno-tree-forwprop \\
\t-fno-tree-dominator-opts -fno-tree-tail-merge -fno-tree-dce -fno-tree-reassoc \\
\t-fno-ipa-icf -fno-guess-branch-probability -fno-ira-hoist-pressure \\
\t-mstrict-X
CFLAGS = -mmcu=$(MCU) $(SMALL)@SWITCHING@
LANGUAGE = -std=c99 -Wall -Wextra -pedantic@FED@
SOURCES = player.c @SOURCES@
HEADERS = $(wildcard *.h)

player.hex: player.elf
\t$(OBJCOPY) -O ihex -R .eeprom -R .fuse $< $@

player.elf: $(SOURCES) board_avr.c@COILS@ $(HEADERS)
\t$(CC) $(CFLAGS) $(LANGUAGE) $(SOURCES) board_avr.c@COILS@ -Wl,--gc-sections,--relax -o $@

size: player.elf
\t$(SIZE) $<

fuses:
\t@echo \"@FUSES@\"
\t@echo \"@WRONG_FUSE@\"

flash: player.hex
\t@test -n \"$(PROGRAMMER)\" || { echo \"name the command of your programmer: make flash PROGRAMMER='...'\" >&2; exit 1; }
\t$(PROGRAMMER) $(WRITE)

objects:
\t$(CC) $(CFLAGS) $(LANGUAGE) -c $(SOURCES)

clean:
\trm -f player.elf player.hex *.o

.PHONY: size fuses flash objects clean
";

const OTHER_MAKEFILE: &str = "\
# make objects    compiles the player; link it with your board's five functions
CC = cc
CFLAGS = -O2
LANGUAGE = -std=c99 -Wall -Wextra -pedantic@FED@
SOURCES = player.c @SOURCES@

objects:
\t$(CC) $(CFLAGS) $(LANGUAGE) -c $(SOURCES)

clean:
\trm -f *.o

.PHONY: objects clean
";

fn pin_rows(text: &mut String, what: &str, names: &[String], pins: &[PartPin]) {
    for (name, pin) in names.iter().zip(pins) {
        let _ = writeln!(text, "| {what} {name} | {pin} |");
    }
}

/// The switches and converters of each axis.
fn coil_rows(text: &mut String, axes: &[String], wiring: &Wiring) {
    const SWITCHES: [&str; 8] = [
        "A leg 1 high",
        "A leg 1 low",
        "A leg 2 high",
        "A leg 2 low",
        "B leg 1 high",
        "B leg 1 low",
        "B leg 2 high",
        "B leg 2 low",
    ];
    for (name, pins) in axes.iter().zip(&wiring.switches) {
        for (switch, pin) in SWITCHES.iter().zip(pins) {
            let _ = writeln!(text, "| switch {switch} of {name} | {pin} |");
        }
    }
    for (name, ports) in axes.iter().zip(&wiring.converters) {
        for (phase, port) in ["A", "B"].iter().zip(ports) {
            let _ = writeln!(
                text,
                "| converter of phase {phase} of {name} | P{port}0 to P{port}7 |"
            );
        }
    }
}

pub(super) fn readme(
    heading: &Heading<'_>,
    wiring: &Result<Wiring, OtherBoard>,
    source: ScheduleSource,
    counts: Option<(u64, usize)>,
) -> String {
    let rig = heading.rig;
    let mut text = match counts {
        Some(_) => format!("# Player for {}\n\n", heading.program),
        None => "# Player for programs streamed over a serial line\n\n".to_owned(),
    };
    if let Some(failure) = heading.failure {
        let _ = writeln!(
            text,
            "**Danger: this program failed its check and was written anyway: {failure}**\n"
        );
    }
    let (clock, prescaler) = (rig.timer.clock, rig.timer.prescaler);
    let _ = match (counts, source) {
        (Some((steps, bytes)), _) => writeln!(
            text,
            "Plays one program of indexed moves from program memory: {steps} steps in {bytes} bytes. \
            {}\n\n{STARTS}",
            exactness(rig, wiring)
        ),
        (None, ScheduleSource::Line { baud }) => writeln!(
            text,
            "Plays programs of indexed moves for this rig while a host sends them at {baud} baud, \
            by a {clock} timer divided by {prescaler}. When the line fails, the axes decelerate along \
            their path to a standstill. Nothing moves until a host connects.\n",
        ),
        (None, ScheduleSource::Memory) => Ok(()),
    };
    let axes: Vec<String> = rig.axes.iter().map(|axis| axis.name.clone()).collect();
    let names = |pins: &[Pin]| pins.iter().map(|pin| pin.name.clone()).collect::<Vec<_>>();
    match wiring {
        Ok(wiring) => {
            let _ = writeln!(
                text,
                "`make` builds `player.hex` for an {}. Wiring (edit `pins.h` to change it, except step lines and outputs of timers):\n\n\
                 | line | pin |\n| --- | --- |",
                wiring.controller.compiler_name
            );
            pin_rows(&mut text, "step of", &axes, &wiring.steps);
            pin_rows(&mut text, "direction of", &axes, &wiring.directions);
            coil_rows(&mut text, &axes, wiring);
            pin_rows(&mut text, "output", &names(&rig.outputs), &wiring.outputs);
            pin_rows(&mut text, "input", &names(&rig.inputs), &wiring.inputs);
            let [receive, transmit] = wiring.controller.serial;
            let _ = writeln!(
                text,
                "| stop contact | {} |\n| serial receive | {receive} |\n| serial transmit | {transmit} |\n",
                wiring.stop_contact
            );
            if !rig.outputs.is_empty() {
                let late = wiring.late_outputs(rig).map_or_else(
                    || "Outputs change exactly on their ticks: timers make them.".to_owned(),
                    |late| format!("Outputs on timer pins change exactly on their ticks. The others are {late}."),
                );
                let _ = writeln!(text, "{late}\n");
            }
            text.push_str(
                "Inputs are active low. **The stop contact is a normally closed contact to ground.** Without one, \
                 wire its pin to ground, or the player does not start.\n\n",
            );
            if !wiring.switches.is_empty() {
                text.push_str(COILS);
            }
            let slower = wiring.controller.fuses.slower_when_new(rig.timer.clock);
            let _ = writeln!(
                text,
                "{} `make fuses` prints them. {WRONG_FUSE} A new part runs on its factory's clock, which the player does \
                 not measure: everything then takes {} times as long.\n",
                fuses_text(rig, wiring),
                Rounded(slower)
            );
            text.push_str(if counts.is_none() {
                "`stream` reports how a program ended, and the position of each axis:\n\n"
            } else {
                "At its end, one line on the serial port (38400 baud, \
                9600 below 4 MHz) reports how it ended, and the position of each axis in steps from its start:\n\n"
            });
        }
        Err(reason) => {
            let _ = writeln!(
                text,
                "The player does not support this board ({reason}): write the five functions that \
                `board.h` describes, and call `event_due()` from the interrupts of your timer's channels. \
                 `make objects` compiles the rest.\n"
            );
            text.push_str("`player_run()` returns how the program ended:\n\n");
        }
    }
    text.push_str(ENDINGS);
    if counts.is_some() && wiring.is_ok() {
        let until = rig.controller.start.map_or_else(String::new, |input| {
            format!(
                " until the contact of `{}` closes; zero is then where the axes stand",
                rig.inputs[input].name
            )
        });
        let _ = writeln!(
            text,
            "| reset | anything but power-on has reset the microcontroller: nothing moves{until} |"
        );
    }
    if counts.is_none() {
        text.push_str("| line dead | no data in time: the axes decelerated to a standstill |\n");
        text.push_str(AFTERWARDS_ON_A_LINE);
    } else {
        let again = match wiring {
            Ok(_) => "the power is switched off and on again",
            Err(_) => "your board starts the program again",
        };
        let _ = writeln!(
            text,
            "\nAfter anything but `finished` all outputs are off, and nothing moves until {again}."
        );
    }
    text.push_str(STOP);
    text.push_str("\n## Cautions\n\n");
    for caution in cautions::of_rig(rig) {
        let _ = writeln!(text, "- {caution}");
    }
    text
}

/// How true to their ticks steps are.
fn exactness(rig: &Rig, wiring: &Result<Wiring, OtherBoard>) -> String {
    let Timer {
        clock, prescaler, ..
    } = &rig.timer;
    match wiring {
        Ok(wiring) if !wiring.switches.is_empty() => format!(
            "Software switches the coils: the switches of a step follow its tick of a {clock} timer divided by \
             {prescaler} within {} clock cycles. The ticks themselves do not drift.",
            budget::coil_late_cycles(rig)
        ),
        Ok(_) => format!("Every step falls on its tick of a {clock} timer divided by {prescaler}."),
        Err(_) => format!(
            "Ticks are those of a {clock} timer divided by {prescaler}; how true to them steps are depends on your board_arm()."
        ),
    }
}

const COILS: &str = "\
A high pin turns its switch on. At reset every pin is an input: **fit each switch with a resistor that holds it off**, \
or it floats while the microcontroller starts. The two switches of a leg are never both on; dead time is at least 1 µs. \
At the start the coils carry the currents of the first row of `coil_table.h` (where \
programs are streamed: of the row at which the last one ended), and the rotor has half a second to turn there, by up \
to two full steps. When the program has finished the coils keep their last \
currents, undiminished: the motor holds, and stays hot. After any stop all switches are off, **and a suspended load falls**.

";

const ENDINGS: &str = "\
| says | means |
| --- | --- |
| finished | the whole program was played |
| damaged | the checksum of the schedule does not match and nothing moved, or the schedule makes no sense and was stopped |
| stop contact | the stop contact opened: pulses ended within one interrupt |
| late | two events were closer than an interrupt takes; stopped rather than wait a whole turn of the timer |
| starved | decoding did not keep up; stopped |
| no input | an input did not arrive within its timeout |
";

const AFTERWARDS_ON_A_LINE: &str = "
After anything but `finished` all outputs are off. Nothing moves until a host connects again and sends a program: \
no reset is needed.
";

const STARTS: &str = "\
**The program starts at power-on: closing the power starts it.** Begin the script with `await` and a push button on \
that input, so that nothing moves before somebody is ready.
";

const STOP: &str = "
**The stop contact is no emergency stop.** The microcontroller reads it and ends the pulses; power stays on. Fit an \
emergency stop that removes the motor's power independently of the microcontroller, and test it.
";
