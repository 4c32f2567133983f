//! Random programs on the simulated board against their csv: two axes, waits, awaited inputs,
//! outputs and seeks, each step on its cycle and its way.

use slewsmith::schedule::{Event, EventKind};

use crate::board::{self, Bench, Built, Pin, Run, is_step_of};
use crate::played::{beat, rig};

/// Programs under `cargo test`; `SLEWSMITH_CASES` asks for more.
const CASES: u64 = 3;
/// The contact of the left axis is closed up to this step from its start.
const CONTACT: i64 = -150;
const AXES: [&str; 2] = ["left", "right"];

/// Numbers of a linear congruence (Knuth's MMIX).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, most: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % most
    }

    /// Some steps, one way or the other.
    fn steps(&mut self) -> i64 {
        let steps = 1 + self.below(200) as i64;
        if self.below(2) == 0 { steps } else { -steps }
    }
}

/// A random script.
fn script(seed: u64) -> String {
    let mut numbers = Numbers(seed);
    numbers.below(2);
    let (speed, accel) = (500 + numbers.below(8000), 20_000 + numbers.below(100_000));
    let mut text = format!(
        "rig \"rig.yaml\"\nbands allow\nspeed {speed} microstep/s\naccel {accel} microstep/s^2\nshape trapezoid\n"
    );
    let (mut place, mut is_on) = (0, false);
    for _ in 0..4 + numbers.below(8) {
        let (one, other) = (numbers.steps(), numbers.steps());
        text += &match numbers.below(8) {
            0 | 1 => {
                place += one;
                format!("turn left by {one} microstep\n")
            }
            2 => format!("turn right by {one} microstep\n"),
            3 => {
                place += one;
                format!(
                    "together {{\n  turn left by {one} microstep\n  turn right by {other} microstep\n}}\n"
                )
            }
            4 => format!("dwell {} us\n", 1000 + numbers.below(60_000)),
            5 => {
                is_on = !is_on;
                format!(
                    "output lamp {}\ndwell 1 ms\n",
                    if is_on { "on" } else { "off" }
                )
            }
            6 => format!(
                "await door{}\n",
                ["", " pressed", " released"][numbers.below(3) as usize]
            ),
            _ => {
                // Now and then the contact is closed already, for longer than 5 ms.
                let back = if place <= CONTACT && numbers.below(2) == 0 {
                    "dwell 10 ms\n".to_owned()
                } else {
                    let back = 200 - place;
                    place = CONTACT - 1;
                    match back {
                        0 => String::new(),
                        _ => format!("turn left by {back} microstep\n"),
                    }
                };
                format!(
                    "{back}seek left by -600 microstep until home at 900 microstep/s\nzero left\n"
                )
            }
        };
    }
    text
}

/// The steps that an axis has made: the cycle and the way of each.
fn made(built: &Built, run: &Run, axis: &str) -> Vec<(u64, i64)> {
    let step = built.pin(&format!("step of {axis}"));
    let direction = built.pin(&format!("direction of {axis}"));
    let (mut way, mut steps) = (-1, Vec::new());
    for edge in &run.edges {
        if edge.pin == direction {
            way = 2 * i64::from(edge.level) - 1;
        } else if edge.pin == step && edge.level == 1 {
            steps.push((edge.cycle, way));
        }
    }
    steps
}

/// Events up to one that stops the clock; of a seek, how many steps are made.
struct Stretch<'e> {
    events: &'e [Event],
    seek_steps: Option<usize>,
}

/// The stretches of a program whose left axis has its contact at [`CONTACT`].
fn stretches(events: &[Event]) -> Vec<Stretch<'_>> {
    let (mut all, mut from, mut place, mut seek_steps) = (Vec::new(), 0, 0i64, None);
    for (at, event) in events.iter().enumerate() {
        if let EventKind::Step { axis: 0, direction } = event.what
            && seek_steps.is_none()
        {
            place += direction.sign();
        }
        if !event.what.stops_the_clock() {
            continue;
        }
        all.push(Stretch {
            events: &events[from..at],
            seek_steps,
        });
        from = at + 1;
        seek_steps = matches!(event.what, EventKind::Seek { .. }).then(|| {
            // The step that closes the contact is seen, and the axis stops with the next.
            let steps = if place <= CONTACT {
                0
            } else {
                place - CONTACT + 1
            };
            place -= steps;
            steps as usize
        });
    }
    all.push(Stretch {
        events: &events[from..],
        seek_steps,
    });
    all
}

/// The ticks of the steps of an axis in the csv.
fn csv_ticks(bench: &Bench, axis: &str) -> Vec<u64> {
    bench.emit("csv", "program.csv", &[]).unwrap();
    let text = std::fs::read_to_string(bench.path().join("program.csv")).unwrap();
    let steps = text.lines().filter_map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        let is_step = matches!(fields[1], "step" | "seek-step") && fields[2] == axis;
        is_step.then(|| fields[0].parse().unwrap())
    });
    steps.collect()
}

#[test]
fn random_programs_are_played_as_their_csv_says() {
    if board::harness().is_none() {
        return;
    }
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |cases| cases.parse().unwrap());
    for seed in 0..cases {
        let script = script(seed);
        let more = "outputs: { lamp: {} }\ninputs: { door: {}, home: {} }\n";
        let bench = Bench::new(&script, &rig(&AXES, more));
        let built = bench.build(&[]);
        let name = |line: &str| {
            let Pin { port, bit } = built.pin(line);
            format!("{port}{bit}")
        };
        let home = built.pin("input home");
        let contact = format!(
            "switch={}:{}:{}:{}:-1000000:{CONTACT}",
            home.port,
            home.bit,
            name("step of left"),
            name("direction of left"),
        );
        let run = built.run(60 * board::CLOCK, &[contact, beat(built.pin("input door"))]);
        let text = run.text.as_deref().unwrap_or_default();
        assert!(
            text.starts_with("finished"),
            "seed {seed}: {text}\n{script}"
        );
        let events = bench.packed();
        for (number, axis) in AXES.iter().enumerate() {
            let packed = events.iter().filter(|event| is_step_of(event, number));
            let packed: Vec<u64> = packed.map(|event| event.tick).collect();
            let csv = csv_ticks(&bench, axis);
            assert_eq!(packed.len(), csv.len(), "seed {seed}: {script}");
            let near = |(one, other): (&u64, &u64)| one.abs_diff(*other) <= 1;
            assert!(packed.iter().zip(&csv).all(near), "seed {seed}: {script}");
        }
        let prescaler = built.constant("PRESCALER");
        let mut steps = AXES.map(|axis| made(&built, &run, axis).into_iter());
        let lamp = built.pin("output lamp");
        let mut lamps = run.edges.iter().filter(|edge| edge.pin == lamp);
        let mut level = 0;
        for Stretch { events, seek_steps } in stretches(&events) {
            let mut offsets = Vec::new();
            let mut left = seek_steps.unwrap_or(usize::MAX);
            for event in events {
                let due = (event.tick * prescaler) as i64;
                match event.what {
                    EventKind::Step { axis: 0, .. } if left == 0 => {}
                    EventKind::Step { axis, direction } => {
                        left -= usize::from(axis == 0);
                        let (cycle, way) = steps[axis].next().expect("a step is missing");
                        let wanted = direction.sign();
                        assert_eq!(way, wanted, "seed {seed}, axis {axis}: {script}");
                        offsets.push(cycle as i64 - due);
                    }
                    EventKind::Output { on, .. } if level != u8::from(on) => {
                        level = u8::from(on);
                        let edge = lamps.next().expect("an output is missing");
                        assert_eq!(edge.level, level, "seed {seed}");
                        offsets.push(edge.cycle as i64 - due);
                    }
                    _ => {}
                }
            }
            assert!(
                offsets.iter().all(|offset| *offset == offsets[0]),
                "seed {seed}: edges lie off their cycles: {script}"
            );
        }
        let rest: usize = steps.iter_mut().map(Iterator::count).sum();
        assert_eq!(rest, 0, "seed {seed}: steps that nobody planned: {script}");
    }
}
