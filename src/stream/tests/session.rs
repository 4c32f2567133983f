//! A host, a board and a line between them, a millisecond at a time: time that is counted
//! here, so that no clock and no slow machine has a part in it.

use std::rc::Rc;
use std::time::Duration;

use crate::player::Lines;
use crate::rig::Rig;
use crate::stream::frame::{Arrival, Picker};
use crate::stream::host::{Ending, Host};
use crate::stream::message::{BoardReport, BoardState, FromBoard, FromHost};
use crate::stream::slicer::Frame;

use super::bench::{At, BenchProgram, likeness, slow_down};
use super::boards::{Board, Happening, Line, Process, Simulated};
use super::model_board::Model;
use super::wire::{Quality, Wire};

/// A millisecond.
pub(super) const SLICE: Duration = Duration::from_millis(1);
/// An output waits for a turn of the main loop and an interrupt: 81 and 11 ticks of
/// `board_posix.c` at 2 MHz.
const LATE_OUTPUTS: i64 = 81 + 11;

/// A line without faults at the usual rate.
pub(super) const CLEAN: Quality = Quality {
    baud: 115_200,
    bits: 10,
    faults: 0.0,
    delay: 0,
    seed: 1,
};

/// A faster line, for a part in the simulator: that takes 11 bits for a byte.
pub(super) const FAST: Quality = Quality {
    baud: 250_000,
    bits: 11,
    ..CLEAN
};

/// The usual line with faults.
pub(super) fn bad(faults: f64, seed: u64) -> Quality {
    Quality {
        faults,
        seed,
        ..CLEAN
    }
}

type Frames = std::vec::IntoIter<Frame>;

/// How far what has come to the board whole runs ahead of what it plays.
#[derive(Debug, Default)]
struct Lead {
    to: Picker,
    from: Picker,
    /// Pieces that have come, and the frames that they made up.
    pieces: u8,
    frames: usize,
    /// Ticks played, and when that was said.
    ticks: u64,
    said: Duration,
    running: bool,
    least: Option<Duration>,
}

impl Lead {
    fn hear(&mut self, arrived: &[u8]) {
        for &byte in arrived {
            let Some(Arrival::Whole(payload)) = self.to.take(byte) else {
                continue;
            };
            if let Some(FromHost::Data { number, last, .. }) = FromHost::read(&payload)
                && number == self.pieces
            {
                self.pieces = number.wrapping_add(1);
                self.frames += usize::from(last);
            }
        }
    }

    fn say(&mut self, now: Duration, said: &[u8]) {
        for &byte in said {
            let Some(Arrival::Whole(payload)) = self.from.take(byte) else {
                continue;
            };
            if let Some(FromBoard::Report(report)) = FromBoard::read(&payload) {
                self.ticks = report.ticks.into();
                self.said = now;
                self.running = report.state == BoardState::Running;
            }
        }
    }

    fn note(&mut self, now: Duration, program: &BenchProgram) {
        let Some(next) = program.frames.get(self.frames).filter(|_| self.running) else {
            return;
        };
        let rate = program.rig.timer.tick_rate();
        let ahead = next.from.saturating_sub(self.ticks) as f64 / rate;
        let ahead = Duration::from_secs_f64(ahead).saturating_sub(now - self.said);
        self.least = Some(self.least.map_or(ahead, |least| least.min(ahead)));
    }
}

/// A host, a board and a line between them.
pub(super) struct Session<B> {
    pub host: Host<Frames>,
    pub board: B,
    pub out: Wire,
    pub back: Wire,
    pub now: Duration,
    pub inputs: u8,
    quality: Quality,
    /// Ticks of a millisecond.
    slice: u32,
    /// How much happenings count in one tick, and by how much they may be off besides.
    per_tick: i64,
    grain: i64,
    /// How many ticks outputs may be off by besides: [`LATE_OUTPUTS`] where a board without
    /// hardware for them plays, none on the simulated part.
    late_outputs: i64,
    program: Rc<BenchProgram>,
    pub happened: Vec<Happening>,
    lead: Lead,
}

impl Session<Simulated> {
    /// On the simulated part; none where a tool is missing.
    pub(super) fn simulated(program: &Rc<BenchProgram>, quality: Quality) -> Option<Self> {
        let board = Simulated::start(&program.rig, quality.baud, Lines::Steps)?;
        Some(Self::on_simulated(board, program, quality))
    }

    /// On a simulated part that runs already. Its happenings are in cycles.
    pub(super) fn on_simulated(
        board: Simulated,
        program: &Rc<BenchProgram>,
        quality: Quality,
    ) -> Self {
        let mut session = Self::new(board, program, quality);
        session.per_tick = i64::from(program.rig.timer.prescaler);
        session.grain = 2;
        session.late_outputs = 0;
        session
    }
}

impl Session<Process> {
    /// On the player as it is compiled for this machine; none where a tool is missing.
    pub(super) fn process(program: &Rc<BenchProgram>, quality: Quality) -> Option<Self> {
        let board = Process::start(&Process::build(&program.rig, Lines::Steps)?);
        Some(Self::new(board, program, quality))
    }
}

impl Session<Model> {
    /// On the model of a board.
    pub(super) fn model(program: &Rc<BenchProgram>, quality: Quality) -> Self {
        Self::new(Model::new(likeness(&program.rig)), program, quality)
    }
}

impl<B: Board> Session<B> {
    pub(super) fn new(board: B, program: &Rc<BenchProgram>, quality: Quality) -> Self {
        let wanted = likeness(&program.rig);
        Self {
            host: Host::new(wanted, 0x1234_5678, quality.baud),
            board,
            out: Wire::new(quality, 0, quality.seed),
            back: Wire::new(quality, quality.delay, quality.seed + 1),
            now: Duration::ZERO,
            inputs: 0,
            quality,
            slice: wanted.tick_rate / 1000,
            per_tick: 1,
            grain: 0,
            late_outputs: LATE_OUTPUTS,
            program: Rc::clone(program),
            happened: Vec::new(),
            lead: Lead::default(),
        }
    }

    /// The shortest time that the board could have gone on without the line, while it
    /// played.
    pub(super) fn least_lead(&self) -> Duration {
        self.lead.least.unwrap_or_default()
    }

    fn rig(&self) -> &Rig {
        &self.program.rig
    }

    /// A millisecond.
    pub(super) fn step(&mut self) {
        if self.host.wants_frames() {
            let room = self.host.welcome().expect("a welcome").slow_down;
            assert_eq!(usize::from(room), slow_down(self.rig()));
            self.host.play(self.program.frames.clone().into_iter());
        }
        self.out.put(&self.host.transmit(self.now));
        let arrived = self.out.take();
        let most = self.quality.pace() as u16;
        let (said, happened) = self.board.run(self.slice, self.inputs, most, &arrived);
        self.back.put(&said);
        self.now += SLICE;
        let heard = self.back.take();
        self.host.receive(self.now, &heard);
        self.happened.extend(happened);
        self.lead.hear(&arrived);
        self.lead.say(self.now, &said);
        self.lead.note(self.now, &self.program);
    }

    /// Until it ends; how.
    pub(super) fn run(&mut self) -> Ending {
        while self.host.ending().is_none() {
            self.step();
            assert!(
                self.now < Duration::from_secs(600),
                "no end: {:?}, {:?}, {} happenings",
                self.host.report(),
                self.host.counts(),
                self.happened.len()
            );
        }
        self.host.ending().cloned().expect("an ending")
    }

    /// Until the board reports its end.
    pub(super) fn run_to_report(&mut self) -> BoardReport {
        match self.run() {
            Ending::Reported(report) => report,
            other => panic!("{other:?}"),
        }
    }

    /// So many milliseconds more.
    pub(super) fn wait(&mut self, milliseconds: u32) {
        for _ in 0..milliseconds {
            self.step();
        }
    }

    /// Plays everything, and checks that each step was made once and on its tick.
    pub(super) fn play_all(&mut self) {
        let report = self.run_to_report();
        assert_eq!(
            report.state,
            BoardState::Finished,
            "{:?}: {report:?} {:?} at {:?}",
            self.quality,
            self.host.counts(),
            self.now
        );
        self.check_all();
        assert_eq!(report.positions, self.positions());
    }

    /// Runs until the board stands in this state; its axes have come to a standstill where
    /// it says they have.
    pub(super) fn run_to(&mut self, state: BoardState) -> BoardReport {
        let report = self.run_to_report();
        assert_eq!(report.state, state, "at {:?}", self.now);
        assert_eq!(report.positions, self.positions());
        report
    }

    /// By how many cycles the edges of a line come behind those of another session, whose
    /// board counts in ticks.
    pub(super) fn behind<O: Board>(&self, ticks: &Session<O>, line: Line) -> Vec<i64> {
        let (made, wanted) = (self.of(line), ticks.of(line));
        assert_eq!(made.len(), wanted.len());
        made.iter()
            .zip(&wanted)
            .map(|(made, wanted)| made.0 as i64 - wanted.0 as i64 * self.per_tick)
            .collect()
    }

    /// Steps that the step lines made, by the direction lines.
    pub(super) fn positions(&self) -> Vec<i32> {
        let mut positions = vec![0; self.rig().axes.len()];
        for happening in &self.happened {
            if let Line::Step(axis) = happening.line {
                positions[axis] += i32::from(happening.level as i8);
            }
        }
        positions
    }

    /// What a line did.
    pub(super) fn of(&self, line: Line) -> Vec<At> {
        let of_line = self.happened.iter().filter(|one| one.line == line);
        of_line.map(|one| (one.tick, one.level)).collect()
    }

    /// Checks every step, direction and output against the schedule.
    fn check_all(&self) {
        let BenchProgram { steps, lamp, .. } = &*self.program;
        let made: Vec<Vec<At>> = (0..steps.len())
            .map(|axis| self.of(Line::Step(axis)))
            .collect();
        let first = made.iter().zip(steps).filter_map(|(made, wanted)| {
            let (made, wanted) = (made.first()?.0, wanted.first()?.0);
            Some(made as i64 - wanted as i64 * self.per_tick)
        });
        let origin = first.min().expect("steps");
        let off =
            |made: u64, wanted: u64| (made as i64 - origin - wanted as i64 * self.per_tick).abs();
        for (axis, (made, wanted)) in made.iter().zip(steps).enumerate() {
            for (number, (made, wanted)) in made.iter().zip(wanted).enumerate() {
                assert_eq!(made.1, wanted.1, "direction of step {number}");
                // One tick each of this step and of the one that sets the origin.
                assert!(
                    off(made.0, wanted.0) <= 2 * self.per_tick + self.grain,
                    "axis {axis}, step {number}: {} for {}",
                    made.0 as i64 - origin,
                    wanted.0
                );
            }
            assert_eq!(
                made.len(),
                wanted.len(),
                "steps of axis {axis}: {:?}, {:?}",
                &made[made.len() - 3..],
                self.happened.last()
            );
        }
        let made = self.of(Line::Output(0));
        for (made, wanted) in made.iter().zip(lamp) {
            assert_eq!(made.1, wanted.1);
            assert!(
                off(made.0, wanted.0) <= (1 + self.late_outputs) * self.per_tick + self.grain,
                "{made:?} for {wanted:?}"
            );
        }
        assert_eq!(made.len(), lamp.len(), "outputs");
    }

    /// Figures for whoever runs the tests with `--nocapture`.
    pub(super) fn tell(&self) {
        let steps: usize = self.program.steps.iter().map(Vec::len).sum();
        let counts = self.host.counts();
        eprintln!(
            "{steps} steps in {:?}, never less than {:?} ahead; {} frames, {} more sent again; \
             {:.3} bytes a step; {} of {} bytes damaged on the way out, {} of {} on the way back",
            self.now,
            self.least_lead(),
            counts.sent,
            counts.again,
            counts.bytes as f64 / steps as f64,
            self.out.damaged,
            self.out.carried,
            self.back.damaged,
            self.back.carried
        );
    }
}
