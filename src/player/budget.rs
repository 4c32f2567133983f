//! What the player takes of a microcontroller: cycles, flash and RAM. Every figure stands
//! here, once.
//!
//! The figures are measured on the machine code that avr-gcc 5.4 makes of `c/`, in a
//! cycle-accurate simulator, with five cycles added for entering an interrupt; `tests/firmware`
//! and the tests of `stream` measure them again.

use super::bridge::{dead_cycles, is_chopped};
use super::coils::{code_width, is_lowered};
use super::controller::Controller;
use super::options::{Lines, PlayerOptions, ScheduleSource};
use crate::rig::{Axis, Drive, Rig, Timer};
use crate::schedule::timer::TickRules;
use crate::units::Time;

/// A time in cycles of the microcontroller's clock. A program of the most ticks that there may be,
/// 2^63, takes more of them than 64 bits hold.
pub(crate) type Cycles = u128;

/// Cycles that one step takes on an 8-bit AVR in all, its interrupt and its decoding. Axes
/// that step at once take their times one after the other.
pub(crate) const STEP_CYCLES: Cycles = 160;
/// Cycles that a step of a seek takes in all: it is no quick one, and looks at the input.
pub(super) const SEEK_STEP_CYCLES: Cycles = 600;
/// Cycles from or to any event but a step until the player is ready for the next one, …
pub(super) const EVENT_READY: Cycles = 410;
/// … for how long the interrupt of outputs and texts keeps those of steps waiting, …
pub(super) const OTHERS_READY: Cycles = 60;
/// … and an axis others with any event but a step.
pub(super) const OTHER_BUSY: Cycles = 400;
/// Cycles from a step to the end of its pulse, at least: the player waits for the end of a
/// longer pulse, …
const PULSE_CYCLES: Cycles = 40;
/// … which adds the pulse less so many cycles.
const PULSE_HIDDEN: Cycles = 30;
/// Cycles that any other event takes in all, with the gap before it and an end of a repeat,
/// and one that is due with the one before it.
pub(super) const EVENT_CYCLES: Cycles = 1500;
pub(super) const NEXT_EVENT_CYCLES: Cycles = 600;
/// Cycles that a step takes besides where the player switches the coils of one axis, and of
/// several, whose switches have to be told apart, without the dead time. Worst of all is the
/// wave sequence, whose every step turns switches off and others on, on bridges of single
/// switches.
const COIL_CYCLES: Cycles = 323;
const COILS_CYCLES: Cycles = 503;
/// Cycles that two frames of a serial bus and the latch pulse take besides their bytes, …
const FRAMES_CYCLES: Cycles = 70;
/// … and those of a byte: the bus runs at half the clock.
const BUS_BYTE_CYCLES: Cycles = 30;
/// Cycles that the duty cycles of two PWM outputs take, …
const PWM_CYCLES: Cycles = 60;
/// … and the longest that the interrupt which chops bridges keeps others waiting: 252 of two axes of
/// single switches, and a tenth. One that stands is chopped while another one steps.
const CHOP_CYCLES: Cycles = 280;
/// Cycles that codes of more than eight bits take besides.
const WIDE_CODES_CYCLES: Cycles = 30;
/// Cycles from the tick of a step to the last of its switches, at most, where the player
/// switches the coils of one axis, and of several that may step at once, without the dead
/// times. A direction or the
/// interrupt of outputs may come before it.
const COIL_LATE: Cycles = 383;
const COILS_LATE: Cycles = 866;
/// Cycles from a step to the next one being armed.
pub(super) const STEP_READY: Cycles = 80;
/// How much earlier than an event of an axis its interrupt may come where it is a direction.
pub(super) const DIRECTION_LEAD: Cycles = 580;
/// Cycles from the interrupt of outputs to the first one being ready, and to each further
/// one on the same tick.
pub(super) const OUTPUT_READY: Cycles = 180;
pub(super) const NEXT_OUTPUT_READY: Cycles = 110;
/// The longest that one event waits for (ticks): the decoder cuts longer waits into pieces.
pub(super) const LONGEST_EVENT_WAIT: u64 = 0x7FFF;
/// Events that may wait for being decoded: three quarters of a ring.
pub(super) const RING: usize = 48;

/// Cycles from one step to the next, those of all axes taken together, that decoding what
/// comes over a line needs at least: a part at 16 MHz keeps up with 40,000 steps a second,
/// and with one axis even with 44,400, but not with 47,000.
pub(crate) const LINE_STEP_CYCLES: Cycles = 400;
/// The same where the board switches the coils itself: a step of two bridges takes longer
/// for its dead time. 22,800 steps a second and even 26,600 were kept up with, but not
/// 29,000.
pub(crate) const LINE_COIL_STEP_CYCLES: Cycles = 700;
/// The dead time that is part of it.
const LINE_DEAD_CYCLES: Cycles = 17;

/// Highest clock of the parts that the player is made for as it stands (Hz) …
pub(super) const HIGHEST_CLOCK: f64 = 20e6;
/// … and what their timers divide it by. Source: the data sheets of these parts.
pub(super) const PRESCALERS: [u32; 5] = [1, 8, 64, 256, 1024];
/// Width of the counter that it uses on them.
pub const TIMER_BITS: u32 = 16;

/// One object of the compiler for these parts holds no more bytes.
pub(super) const LONGEST_TABLE: usize = 32_767;
/// An event names a mark in one byte, and 0 is none.
pub(super) const MOST_MARKS: usize = 254;

/// Cycles that switching everything off takes once the interrupt of the stop contact has come, and
/// for each axis besides the codes of its converters.
const STOP_CYCLES: Cycles = 160;
const STOP_AXIS_CYCLES: Cycles = 60;

/// By how many cycles everything is off after the stop contact has opened: one interrupt may come
/// first.
pub(super) fn stop_cycles(rig: &Rig, lines: Lines) -> Cycles {
    let of_axis = match lines {
        Lines::Steps => STOP_AXIS_CYCLES,
        Lines::Coils => STOP_AXIS_CYCLES + codes(rig),
    };
    EVENT_READY + besides(rig, lines) + STOP_CYCLES + rig.axes.len() as Cycles * of_axis
}

/// Whether the player is made for this timer as it stands.
pub(crate) fn suits(timer: &Timer) -> bool {
    timer.clock.si() <= HIGHEST_CLOCK && PRESCALERS.contains(&timer.prescaler)
}

/// Cycles from the player's interrupt of an output to its edge, as `board_avr.h` has it: so
/// long an output stands between two changes.
pub(super) fn output_cycles(prescaler: u32) -> Cycles {
    let prescaler = Cycles::from(prescaler);
    (2000 / prescaler + 2) * prescaler
}

/// The same of an output that the player writes itself, while all axes stand.
pub(super) fn written_output_cycles(rig: &Rig) -> Cycles {
    output_cycles(rig.timer.prescaler)
        + EVENT_READY
        + OTHERS_READY
        + rig.axes.len() as Cycles * OTHER_BUSY
}

/// By how many cycles an output that the player writes may be late: the interrupts of all
/// axes may come first.
pub(super) fn late_cycles(rig: &Rig) -> Cycles {
    OTHERS_READY + rig.axes.len() as Cycles * (STEP_READY + pulse_wait(&rig.timer))
}

/// Cycles that a step takes besides its own, for the end of its pulse or for the coils.
pub(super) fn besides(rig: &Rig, lines: Lines) -> Cycles {
    match lines {
        Lines::Steps => pulse_wait(&rig.timer),
        Lines::Coils if rig.axes.len() == 1 => COIL_CYCLES + dead_time(rig) + codes(rig),
        Lines::Coils => COILS_CYCLES + dead_time(rig) + codes(rig) + chopping(rig),
    }
}

/// Cycles that chopping one axis takes of the steps of another one.
fn chopping(rig: &Rig) -> Cycles {
    if rig.axes.iter().any(is_chopped) {
        CHOP_CYCLES
    } else {
        0
    }
}

/// By how many cycles the switches of a step follow its tick, at most, where the player
/// switches the coils.
pub(super) fn coil_late_cycles(rig: &Rig) -> Cycles {
    if rig.axes.len() == 1 {
        COIL_LATE + dead_time(rig) + codes(rig)
    } else {
        COILS_LATE + 2 * (dead_time(rig) + codes(rig)) + chopping(rig)
    }
}

/// Cycles that the codes of a step take beyond those of converters at two ports.
fn codes(rig: &Rig) -> Cycles {
    let drives = rig.axes.iter().map(|axis| &axis.drive);
    let of_drive = |drive: &Drive| match drive.lines.serial {
        Some(serial) => {
            FRAMES_CYCLES + Cycles::from(2 * serial.frames[0].length / 8) * BUS_BYTE_CYCLES
        }
        None if drive.lines.pwm.is_some() => PWM_CYCLES,
        None => 0,
    };
    let is_wide = code_width(rig) > 1;
    let wide = if is_wide { WIDE_CODES_CYCLES } else { 0 };
    wide + drives.map(of_drive).max().unwrap_or(0)
}

/// The dead time in cycles, the longest of all drives.
fn dead_time(rig: &Rig) -> Cycles {
    let lines = rig.axes.iter().map(|axis| &axis.drive.lines);
    let cycles = lines.map(|lines| Cycles::from(dead_cycles(lines, &rig.timer)));
    cycles.max().unwrap_or(0)
}

/// Cycles that a step takes besides because the player waits for the end of the pulse.
fn pulse_wait(timer: &Timer) -> Cycles {
    let ticks = Cycles::from(TickRules::new(timer).step_pulse);
    let prescaler = Cycles::from(timer.prescaler);
    if ticks <= PULSE_CYCLES / prescaler {
        return 0;
    }
    // The pulse begins with the tick behind the match.
    (ticks + 1) * prescaler - PULSE_HIDDEN
}

/// Cycles that one step of every axis takes.
pub(crate) fn steps_cycles(rig: &Rig) -> Cycles {
    rig.axes.len() as Cycles * (STEP_CYCLES + pulse_wait(&rig.timer))
}

/// The shortest interval that the player keeps on all axes at once; none where it is not
/// made for this timer.
pub(crate) fn interval(rig: &Rig) -> Option<Time> {
    let cycles = steps_cycles(rig) as f64;
    suits(&rig.timer).then(|| Time::new(cycles / rig.timer.clock.si()))
}

/// Steps a second, of all axes, that the player decodes from a line.
pub(super) fn line_step_rate(rig: &Rig, lines: Lines) -> f64 {
    let cycles = match lines {
        Lines::Steps => LINE_STEP_CYCLES,
        Lines::Coils => {
            LINE_COIL_STEP_CYCLES + dead_time(rig).saturating_sub(LINE_DEAD_CYCLES) + codes(rig)
        }
    };
    rig.timer.clock.si() / cycles as f64
}

/// Cycles of the microcontroller's clock in whole microseconds, none too few.
pub(super) fn whole_microseconds(cycles: Cycles, timer: &Timer) -> Time {
    Time::new((cycles as f64 * 1e6 / timer.clock.si()).ceil() * 1e-6)
}

/// Times of the watchdog (ms) with the names that the compiler's library has for them; the last
/// two are not on the oldest parts.
const WATCHDOG: [(u32, &str); 7] = [
    (120, "WDTO_120MS"),
    (250, "WDTO_250MS"),
    (500, "WDTO_500MS"),
    (1000, "WDTO_1S"),
    (2000, "WDTO_2S"),
    (4000, "WDTO_4S"),
    (8000, "WDTO_8S"),
];
/// Cycles that filling all rings takes at most: three of 64 events.
const FILL_CYCLES: f64 = 3.0 * 64.0 * EVENT_CYCLES as f64;
/// By how much the oscillator of the watchdog may be fast (common practice).
const WATCHDOG_FAST: f64 = 0.3;

/// The shortest time of a part's watchdog in which the player feeds it in any case, and its
/// name; none where the part has none so long. While all axes wait, the timer's interrupt comes
/// once in the longest wait of an event.
pub(super) fn watchdog(controller: &Controller, timer: &Timer) -> Option<(Time, &'static str)> {
    let waits = LONGEST_EVENT_WAIT as f64 * f64::from(timer.prescaler);
    let least = 2e3 * (waits + FILL_CYCLES) / timer.clock.si() * (1.0 + WATCHDOG_FAST);
    let times = match controller.watchdog_is_short {
        true => &WATCHDOG[..5],
        false => &WATCHDOG[..],
    };
    let (time, name) = times.iter().find(|(time, _)| f64::from(*time) >= least)?;
    Some((Time::new(f64::from(*time) * 1e-3), name))
}

/// Bytes of RAM that the player takes at most, with its stack.
pub(super) fn ram_bytes(rig: &Rig, options: PlayerOptions) -> usize {
    const STACK: usize = 200;
    let streams = rig.axes.len() + 1;
    let data = match options.source {
        ScheduleSource::Memory => 40 + 345 * streams,
        ScheduleSource::Line { .. } if streams == 2 => 1846,
        ScheduleSource::Line { .. } => 2900,
    };
    data + STACK
}

/// Bytes of flash that seeks and zero positions take besides.
pub(super) const SEEK_BYTES: usize = 1000;

/// Bytes of flash that selecting one of several programs takes, without those.
pub(super) const SELECT_BYTES: usize = 400;
/// Bytes of flash that calling functions of the builder's own takes, without those.
pub(super) const USER_BYTES: usize = 200;
/// How long they may take in one pass of the main loop: chosen, a third of what a ring of events
/// lasts at the highest step rate.
pub(super) const USER_TIME: f64 = 200e-6;

/// Bytes of flash that the player takes at most, without its schedule and its coil tables,
/// on the largest part.
pub(super) fn code_bytes(rig: &Rig, options: PlayerOptions) -> usize {
    const OUTPUT: usize = 70;
    const INPUT: usize = 60;
    const ENABLE: usize = 220;
    const BUS: usize = 260;
    const HOLD: usize = 620;
    const CHOP: usize = 200;
    let code = match (options.source, options.lines) {
        (ScheduleSource::Memory, Lines::Steps) if rig.axes.len() == 1 => 4850,
        (ScheduleSource::Memory, Lines::Steps) => 5350,
        (ScheduleSource::Memory, Lines::Coils) => 6200,
        (ScheduleSource::Line { .. }, Lines::Steps) => 7350,
        (ScheduleSource::Line { .. }, Lines::Coils) => 8050,
    };
    let any = |has: fn(&Axis) -> bool, bytes: usize| {
        if rig.axes.iter().any(has) { bytes } else { 0 }
    };
    let enable = any(|axis| axis.drive.lines.enable.is_some(), ENABLE);
    let coils = match options.lines {
        Lines::Steps => 0,
        Lines::Coils => {
            any(|axis| axis.drive.lines.serial.is_some(), BUS)
                + any(is_lowered, HOLD)
                + any(is_chopped, CHOP)
        }
    };
    code + enable + coils + OUTPUT * rig.outputs.len() + INPUT * rig.inputs.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_at_16_megahertz_takes_100_000_steps_a_second() {
        assert_eq!(16_000_000 / STEP_CYCLES, 100_000);
    }

    #[test]
    fn the_longest_wait_of_an_event_is_the_one_of_the_firmware() {
        let decoder = include_str!("c/table.c");
        let line =
            format!("#define LONGEST_INTERVAL {LONGEST_EVENT_WAIT:#06X}u").replace("0X", "0x");
        assert!(decoder.contains(&line), "{line}");
    }

    #[test]
    fn the_lead_of_outputs_is_the_one_of_the_firmware() {
        let board = include_str!("c/board_avr.h");
        assert!(board.contains("#define BOARD_OUTPUT_LEAD (2000u / PRESCALER + 2u)"));
        assert_eq!(output_cycles(8), 252 * 8);
        // A timer of 8 bits is not through a turn then.
        assert!(
            [8, 64, 256, 1024]
                .iter()
                .all(|by| output_cycles(*by) < 256 * Cycles::from(*by))
        );
    }
}
