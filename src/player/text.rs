//! The files of a project that depend on the program.

use std::fmt::Write;

use super::board::OtherBoard;
use super::controller::{CompareOutput, PartPin};
use super::options::ScheduleSource;
use super::wiring::Wiring;
use crate::emit::Heading;
use crate::emit::binary::{CRC, Layout};
use crate::physics::heat::CAUTIONS;
use crate::rig::Pin;
use crate::schedule::timer::TickRules;

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

/// What the last line of `pins.h` begins with; the checksum of all lines above follows.
const AS_WRITTEN: &str = "/* As written: ";

/// With a last line by which is seen whether somebody has changed the text.
fn sealed(text: &str) -> String {
    format!(
        "{text}{AS_WRITTEN}{:08x} */\n",
        CRC.checksum(text.as_bytes())
    )
}

/// Whether a text of `pins.h` is as it was written.
pub(super) fn is_as_written(pins: &str) -> bool {
    pins.rfind(AS_WRITTEN)
        .is_some_and(|end| sealed(&pins[..end]) == pins)
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
            "\n/* Which wiring pins.h has to be for. */\n#define WIRING_FINGERPRINT {}\n",
            fingerprint(wiring)
        );
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
    sealed(&text)
}

pub(super) fn makefile(wiring: Option<&Wiring>, source: ScheduleSource) -> String {
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
}

const AVR_MAKEFILE: &str = "\
# make            builds player.hex, for your programmer
# make size       says how much of the memory it takes
# Any other board: make objects CC=... CFLAGS=..., and see board.h.
MCU = @MCU@
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
\t$(OBJCOPY) -O ihex -R .eeprom $< $@

player.elf: $(SOURCES) board_avr.c@COILS@ $(HEADERS)
\t$(CC) $(CFLAGS) $(LANGUAGE) $(SOURCES) board_avr.c@COILS@ -Wl,--gc-sections,--relax -o $@

size: player.elf
\t$(SIZE) $<

objects:
\t$(CC) $(CFLAGS) $(LANGUAGE) -c $(SOURCES)

clean:
\trm -f player.elf player.hex *.o

.PHONY: size objects clean
";

const OTHER_MAKEFILE: &str = "\
# make objects    compiles the player; link it with your board's four functions
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
            Every step falls on its tick of a {clock} timer divided by {prescaler}.\n\n{STARTS}",
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
                "The player does not support this board ({reason}): write the four functions that \
                `board.h` describes, and call `event_due()` from the interrupts of your timer's channels. \
                 `make objects` compiles the rest.\n"
            );
            text.push_str("`player_run()` returns how the program ended:\n\n");
        }
    }
    text.push_str(ENDINGS);
    if counts.is_none() {
        text.push_str("| line dead | no data in time: the axes decelerated to a standstill |\n");
        text.push_str(AFTERWARDS_ON_A_LINE);
    } else {
        text.push_str(AFTERWARDS);
    }
    text.push_str(STOP);
    text.push_str("\n## Cautions\n\n");
    for caution in CAUTIONS {
        let _ = writeln!(text, "- {caution}");
    }
    text
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

const AFTERWARDS: &str = "
After anything but `finished` all outputs are off, and nothing moves before a reset.
";

const AFTERWARDS_ON_A_LINE: &str = "
After anything but `finished` all outputs are off. Nothing moves until a host connects again and sends a program: \
no reset is needed.
";

const STARTS: &str = "\
**The program starts at reset: closing the power starts it.** Begin the script with `await` and a push button on \
that input, so that nothing moves before somebody is ready.
";

const STOP: &str = "
**The stop contact is no emergency stop.** The microcontroller reads it and ends the pulses; power stays on. Fit an \
emergency stop that removes the motor's power independently of the microcontroller, and test it.
";
