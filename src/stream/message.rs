//! What host and board say to each other: the payloads of frames. Numbers are
//! unsigned and stand lowest byte first, unless said otherwise.
//!
//! From the host:
//!
//! | first byte | rest |
//! | --- | --- |
//! | 1 greeting | version (1 byte), ticks a second (4), axes (1), outputs (1), inputs (1), digest of the program (4) |
//! | 2 data | number (1; counts up modulo 256), flags (1; 1: everything may move now, 2: the slow-down that came last holds on), bytes of records (1), bytes of slow-down (1), records, slow-down: for each axis the bytes of its records (1) and the records |
//! | 3 stop | nothing |
//! | 4 question | nothing |
//!
//! From the board:
//!
//! | first byte | rest |
//! | --- | --- |
//! | 1 welcome | version (1), ticks a second (4), axes (1), outputs (1), inputs (1), digest that was greeted with (4), bytes of its queue (2), bytes that a slow-down may have (1), whether the greeting was accepted (1) |
//! | 2 report | number of the data expected next (1), whether something was damaged or missing (1), free bytes of the queue (2), state (1; in the order of [`State`], from 0), ticks since the start (4), mark reached last (1; 0: none), position of each axis (4 each, two's complement) |

use std::fmt;

/// What both sides have to speak.
pub const VERSION: u8 = 1;

const GREETING: u8 = 1;
const DATA: u8 = 2;
const STOP: u8 = 3;
const QUESTION: u8 = 4;
const WELCOME: u8 = 1;
const REPORT: u8 = 2;

/// Bytes of a data payload before its records.
pub const DATA_HEAD: usize = 5;
/// Flag of data: everything may move now.
const START: u8 = 1;
/// Flag of data: the slow-down that came last holds on.
const KEEP: u8 = 2;

/// What a board has to be like to play a program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Likeness {
    /// Version of the protocol.
    pub version: u8,
    /// Ticks a second.
    pub tick_rate: u32,
    /// How many axes it moves.
    pub axes: u8,
    /// How many outputs it switches.
    pub outputs: u8,
    /// How many inputs it reads.
    pub inputs: u8,
}

/// What the host says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FromHost<'a> {
    /// Who is there, and for what?
    Greeting(Likeness, u32),
    /// A piece of the schedule.
    Data {
        /// Its number.
        number: u8,
        /// Whether the board may start moving.
        start: bool,
        /// The records.
        records: &'a [u8],
        /// How to come to a standstill behind the records; none where the one before
        /// holds on.
        slow_down: Option<&'a [u8]>,
    },
    /// Slow down and stop behind what you have.
    Stop,
    /// Where do you stand?
    Question,
}

impl<'a> FromHost<'a> {
    /// Its payload.
    pub fn payload(&self) -> Vec<u8> {
        match self {
            Self::Greeting(likeness, digest) => {
                let mut bytes = vec![GREETING];
                likeness.write(&mut bytes);
                bytes.extend(digest.to_le_bytes());
                bytes
            }
            Self::Data {
                number,
                start,
                records,
                slow_down,
            } => {
                let mut flags = 0;
                if *start {
                    flags |= START;
                }
                if slow_down.is_none() {
                    flags |= KEEP;
                }
                let slow_down = slow_down.unwrap_or_default();
                // Both are short by construction; see `super::slicer`.
                let (many, more) = (records.len() as u8, slow_down.len() as u8);
                let mut bytes = vec![DATA, *number, flags, many, more];
                bytes.extend(*records);
                bytes.extend(slow_down);
                bytes
            }
            Self::Stop => vec![STOP],
            Self::Question => vec![QUESTION],
        }
    }

    /// Reads a payload; none where it is none.
    pub fn read(payload: &'a [u8]) -> Option<Self> {
        match payload {
            [GREETING, rest @ ..] => {
                let (likeness, rest) = Likeness::read(rest)?;
                Some(Self::Greeting(
                    likeness,
                    u32::from_le_bytes(rest.try_into().ok()?),
                ))
            }
            [DATA, number, flags, records, slow_down, rest @ ..] => {
                let (records, rest) = rest.split_at_checked(usize::from(*records))?;
                if rest.len() != usize::from(*slow_down) {
                    return None;
                }
                Some(Self::Data {
                    number: *number,
                    start: flags & START != 0,
                    records,
                    slow_down: (flags & KEEP == 0).then_some(rest),
                })
            }
            [STOP] => Some(Self::Stop),
            [QUESTION] => Some(Self::Question),
            _ => None,
        }
    }
}

impl Likeness {
    const BYTES: usize = 8;

    fn write(&self, bytes: &mut Vec<u8>) {
        bytes.push(self.version);
        bytes.extend(self.tick_rate.to_le_bytes());
        bytes.extend([self.axes, self.outputs, self.inputs]);
    }

    fn read(bytes: &[u8]) -> Option<(Self, &[u8])> {
        let (own, rest) = bytes.split_at_checked(Self::BYTES)?;
        let [version, a, b, c, d, axes, outputs, inputs] = own.try_into().ok()?;
        let likeness = Self {
            version,
            tick_rate: u32::from_le_bytes([a, b, c, d]),
            axes,
            outputs,
            inputs,
        };
        Some((likeness, rest))
    }
}

/// How the board stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// It plays the program, or waits for an input.
    Running,
    /// The program was played to its end.
    Finished,
    /// It was not started.
    Damaged,
    /// The emergency stop is open: pulses ended at once.
    Emergency,
    /// An interval was shorter than the interrupt takes: pulses ended at once.
    Late,
    /// Records were not decoded in time: pulses ended at once.
    Starved,
    /// An input did not come in time.
    TimedOut,
    /// The line fell silent: the axes were slowed down to a standstill.
    LineDead,
    /// The host asked for it: the axes were slowed down to a standstill.
    Stopped,
    /// It knows a program and stands still, ready for data.
    Ready,
    /// It is slowing down.
    Slowing,
    /// It has not been greeted since it stands.
    Idle,
}

impl State {
    const ALL: [Self; 12] = [
        Self::Running,
        Self::Finished,
        Self::Damaged,
        Self::Emergency,
        Self::Late,
        Self::Starved,
        Self::TimedOut,
        Self::LineDead,
        Self::Stopped,
        Self::Ready,
        Self::Slowing,
        Self::Idle,
    ];

    fn read(byte: u8) -> Option<Self> {
        Self::ALL.get(usize::from(byte)).copied()
    }

    /// Its number on the line.
    pub const fn byte(self) -> u8 {
        self as u8
    }

    /// Whether the board has come to the end of a program, one way or another.
    pub const fn is_end(self) -> bool {
        !matches!(
            self,
            Self::Running | Self::Ready | Self::Slowing | Self::Idle
        )
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Running => "running",
            Self::Finished => "finished",
            Self::Damaged => "not started",
            Self::Emergency => "the emergency stop is open",
            Self::Late => "an interval was shorter than the board's interrupt takes",
            Self::Starved => "the board did not decode in time",
            Self::TimedOut => "an input did not come in time",
            Self::LineDead => "the line fell silent, and the board slowed the axes down",
            Self::Stopped => "slowed down to a standstill, as asked",
            Self::Ready => "ready",
            Self::Slowing => "slowing down",
            Self::Idle => "standing by",
        })
    }
}

/// The board's answer to a greeting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Welcome {
    /// What it is like.
    pub likeness: Likeness,
    /// The digest that it was greeted with.
    pub digest: u32,
    /// Bytes that its queue holds.
    pub queue: u16,
    /// Bytes that a slow-down may have.
    pub slow_down: u8,
    /// Whether it took the greeting: it does where likenesses agree and it stands still.
    pub accepted: bool,
}

/// Where the board stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// Number of the data that it expects next.
    pub expected: u8,
    /// Whether something came damaged, or ahead of something that is missing.
    pub gap: bool,
    /// Free bytes of its queue.
    pub room: u16,
    /// How it stands.
    pub state: State,
    /// Ticks of the schedule that it has played, modulo 2³².
    pub ticks: u32,
    /// Number of the mark that was reached last, from 1; 0: none.
    pub mark: u8,
    /// Steps that each axis has made, forwards less backwards.
    pub positions: Vec<i32>,
}

/// What the board says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FromBoard {
    /// The answer to a greeting.
    Welcome(Welcome),
    /// Where it stands.
    Report(Report),
}

impl FromBoard {
    /// Its payload.
    pub fn payload(&self) -> Vec<u8> {
        match self {
            Self::Welcome(welcome) => {
                let mut bytes = vec![WELCOME];
                welcome.likeness.write(&mut bytes);
                bytes.extend(welcome.digest.to_le_bytes());
                bytes.extend(welcome.queue.to_le_bytes());
                bytes.extend([welcome.slow_down, u8::from(welcome.accepted)]);
                bytes
            }
            Self::Report(report) => {
                let mut bytes = vec![REPORT, report.expected, u8::from(report.gap)];
                bytes.extend(report.room.to_le_bytes());
                bytes.push(report.state.byte());
                bytes.extend(report.ticks.to_le_bytes());
                bytes.push(report.mark);
                for position in &report.positions {
                    bytes.extend(position.to_le_bytes());
                }
                bytes
            }
        }
    }

    /// Reads a payload; none where it is none.
    pub fn read(payload: &[u8]) -> Option<Self> {
        match payload {
            [WELCOME, rest @ ..] => {
                let (likeness, rest) = Likeness::read(rest)?;
                let [a, b, c, d, low, high, slow_down, accepted] = rest.try_into().ok()?;
                Some(Self::Welcome(Welcome {
                    likeness,
                    digest: u32::from_le_bytes([a, b, c, d]),
                    queue: u16::from_le_bytes([low, high]),
                    slow_down,
                    accepted: accepted == 1,
                }))
            }
            [
                REPORT,
                expected,
                gap,
                low,
                high,
                state,
                a,
                b,
                c,
                d,
                mark,
                positions @ ..,
            ] => {
                let (positions, []) = positions.as_chunks::<4>() else {
                    return None;
                };
                Some(Self::Report(Report {
                    expected: *expected,
                    gap: *gap != 0,
                    room: u16::from_le_bytes([*low, *high]),
                    state: State::read(*state)?,
                    ticks: u32::from_le_bytes([*a, *b, *c, *d]),
                    mark: *mark,
                    positions: positions
                        .iter()
                        .map(|bytes| i32::from_le_bytes(*bytes))
                        .collect(),
                }))
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIKENESS: Likeness = Likeness {
        version: VERSION,
        tick_rate: 2_000_000,
        axes: 2,
        outputs: 1,
        inputs: 3,
    };

    #[test]
    fn what_the_host_says_is_read_back() {
        for message in [
            FromHost::Greeting(LIKENESS, 0xDEAD_BEEF),
            FromHost::Data {
                number: 7,
                start: true,
                records: &[1, 2, 3],
                slow_down: Some(&[]),
            },
            FromHost::Data {
                number: 255,
                start: false,
                records: &[],
                slow_down: None,
            },
            FromHost::Stop,
            FromHost::Question,
        ] {
            assert_eq!(FromHost::read(&message.payload()), Some(message));
        }
        assert_eq!(FromHost::read(&[DATA, 0, 0, 2, 0, 1]), None);
        assert_eq!(FromHost::read(&[DATA, 0, 0, 1, 0, 1, 1]), None);
    }

    #[test]
    fn what_the_board_says_is_read_back() {
        let welcome = Welcome {
            likeness: LIKENESS,
            digest: 5,
            queue: 512,
            slow_down: 128,
            accepted: true,
        };
        for state in State::ALL {
            let report = Report {
                expected: 3,
                gap: true,
                room: 300,
                state,
                ticks: 1 << 31,
                mark: 2,
                positions: vec![-1, i32::MAX],
            };
            let message = FromBoard::Report(report);
            assert_eq!(FromBoard::read(&message.payload()), Some(message));
        }
        let message = FromBoard::Welcome(welcome);
        assert_eq!(FromBoard::read(&message.payload()), Some(message));
    }
}
