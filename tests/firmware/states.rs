//! The stop contact and resets in every state of every kind of player: everything goes off
//! within the stated time and stays off, whatever the contact does, until somebody presses the
//! start input with the contact closed.

use crate::board::{self, Bench, Built, CLOCK, Pin, Run};
use crate::coils::driven;
use crate::played::rig;

/// The door closes at 650 ms, which ends the `await`; the home switch at 1270 ms, in the midst of
/// the seek.
const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
    output lamp on\nawait door\nturn by 40 microstep\ndwell 300 ms\n\
    seek by -4000 microstep until home at 400 microstep/s\nzero\n";
const MORE: &str = "outputs: { lamp: {} }\ninputs: { door: {}, home: {}, go: {} }\n\
    controller: { part: @PART@, start: go }\n";

/// A state of the player, the milliseconds at which it is in it, and what it has reported by then.
const STATES: [(&str, [u64; 3], &[&str]); 7] = [
    ("starts", [1, 30, 90], &[]),
    ("awaits an input", [520, 561, 640], &[]),
    ("moves", [680, 723, 780], &[]),
    ("dwells", [830, 866, 900], &[]),
    ("dwells at the hold current", [930, 1001, 1080], &[]),
    ("seeks", [1130, 1207, 1250], &[]),
    ("has finished", [1400, 1450, 1500], &["finished 0"]),
];

/// A kind of player: what it is called, its part, and its drive, or none where the drive takes
/// steps.
pub(crate) fn kinds() -> Vec<(&'static str, &'static str, Option<String>)> {
    let bare = |bridge: &str, more: &str| {
        Some(format!(
            "{{ kind: fixed-voltage, sequence: half-step, supply: 3 V, switch_resistance: 0.5 ohm, {bridge}{more} }}"
        ))
    };
    let converters = |more: &str| {
        Some(format!(
            "{{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 8, sense_resistor: 0.5 ohm, sense_gain: 4, \
             converter_reference: 2.5 V, hold_current: 50 %, hold_delay: 100 ms, {more} }}"
        ))
    };
    let held = ", hold_current: 40 %, hold_delay: 100 ms";
    vec![
        ("steps", "atmega88", None),
        ("steps, two axes' part", "atmega2560", None),
        ("single switches", "atmega88", bare("bridge: switches", "")),
        ("pairs", "atmega88", bare("bridge: pairs", "")),
        (
            "phase and enable",
            "atmega8",
            bare("bridge: phase-enable", ""),
        ),
        (
            "chopped switches",
            "atmega168",
            bare("bridge: switches", held),
        ),
        (
            "parallel converters",
            "atmega644p",
            converters("bridge: pairs, converter_bits: 8"),
        ),
        (
            "converters on a bus",
            "atmega168",
            converters("bridge: pairs, converter_bits: 12, converter_frame: 0011dddddddddddd"),
        ),
        (
            "filtered PWM",
            "atmega328p",
            converters(
                "bridge: pairs, converter_bits: 8, converter_filter: { pwm_frequency: 62500 Hz, time_constant: 60 us }",
            ),
        ),
    ]
}

/// A built player, and the lines that have to be off.
struct Player {
    /// Whose folder the project lies in.
    _bench: Bench,
    built: Built,
    lines: Vec<Pin>,
    pwm: Vec<Pin>,
    /// Within so many cycles of the contact's opening everything is off, as the README says.
    stated: u64,
}

impl Player {
    fn of(name: &str, part: &str, drive: Option<&str>) -> Self {
        let rig = match drive {
            None => rig(&["disc"], "").replace(
                "drive: { kind",
                "drive: { enable: { active: high, delay: 100 ms }, kind",
            ),
            Some(drive) => driven(&["disc"], drive),
        };
        let more = MORE.replace("@PART@", part);
        let bench = Bench::new(SCRIPT, &format!("{rig}{more}"));
        let options: &[&str] = if drive.is_some() {
            &["--lines", "coils"]
        } else {
            &[]
        };
        let built = bench.build(options);
        let text = built.file("README.md");
        let rows = text
            .lines()
            .filter_map(|row| row.strip_prefix("| ")?.split_once(" | P"));
        let (mut lines, mut pwm) = (Vec::new(), Vec::new());
        for (line, _) in rows {
            let starts = |words: &[&str]| words.iter().any(|word| line.starts_with(word));
            if starts(&["step of", "enable of", "output ", "switch ", "pair "]) {
                lines.push(built.pin(line));
            } else if starts(&["converter of"]) {
                let first = built.pin(line);
                lines.extend((0..8).map(|bit| Pin { bit, ..first }));
            } else if starts(&["PWM of"]) {
                pwm.push(built.pin(line));
            }
        }
        assert!(lines.len() >= 3, "{name}: {text}");
        let stated = text
            .split("coils and outputs off, within ")
            .nth(1)
            .and_then(|rest| rest.split(' ').next()?.parse().ok())
            .expect("the stated time");
        Self {
            _bench: bench,
            built,
            lines,
            pwm,
            stated,
        }
    }

    /// Runs up to a cycle, with the door and the home switch closing when they have to.
    fn run(&self, until: u64, more: &[String]) -> Run {
        let change = |line: &str, ms: u64| {
            let pin = self.built.pin(&format!("input {line}"));
            let open = format!("hold={}:{}:1", pin.port, pin.bit);
            [open, format!("pin={}:{}:{}:0", ms * MS, pin.port, pin.bit)]
        };
        let go = self.built.pin("input go");
        let mut stimuli = vec![
            format!("hold={}:{}:1", go.port, go.bit),
            "lines=9".to_owned(),
        ];
        stimuli.extend(change("door", 650));
        stimuli.extend(change("home", 1270));
        stimuli.extend_from_slice(more);
        self.built.run(until, &stimuli)
    }

    /// The last cycle from one to another at which a line was active, if one was.
    fn active(&self, run: &Run, from: u64, to: u64) -> Option<u64> {
        let mut last = None;
        for pin in &self.lines {
            let mut since = None;
            for edge in run.edges.iter().filter(|edge| edge.pin == *pin) {
                if edge.level == 1 {
                    since = Some(edge.cycle);
                } else if let Some(since) = since.take()
                    && since < to
                    && edge.cycle > from
                {
                    last = last.max(Some(edge.cycle.min(to)));
                }
            }
            if since.is_some_and(|since| since < to) {
                last = Some(to);
            }
        }
        // A PWM that is low for good has let go of its pin.
        for pin in &self.pwm {
            let mut high = 0;
            for (cycle, _, [counts, _]) in run.duties.iter().filter(|(_, of, _)| of == pin) {
                if *cycle < to && *cycle > from && high > 0 {
                    last = last.max(Some(*cycle));
                }
                if *cycle < to {
                    high = *counts;
                }
            }
            if high > 0 {
                last = Some(to);
            }
        }
        last
    }
}

/// Cycles of a millisecond.
const MS: u64 = CLOCK / 1000;

/// Which of the times of a state are tried: another one for each kind and state, or all where
/// `SLEWSMITH_CASES` asks for them.
fn chosen(number: usize) -> impl Iterator<Item = usize> {
    let all = std::env::var("SLEWSMITH_CASES").is_ok();
    (0..3).filter(move |time| all || *time == number % 3)
}

fn at(pin: Pin, cycle: u64, level: u8) -> String {
    format!("pin={cycle}:{}:{}:{level}", pin.port, pin.bit)
}

#[test]
fn the_stop_contact_switches_everything_off_in_every_state_until_the_start_input_is_pressed() {
    if board::harness().is_none() {
        return;
    }
    let mut slowest = 0;
    for (kind, (name, part, drive)) in kinds().into_iter().enumerate() {
        let player = Player::of(name, part, drive.as_deref());
        let (stop, go) = (
            player.built.pin("stop contact"),
            player.built.pin("input go"),
        );
        for (at_state, (state, times, said)) in STATES.into_iter().enumerate() {
            for number in chosen(kind + at_state) {
                let ms = times[number];
                // At some cycle of a chopper's period, and of a step.
                let open = ms * MS + 389 * number as u64;
                let again = open + 90 * MS;
                let stimuli = [
                    at(stop, open, 1),
                    // Pressed while the contact is open, and closed again: nothing starts.
                    at(go, open + 20 * MS, 0),
                    at(go, open + 45 * MS, 1),
                    at(stop, open + 60 * MS, 0),
                    at(go, again, 0),
                ];
                let run = player.run(again + 30 * MS, &stimuli);
                let texts = &run.texts;
                let context = format!("{name} {state} at {ms} ms: {texts:?}");
                assert_eq!(texts.len(), said.len() + 1, "{context}");
                assert!(
                    texts.iter().zip(said).all(|(one, other)| one == other),
                    "{context}"
                );
                assert!(texts[said.len()].starts_with("stop contact "), "{context}");
                let off = player.active(&run, open, again).unwrap_or(open);
                slowest = slowest.max(off - open);
                assert!(
                    off < open + player.stated,
                    "{context}: {} cycles",
                    off - open
                );
                // The deliberate second action.
                let later = player.active(&run, again + 5 * MS, run.end);
                assert!(later.is_some(), "{context}: the start input starts nothing");
            }
        }
    }
    println!("everything is off within {slowest} cycles");
}

#[test]
fn a_reset_in_every_state_leaves_everything_off_until_the_start_input_is_pressed() {
    if board::harness().is_none() {
        return;
    }
    // Before `main` all kinds do the same, but for their lines.
    for (kind, (name, part, drive)) in kinds().into_iter().enumerate().step_by(2) {
        let player = Player::of(name, part, drive.as_deref());
        let go = player.built.pin("input go");
        for (at_state, (state, times, said)) in STATES.into_iter().enumerate() {
            for number in chosen(kind / 2 + at_state) {
                // MCUSR: external 2, brown-out 4; 0 where a boot loader has cleared it.
                let (ms, cause) = (times[number], [2, 4, 0][number]);
                let reset = ms * MS + 389;
                let again = reset + 60 * MS;
                let stimuli = [format!("reset={reset}:{cause}"), at(go, again, 0)];
                let run = player.run(again + 30 * MS, &stimuli);
                let context = format!("{name} {state} at {ms} ms: {:?}", run.texts);
                let mut wanted = said.to_vec();
                wanted.push("reset 0");
                assert_eq!(run.texts, wanted, "{context}");
                let off = player.active(&run, reset, again).unwrap_or(reset);
                assert!(off <= reset + 2, "{context}: {} cycles", off - reset);
                let later = player.active(&run, again + 5 * MS, run.end);
                assert!(later.is_some(), "{context}: the start input starts nothing");
            }
        }
        // Power that was off for a moment starts the program from its beginning.
        let run = player.run(720 * MS, &[format!("reset={}:1", 700 * MS)]);
        assert!(run.texts.is_empty(), "{name}: {:?}", run.texts);
        assert!(player.active(&run, 710 * MS, run.end).is_some(), "{name}");
    }
}
