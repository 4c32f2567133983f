//! Value change dump (IEEE 1364): the wires of the drive as an instrument would see
//! them.
//!
//! Wires of one bit: `step_NAME` and `direction_NAME` for each axis (1: positive),
//! `output_NAME` for each output. A step rises at its tick and falls `step_pulse`
//! later. Directions are unknown (`x`) until they are set, outputs start at 0. Marks
//! and waits for inputs stand as comments. Steps between the comments `seek AXIS until INPUT` and
//! `sought AXIS` are made only until the input is seen; `zero AXIS STEPS` sets a position.
//!
//! The time unit is the coarsest of 1, 10 and 100 s, ms, … fs that divides a tick;
//! where none does, 1 ps, and times are rounded to it.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::io::{self, Write};

use super::digits::append_number;
use super::identifiers::Identifiers;
use super::{EmitError, Format, Heading, Pages};
use crate::plan::{Direction, EachItem, Passages};
use crate::rig::Timer;
use crate::schedule::timer::TickRules;
use crate::schedule::{Event, EventKind, Schedule, ScheduleRun};

/// The format `vcd`.
#[derive(Debug, Clone, Copy)]
pub struct Vcd;

impl Format for Vcd {
    fn name(&self) -> &'static str {
        "vcd"
    }

    fn can_be_endless(&self) -> bool {
        false
    }

    fn write(
        &self,
        heading: &Heading<'_>,
        passages: &mut dyn Passages,
        out: &mut dyn Write,
    ) -> Result<(), EmitError> {
        let mut dump = Dump::new(heading, out);
        dump.header(heading)?;
        let mut schedule = Schedule::new(EachItem(passages), heading.rig);
        while let Some(run) = schedule.next_run() {
            match run {
                ScheduleRun::Steps { axis, ticks, .. } => {
                    for tick in ticks {
                        dump.step(axis, *tick)?;
                    }
                }
                ScheduleRun::Event(event) => dump.event(&event, heading)?,
            }
        }
        let end = schedule.end_tick();
        Ok(dump.finish(end)?)
    }
}

/// How ticks become time units.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Timescale {
    /// Units a second, as a power of ten.
    power: u32,
    /// Units a tick; none where they are not whole.
    whole: Option<u64>,
    tick_rate: f64,
}

impl Timescale {
    fn new(timer: &Timer) -> Self {
        let clock = timer.clock.si();
        let fitting = (0..=15).find_map(|power| {
            let units = 10_u64.pow(power) as f64 * f64::from(timer.prescaler) / clock;
            let whole = units.fract() == 0.0 && (1.0..1e15).contains(&units);
            whole.then_some((power, units as u64))
        });
        Self {
            power: fitting.map_or(12, |(power, _)| power),
            whole: fitting.map(|(_, units)| units),
            tick_rate: timer.tick_rate(),
        }
    }

    fn time(&self, tick: u64) -> u64 {
        match self.whole {
            Some(units) => tick.saturating_mul(units),
            None => {
                // The seconds first, so that the rest keeps its digits.
                let per_second = 10_u64.pow(self.power);
                let seconds = (tick as f64 / self.tick_rate).floor();
                let rest = tick as f64 - seconds * self.tick_rate;
                let rest = (rest / self.tick_rate * per_second as f64).round() as u64;
                (seconds as u64)
                    .saturating_mul(per_second)
                    .saturating_add(rest)
            }
        }
    }

    /// `1 us`, `100 ns`, …
    fn words(&self) -> String {
        let units = ["s", "ms", "us", "ns", "ps", "fs"];
        let size = 10_u32.pow((3 - self.power % 3) % 3);
        format!("{size} {}", units[self.power.div_ceil(3) as usize])
    }
}

/// A dump that is being written.
struct Dump<'a> {
    pages: Pages<'a>,
    timescale: Timescale,
    pulse: u64,
    axes: usize,
    codes: Vec<String>,
    /// The time of the last stamp.
    stamp: Option<u64>,
    /// Steps that have risen and not fallen: when they fall, and which axis.
    falling: BinaryHeap<Reverse<(u64, usize)>>,
    /// When each axis last rose.
    rose: Vec<Option<u64>>,
}

impl<'a> Dump<'a> {
    fn new(heading: &Heading<'_>, out: &'a mut dyn Write) -> Self {
        let rig = heading.rig;
        let axes = rig.axes.len();
        Self {
            pages: Pages::new(out),
            timescale: Timescale::new(&rig.timer),
            pulse: TickRules::new(&rig.timer).step_pulse,
            axes,
            codes: (0..2 * axes + rig.outputs.len()).map(code).collect(),
            stamp: None,
            falling: BinaryHeap::new(),
            rose: vec![None; axes],
        }
    }

    fn header(&mut self, heading: &Heading<'_>) -> io::Result<()> {
        let out = &mut self.pages;
        writeln!(out, "$comment program {} $end", plain(heading.program))?;
        if let Some(failure) = heading.failure {
            writeln!(out, "$comment unchecked: {} $end", plain(failure))?;
        }
        writeln!(out, "$comment one tick is 1/{} s $end", heading.tick_rate())?;
        writeln!(out, "$version slewsmith {} $end", env!("CARGO_PKG_VERSION"))?;
        writeln!(out, "$timescale {} $end", self.timescale.words())?;
        writeln!(out, "$scope module slewsmith $end")?;
        let rig = heading.rig;
        let steps = rig.axes.iter().map(|axis| ("step", &axis.name));
        let directions = rig.axes.iter().map(|axis| ("direction", &axis.name));
        let outputs = rig.outputs.iter().map(|output| ("output", &output.name));
        let mut identifiers = Identifiers::default();
        for ((kind, name), code) in steps.chain(directions).chain(outputs).zip(&self.codes) {
            let name = identifiers.unique(kind, name);
            writeln!(out, "$var wire 1 {code} {name} $end")?;
        }
        writeln!(out, "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars")?;
        for (number, code) in self.codes.iter().enumerate() {
            let unknown = (self.axes..2 * self.axes).contains(&number);
            writeln!(out, "{}{code}", if unknown { 'x' } else { '0' })?;
        }
        self.stamp = Some(0);
        writeln!(out, "$end")
    }

    /// One step rises; it falls when time comes to that.
    fn step(&mut self, axis: usize, tick: u64) -> io::Result<()> {
        let time = self.timescale.time(tick);
        self.make_room(axis, time);
        self.until(time)?;
        self.change('1', axis)?;
        let falls = self.timescale.time(tick + self.pulse).max(time + 1);
        self.falling.push(Reverse((falls, axis)));
        self.rose[axis] = Some(time);
        self.pages.turn()
    }

    /// Steps that follow faster than pulses allow (in a program that must not run):
    /// the pulse before is cut to half the time that there is.
    fn make_room(&mut self, axis: usize, time: u64) {
        let Some(rose) = self.rose[axis] else { return };
        let late = |Reverse((falls, of)): &Reverse<(u64, usize)>| *of == axis && *falls >= time;
        if self.falling.peek().is_some() && self.falling.iter().any(late) {
            self.falling.retain(|Reverse((_, of))| *of != axis);
            let half = rose + (time.saturating_sub(rose) / 2).max(1);
            self.falling.push(Reverse((half, axis)));
        }
    }

    fn event(&mut self, event: &Event, heading: &Heading<'_>) -> io::Result<()> {
        let time = self.timescale.time(event.tick);
        self.until(time)?;
        match &event.what {
            EventKind::Step { axis, .. } => return self.step(*axis, event.tick),
            EventKind::Direction { axis, direction } => {
                let level = if *direction == Direction::Positive {
                    '1'
                } else {
                    '0'
                };
                self.change(level, self.axes + axis)?;
            }
            EventKind::Output { output, on } => {
                let level = if *on { '1' } else { '0' };
                self.change(level, 2 * self.axes + output)?;
            }
            EventKind::Await { input, until, .. } => {
                let (word, name) = (until.event_word(), &heading.rig.inputs[*input].name);
                writeln!(self.pages, "$comment {word} {} $end", plain(name))?;
            }
            EventKind::Seek { axis, input, until } => {
                let rig = heading.rig;
                let (axis, input) = (&rig.axes[*axis].name, &rig.inputs[*input].name);
                let (word, axis, input) = (until.seek_word(), plain(axis), plain(input));
                writeln!(self.pages, "$comment {word} {axis} until {input} $end")?;
            }
            EventKind::Sought { axis } => {
                let axis = plain(&heading.rig.axes[*axis].name);
                writeln!(self.pages, "$comment sought {axis} $end")?;
            }
            EventKind::Zero { axis, steps } => {
                let axis = plain(&heading.rig.axes[*axis].name);
                writeln!(self.pages, "$comment zero {axis} {steps} $end")?;
            }
            EventKind::Mark(mark) => writeln!(self.pages, "$comment mark {} $end", plain(mark))?,
        }
        self.pages.turn()
    }

    /// Lets the steps fall that are due, and goes on to a time.
    fn until(&mut self, time: u64) -> io::Result<()> {
        while let Some(Reverse((falls, axis))) = self.falling.peek().copied() {
            if falls > time {
                break;
            }
            self.falling.pop();
            self.stamp(falls);
            self.change('0', axis)?;
        }
        self.stamp(time);
        Ok(())
    }

    fn stamp(&mut self, time: u64) {
        if self.stamp.is_none_or(|stamp| stamp < time) {
            let text = self.pages.text();
            text.push(b'#');
            append_number(time, text);
            text.push(b'\n');
            self.stamp = Some(time);
        }
    }

    fn change(&mut self, level: char, wire: usize) -> io::Result<()> {
        let text = self.pages.text();
        text.push(level as u8);
        text.extend_from_slice(self.codes[wire].as_bytes());
        text.push(b'\n');
        Ok(())
    }

    fn finish(mut self, end: u64) -> io::Result<()> {
        let last = self.falling.iter().map(|Reverse((falls, _))| *falls).max();
        let end = self.timescale.time(end).max(last.unwrap_or(0));
        self.until(end)?;
        self.pages.finish()
    }
}

/// The identifier code of a wire: printable ASCII, `!` to `~`.
fn code(number: usize) -> String {
    let mut code = String::new();
    let mut rest = number;
    loop {
        // 94 printable characters from `!` on.
        code.push(char::from(b'!' + (rest % 94) as u8));
        rest /= 94;
        if rest == 0 {
            return code;
        }
        rest -= 1;
    }
}

/// Text that cannot end its comment.
fn plain(text: &str) -> String {
    super::comment::one_line(text).replace('$', "_")
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::units::{Frequency, Time};

    fn timescale(clock: f64, prescaler: u32) -> Timescale {
        Timescale::new(&Timer {
            clock: Frequency::new(clock),
            prescaler,
            bits: 16,
            tolerance: 0.0,
            step_pulse: Time::new(2e-6),
            direction_setup: Time::new(5e-6),
            fastest_interval: Time::new(20e-6),
        })
    }

    #[test]
    fn the_timescale_divides_the_tick() {
        let cases = [
            (1e6, 1, "1 us", 1),
            (16e6, 8, "100 ns", 5),
            (16e6, 64, "1 us", 4),
            (16e6, 1, "100 ps", 625),
            (1e6, 10_000, "10 ms", 1),
        ];
        for (clock, prescaler, words, units) in cases {
            let timescale = timescale(clock, prescaler);
            assert_eq!(timescale.words(), words);
            assert_eq!(timescale.time(3), 3 * units);
        }
    }

    #[test]
    fn a_tick_of_no_whole_unit_is_rounded_to_picoseconds() {
        let timescale = timescale(7e6, 1);
        assert_eq!(timescale.words(), "1 ps");
        assert_eq!(timescale.time(7_000_000), 1_000_000_000_000);
        assert_eq!(timescale.time(1), 142_857);
    }

    #[test]
    fn codes_are_all_different() {
        let codes: HashSet<String> = (0..20_000).map(code).collect();
        assert_eq!(codes.len(), 20_000);
    }
}
