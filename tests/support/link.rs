//! Boards for the host to talk to, and the line between them.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::io::{BufReader, BufWriter, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::Duration;

use slewsmith::emit::Heading;
use slewsmith::emit::firmware::{Feed, Options, PartPin, Project, Wiring};
use slewsmith::rig::Rig;

/// What a board did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Happening {
    /// Count of its timer, from any origin.
    pub tick: u64,
    pub line: Line,
    pub level: u8,
}

/// The lines of a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line {
    /// The step line of an axis; the level is 1 or 255, as the board counts.
    Step(usize),
    Direction(usize),
    Output(usize),
}

/// A board that runs in step with the test.
pub trait Board {
    /// Runs for so many ticks with these inputs active (a bit each; the highest: the
    /// emergency stop is open), while these bytes come in and `most` bytes at most go
    /// out. What it says and what it does.
    fn run(&mut self, ticks: u32, inputs: u8, most: u16, bytes: &[u8])
    -> (Vec<u8>, Vec<Happening>);
}

/// What firmware is compiled for.
#[derive(Debug, Clone, Copy)]
pub struct Firmware {
    pub axes: u32,
    pub outputs: u32,
    pub inputs: u32,
    pub tick_rate: u32,
}

impl Firmware {
    /// The player and its link, compiled for this machine; none where there is no C
    /// compiler.
    pub fn build(&self, name: &str) -> Option<PathBuf> {
        let gcc = crate::support::tool("gcc")?;
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("board-{name}"));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join("schedule.h"), self.heading()).unwrap();
        let (c, outside) = (root.join("src/emit/firmware/c"), root.join("tests/outside"));
        let built = Command::new(gcc)
            .args([
                "-std=c99",
                "-O2",
                "-Wall",
                "-Wextra",
                "-pedantic",
                "-Werror",
            ])
            .args([
                "-DBOARD_LEAD=4u",
                "-DBOARD_TO_ARM=4u",
                "-fsanitize=undefined",
                "-fno-sanitize-recover=all",
            ])
            .arg("-I")
            .arg(&folder)
            .arg("-I")
            .arg(&c)
            .arg("-I")
            .arg(&outside)
            .args(["player.c", "link.c"].map(|file| c.join(file)))
            .arg(outside.join("board_posix.c"))
            .arg("-o")
            .arg(folder.join("board"))
            .status()
            .unwrap();
        assert!(built.success(), "the board does not compile");
        Some(folder.join("board"))
    }

    /// What the generated project's `schedule.h` says of a streaming board.
    fn heading(&self) -> String {
        let mut text = String::from("#define STREAMED\n");
        for (name, value) in [
            ("AXES", self.axes),
            ("STREAMS", self.axes + 1),
            ("OUTPUTS", self.outputs),
            ("INPUTS", self.inputs),
            ("STEP_PULSE_TICKS", 4),
        ] {
            writeln!(text, "#define {name} {value}u").unwrap();
        }
        writeln!(text, "#define TICK_RATE {}ul", self.tick_rate).unwrap();
        text
    }
}

/// A board in a child process.
#[derive(Debug)]
pub struct Process {
    child: Child,
    to: BufWriter<ChildStdin>,
    from: BufReader<ChildStdout>,
}

impl Process {
    pub fn start(program: &Path) -> Self {
        Self::spawn(&mut Command::new(program))
    }

    fn spawn(command: &mut Command) -> Self {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        Self {
            to: BufWriter::new(child.stdin.take().unwrap()),
            from: BufReader::new(child.stdout.take().unwrap()),
            child,
        }
    }

    /// One slice of time: what it says, and its events as they stand in the pipe.
    fn exchange(
        &mut self,
        length: u32,
        inputs: u8,
        most: u16,
        bytes: &[u8],
    ) -> (Vec<u8>, Vec<(u64, u8, u8)>) {
        self.to.write_all(&length.to_le_bytes()).unwrap();
        self.to.write_all(&[inputs]).unwrap();
        self.to.write_all(&most.to_le_bytes()).unwrap();
        let count = bytes.len() as u16;
        self.to.write_all(&count.to_le_bytes()).unwrap();
        self.to.write_all(bytes).unwrap();
        self.to.flush().unwrap();
        let mut said = vec![0; self.count()];
        self.from.read_exact(&mut said).unwrap();
        let events = (0..self.count())
            .map(|_| {
                let mut event = [0; 10];
                self.from.read_exact(&mut event).unwrap();
                let (tick, rest) = event.split_first_chunk::<8>().unwrap();
                (u64::from_le_bytes(*tick), rest[0], rest[1])
            })
            .collect();
        (said, events)
    }

    fn count(&mut self) -> usize {
        let mut bytes = [0; 2];
        self.from.read_exact(&mut bytes).unwrap();
        usize::from(u16::from_le_bytes(bytes))
    }
}

/// An 8-bit AVR at 16 MHz in a cycle-accurate simulator; its happenings are in cycles.
#[derive(Debug)]
pub struct Simulated {
    process: Process,
    wiring: Wiring,
    prescaler: u32,
    directions: Vec<u8>,
}

impl Simulated {
    /// The streaming player for a rig, compiled and started, on a line of so many bits a
    /// second; none where a tool is missing.
    pub fn start(name: &str, rig: &Rig, baud: u32) -> Option<Self> {
        let (gcc, make) = (crate::support::tool("gcc")?, crate::support::tool("make")?);
        for tool in ["avr-gcc", "simavr"] {
            crate::support::tool(tool)?;
        }
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("streaming-avr-{name}"));
        std::fs::create_dir_all(&folder).unwrap();
        let heading = Heading {
            program: "streamed",
            rig,
            failure: None,
        };
        let options = Options {
            feed: Feed::Line { baud },
            ..Options::default()
        };
        let project = Project::of(&heading, options, &mut std::iter::empty()).unwrap();
        for file in &project.files {
            std::fs::write(folder.join(file.name), &file.text).unwrap();
        }
        let built = Command::new(make)
            .current_dir(&folder)
            .args(["--silent", "player.elf"])
            .status()
            .unwrap();
        assert!(built.success(), "the player does not compile");
        let built = Command::new(gcc)
            .args(["-O2", "-o"])
            .arg(folder.join("harness"))
            .arg(root.join("tests/outside/avr_harness.c"))
            .args(["-lsimavr", "-lelf"])
            .status()
            .unwrap();
        assert!(built.success(), "the harness does not compile");
        let wiring = project.wiring.unwrap();
        let mut command = Command::new(folder.join("harness"));
        command
            .arg(folder.join("player.elf"))
            .args([wiring.part.compiler_name, "16000000", "99999999999999"])
            .arg(format!("step={baud}"));
        // The emergency stop is wired to ground.
        let PartPin { port, bit } = wiring.emergency;
        command.arg(format!("pin=0:{port}:{bit}:0")).arg("entry=5");
        Some(Self {
            process: Process::spawn(&mut command),
            prescaler: rig.timer.prescaler,
            directions: vec![0; wiring.directions.len()],
            wiring,
        })
    }
}

impl Board for Simulated {
    fn run(
        &mut self,
        ticks: u32,
        inputs: u8,
        most: u16,
        bytes: &[u8],
    ) -> (Vec<u8>, Vec<Happening>) {
        let cycles = ticks * self.prescaler;
        let (said, pins) = self.process.exchange(cycles, inputs, most, bytes);
        let code = |pin: &PartPin| 8 * (pin.port as u8 - b'A') + pin.bit;
        let at = |pins: &[PartPin], line: u8| pins.iter().position(|pin| code(pin) == line);
        let mut happened = Vec::new();
        for (tick, line, level) in pins {
            let (line, level) = if let Some(axis) = at(&self.wiring.steps, line) {
                if level == 0 {
                    continue;
                }
                let forwards = self.directions[axis] != 0;
                (Line::Step(axis), if forwards { 1 } else { 255 })
            } else if let Some(axis) = at(&self.wiring.directions, line) {
                self.directions[axis] = level;
                (Line::Direction(axis), level)
            } else if let Some(output) = at(&self.wiring.outputs, line) {
                (Line::Output(output), level)
            } else {
                continue;
            };
            happened.push(Happening { tick, line, level });
        }
        (said, happened)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Board for Process {
    fn run(
        &mut self,
        ticks: u32,
        inputs: u8,
        most: u16,
        bytes: &[u8],
    ) -> (Vec<u8>, Vec<Happening>) {
        let (said, events) = self.exchange(ticks, inputs, most, bytes);
        let line = |line| match usize::from(line) {
            line @ 0..16 => Line::Direction(line),
            line @ 16..32 => Line::Output(line - 16),
            line => Line::Step(line - 32),
        };
        let happened = events
            .into_iter()
            .map(|(tick, number, level)| Happening {
                tick,
                line: line(number),
                level,
            })
            .collect();
        (said, happened)
    }
}

/// Numbers that look random and are the same every time (S. Vigna's splitmix64; from
/// memory).
#[derive(Debug, Clone)]
pub struct Chance(pub u64);

impl Chance {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to below 1.
    pub fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// One direction of a line: so many bytes a second, some of which are flipped (one bit
/// or all), dropped or doubled.
#[derive(Debug)]
pub struct Wire {
    waiting: VecDeque<u8>,
    /// Bytes a millisecond, and what is left of that.
    pace: f64,
    credit: f64,
    /// Share of the bytes that something happens to.
    faults: f64,
    chance: Chance,
    pub damaged: u64,
    pub carried: u64,
    pub cut: bool,
}

impl Wire {
    pub fn new(baud: u32, faults: f64, seed: u64) -> Self {
        Self {
            waiting: VecDeque::new(),
            pace: f64::from(baud) / 10_000.0,
            credit: 0.0,
            faults,
            chance: Chance(seed),
            damaged: 0,
            carried: 0,
            cut: false,
        }
    }

    pub fn put(&mut self, bytes: &[u8]) {
        self.waiting.extend(bytes);
    }

    /// What comes out at the other end within a millisecond.
    pub fn take(&mut self) -> Vec<u8> {
        self.credit += self.pace;
        let mut out = Vec::new();
        while self.credit >= 1.0 {
            self.credit -= 1.0;
            let Some(byte) = self.waiting.pop_front() else {
                self.credit = self.credit.min(1.0);
                break;
            };
            self.carried += 1;
            if self.cut {
                continue;
            }
            if self.chance.share() >= self.faults {
                out.push(byte);
                continue;
            }
            self.damaged += 1;
            match self.chance.next() % 4 {
                0 => out.push(byte ^ 1 << (self.chance.next() % 8)),
                1 => out.push(self.chance.next() as u8),
                2 => out.extend([byte, byte]),
                _ => {}
            }
        }
        out
    }
}

/// A millisecond.
pub const SLICE: Duration = Duration::from_millis(1);
