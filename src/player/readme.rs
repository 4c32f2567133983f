//! The README of a project: how to build and wire it, and what it does.

use std::fmt::Write;

use super::board::OtherBoard;
use super::bridge::{BridgeLine, bridge_lines, is_chopped};
use super::budget;
use super::coils::is_lowered;
use super::controller::PartPin;
use super::hazards::hazards;
use super::makefile::{WRONG_FUSE, fuses_text};
use super::options::{ProgramParts, ScheduleSource};
use super::text::enable_delay;
use super::wiring::Wiring;
use crate::emit::Heading;
use crate::emit::comment::in_markdown;
use crate::physics::cautions;
use crate::rig::{ActiveLevel, AtEnd, Axis, DriveLines, Pin, Rig, Timer};
use crate::units::{Rounded, Time};

/// A row for each line that the part drives: what it is called, its pin and its level, and the
/// resistor without which it floats until the part does.
fn pin_rows<'a>(
    text: &mut String,
    what: &str,
    lines: impl Iterator<Item = (&'a String, PartPin, ActiveLevel)>,
) {
    for (name, pin, active) in lines {
        let (level, resistor) = (active.name(), resistor(active));
        let _ = writeln!(text, "| {what} {name} | {pin} | {level} | {resistor} |");
    }
}

/// Where the resistor goes that holds a line inactive.
const fn resistor(active: ActiveLevel) -> &'static str {
    match active {
        ActiveLevel::High => TO_GROUND,
        ActiveLevel::Low => TO_SUPPLY,
    }
}

const TO_GROUND: &str = "to ground";
const TO_SUPPLY: &str = "to supply";

/// The rows of everything but the serial port and the stop contact.
fn wiring_rows(text: &mut String, rig: &Rig, wiring: &Wiring) {
    let axes = || rig.axes.iter();
    let with = |pins: &[PartPin], level: fn(&DriveLines) -> ActiveLevel| {
        let lines = axes().zip(pins.to_vec());
        let lines = lines.map(|(axis, pin)| (&axis.name, pin, level(&axis.drive.lines)));
        lines.collect::<Vec<_>>()
    };
    let steps = with(&wiring.steps, |lines| lines.step);
    pin_rows(text, "step of", steps.into_iter());
    let directions = with(&wiring.directions, |lines| lines.direction);
    pin_rows(text, "direction of", directions.into_iter());
    let enables = axes().zip(&wiring.enables);
    let enables = enables.filter_map(|(axis, pin)| {
        let line = axis.drive.lines.enable?;
        Some((&axis.name, (*pin)?, line.active))
    });
    pin_rows(text, "enable of", enables);
    coil_rows(text, rig, wiring);
    let outputs = rig.outputs.iter().zip(&wiring.outputs);
    let outputs = outputs.map(|(output, pin)| (&output.name, *pin, output.active));
    pin_rows(text, "output", outputs);
    let inputs = rig.inputs.iter().zip(&wiring.inputs);
    for (input, pin) in inputs {
        let (name, level) = (&input.name, input.active.name());
        let _ = writeln!(text, "| input {name} | {pin} | {level} | |");
    }
}

/// Which lines are active low, where a port of the builder's own has to see to that.
fn levels_elsewhere(rig: &Rig) -> String {
    let mut low: Vec<String> = Vec::new();
    for axis in &rig.axes {
        let DriveLines {
            step,
            direction,
            enable,
            ..
        } = axis.drive.lines;
        let enable = enable.map(|line| line.active);
        for (what, level) in [
            ("step", Some(step)),
            ("direction", Some(direction)),
            ("enable", enable),
        ] {
            if level == Some(ActiveLevel::Low) {
                low.push(format!("{what} of {}", axis.name));
            }
        }
    }
    let of_pins = |what: &'static str, pins: &[Pin]| {
        let low = pins.iter().filter(|pin| pin.active == ActiveLevel::Low);
        low.map(|pin| format!("{what} {}", pin.name))
            .collect::<Vec<_>>()
    };
    low.extend(of_pins("output", &rig.outputs));
    low.extend(of_pins("input", &rig.inputs));
    if low.is_empty() {
        return "Every line is active high.\n\n".to_owned();
    }
    format!(
        "Active low: {}. Every other line is active high.\n\n",
        low.join(", ")
    )
}

/// When drives are enabled and disabled; nothing where none has a line for that.
fn enabling(rig: &Rig) -> String {
    let lines = || {
        let lines = rig.axes.iter();
        lines.filter_map(|axis| Some((&axis.name, axis.drive.lines.enable?)))
    };
    let Some(delay) = enable_delay(rig) else {
        return String::new();
    };
    let named = |wanted: AtEnd| {
        let names = lines().filter(|(_, line)| line.at_end == wanted);
        let names = names.map(|(name, _)| format!("`{name}`"));
        names.collect::<Vec<_>>().join(" and ")
    };
    let mut text = format!(
        "**The enable line** is inactive from reset on. It becomes active when the program starts, {delay} before \
         anything moves and before the first `await`. When the stop contact opens, and at any other stop, it becomes inactive at once: \
         **the motor lets go, and a suspended load falls**."
    );
    let held = named(AtEnd::Hold);
    if !held.is_empty() {
        let _ = write!(
            text,
            " When the program has finished, the drive of {held} stays enabled: the motor holds, and stays warm."
        );
    }
    let released = named(AtEnd::Release);
    if !released.is_empty() {
        let _ = write!(
            text,
            " The drive of {released} is disabled {delay} after the last event: **the motor lets go**."
        );
    }
    text.push_str("\n\n");
    text
}

/// The switches and converters of each axis.
fn coil_rows(text: &mut String, rig: &Rig, wiring: &Wiring) {
    for (axis, pins) in rig.axes.iter().zip(&wiring.switches) {
        let lines = bridge_lines(&axis.drive.lines);
        for (BridgeLine { name, active }, pin) in lines.iter().zip(pins) {
            let (of, level, resistor) = (&axis.name, active.name(), resistor(*active));
            let _ = writeln!(text, "| {name} of {of} | {pin} | {level} | {resistor} |");
        }
    }
    let names = rig.axes.iter().map(|axis| &axis.name);
    for (name, ports) in names.zip(&wiring.converters) {
        for (phase, port) in ["A", "B"].iter().zip(ports) {
            let _ = writeln!(
                text,
                "| converter of phase {phase} of {name} | P{port}0 to P{port}7 | | {TO_GROUND} |"
            );
        }
    }
    for (axis, port) in rig.axes.iter().zip(&wiring.upper) {
        for (phase, [first, last]) in [("A", [0, 3]), ("B", [4, 7])] {
            let _ = writeln!(
                text,
                "| upper bits of converter {phase} of {} | P{port}{first} to P{port}{last} | | {TO_GROUND} |",
                axis.name
            );
        }
    }
    for (axis, outputs) in rig.axes.iter().zip(&wiring.pwm) {
        for (phase, pin) in ["A", "B"].iter().zip(outputs.pins) {
            let _ = writeln!(
                text,
                "| PWM of phase {phase} of {} | {pin} | high | {TO_GROUND} |",
                axis.name
            );
        }
    }
    if let Some(bus) = &wiring.bus {
        let mode = rig.axes[0]
            .drive
            .lines
            .serial
            .map_or(0, |serial| serial.mode);
        let clock = if mode & 2 == 0 { TO_GROUND } else { TO_SUPPLY };
        let _ = writeln!(text, "| bus clock | {} | | {clock} |", bus.clock);
        let _ = writeln!(text, "| bus data | {} | | {TO_GROUND} |", bus.data);
        for (axis, [a, b]) in rig.axes.iter().zip(&bus.selects) {
            let (name, select) = (&axis.name, axis.drive.lines.select);
            let (level, resistor) = (select.name(), resistor(select));
            let _ = writeln!(text, "| select A of {name} | {a} | {level} | {resistor} |");
            let _ = writeln!(text, "| select B of {name} | {b} | {level} | {resistor} |");
        }
        let latch = rig.axes[0].drive.lines.latch;
        let (level, resistor) = (latch.name(), resistor(latch));
        let _ = writeln!(text, "| latch | {} | {level} | {resistor} |", bus.latch);
    }
}

pub(super) fn readme(
    heading: &Heading<'_>,
    programs: &[String],
    wiring: &Result<Wiring, OtherBoard>,
    source: ScheduleSource,
    counts: Option<(Option<u64>, usize)>,
    parts: ProgramParts,
) -> String {
    let rig = heading.rig;
    let mut text = match counts {
        Some(_) => format!("# Player for {}\n\n", in_markdown(heading.program)),
        None => "# Player for programs streamed over a serial line\n\n".to_owned(),
    };
    if let Some(failure) = heading.failure {
        let _ = writeln!(
            text,
            "**Danger: this program failed its check and was written anyway: {}**\n",
            in_markdown(failure)
        );
    }
    let (clock, prescaler) = (rig.timer.clock, rig.timer.prescaler);
    let _ = match (counts, source) {
        (Some((None, bytes)), _) => writeln!(
            text,
            "Plays one program of indexed moves from program memory, {bytes} bytes, and repeats its last part \
            without end: until the power is switched off or the stop contact opens. Where an axis turns on and on, \
            its position wraps at 2^31 microsteps either way, which changes no step. \
            {}\n\n{STARTS}",
            exactness(rig, wiring)
        ),
        (Some((Some(steps), bytes)), _) => writeln!(
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
    if parts.several {
        text.push_str(&selection(rig, programs));
    }
    match wiring {
        Ok(wiring) => {
            let _ = writeln!(
                text,
                "`make` builds `player.hex` for an {}. Wiring (edit `pins.h` to change it, except step lines and outputs of timers):\n\n\
                 | line | pin | active | resistor |\n| --- | --- | --- | --- |",
                wiring.controller.compiler_name
            );
            wiring_rows(&mut text, rig, wiring);
            let [receive, transmit] = wiring.controller.serial;
            let _ = writeln!(
                text,
                "| stop contact | {} | open | |\n| serial receive | {receive} | | |\n| serial transmit | {transmit} | | {TO_SUPPLY} |\n",
                wiring.stop_contact
            );
            if !rig.outputs.is_empty() {
                let late = wiring.late_outputs(rig).map_or_else(
                    || "Outputs change exactly on their ticks: timers make them.".to_owned(),
                    |late| format!("Outputs on timer pins change exactly on their ticks. The others are {late}."),
                );
                let _ = writeln!(text, "{late}\n");
            }
            text.push_str(LEVELS);
            text.push_str(&enabling(rig));
            text.push_str(
                "**The stop contact is a normally closed contact to ground.** Without one, \
                 wire its pin to ground, or the player does not start.\n\n",
            );
            if !wiring.switches.is_empty() {
                let lines = rig.axes.iter().map(|axis| axis.drive.lines.dead_time);
                let dead = lines.max_by(|one, other| one.si().total_cmp(&other.si()));
                let dead = dead.unwrap_or(DriveLines::DEAD_TIME);
                text.push_str(&COILS.replace("@DEAD@", &dead.to_string()));
                text.push_str(&holding(rig));
                if wiring.bus.is_some() {
                    text.push_str(BUS);
                }
                if !wiring.pwm.is_empty() {
                    text.push_str(PWM);
                }
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
            text.push_str(&levels_elsewhere(rig));
            text.push_str(&enabling(rig));
            text.push_str("`player_run()` returns how the program ended:\n\n");
        }
    }
    text.push_str(ENDINGS);
    // What comes over a line is sent again.
    if counts.is_some() {
        text.push_str(DAMAGED);
    }
    if parts.several {
        text.push_str(NO_PROGRAM);
    }
    if parts.seeks {
        text.push_str(NOT_FOUND);
    }
    if parts.user_code {
        text.push_str(OVERRUN);
    }
    if counts.is_some() && wiring.is_ok() {
        text.push_str(
            "| reset | anything but power-on has reset the microcontroller: nothing moves |\n",
        );
    }
    if counts.is_none() {
        text.push_str("| line dead | no data in time: the axes decelerated to a standstill |\n");
        text.push_str(AFTERWARDS_ON_A_LINE);
    } else {
        let again = match (wiring, rig.controller.start) {
            (Ok(_), None) => "the power is switched off and on again".to_owned(),
            (Ok(_), Some(input)) => format!("`{}` is pressed", rig.inputs[input].name),
            (Err(_), _) => "your board starts the program again".to_owned(),
        };
        if parts.seeks {
            text.push_str(SEEKS);
        }
        let _ = writeln!(
            text,
            "\nAfter anything but `finished` all outputs are off, and nothing moves until {again}."
        );
    }
    if let Ok(wiring) = wiring {
        if parts.user_code {
            let time = Time::new(budget::USER_TIME).to_string();
            text.push_str(&USER.replace("@TIME@", &time));
        }
        text.push('\n');
        text.push_str(&hazards(rig, wiring, source, parts));
    }
    text.push_str(STOP);
    text.push_str("\n## Cautions\n\n");
    for caution in cautions::of_rig(rig) {
        let _ = writeln!(text, "- {caution}");
    }
    text
}

/// Which inputs select which program.
fn selection(rig: &Rig, programs: &[String]) -> String {
    let inputs = &rig.controller.select;
    let names = inputs.iter().map(|input| rig.inputs[*input].name.as_str());
    let names: Vec<&str> = names.collect();
    let mut text = format!(
        "**Inputs select the program** as they have been for 5 ms at its start:\n\n| program | {} |\n| --- |{}\n",
        names.join(" | "),
        " --- |".repeat(names.len())
    );
    for (number, program) in programs.iter().enumerate() {
        let levels = (0..names.len()).map(|bit| match number >> bit & 1 {
            0 => " off |",
            _ => " on |",
        });
        let _ = writeln!(
            text,
            "| {} |{}",
            in_markdown(program),
            levels.collect::<String>()
        );
    }
    text.push('\n');
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

const LEVELS: &str = "\
At reset every pin is an input: **fit each line with the resistor of the table, to ground or to the supply of the \
microcontroller**, which holds it inactive, or it floats while the microcontroller starts. Inputs have a pull-up of 20 to 50 kΩ: wire a contact between pin and ground. \
An input that is active low is on while its contact is closed; one that is active high is on while its contact is open, and \
when its wire breaks. A sensor that only drives its line high needs a pull-down of 4.7 kΩ.

";

const COILS: &str = "\
The two switches of a leg are never both on: between switching a part of a bridge off and another one on lie @DEAD@ at least. \
At the start the coils carry the currents of the first row of `coil_table.h` (where \
programs are streamed: of the row at which the last one ended), and the rotor has half a second to turn there, by up \
to two full steps. When the program has finished the coils keep their last \
currents: the motor holds, and stays warm. After any stop all switches are off, **and a suspended load falls**.

";

const BUS: &str = "\
The serial bus runs at half the clock. A frame is taken where its select line lets go; the latch pulse, of 100 ns at least, brings \
the codes of both phases into force at once. Keep the lines short.

";

const PWM: &str = "\
The code of a converter is the duty cycle of its PWM: a code c of n bits is high for c counts of the 2^n of a period. Fit the filter \
between this pin and the reference input of the regulator; its resistor keeps the current at zero at a reset.

";

/// What the currents are at standstill; nothing where none is lowered.
fn holding(rig: &Rig) -> String {
    let lowered = rig.axes.iter().filter(|axis| is_lowered(axis));
    let lowered: Vec<String> = lowered
        .map(|axis| {
            format!(
                "`{}` {} % after {}",
                axis.name,
                Rounded(100.0 * axis.drive.hold_current),
                axis.drive.lines.hold_delay
            )
        })
        .collect();
    if lowered.is_empty() {
        return String::new();
    }
    let is_off = |axis: &Axis| is_chopped(axis) && axis.drive.hold_current <= 0.0;
    let how = if rig.axes.iter().any(is_off) {
        "Bridges are off then: **the motor lets go, and a load that does not stay by itself falls**."
    } else if rig.axes.iter().any(is_chopped) {
        "Timer 0 chops the bridges: the switches to ground, the pairs, or the enables are off for a part of each 2048 clock cycles."
    } else {
        "A code is rounded down."
    };
    format!(
        "Hold current, with the time from the last step: {}. {how} The full current flows again 7 ms at least before the \
         next step, and stays on in waits that are too short for both.\n\n",
        lowered.join(", ")
    )
}

const ENDINGS: &str = "\
| says | means |
| --- | --- |
| finished | the whole program was played |
| stop contact | the stop contact opened: pulses ended within one interrupt |
| late | two events were closer than an interrupt takes; stopped rather than wait a whole turn of the timer |
| starved | decoding did not keep up; stopped |
| no input | an input did not arrive within its timeout |
";

const DAMAGED: &str = "\
| damaged | the checksum of the schedule does not match and nothing moved, or the schedule makes no sense and was stopped |
";

const NO_PROGRAM: &str = "\
| no program | the inputs select a program that there is not: nothing moved |
";

const OVERRUN: &str = "\
| overrun | functions of `user.c` took longer than they may: pulses ended within one interrupt |
";

/// The example stands in the documentation of no part: its registers are those of ATmega88 to
/// 328P (data sheets, from memory).
const USER: &str = "
## Functions of your own

`user.c` is yours: the player calls `user_start`, `user_mark`, `user_pass` and `user_end` from its main loop, and keeps the file \
when the project is written again. In a pass they may take @TIME@ altogether, interrupts included; the player measures that and \
stops with `overrun`. A servo on PD6 of an ATmega88 to 328P at 16 MHz, whose rig has no output on PD5 or PD6, moved at a mark, and \
a line for a display on the serial port, one byte a pass:

```c
#include <avr/io.h>
#include \"user.h\"

static const char *rest = \"\";

void user_start(void)
{
    DDRD |= 1 << PD6;
    OCR0A = 23; /* 1.5 ms of 16.4 ms */
    TCCR0A = 1 << COM0A1 | 1 << WGM01 | 1 << WGM00;
    TCCR0B = 1 << CS02 | 1 << CS00;
}

void user_mark(uint8_t number)
{
    OCR0A = number == 1 ? 31 : 16; /* 2 ms, 1 ms */
    rest = number == 1 ? \"open\\n\" : \"closed\\n\";
}

void user_pass(void)
{
    if (*rest && UCSR0A & 1 << UDRE0)
        UDR0 = (uint8_t)*rest++;
}

void user_end(uint8_t state)
{
    TCCR0A = 0;
    (void)state;
}
```
";

const NOT_FOUND: &str = "\
| not found | an axis sought an input to the end of its way and did not see it: the pulses ended there, at the step that the \
position tells |
";

const SEEKS: &str = "
**A seek** looks at its input at each of its steps, and two looks in a row have to find it as sought: a contact that closes between two \
steps is seen at the next one, and the axis stops one step further, so that slow seeks repeat within one microstep. \
Chatter of the contact while it closes adds the steps that are made meanwhile: seek fast, back off, and seek slowly. \
Where the input is as sought for 5 ms before the first step, the axis does not move. `zero` sets the position that is reported.
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
