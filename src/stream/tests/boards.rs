//! Boards for the host to talk to: the player as it is compiled for this machine, and for
//! a part in a simulator.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufReader, BufWriter, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Mutex;

use crate::player::{Lines, PartPin, Project, Wiring};
use crate::rig::{ActiveLevel, Rig};

use super::bench::project;
use super::converters::Converters;
use crate::testing::posix_board::{compile, must};
use crate::testing::support::tool;

/// What a board did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Happening {
    /// Count of its timer, from any origin.
    pub tick: u64,
    pub line: Line,
    pub level: u8,
}

/// The lines of a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Line {
    /// The step line of an axis; the level is 1 or 255, as the board counts.
    Step(usize),
    Direction(usize),
    Output(usize),
    /// One of the eight switches of an axis.
    Switch(usize, usize),
}

/// A board that runs in step with the test.
pub(super) trait Board {
    /// Runs for so many ticks with these inputs active (a bit each; the highest: the
    /// stop contact is open), while these bytes come in and `most` bytes at most go
    /// out. What it says and what it does.
    fn run(&mut self, ticks: u32, inputs: u8, most: u16, bytes: &[u8])
    -> (Vec<u8>, Vec<Happening>);
}

/// Writes a project into a folder of its own.
pub(super) fn write_project(project: &Project, folder: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("target/tmp")
        .join(folder);
    std::fs::create_dir_all(&folder).unwrap();
    for file in &project.files {
        std::fs::write(folder.join(file.name), &file.text).unwrap();
    }
    folder
}

fn outside(file: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join("tests/outside").join(file)
}

/// Folders that hold a board already, by what it was made for.
static BUILT: Mutex<BTreeMap<String, PathBuf>> = Mutex::new(BTreeMap::new());

/// What `build` makes in a folder that it is given, once for each `key`.
fn once(key: String, build: impl FnOnce(&str) -> PathBuf) -> PathBuf {
    let mut built = BUILT.lock().unwrap();
    // Some runners give every test a process of its own.
    let folder = format!("streaming-{}-{}", std::process::id(), built.len());
    built.entry(key).or_insert_with(|| build(&folder)).clone()
}

/// A board in a child process.
#[derive(Debug)]
pub(super) struct Process {
    child: Child,
    to: BufWriter<ChildStdin>,
    from: BufReader<ChildStdout>,
}

impl Process {
    /// The project that is written for the rig, with the board of this machine; none
    /// where a tool is missing.
    pub(super) fn build(rig: &Rig, lines: Lines) -> Option<PathBuf> {
        for name in ["gcc", "make"] {
            tool(name)?;
        }
        Some(once(format!("{lines:?} {rig:?}"), |folder| {
            let folder = write_project(&project(rig, 115_200, lines), folder);
            compile(&folder, lines == Lines::Coils).expect("the tools are there")
        }))
    }

    pub(super) fn start(program: &Path) -> Self {
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
pub(super) struct Simulated {
    process: Process,
    wiring: Wiring,
    prescaler: u32,
    directions: Vec<u8>,
    /// What the project's README says of it.
    readme: String,
    watched: Watched,
    converters: Option<Converters>,
}

/// What a stop switches off: steps, drives, outputs, bridges and converters.
#[derive(Debug, Clone, Default)]
struct Watched {
    /// The lines that are active, and from [`PHASES`] on the phases whose code is not zero.
    active: BTreeSet<u8>,
    /// The cycle at which one of them changed last.
    changed: u64,
    /// The cycle at which the stop contact opened last.
    opened: Option<u64>,
}

impl Simulated {
    /// The streaming player for a rig, compiled and started, on a line of so many bits a
    /// second; none where a tool is missing.
    pub(super) fn start(rig: &Rig, baud: u32, lines: Lines) -> Option<Self> {
        let (gcc, make) = (tool("gcc")?, tool("make")?);
        for name in ["avr-gcc", "simavr"] {
            tool(name)?;
        }
        let project = project(rig, baud, lines);
        let folder = once(format!("{baud} {lines:?} {rig:?}"), |folder| {
            let folder = write_project(&project, folder);
            must(
                Command::new(make)
                    .current_dir(&folder)
                    .args(["--silent", "player.elf"]),
            );
            must(
                Command::new(gcc)
                    .args(["-O2", "-o"])
                    .arg(folder.join("harness"))
                    .arg(outside("avr_harness.c"))
                    .args(["-lsimavr", "-lelf"]),
            );
            folder
        });
        let wiring = project.wiring.unwrap();
        let mut command = Command::new(folder.join("harness"));
        command
            .arg(folder.join("player.elf"))
            .args([
                wiring.controller.compiler_name,
                "16000000",
                "99999999999999",
            ])
            .arg(format!("step={baud}"));
        let input = |number: usize, pin: PartPin, active: ActiveLevel| {
            let level = u8::from(active == ActiveLevel::High);
            format!("input={number}:{}:{}:{level}", pin.port, pin.bit)
        };
        let pins = rig.inputs.iter().zip(&wiring.inputs).enumerate();
        command
            .args(pins.map(|(number, (pin, at))| input(number, *at, pin.active)))
            // Wired to ground while it is closed.
            .arg(input(STOP_CONTACT, wiring.stop_contact, ActiveLevel::High))
            .arg("entry=5");
        let readme = project.files.iter().find(|file| file.name == "README.md");
        let converters = Converters::of(wiring.bus.as_ref(), &rig.axes[0].drive.lines);
        Some(Self {
            converters,
            process: Process::spawn(&mut command),
            prescaler: rig.timer.prescaler,
            directions: vec![0; wiring.directions.len()],
            wiring,
            readme: readme.expect("a README").text.clone(),
            watched: Watched::default(),
        })
    }

    /// By how many cycles everything is off after the stop contact has opened, as the project's
    /// README says.
    pub(super) fn stated(&self) -> u64 {
        let (_, rest) = self
            .readme
            .split_once("coils and outputs off, within ")
            .expect("the time");
        let (cycles, _) = rest.split_once(' ').expect("the unit");
        cycles.parse().expect("a number")
    }

    /// How many cycles after the stop contact opened something went off or on last; none where
    /// something is on.
    pub(super) fn off_after(&self) -> Option<u64> {
        let Watched {
            active,
            changed,
            opened,
        } = &self.watched;
        active
            .is_empty()
            .then(|| changed.saturating_sub(opened.unwrap_or_default()))
    }

    /// Whether something is on.
    pub(super) fn is_on(&self) -> bool {
        !self.watched.active.is_empty()
    }

    /// The codes of the lines that a stop switches off; all are active high.
    fn switched_off(&self) -> Vec<PartPin> {
        let wiring = &self.wiring;
        let mut pins: Vec<PartPin> = wiring
            .steps
            .iter()
            .chain(&wiring.outputs)
            .copied()
            .collect();
        pins.extend(wiring.enables.iter().flatten());
        pins.extend(wiring.switches.iter().flatten());
        pins.extend(wiring.pwm.iter().flat_map(|pwm| pwm.pins));
        for ports in &wiring.converters {
            pins.extend(
                ports
                    .iter()
                    .flat_map(|&port| (0..8).map(move |bit| PartPin { port, bit })),
            );
        }
        pins
    }
}

/// The number of the first phase of converters on a bus, beyond those of all pins.
const PHASES: u8 = 200;

/// The bit of the inputs that stands for the stop contact: it is set while that is open.
const STOP_CONTACT: usize = 7;

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
        let watched: BTreeSet<u8> = self.switched_off().iter().map(code).collect();
        for &(cycle, line, level) in &pins {
            if watched.contains(&line) {
                self.watched.changed = cycle;
                match level {
                    0 => self.watched.active.remove(&line),
                    _ => self.watched.active.insert(line),
                };
            } else if line == code(&self.wiring.stop_contact) && level == 1 {
                self.watched.opened = Some(cycle);
            }
            let converters = self.converters.as_mut();
            let shown = converters.and_then(|one| one.see(|pin| code(pin) == line, level));
            for (phase, code) in (PHASES..).zip(shown.into_iter().flatten()) {
                let has_changed = match code {
                    0 => self.watched.active.remove(&phase),
                    _ => self.watched.active.insert(phase),
                };
                if has_changed {
                    self.watched.changed = cycle;
                }
            }
        }
        let at = |pins: &[PartPin], line: u8| pins.iter().position(|pin| code(pin) == line);
        let switch = |line: u8| {
            let mut axes = self.wiring.switches.iter().enumerate();
            axes.find_map(|(axis, pins)| Some(Line::Switch(axis, at(pins, line)?)))
        };
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
            } else if let Some(switch) = switch(line) {
                (switch, level)
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
