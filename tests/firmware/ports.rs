//! A second board: the player on a 32-bit processor, behind functions that are written from
//! `board.h` alone. The simulator (qemu) is not cycle-accurate, so this tells logic and the
//! order of events, and times to a step's interrupt with its pulse, some ticks.

use std::path::Path;
use std::process::Command;

use slewsmith::plan::Direction;
use slewsmith::schedule::{Event, EventKind};

use crate::board::{Bench, assert_succeeded};
use crate::played::rig;
use crate::support;

/// States of the player, as `player.h` numbers them.
const FINISHED: u32 = 1;
const STOP_CONTACT: u32 = 3;
const NOT_FOUND: u32 = 10;

/// What a line did: the tick and its level.
type Levels = Vec<(u64, u32)>;

/// What the board told.
struct Told {
    /// Ticks, lines (32 for the step line) and levels, in their order.
    events: Vec<(u64, u32, u32)>,
    state: u32,
    position: i32,
    mark: u32,
}

impl Told {
    fn of_line(&self, wanted: u32) -> Levels {
        let of_line = self.events.iter().filter(|(_, line, _)| *line == wanted);
        of_line.map(|(tick, _, level)| (*tick, *level)).collect()
    }
}

/// Builds the project for a Cortex-M3 and runs it; none where a tool is missing.
fn played(bench: &Bench, options: &[&str]) -> Option<Told> {
    let gcc = support::tool("arm-none-eabi-gcc")?;
    let qemu = support::tool("qemu-system-arm")?;
    bench
        .emit("firmware", "player", &["--other-board"])
        .unwrap_or_else(|said| panic!("{said}"));
    let folder = bench.path().join("player");
    let port = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/firmware/arm");
    for name in ["board_cortex.c", "cortex.ld"] {
        std::fs::copy(port.join(name), folder.join(name)).unwrap();
    }
    let built = Command::new(gcc)
        .current_dir(&folder)
        .args(["-mcpu=cortex-m3", "-mthumb", "-O2", "-std=c99"])
        .args([
            "-Wall",
            "-Wextra",
            "-Werror",
            // Without a library of C: the loops that fill memory at the start stay loops.
            "-nostdlib",
            "-fno-tree-loop-distribute-patterns",
            "-T",
            "cortex.ld",
        ])
        .args(options)
        .args(["player.c", "table.c", "schedule.c", "board_cortex.c"])
        .args(folder.join("seek.c").exists().then_some("seek.c"))
        .args(["-lgcc", "-o", "player.elf"])
        .output()
        .unwrap();
    assert_succeeded(&built);
    // Time goes by with the instructions, so that a busy host changes nothing.
    let out = Command::new(qemu)
        .current_dir(&folder)
        .args(["-M", "mps2-an385", "-icount", "shift=3,sleep=off"])
        .args(["-nographic", "-monitor", "none", "-serial", "null"])
        .args(["-semihosting-config", "enable=on,target=native"])
        .args(["-kernel", "player.elf"])
        .output()
        .unwrap();
    // Semihosting speaks on either of the two.
    let text = [out.stdout, out.stderr].concat();
    let text = String::from_utf8(text).unwrap();
    let (events, end) = text.split_once('=').expect("how it ended");
    let numbers = |line: &str| -> Vec<u64> {
        let words = line.split_whitespace();
        words.map(|word| word.parse().unwrap()).collect()
    };
    let end = numbers(end.lines().next().unwrap());
    Some(Told {
        events: events
            .lines()
            .map(numbers)
            .map(|each| (each[0], each[1] as u32, each[2] as u32))
            .collect(),
        state: end[0] as u32,
        position: end[1] as u32 as i32,
        mark: end[2] as u32,
    })
}

/// What a line has to do between two waits for inputs, as the schedule has it.
fn planned(stretch: &[Event], line: u32) -> Levels {
    let of_line = stretch.iter().filter_map(|event| match event.what {
        EventKind::Step { .. } if line == 32 => Some((event.tick, 1)),
        EventKind::Direction { direction, .. } if line == 0 => {
            Some((event.tick, u32::from(direction == Direction::Positive)))
        }
        EventKind::Output { on, .. } if line == 16 => Some((event.tick, u32::from(on))),
        _ => None,
    });
    of_line.collect()
}

fn on_the_board(timer: &str, more: &str) -> String {
    rig(&["disc"], more)
        .replace("clock: 16 MHz, prescaler: 8", timer)
        .replace("fastest_interval: 9 us", "fastest_interval: 60 us")
}

const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 4000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
    mark \"begun\"\n\
    through {\n  turn by 1500 microstep\n  output lamp on passing 800 microstep\n  turn by 500 microstep\n}\n\
    dwell 60 ms\noutput lamp off\nturn by -700 microstep\nawait door\nturn by 300 microstep\nmark \"over\"\n";
const LINES: &str = "outputs: { lamp: {} }\ninputs: { door: {} }\n";

#[test]
fn a_port_that_is_written_from_board_h_plays_every_event_in_its_order() {
    let bench = Bench::new(SCRIPT, &on_the_board("clock: 25 MHz, prescaler: 16", LINES));
    // The contact closes two seconds after the start.
    let Some(told) = played(&bench, &["-DCLOSES_AFTER=3125000u"]) else {
        return;
    };
    assert_eq!((told.state, told.position, told.mark), (FINISHED, 1600, 2));
    let events = bench.packed();
    let stretches = crate::played::stretches(&events);
    for line in [0, 16, 32] {
        let mut seen = told.of_line(line);
        if line == 32 {
            // Each pulse is as long as it has to be; what follows looks at its rise.
            let pulse = 4;
            assert_eq!(seen.len(), 2 * 3000);
            for pair in seen.chunks(2) {
                assert!(pair[1].0 - pair[0].0 >= pulse, "{pair:?}");
                assert_eq!((pair[0].1, pair[1].1), (1, 0));
            }
            seen.retain(|(_, level)| *level == 1);
        }
        let wanted: Vec<Levels> = stretches
            .iter()
            .map(|stretch| planned(stretch, line))
            .collect();
        assert_eq!(
            seen.len(),
            wanted.iter().map(Vec::len).sum::<usize>(),
            "{line}"
        );
        let mut seen = seen.into_iter();
        for stretch in &wanted {
            let mut offset = None;
            for ((tick, level), (at, shown)) in stretch.iter().zip(seen.by_ref()) {
                assert_eq!(*level, shown, "line {line} at {tick}");
                let off = at as i64 - *tick as i64;
                let first = *offset.get_or_insert(off);
                assert!(
                    (off - first).abs() <= 12,
                    "line {line} at {tick}: {off}, {first}"
                );
            }
        }
    }
    // And all lines together: as many steps come before each direction and output. One that
    // shares its tick with a step may come on either side of it.
    let mut seen = (0i64, Vec::new());
    for (_, line, level) in &told.events {
        match (line, level) {
            (32, 1) => seen.0 += 1,
            (32, _) => {}
            _ => seen.1.push((*line, seen.0)),
        }
    }
    let mut wanted = (0i64, Vec::new());
    for event in &events {
        match event.what {
            EventKind::Step { .. } => wanted.0 += 1,
            EventKind::Direction { .. } => wanted.1.push((0, wanted.0)),
            EventKind::Output { .. } => wanted.1.push((16, wanted.0)),
            EventKind::Await { .. }
            | EventKind::Seek { .. }
            | EventKind::Sought { .. }
            | EventKind::Zero { .. }
            | EventKind::Mark(_) => {}
        }
    }
    assert_eq!(seen.1.len(), wanted.1.len());
    for (wanted_line, off) in [(0, 0), (16, 1)] {
        let of_line = |all: &[(u32, i64)]| -> Vec<i64> {
            let of_line = all.iter().filter(|(line, _)| *line == wanted_line);
            of_line.map(|(_, steps)| *steps).collect()
        };
        for (steps, at) in of_line(&seen.1).iter().zip(of_line(&wanted.1)) {
            assert!(
                (steps - at).abs() <= off,
                "line {wanted_line}: {steps}, {at}"
            );
        }
    }
    let door = told
        .events
        .iter()
        .filter(|(tick, ..)| *tick > 3_125_000)
        .count();
    // The last move waited for the contact: its direction and 300 pulses.
    assert_eq!(door, 601);
}

#[test]
fn waits_and_starts_of_a_port_hold_at_ticks_above_33_and_105_megahertz() {
    // Two milliseconds and 1/1600 s are more than 65,535 ticks at these rates.
    for clock in ["40 MHz", "400 MHz"] {
        let script = "rig \"rig.yaml\"\nbands allow\nspeed 60000 microstep/s\naccel 400000000 microstep/s^2\nshape trapezoid\n\
            turn by 40 microstep\nawait door timeout 30 ms\nturn by -10 microstep\n";
        let timer = format!("clock: {clock}, prescaler: 1");
        let rig = on_the_board(&timer, LINES).replace("60 us", "12 us");
        let bench = Bench::new(script, &rig);
        for (closes, ended) in [("0u", (FINISHED, 30)), ("0xFFFFFFFFu", (6, 40))] {
            let options = ["-DDIVIDER=1", &format!("-DCLOSES_AFTER={closes}")];
            let Some(told) = played(&bench, &options) else {
                return;
            };
            assert_eq!((told.state, told.position), ended, "{clock}");
            let steps = told.of_line(32);
            let rate = if clock == "40 MHz" { 40e6 } else { 400e6 };
            let last = told.events.last().unwrap().0;
            assert!(steps[0].0 < 60_000, "{}", steps[0].0);
            if ended.0 == FINISHED {
                // The input was looked at eight times in 5 ms.
                let waited = (last - steps[79].0) as f64 / rate;
                assert!((0.005..0.007).contains(&waited), "{waited}");
            }
        }
    }
}

#[test]
fn a_port_seeks_its_input_and_takes_the_place_for_a_position() {
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 2000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        seek by -900 microstep until door at 2000 microstep/s\nzero at 10 microstep\nturn by 5 microstep\n";
    let bench = Bench::new(script, &on_the_board("clock: 25 MHz, prescaler: 16", LINES));
    // The contact closes 0.2 s after the start, in the midst of the seek, or never.
    let Some(told) = played(&bench, &["-DCLOSES_AFTER=312500u"]) else {
        return;
    };
    assert_eq!((told.state, told.position), (FINISHED, 15));
    let rises = |told: &Told| -> Vec<u64> {
        let steps = told.of_line(32);
        let rises = steps.iter().filter(|(_, level)| *level == 1);
        rises.map(|(tick, _)| *tick).collect()
    };
    let seek = rises(&told);
    let seek = &seek[..seek.len() - 5];
    // One step of 781 ticks sees it, and the next one is the last.
    let behind = seek[seek.len() - 1] as i64 - 312_500;
    assert!((700..1700).contains(&behind), "{behind} ticks");
    let Some(told) = played(&bench, &["-DCLOSES_AFTER=0xFFFFFFFFu"]) else {
        return;
    };
    assert_eq!((told.state, told.position), (NOT_FOUND, -900));
    assert_eq!(rises(&told).len(), 900);
}

#[test]
fn a_ports_stop_contact_ends_the_pulses_and_the_position_is_right() {
    let bench = Bench::new(SCRIPT, &on_the_board("clock: 25 MHz, prescaler: 16", LINES));
    let Some(told) = played(&bench, &["-DOPENS_AT_STEP=900u"]) else {
        return;
    };
    let steps = told.of_line(32);
    let rises = steps.iter().filter(|(_, level)| *level == 1).count() as i32;
    assert_eq!((told.state, told.position), (STOP_CONTACT, rises));
    assert!((900..=901).contains(&rises), "{rises}");
    // The lamp was on by then; it is off, and so is the step line.
    assert_eq!(told.of_line(16).last().map(|(_, level)| *level), Some(0));
    assert_eq!(steps.last().map(|(_, level)| *level), Some(0));
}
