//! A board in a few lines, written from the description of the link alone: it needs no
//! compiler, and it is a second reading of what goes over the line. It knows no inputs.

use std::collections::VecDeque;

use crate::stream::frame::{self, Arrival, Picker};
use crate::stream::message::{
    BoardReport, BoardState, DataPart, FromBoard, FromHost, Likeness, Welcome,
};
use crate::stream::record::{Act, RecordKind};

use super::board_language::read_record;
use super::boards::{Board, Happening, Line};

const QUEUE: usize = 512;

/// One stream: where its records end, which way its steps go, what is still to come.
#[derive(Debug, Default, Clone)]
struct BoardStream {
    clock: u64,
    backwards: bool,
    ended: bool,
    events: VecDeque<Happening>,
}

/// The board.
#[derive(Debug)]
pub(super) struct Model {
    likeness: Likeness,
    picker: Picker,
    state: BoardState,
    expected: u8,
    heard: u8,
    queue: Vec<u8>,
    slow_down: Vec<u8>,
    /// Records and a slow-down that do not count yet.
    coming: Vec<u8>,
    coming_slow_down: Option<Vec<u8>>,
    streams: Vec<BoardStream>,
    positions: Vec<i32>,
    mark: u8,
    now: u64,
    slices: u64,
    closing: Option<BoardState>,
    out: Vec<u8>,
}

impl Model {
    /// Bytes of a slow-down, as the boards have them.
    fn slow_down_room(&self) -> u8 {
        if self.likeness.axes > 1 { 250 } else { 176 }
    }

    pub(super) fn new(likeness: Likeness) -> Self {
        let axes = usize::from(likeness.axes);
        Self {
            likeness,
            picker: Picker::default(),
            state: BoardState::Idle,
            expected: 0,
            heard: 0,
            queue: Vec::new(),
            slow_down: Vec::new(),
            coming: Vec::new(),
            coming_slow_down: None,
            streams: vec![BoardStream::default(); axes + 1],
            positions: vec![0; axes],
            mark: 0,
            now: 0,
            slices: 0,
            closing: None,
            out: Vec::new(),
        }
    }

    fn say(&mut self, message: &FromBoard) {
        frame::write(&message.payload(), &mut self.out);
    }

    fn report(&mut self) {
        let report = BoardReport {
            expected: self.expected,
            heard: self.heard,
            room: (QUEUE - self.queue.len() - self.coming.len()) as u16,
            state: self.state,
            ticks: self.now as u32,
            mark: self.mark,
            positions: self.positions.clone(),
        };
        self.say(&FromBoard::Report(report));
    }

    fn hear(&mut self, payload: &[u8]) {
        let playing = matches!(self.state, BoardState::Running | BoardState::Slowing);
        match FromHost::read(payload) {
            Some(FromHost::Greeting(likeness, digest)) => {
                let accepted = !playing && likeness == self.likeness;
                if accepted {
                    *self = Self {
                        state: BoardState::Ready,
                        ..Self::new(likeness)
                    };
                }
                let welcome = Welcome {
                    likeness: self.likeness,
                    digest,
                    queue: QUEUE as u16,
                    slow_down: self.slow_down_room(),
                    accepted,
                    coils: false,
                };
                self.say(&FromBoard::Welcome(welcome));
            }
            Some(FromHost::Data {
                tag,
                number,
                start,
                last,
                part,
                bytes,
            }) => {
                self.heard = tag;
                let takes = matches!(self.state, BoardState::Running | BoardState::Ready);
                if takes && self.closing.is_none() && number == self.expected {
                    self.expected = number.wrapping_add(1);
                    self.piece(part, bytes, last);
                    if start {
                        self.state = BoardState::Running;
                    }
                }
                self.report();
            }
            Some(FromHost::Stop) => {
                if playing {
                    self.closing.get_or_insert(BoardState::Stopped);
                } else if self.state == BoardState::Ready {
                    self.state = BoardState::Idle;
                }
                self.report();
            }
            Some(FromHost::Question(tag)) => {
                self.heard = tag;
                self.report();
            }
            None => {}
        }
    }

    fn piece(&mut self, part: DataPart, bytes: &[u8], last: bool) {
        match part {
            DataPart::Records => self.coming.extend(bytes),
            DataPart::SlowDown => {
                let room = usize::from(self.slow_down_room());
                let slow_down = self.coming_slow_down.get_or_insert_default();
                slow_down.extend(bytes);
                assert!(slow_down.len() <= room);
            }
        }
        assert!(
            self.queue.len() + self.coming.len() <= QUEUE,
            "too much was sent"
        );
        if last {
            self.queue.append(&mut self.coming);
            if let Some(slow_down) = self.coming_slow_down.take() {
                self.slow_down = slow_down;
            }
        }
    }

    /// Decodes one record into its stream.
    fn decode(&mut self, stream: usize, what: RecordKind) {
        let axes = self.positions.len();
        let one = &mut self.streams[stream];
        let step = |one: &BoardStream, tick| Happening {
            tick,
            line: Line::Step(stream),
            level: if one.backwards { 255 } else { 1 },
        };
        match what {
            RecordKind::Run(run) => {
                let start = one.clock;
                for tick in run.ticks() {
                    one.events.push_back(step(one, start + tick));
                    one.clock = start + tick;
                }
            }
            RecordKind::Event { gap, act } => {
                one.clock += gap;
                match act {
                    Act::Step => one.events.push_back(step(one, one.clock)),
                    Act::Forwards => one.backwards = false,
                    Act::Backwards => one.backwards = true,
                    Act::Output(output, on) => {
                        assert_eq!(stream, axes, "outputs have a stream of their own");
                        one.events.push_back(Happening {
                            tick: one.clock,
                            line: Line::Output(usize::from(output)),
                            level: u8::from(on),
                        });
                    }
                    Act::Mark(number) => self.mark = number,
                    Act::End => one.ended = true,
                    Act::Pass | Act::Meet | Act::Await(..) => {}
                }
            }
        }
    }

    /// Decodes what is due soon; starts the slow-down where nothing more is there.
    fn look_ahead(&mut self, soon: u64) {
        while self.state == BoardState::Running {
            let Some((stream, what, rest)) = read_record(&self.queue) else {
                assert!(self.queue.is_empty(), "half a record");
                break;
            };
            if self.streams[stream].clock > soon {
                return;
            }
            let used = self.queue.len() - rest.len();
            self.queue.drain(..used);
            self.decode(stream, what);
        }
        let dry = self
            .streams
            .iter()
            .any(|one| !one.ended && one.clock < soon);
        if self.state == BoardState::Running && (dry || self.closing.is_some()) {
            self.closing.get_or_insert(BoardState::LineDead);
            self.state = BoardState::Slowing;
            let slow_down = std::mem::take(&mut self.slow_down);
            let mut rest = &slow_down[..];
            while let [length, behind @ ..] = rest {
                let (mut records, behind) = behind.split_at(usize::from(*length));
                while let Some((stream, what, more)) = read_record(records) {
                    self.decode(stream, what);
                    records = more;
                }
                rest = behind;
            }
        }
    }
}

impl Board for Model {
    fn run(
        &mut self,
        ticks: u32,
        inputs: u8,
        most: u16,
        bytes: &[u8],
    ) -> (Vec<u8>, Vec<Happening>) {
        assert_eq!(inputs, 0, "this board knows no inputs");
        for &byte in bytes {
            if let Some(Arrival::Whole(payload)) = self.picker.take(byte) {
                self.hear(&payload);
            }
        }
        let mut happened = Vec::new();
        if matches!(self.state, BoardState::Running | BoardState::Slowing) {
            self.now += u64::from(ticks);
            self.look_ahead(self.now + 20 * u64::from(ticks));
            for one in &mut self.streams {
                while one
                    .events
                    .front()
                    .is_some_and(|event| event.tick <= self.now)
                {
                    happened.extend(one.events.pop_front());
                }
            }
            happened.sort_by_key(|event| event.tick);
            for event in &happened {
                if let Line::Step(axis) = event.line {
                    self.positions[axis] += i32::from(event.level as i8);
                }
            }
            let over = self.streams.iter().all(|one| one.events.is_empty());
            let ended = self
                .streams
                .iter()
                .all(|one| one.ended && one.clock <= self.now);
            match self.state {
                BoardState::Slowing if over => {
                    self.state = self.closing.unwrap_or(BoardState::LineDead)
                }
                BoardState::Running if over && ended => self.state = BoardState::Finished,
                _ => {}
            }
        }
        self.slices += 1;
        if self.slices.is_multiple_of(20) {
            self.report();
        }
        let most = usize::from(most).min(self.out.len());
        (self.out.drain(..most).collect(), happened)
    }
}
