//! A board in a cycle-accurate simulator, as the tests see it: projects are written by
//! the command, built by their own Makefile, and run on libsimavr by
//! `tests/outside/avr_harness.c`.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use slewsmith::emit::unpack;
use slewsmith::schedule::{Event, EventKind};

use crate::support;

/// The clock of the board that programs are moved to (Hz).
pub(crate) const CLOCK: u64 = 16_000_000;

/// Cycles that an interrupt's entry takes beyond what the simulator charges: the data
/// sheets of these parts say four at least, and the instruction that is being executed
/// comes before them.
pub(crate) const ENTRY: u32 = 5;

/// Where the harness lies once it is compiled; none where a tool is missing.
pub(crate) fn harness() -> Option<&'static Path> {
    static HARNESS: OnceLock<Option<PathBuf>> = OnceLock::new();
    let compile = || {
        for tool in ["avr-gcc", "make", "simavr"] {
            support::tool(tool)?;
        }
        let gcc = support::tool("gcc")?;
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/avr_harness.c");
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("harness");
        fs::create_dir_all(&folder).unwrap();
        // Two test programs may do this at once: each renames a whole file into place.
        let (target, built) = (
            folder.join("avr_harness"),
            folder.join(format!("built-{}", std::process::id())),
        );
        let done = Command::new(gcc)
            .args(["-O2", "-o"])
            .args([&built, &source])
            .args(["-lsimavr", "-lelf"])
            .status()
            .unwrap();
        assert!(done.success(), "the harness does not compile");
        fs::rename(&built, &target).unwrap();
        Some(target)
    };
    HARNESS.get_or_init(compile).as_deref()
}

/// A script with its rig in a folder of its own, on a timer at 16 MHz.
pub(crate) struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    /// An example, with the timer of its rig changed.
    pub(crate) fn example(name: &str) -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let script = fs::read_to_string(root.join("examples").join(name)).unwrap();
        let rig = script.lines().find_map(|line| line.strip_prefix("rig "));
        let rig = rig.unwrap().split('"').nth(1).unwrap();
        let text = fs::read_to_string(root.join("examples").join(rig)).unwrap();
        let profiles = root.join("profiles");
        let mut kept = String::new();
        let mut within = false;
        for line in text.lines() {
            if line.starts_with(char::is_alphabetic) {
                within = line.starts_with("timer:");
            }
            if !within {
                kept += &line.replace("../profiles", profiles.to_str().unwrap());
                kept.push('\n');
            }
        }
        let board = profiles.join("boards/small-16mhz-timer16.yaml");
        kept += &format!("timer: {}\n", board.display());
        let script = script.replace(rig, "rig.yaml");
        Self::new(&script, &kept)
    }

    /// A script that names `rig.yaml`, and that rig.
    pub(crate) fn new(script: &str, rig: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("program.moves"), script).unwrap();
        fs::write(folder.path().join("rig.yaml"), rig).unwrap();
        Self { folder }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// What `emit` says to standard error.
    pub(crate) fn emit(
        &self,
        format: &str,
        output: &str,
        options: &[&str],
    ) -> Result<String, String> {
        self.emit_scripts(&["program.moves"], format, output, options)
    }

    /// The same of several scripts of the folder.
    pub(crate) fn emit_scripts(
        &self,
        scripts: &[&str],
        format: &str,
        output: &str,
        options: &[&str],
    ) -> Result<String, String> {
        let out = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .current_dir(self.path())
            .arg("emit")
            .args(scripts)
            .args(["--unchecked", "--without-simulation"])
            .args(["--as", format, "-o", output])
            .args(options)
            .output()
            .unwrap();
        let said = String::from_utf8(out.stderr).unwrap();
        if out.status.success() {
            Ok(said)
        } else {
            Err(said)
        }
    }

    /// The events of the packed schedule, which is what the board has in its memory.
    pub(crate) fn packed(&self) -> Vec<Event> {
        self.emit("binary", "program.bin", &[]).unwrap();
        let bytes = fs::read(self.path().join("program.bin")).unwrap();
        unpack(&bytes).unwrap()
    }

    /// Ticks of the steps of an axis in the schedule before it is packed.
    pub(crate) fn step_ticks(&self, axis: &str) -> Vec<u64> {
        self.emit("csv", "program.csv", &[]).unwrap();
        let text = fs::read_to_string(self.path().join("program.csv")).unwrap();
        let steps = text
            .lines()
            .filter(|line| line.contains(&format!(",step,{axis},")));
        steps
            .map(|line| line.split(',').next().unwrap().parse().unwrap())
            .collect()
    }

    /// Writes the project and builds it.
    pub(crate) fn build(&self, options: &[&str]) -> Built {
        self.emit("firmware", "player", options)
            .unwrap_or_else(|said| panic!("{said}"));
        self.make()
    }

    /// Builds the project that is there.
    pub(crate) fn make(&self) -> Built {
        let folder = self.path().join("player");
        let done = Command::new("make")
            .args(["-s", "-C"])
            .arg(&folder)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&done.stderr);
        assert!(done.status.success() && said.is_empty(), "{said}");
        Built { folder }
    }
}

/// A project that has been built.
pub(crate) struct Built {
    folder: PathBuf,
}

/// What the parts of a program take of the memories (bytes).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Size {
    pub flash: u64,
    pub ram: u64,
    pub table: u64,
}

impl Built {
    pub(crate) fn file(&self, name: &str) -> String {
        fs::read_to_string(self.folder.join(name)).unwrap()
    }

    /// The number that a macro of `schedule.h` stands for.
    pub(crate) fn constant(&self, name: &str) -> u64 {
        let text = self.file("schedule.h");
        let line = text
            .lines()
            .find_map(|line| line.strip_prefix(&format!("#define {name} ")));
        let digits = line.unwrap().trim_end_matches(char::is_alphabetic);
        digits.parse().unwrap()
    }

    pub(crate) fn size(&self) -> Size {
        let out = Command::new("avr-size")
            .arg(self.folder.join("player.elf"))
            .output()
            .unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        let numbers: Vec<u64> = text
            .lines()
            .nth(1)
            .unwrap()
            .split_whitespace()
            .map_while(|word| word.parse().ok())
            .collect();
        Size {
            flash: numbers[0] + numbers[1],
            ram: numbers[1] + numbers[2],
            // None where it comes over a line.
            table: match self.file("schedule.h").contains("#define SCHEDULE_LENGTH ") {
                true => self.constant("SCHEDULE_LENGTH"),
                false => 0,
            },
        }
    }

    /// Where a symbol lies in the program's memory.
    pub(crate) fn address(&self, symbol: &str) -> u64 {
        let out = Command::new("avr-nm")
            .arg(self.folder.join("player.elf"))
            .output()
            .unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        let line = text
            .lines()
            .find(|line| line.ends_with(&format!(" {symbol}")))
            .unwrap();
        u64::from_str_radix(line.split(' ').next().unwrap(), 16).unwrap()
    }

    fn mcu(&self) -> String {
        let text = self.file("Makefile");
        let line = text.lines().find_map(|line| line.strip_prefix("MCU = "));
        line.unwrap().to_owned()
    }

    /// The pin on a line of the README's table of wiring.
    pub(crate) fn pin(&self, line: &str) -> Pin {
        let text = self.file("README.md");
        let row = text
            .lines()
            .find_map(|row| row.strip_prefix(&format!("| {line} | P")));
        let name = row.unwrap_or_else(|| panic!("no line `{line}` in {text}"));
        let mut letters = name.chars();
        Pin {
            port: letters.next().unwrap(),
            bit: letters.next().unwrap().to_digit(8).unwrap() as u8,
        }
    }

    /// Runs it for so many cycles at most, with the stop contact closed unless a
    /// stimulus says otherwise.
    pub(crate) fn run(&self, cycles: u64, stimuli: &[String]) -> Run {
        let stop = self.pin("stop contact");
        let out = Command::new(harness().expect("asked for before"))
            .arg(self.folder.join("player.elf"))
            .args([self.mcu(), CLOCK.to_string(), cycles.to_string()])
            .arg(format!("entry={ENTRY}"))
            .arg(format!("hold={}:{}:0", stop.port, stop.bit))
            .args(stimuli)
            .output()
            .unwrap();
        assert_succeeded(&out);
        Run::read(&String::from_utf8_lossy(&out.stdout))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Pin {
    pub port: char,
    pub bit: u8,
}

impl Pin {
    fn read(port: &str, bit: &str) -> Self {
        Self {
            port: port.chars().next().unwrap(),
            bit: bit.parse().unwrap(),
        }
    }
}

/// An edge: the cycle, the pin, the level behind it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Edge {
    pub cycle: u64,
    pub pin: Pin,
    pub level: u8,
}

/// What a run showed.
#[derive(Debug, Default)]
pub(crate) struct Run {
    pub edges: Vec<Edge>,
    /// Duty cycles of PWM outputs: from which cycle on, pin, counts high of how many.
    pub duties: Vec<(u64, Pin, [u32; 2])>,
    /// What the serial port said last.
    pub text: Option<String>,
    /// Every line that it said.
    pub texts: Vec<String>,
    /// Bytes of the stack that were used at most.
    pub stack: u64,
    /// Whether the timer of the steps still ran at the end: it does where a program has
    /// come to its end, and a stop halts it.
    pub counting: bool,
    /// Of every compare output that was in use, how long before an edge it was got ready at
    /// least (cycles).
    pub ahead: Vec<(Pin, u64)>,
    /// The longest that each interrupt kept others waiting (cycles), by its number.
    pub interrupts: Vec<(u32, u64)>,
    pub end: u64,
    /// The cycle at which the watchdog reset the board, if it did.
    pub watchdog: Option<u64>,
}

impl Run {
    fn read(text: &str) -> Self {
        let mut run = Self::default();
        for line in text.lines() {
            let words: Vec<&str> = line.split(' ').collect();
            match words[..] {
                ["pin", cycle, port, bit, level] => run.edges.push(Edge {
                    cycle: cycle.parse().unwrap(),
                    pin: Pin::read(port, bit),
                    level: level.parse().unwrap(),
                }),
                ["duty", cycle, port, bit, high, of] => {
                    let counts = [high, of].map(|count| count.parse().unwrap());
                    let duty = (cycle.parse().unwrap(), Pin::read(port, bit), counts);
                    run.duties.push(duty);
                }
                ["ahead", port, bit, cycles] => {
                    let ahead = (Pin::read(port, bit), cycles.parse().unwrap());
                    run.ahead.push(ahead);
                }
                ["interrupt", number, longest] => {
                    let interrupt = (number.parse().unwrap(), longest.parse().unwrap());
                    run.interrupts.push(interrupt);
                }
                ["text", ..] => run.texts.push(line["text ".len()..].to_owned()),
                ["stack", bytes] => run.stack = bytes.parse().unwrap(),
                ["counting", counting] => run.counting = counting == "1",
                ["watchdog", cycle] => run.watchdog = Some(cycle.parse().unwrap()),
                ["end", cycle] => run.end = cycle.parse().unwrap(),
                _ => {}
            }
        }
        run.text = run.texts.last().cloned();
        run
    }

    /// Cycles of the edges of a pin to a level.
    pub(crate) fn edges_of(&self, pin: Pin, level: u8) -> Vec<u64> {
        self.edges
            .iter()
            .filter(|edge| edge.pin == pin && edge.level == level)
            .map(|edge| edge.cycle)
            .collect()
    }
}

/// A tool has done its work; what it says of its trouble otherwise.
#[track_caller]
pub(crate) fn assert_succeeded(done: &Output) {
    let trouble = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "{trouble}");
}

/// Whether an event is a step of that axis.
pub(crate) fn is_step_of(event: &Event, wanted: usize) -> bool {
    matches!(event.what, EventKind::Step { axis, .. } if axis == wanted)
}
