//! Random programs on the simulated board against their csv: two axes, waits, awaited inputs,
//! outputs and seeks, each step on its cycle and its way; long programs, odd values and idle axes
//! among them.

use slewsmith::schedule::{Event, EventKind};

use crate::board::{self, Bench, Built, Pin, Run};
use crate::played::rig;

/// Programs under `cargo test`; `SLEWSMITH_CASES` asks for more, `SLEWSMITH_FIRST` for others.
const CASES: u64 = 5;
/// The contact of the left axis is closed up to this step from its start.
const CONTACT: i64 = -150;
const AXES: [&str; 2] = ["left", "right"];
const LAMPS: [&str; 2] = ["lamp", "bulb"];
/// How long a program may take, of the board's time (s).
const LONGEST: u64 = 6000;

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
}

/// What is out of the ordinary in a program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Nothing: short moves of both axes.
    Short,
    /// Many statements, and repeats.
    Long,
    /// Step rates up to about the highest that the player plays, and thousands of steps.
    Fast,
    /// Some steps a second, and waits of seconds or minutes.
    Slow,
    /// One axis never moves.
    Idle(usize),
}

impl Kind {
    fn of(seed: u64) -> Self {
        match seed % 8 {
            1 => Self::Long,
            2 => Self::Fast,
            3 => Self::Slow,
            4 => Self::Idle((seed / 8 % 2) as usize),
            _ => Self::Short,
        }
    }
}

/// A program as it is being written.
struct Program {
    numbers: Numbers,
    kind: Kind,
    text: String,
    /// Where the left axis stands: from its start, and by the last `zero` (microsteps).
    place: i64,
    position: i64,
    lit: [bool; 2],
    /// The longest wait (s).
    longest_wait: u64,
}

impl Program {
    /// The program of a seed.
    fn of(seed: u64) -> String {
        let mut numbers = Numbers(seed);
        numbers.below(2);
        let mut program = Self {
            numbers,
            kind: Kind::of(seed),
            text: "rig \"rig.yaml\"\nbands allow\n".to_owned(),
            place: 0,
            position: 0,
            lit: [false; 2],
            // Beyond 2^32 cycles, but not often: the simulator takes its time.
            longest_wait: if seed / 8 % 16 == 9 { 400 } else { 4 },
        };
        program.limits();
        let count = match program.kind {
            Kind::Long => 30 + program.numbers.below(60),
            Kind::Short | Kind::Fast | Kind::Slow | Kind::Idle(_) => 4 + program.numbers.below(8),
        };
        for _ in 0..count {
            program.statement();
        }
        program.text
    }

    /// Speeds, accelerations and the shape: whole numbers and odd ones.
    fn limits(&mut self) {
        let odd = self.numbers.below(1000) as f64 / 1000.0;
        let (speed, accel) = match self.kind {
            Kind::Slow => (1 + self.numbers.below(40), 10 + self.numbers.below(5000)),
            Kind::Fast => (
                8_000 + self.numbers.below(44_000),
                100_000 + self.numbers.below(1_500_000),
            ),
            Kind::Short | Kind::Long | Kind::Idle(_) => (
                500 + self.numbers.below(8000),
                20_000 + self.numbers.below(100_000),
            ),
        };
        let (speed, accel) = (speed as f64 + odd, accel as f64 + odd);
        self.text += &format!("speed {speed} microstep/s\naccel {accel} microstep/s^2\n");
        if self.numbers.below(3) == 0 {
            let decel = accel * (0.3 + odd);
            self.text += &format!("decel {decel} microstep/s^2\n");
        }
        if self.numbers.below(3) == 0 {
            let jerk = accel * 40.0;
            self.text += &format!("shape s-curve\njerk {jerk} microstep/s^3\n");
        } else {
            self.text += "shape trapezoid\n";
        }
    }

    /// Some steps, one way or the other.
    fn steps(&mut self) -> i64 {
        let most = match self.kind {
            Kind::Fast => 4_000,
            Kind::Slow => 6,
            Kind::Short | Kind::Long | Kind::Idle(_) => 200,
        };
        let steps = match self.numbers.below(8) {
            0 => 1,
            _ => 1 + self.numbers.below(most) as i64,
        };
        if self.numbers.below(2) == 0 {
            steps
        } else {
            -steps
        }
    }

    fn turn(&mut self, axis: usize, by: i64) {
        if self.kind == Kind::Idle(axis) {
            return;
        }
        self.moved(axis, by);
        self.text += &format!("turn {} by {by} microstep\n", AXES[axis]);
    }

    fn moved(&mut self, axis: usize, by: i64) {
        if axis == 0 {
            self.place += by;
            self.position += by;
        }
    }

    fn dwell(&mut self) {
        let length = match (self.kind, self.numbers.below(12)) {
            (Kind::Slow, 0) => format!("{} s", 1 + self.numbers.below(self.longest_wait)),
            (_, 0) => format!("{} us", 1 + self.numbers.below(200)),
            (_, 1) => format!(
                "{}.{} ms",
                self.numbers.below(3000),
                self.numbers.below(1000)
            ),
            _ => format!("{} us", 1000 + self.numbers.below(60_000)),
        };
        self.text += &format!("dwell {length}\n");
    }

    fn statement(&mut self) {
        let (one, other) = (self.steps(), self.steps());
        match self.numbers.below(10) {
            0 | 1 => self.turn(0, one),
            2 => self.turn(1, one),
            3 if matches!(self.kind, Kind::Idle(_)) => self.turn(0, one),
            3 => {
                self.moved(0, one);
                self.text += &format!(
                    "together {{\n  turn left by {one} microstep\n  turn right by {other} microstep\n}}\n"
                );
            }
            4 => self.dwell(),
            5 => {
                let lamp = self.numbers.below(2) as usize;
                self.lit[lamp] = !self.lit[lamp];
                let level = if self.lit[lamp] { "on" } else { "off" };
                self.text += &format!("output {} {level}\ndwell 1 ms\n", LAMPS[lamp]);
            }
            6 => {
                let until = ["", " pressed", " released"][self.numbers.below(3) as usize];
                // The door opens and closes forty times a second: none of these pass.
                let timeout = match self.numbers.below(3) {
                    0 => format!(" timeout {} ms", 500 + self.numbers.below(400_000)),
                    _ => String::new(),
                };
                self.text += &format!("await door{until}{timeout}\n");
            }
            7 => {
                let count = 2 + self.numbers.below(6);
                if matches!(self.kind, Kind::Idle(0)) {
                    self.text += &format!("repeat {count} {{\n");
                    self.turn(1, one);
                    self.text += "  dwell 3 ms\n}\n";
                } else {
                    self.text += &format!(
                        "repeat {count} {{\n  turn left by {one} microstep\n  dwell 2 ms\n  turn left by {} microstep\n}}\n",
                        -one
                    );
                }
            }
            8 => self.pass(one.abs(), other.abs()),
            _ => self.seek(),
        }
    }

    /// Moves on without a stop, and switches an output on the way.
    fn pass(&mut self, one: i64, other: i64) {
        if self.kind == Kind::Idle(0) {
            return;
        }
        let lamp = self.numbers.below(2) as usize;
        self.lit[lamp] = !self.lit[lamp];
        let level = if self.lit[lamp] { "on" } else { "off" };
        let at = self.position + one;
        self.text += &format!(
            "dwell 1 ms\nthrough {{\n  turn left by {one} microstep\n  output {} {level} passing {at} microstep\n  \
             turn left by {other} microstep\n}}\ndwell 1 ms\n",
            LAMPS[lamp]
        );
        self.moved(0, one + other);
    }

    fn seek(&mut self) {
        if matches!(self.kind, Kind::Idle(0) | Kind::Slow) {
            return;
        }
        // Now and then the contact is closed already, for longer than 5 ms.
        if self.place <= CONTACT && self.numbers.below(2) == 0 {
            self.text += "dwell 10 ms\n";
        } else {
            let back = 200 - self.place;
            if back != 0 {
                self.turn(0, back);
            }
            self.place = CONTACT - 1;
        }
        let at = 400 + self.numbers.below(1200);
        self.position = 0;
        self.text +=
            &format!("seek left by -600 microstep until home at {at} microstep/s\nzero left\n");
    }
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

/// What changes a line: when (ticks), which, and its level or way.
type Change = (u64, String, i64);

/// The changes in the csv.
fn csv_changes(bench: &Bench) -> Vec<Change> {
    bench.emit("csv", "program.csv", &[]).unwrap();
    let text = std::fs::read_to_string(bench.path().join("program.csv")).unwrap();
    let changes = text.lines().filter_map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        let kind = fields[1].trim_start_matches("seek-");
        let is_change = matches!(kind, "step" | "direction" | "output");
        is_change.then(|| {
            (
                fields[0].parse().unwrap(),
                format!("{kind} {}", fields[2]),
                fields[3].parse().unwrap(),
            )
        })
    });
    changes.collect()
}

/// The changes in the packed schedule.
fn packed_changes(events: &[Event]) -> Vec<Change> {
    let changes = events.iter().filter_map(|event| {
        let (line, level) = match event.what {
            EventKind::Step { axis, direction } => {
                (format!("step {}", AXES[axis]), direction.sign())
            }
            EventKind::Direction { axis, direction } => {
                (format!("direction {}", AXES[axis]), direction.sign())
            }
            EventKind::Output { output, on } => {
                (format!("output {}", LAMPS[output]), i64::from(on))
            }
            EventKind::Await { .. }
            | EventKind::Seek { .. }
            | EventKind::Sought { .. }
            | EventKind::Zero { .. }
            | EventKind::Mark(_) => return None,
        };
        Some((event.tick, line, level))
    });
    changes.collect()
}

/// Every line changes in the packed schedule as in the csv, within a tick.
fn assert_packed_as_csv(seed: u64, script: &str, events: &[Event], bench: &Bench) {
    let (packed, csv) = (packed_changes(events), csv_changes(bench));
    let lines: std::collections::BTreeSet<&str> =
        csv.iter().map(|(_, line, _)| line.as_str()).collect();
    assert_eq!(packed.len(), csv.len(), "seed {seed}: {script}");
    for line in lines {
        let of_line = |(_, of, _): &&Change| of == line;
        let (one, other) = (
            packed.iter().filter(of_line),
            csv.iter().filter(of_line).collect::<Vec<_>>(),
        );
        let one: Vec<_> = one.collect();
        assert_eq!(one.len(), other.len(), "seed {seed}, {line}: {script}");
        for (one, other) in one.iter().zip(other) {
            let is_same = one.0.abs_diff(other.0) <= 1 && one.2 == other.2;
            assert!(is_same, "seed {seed}: {one:?} {other:?}: {script}");
        }
    }
}

/// Plays the program of a seed; false where the player refuses it, as too fast or too slow.
fn is_played_as_its_csv_says(seed: u64) -> bool {
    let script = Program::of(seed);
    let more = "outputs: { lamp: {}, bulb: {} }\ninputs: { door: {}, home: {} }\n";
    let prescaler = match seed / 8 % 4 {
        1 => 1,
        2 => 64,
        _ => 8,
    };
    let rig = rig(&AXES, more).replace("prescaler: 8", &format!("prescaler: {prescaler}"));
    let bench = Bench::new(&script, &rig);
    if let Err(said) = bench.emit("firmware", "player", &[]) {
        let is_refused = said.contains("the player refuses this program: line");
        assert!(is_refused, "seed {seed}: {said}\n{script}");
        return false;
    }
    let built = bench.make();
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
    let door = built.pin("input door");
    let beat = format!("wave={}:{}:400000:192000", door.port, door.bit);
    let stimuli = [contact, beat];
    let run = built.run(LONGEST * board::CLOCK, &stimuli);
    let text = run.text.as_deref().unwrap_or_default();
    assert!(
        text.starts_with("finished"),
        "seed {seed}: {text}\n{script}"
    );
    let events = bench.packed();
    assert_packed_as_csv(seed, &script, &events, &bench);
    let mut steps = AXES.map(|axis| made(&built, &run, axis).into_iter());
    let lamps = LAMPS.map(|lamp| built.pin(&format!("output {lamp}")));
    let mut edges = lamps.map(|pin| run.edges.iter().filter(move |edge| edge.pin == pin));
    let mut levels = [0; 2];
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
                EventKind::Output { output, on } if levels[output] != u8::from(on) => {
                    levels[output] = u8::from(on);
                    let edge = edges[output].next().expect("an output is missing");
                    assert_eq!(edge.level, levels[output], "seed {seed}");
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
    true
}

#[test]
fn random_programs_are_played_as_their_csv_says() {
    if board::harness().is_none() {
        return;
    }
    let number = |name: &str| -> Option<u64> { std::env::var(name).ok()?.parse().ok() };
    let first = number("SLEWSMITH_FIRST").unwrap_or(0);
    let cases = number("SLEWSMITH_CASES").unwrap_or(CASES);
    let seeds = first..first + cases;
    let played = seeds.filter(|seed| is_played_as_its_csv_says(*seed));
    let played = played.count() as u64;
    println!("{played} of {cases} programs are played; the others are refused");
    assert!(10 * played >= 8 * cases, "{played}");
}
