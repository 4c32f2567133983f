//! Frames with a right checksum that no host would send: the board reads and writes nothing
//! but its own memory, which the compiler's sanitizers watch, and answers afterwards.

use super::bench::{likeness, rig};
use super::boards::{Board as _, Process};
use crate::player::Lines;
use crate::stream::frame::{self, Arrival, Picker};
use crate::stream::message::{BoardState, DataPart, FromBoard, FromHost};

/// Numbers without a pattern, by a linear congruence.
struct Any(u32);

impl Any {
    fn below(&mut self, most: u32) -> u32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (self.0 >> 8) % most
    }

    /// Bytes that begin as a record does, or not even that.
    fn records(&mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        for _ in 0..=self.below(4) {
            let first = match self.below(3) {
                0 => self.below(256),
                _ => 8 * self.below(20) + self.below(4),
            };
            bytes.push(first as u8);
            let small = self.below(2) == 0;
            for _ in 0..self.below(12) {
                bytes.push(self.below(if small { 4 } else { 256 }) as u8);
            }
        }
        bytes
    }
}

/// A board and what it has said.
struct Session {
    board: Process,
    picker: Picker,
    expected: u8,
    state: Option<BoardState>,
    welcomes: usize,
}

impl Session {
    fn say(&mut self, message: &FromHost<'_>) {
        let mut line = vec![0];
        frame::write(&message.payload(), &mut line);
        line.push(0);
        let (said, _) = self.board.run(20_000, 0, 400, &line);
        for byte in said {
            let Some(Arrival::Whole(payload)) = self.picker.take(byte) else {
                continue;
            };
            match FromBoard::read(&payload) {
                Some(FromBoard::Welcome(welcome)) => {
                    self.welcomes += usize::from(welcome.accepted);
                    self.expected = 0;
                }
                Some(FromBoard::Report(report)) => {
                    self.expected = report.expected;
                    self.state = Some(report.state);
                }
                None => panic!("the board says {payload:?}"),
            }
        }
    }
}

#[test]
fn hostile_frames_move_the_board_out_of_no_bounds() {
    let rig = rig(&["dial", "arm"]);
    let Some(program) = Process::build(&rig, Lines::Steps) else {
        return;
    };
    let mut any = Any(1);
    let mut session = Session {
        board: Process::start(&program),
        picker: Picker::default(),
        expected: 0,
        state: None,
        welcomes: 0,
    };
    let mut restarts = 0;
    for round in 0..150 {
        // Until what is still played has come to its end. It may ask to wait for hours.
        let before = session.welcomes;
        for _ in 0..60 {
            session.say(&FromHost::Greeting(likeness(&rig), round));
            if session.welcomes > before {
                break;
            }
            session.say(&FromHost::Stop);
        }
        if session.welcomes == before {
            assert!(
                matches!(
                    session.state,
                    Some(BoardState::Running | BoardState::Slowing)
                ),
                "round {round}: {:?}",
                session.state
            );
            session.board = Process::start(&program);
            session.say(&FromHost::Greeting(likeness(&rig), round));
            restarts += 1;
        }
        for _ in 0..any.below(12) {
            let bytes = any.records();
            let part = if any.below(4) == 0 {
                DataPart::SlowDown
            } else {
                DataPart::Records
            };
            session.say(&FromHost::Data {
                tag: any.below(256) as u8,
                number: session.expected,
                start: any.below(2) == 0,
                last: any.below(3) > 0,
                part,
                bytes: &bytes,
            });
        }
    }
    assert!(restarts < 75, "{restarts} boards have not come to an end");
}
