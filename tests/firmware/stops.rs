//! What ends a program early, and what keeps it from starting.

use crate::board::{self, Bench, Built, Pin, Run};
use crate::played::{LAMP, LAMP_AND_DOOR, opens, rig, there_and_back};

#[test]
fn any_damaged_byte_of_the_table_keeps_the_player_from_starting() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::example("shutter-cured.moves");
    let built = bench.build(&[]);
    let table = built.address("schedule");
    for place in 0..built.size().table {
        // One bit or all of them.
        let mask = if place % 2 == 0 {
            1 << (place % 8)
        } else {
            255
        };
        let run = built.run(board::CLOCK, &[format!("flip={}:{mask}", table + place)]);
        assert_eq!(run.text.as_deref(), Some("damaged 0"), "byte {place}");
        let step = built.pin("step of wheel");
        assert!(run.edges_of(step, 1).is_empty());
    }
}

/// A player of one axis with a lamp, whose stop contact opens during a run.
struct Stopped {
    /// Whose folder the project lies in.
    _bench: Bench,
    built: Built,
    step: Pin,
    lamp: Pin,
}

impl Stopped {
    fn of(script: &str, more: &str) -> Self {
        let bench = Bench::new(script, &rig(&["disc"], more));
        let built = bench.build(&[]);
        let (step, lamp) = (built.pin("step of disc"), built.pin("output lamp"));
        Self {
            _bench: bench,
            built,
            step,
            lamp,
        }
    }

    /// Runs with the stop opening at that cycle.
    fn at(&self, cycle: u64) -> Run {
        self.built
            .run(20 * board::CLOCK, &[opens(&self.built, cycle)])
    }

    fn lamp_is_on(&self, run: &Run) -> bool {
        let mut edges = run.edges.iter().filter(|edge| edge.pin == self.lamp);
        edges.next_back().is_some_and(|edge| edge.level == 1)
    }
}

#[test]
fn the_stop_contact_ends_the_pulses_within_one_interrupt() {
    if board::harness().is_none() {
        return;
    }
    let stopped = Stopped::of(&there_and_back(60_000), LAMP);
    // At full speed, with the lamp on.
    let at = 8_000_000;
    let run = stopped.at(at);
    let steps = run.edges_of(stopped.step, 1);
    assert_eq!(run.text, Some(format!("stop contact {}", steps.len())));
    let last = steps.last().unwrap();
    assert!(*last > at - 300 && *last < at + 270, "{last}");
    assert!(
        run.edges_of(stopped.step, 0).len() >= steps.len(),
        "the last pulse stays high"
    );
    assert_eq!(run.edges_of(stopped.lamp, 0).len(), 1, "the outputs go off");
    // Open before the start: nothing moves.
    let stop = stopped.built.pin("stop contact");
    let run = stopped.built.run(
        20 * board::CLOCK,
        &[format!("hold={}:{}:1", stop.port, stop.bit)],
    );
    assert_eq!(run.text.as_deref(), Some("stop contact 0"));
    assert!(run.edges_of(stopped.step, 1).is_empty());
}

#[test]
fn an_output_is_off_at_once_where_the_stop_contact_opens_while_it_is_got_ready() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        turn by 3 microstep\noutput lamp on\nturn by 3 microstep\n";
    for pin in ["PD6", "PC0"] {
        let stopped = Stopped::of(script, &LAMP.replace("PD6", pin));
        let edge = stopped.at(u64::MAX).edges_of(stopped.lamp, 1)[0];
        let mut lit = 0;
        // From before its interrupt to behind its edge.
        for cycle in (edge - 2100..edge + 100).step_by(3) {
            let run = stopped.at(cycle);
            assert_eq!(run.text.as_deref(), Some("stop contact 3"));
            for edge in run.edges.iter().filter(|edge| edge.pin == stopped.lamp) {
                lit += 1;
                assert!(edge.cycle < cycle + 80, "{pin}: {edge:?} behind {cycle}");
            }
            assert!(!stopped.lamp_is_on(&run), "{cycle}");
        }
        assert!(lit > 20, "it never went on: {lit}");
    }
}

/// The stop contact opens at every cycle around the program's end by itself: whichever of
/// the two is said, everything goes off.
fn assert_a_late_stop_is_never_lost(script: &str, end: &str) {
    let stopped = Stopped::of(script, LAMP_AND_DOOR);
    let ended = |run: &Run| run.text.as_deref() == Some(end);
    let mut behind = stopped.at(u64::MAX).end;
    let mut before = 0;
    while behind - before > 1 {
        let middle = before.midpoint(behind);
        if ended(&stopped.at(middle)) {
            behind = middle;
        } else {
            before = middle;
        }
    }
    let mut endings = [0, 0];
    for cycle in before - 100..before + 100 {
        let run = stopped.at(cycle);
        let ended = ended(&run);
        endings[usize::from(ended)] += 1;
        // A stop that was served has halted the timer, also behind the end.
        assert!(!run.counting, "{:?} at {cycle}", run.text);
        assert!(!stopped.lamp_is_on(&run), "{cycle}");
    }
    assert!(endings.iter().all(|count| *count > 20), "{endings:?}");
}

#[test]
fn the_stop_contact_in_the_last_cycles_of_a_program_is_never_lost() {
    if board::harness().is_none() {
        return;
    }
    let begin = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\noutput lamp on\n";
    for (more, end) in [
        ("turn by 3 microstep\n", "finished 3"),
        ("await door timeout 10 ms\n", "no input 0"),
    ] {
        assert_a_late_stop_is_never_lost(&format!("{begin}{more}"), end);
    }
}

#[test]
fn the_stop_contact_switches_everything_off_long_after_the_end_too() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        output lamp on\nturn by 3 microstep\n";
    let stopped = Stopped::of(script, LAMP);
    let said = |run: &Run| run.texts.clone();
    let end = stopped.at(u64::MAX).end;
    for behind in [5_000, 3_000_000] {
        // It opens, and closes again: what is off stays off.
        let open = end + behind;
        let stop = stopped.built.pin("stop contact");
        let closes = format!("pin={}:{}:{}:0", open + 1_000_000, stop.port, stop.bit);
        let run = stopped.built.run(
            open + 20_000_000,
            &[opens(&stopped.built, open), closes, "lines=9".to_owned()],
        );
        assert_eq!(said(&run), ["finished 3", "stop contact 3"]);
        let lamp = run.edges.iter().filter(|edge| edge.pin == stopped.lamp);
        let lamp: Vec<(bool, u8)> = lamp
            .map(|edge| (edge.cycle > open && edge.cycle < open + 300, edge.level))
            .collect();
        assert_eq!(
            lamp,
            [(false, 1), (true, 0)],
            "on once, off with the contact"
        );
        assert_eq!(run.edges_of(stopped.step, 1).len(), 3);
    }
}

#[test]
fn only_power_on_starts_a_program() {
    if board::harness().is_none() {
        return;
    }
    let stopped = Stopped::of(&there_and_back(20_000), LAMP);
    // MCUSR of these parts: power-on 1, external 2, brown-out 4, watchdog 8; a boot loader
    // may have cleared it. Power that comes up slowly sets brown-out too.
    for (cause, starts) in [
        (1, true),
        (5, true),
        (2, false),
        (4, false),
        (8, false),
        (0, false),
    ] {
        let run = stopped
            .built
            .run(10 * board::CLOCK, &[format!("cause={cause}")]);
        let text = if starts { "finished 59997" } else { "reset 0" };
        assert_eq!(run.text.as_deref(), Some(text), "{cause}");
        if !starts {
            assert!(
                run.edges.iter().all(|edge| edge.level == 0),
                "{cause}: {:?}",
                run.edges
            );
        }
    }
}

#[test]
fn after_another_reset_the_named_input_starts_the_program_once_it_is_pressed() {
    if board::harness().is_none() {
        return;
    }
    let more = "outputs: { lamp: { pin: PD6 } }\ninputs: { door: {}, go: {} }\ncontroller: { start: go }\n";
    let bench = Bench::new(&there_and_back(20_000), &rig(&["disc"], more));
    let built = bench.build(&[]);
    let go = built.pin("input go");
    let press = |cycle: u64, level: u8| format!("pin={cycle}:{}:{}:{level}", go.port, go.bit);
    let released = format!("hold={}:{}:1", go.port, go.bit);
    // Pressed from the start, it has to be released first; a contact of 2 ms is a bounce.
    for pressed in [&[][..], &[press(1_600_000, 0), press(1_632_000, 1)]] {
        let mut stimuli = vec!["cause=4".to_owned(), "lines=2".to_owned(), released.clone()];
        stimuli.extend_from_slice(pressed);
        let run = built.run(5 * board::CLOCK, &stimuli);
        assert_eq!(run.texts, ["reset 0"]);
        assert!(run.edges_of(built.pin("step of disc"), 1).is_empty());
    }
    let held = format!("hold={}:{}:0", go.port, go.bit);
    let run = built.run(
        5 * board::CLOCK,
        &["cause=8".to_owned(), "lines=2".to_owned(), held],
    );
    assert_eq!(run.texts, ["reset 0"]);
    for cause in [2, 4, 8, 0] {
        let stimuli = [
            format!("cause={cause}"),
            "lines=2".to_owned(),
            released.clone(),
            press(16_000_000, 0),
        ];
        let run = built.run(60 * board::CLOCK, &stimuli);
        assert_eq!(run.texts, ["reset 0", "finished 59997"], "{cause}");
        let first = run.edges_of(built.pin("step of disc"), 1)[0];
        assert!(first > 16_000_000 + 80_000, "{first}");
    }
    // The stop contact is obeyed while it waits.
    let mut stimuli = vec!["cause=4".to_owned(), "lines=2".to_owned(), released];
    stimuli.push(opens(&built, 8_000_000));
    let run = built.run(5 * board::CLOCK, &stimuli);
    assert_eq!(run.texts, ["reset 0", "stop contact 0"]);
    assert!(
        built
            .file("README.md")
            .contains("`go` starts the program again")
    );
}

/// Lengths of the pulses of a pin (cycles).
fn pulses(run: &Run, pin: Pin) -> Vec<u64> {
    let rises = run.edges_of(pin, 1);
    let falls = run.edges_of(pin, 0);
    let ends = rises
        .iter()
        .map(|rise| falls.iter().find(|fall| *fall > rise).unwrap_or(&u64::MAX));
    ends.zip(&rises).map(|(end, rise)| end - rise).collect()
}

#[test]
fn pulses_are_no_shorter_than_asked_at_any_prescaler() {
    if board::harness().is_none() {
        return;
    }
    for prescaler in [1, 8, 64, 256, 1024] {
        for micros in [2, 7, 60, 300] {
            let rig = rig(&["disc"], "")
                .replace("prescaler: 8", &format!("prescaler: {prescaler}"))
                .replace("step_pulse: 2 us", &format!("step_pulse: {micros} us"))
                .replace("9 us", "900 us");
            let script = "rig \"rig.yaml\"\nbands allow\nspeed 200 microstep/s\naccel 5000 microstep/s^2\nshape trapezoid\n\
                turn by 12 microstep\nturn by -5 microstep\n";
            let bench = Bench::new(script, &rig);
            let built = bench.build(&[]);
            let run = built.run(10 * board::CLOCK, &[]);
            assert_eq!(run.text.as_deref(), Some("finished 7"));
            let pulses = pulses(&run, built.pin("step of disc"));
            assert_eq!(pulses.len(), 17);
            let least = micros * 16;
            assert!(
                pulses
                    .iter()
                    .all(|pulse| *pulse >= least && *pulse < least + 3 * prescaler + 700),
                "{micros} us at clk/{prescaler}: {pulses:?}"
            );
        }
    }
}

#[test]
fn the_stop_contact_cuts_no_pulse_short() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        turn by 40 microstep\n";
    let stopped = Stopped::of(script, LAMP);
    let steps = stopped.at(u64::MAX).edges_of(stopped.step, 1);
    let least = stopped.built.constant("STEP_PULSE_TICKS") * stopped.built.constant("PRESCALER");
    for cycle in steps[20] - 150..steps[20] + 150 {
        let run = stopped.at(cycle);
        let pulses = pulses(&run, stopped.step);
        assert!(
            pulses.iter().all(|pulse| *pulse >= least && *pulse < 2_000),
            "{cycle}: {pulses:?}"
        );
        assert_eq!(run.text, Some(format!("stop contact {}", pulses.len())));
    }
}

#[test]
fn an_interrupt_that_comes_too_late_stops_safely_and_says_so() {
    if board::harness().is_none() {
        return;
    }
    let rig = rig(&["disc"], LAMP);
    let bench = Bench::new(&there_and_back(60_000), &rig);
    let built = bench.build(&[]);
    let step = built.pin("step of disc");
    // The processor does nothing for less and for more than an interval, at many places.
    let mut late = 0;
    for k in 0..40 {
        let (at, cycles) = (5_000_000 + 7919 * k, 100 + 20 * k);
        let run = built.run(20 * board::CLOCK, &[format!("block={at}:{cycles}")]);
        let steps = run.edges_of(step, 1);
        let longest = steps.windows(2).map(|pair| pair[1] - pair[0]).max();
        assert!(
            longest.is_some_and(|cycles| cycles < 65_536),
            "a whole turn of the counter"
        );
        match run.text.as_deref() {
            Some("finished 59997") => assert_eq!(steps.len(), 100_003),
            Some(text) if text.starts_with("late ") => {
                late += 1;
                assert_eq!(text, format!("late {}", steps.len()));
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(late > 10 && late < 40, "{late}");
}
