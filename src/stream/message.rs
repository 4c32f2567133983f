//! What host and board say to each other: the payloads of frames. Numbers are
//! unsigned and stand lowest byte first, unless said otherwise.
//!
//! From the host:
//!
//! | first byte | rest |
//! | --- | --- |
//! | 1 greeting | version (1 byte), ticks a second (4), axes (1), outputs (1), inputs (1), digest of the program (4) |
//! | 2 data | tag (1), number (1; counts up modulo 256), flags (1; 1: everything may move now, 2: what follows belongs to the slow-down, 4: everything since the last such flag counts from now on), bytes |
//! | 3 stop | nothing |
//! | 4 question | tag (1) |
//!
//! The bytes of a frame's records come in one or more pieces of data, and then those of its
//! slow-down: for each axis the bytes of its records (1) and the records. Where there are
//! none of a slow-down the one that came last holds on.
//!
//! A tag counts up modulo 256 with everything that has one, be it sent for the first time
//! or again.
//!
//! From the board:
//!
//! | first byte | rest |
//! | --- | --- |
//! | 1 welcome | version (1), ticks a second (4), axes (1), outputs (1), inputs (1), digest that was greeted with (4), bytes of its queue (2), bytes that a slow-down may have (1), flags (1; 1: the greeting was accepted, 2: the board switches coils itself) |
//! | 2 report | number of the data expected next (1), tag that was heard last (1), free bytes of the queue (2), state (1; in the order of [`BoardState`], from 0), ticks since the start (4), mark reached last (1; 0: none), position of each axis (4 each, two's complement) |

use std::fmt;

/// What both sides have to speak.
pub(crate) const VERSION: u8 = 3;

pub(super) const GREETING: u8 = 1;
pub(super) const DATA: u8 = 2;
pub(super) const STOP: u8 = 3;
pub(super) const QUESTION: u8 = 4;
pub(super) const WELCOME: u8 = 1;
/// Flags of a welcome.
pub(super) const ACCEPTED: u8 = 1;
pub(super) const COILS: u8 = 2;
pub(super) const REPORT: u8 = 2;

/// Flag of data: everything may move now.
pub(super) const START: u8 = 1;
/// Flag of data: it is a piece of a slow-down.
pub(super) const SLOW_DOWN: u8 = 2;
/// Flag of data: everything since the last such flag counts from now on.
pub(super) const LAST: u8 = 4;

/// The properties that a board must have to play a program.
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
pub(crate) enum FromHost<'a> {
    /// Who is there, and for what?
    Greeting(Likeness, u32),
    /// A piece of the schedule.
    Data {
        /// The tag of this message.
        tag: u8,
        /// The number of the piece.
        number: u8,
        /// Whether the board may start moving.
        start: bool,
        /// Whether it is the last piece of its frame.
        last: bool,
        /// What it is a piece of.
        part: DataPart,
        /// The piece.
        bytes: &'a [u8],
    },
    /// Slow down and stop behind what you have.
    Stop,
    /// Where do you stand? Has a tag.
    Question(u8),
}

/// What a piece of data belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DataPart {
    /// The records of a frame.
    Records,
    /// How to come to a standstill behind them.
    SlowDown,
}

impl FromHost<'_> {
    /// Its payload.
    pub(crate) fn payload(&self) -> Vec<u8> {
        match self {
            Self::Greeting(likeness, digest) => {
                let mut bytes = vec![GREETING];
                likeness.write(&mut bytes);
                bytes.extend(digest.to_le_bytes());
                bytes
            }
            Self::Data {
                tag,
                number,
                start,
                last,
                part,
                bytes,
            } => {
                let flags = flags(&[
                    (*start, START),
                    (*part == DataPart::SlowDown, SLOW_DOWN),
                    (*last, LAST),
                ]);
                let mut payload = vec![DATA, *tag, *number, flags];
                payload.extend(*bytes);
                payload
            }
            Self::Stop => vec![STOP],
            Self::Question(tag) => vec![QUESTION, *tag],
        }
    }
}

/// The byte in which those flags stand that are set.
pub(super) fn flags(all: &[(bool, u8)]) -> u8 {
    let set = all.iter().filter(|(set, _)| *set);
    set.fold(0, |byte, (_, flag)| byte | flag)
}

impl Likeness {
    const BYTES: usize = 8;

    pub(super) fn write(&self, bytes: &mut Vec<u8>) {
        bytes.push(self.version);
        bytes.extend(self.tick_rate.to_le_bytes());
        bytes.extend([self.axes, self.outputs, self.inputs]);
    }

    pub(super) fn read(bytes: &[u8]) -> Option<(Self, &[u8])> {
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
pub enum BoardState {
    /// It plays the program, or waits for an input.
    Running,
    /// The program was played to its end.
    Finished,
    /// It was not started.
    Damaged,
    /// The stop contact is open: pulses ended at once.
    StopContact,
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

impl BoardState {
    pub(super) const ALL: [Self; 12] = [
        Self::Running,
        Self::Finished,
        Self::Damaged,
        Self::StopContact,
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

impl fmt::Display for BoardState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Running => "running",
            Self::Finished => "finished",
            Self::Damaged => "not started",
            Self::StopContact => "the stop contact is open",
            Self::Late => "an interval was shorter than the board's interrupt",
            Self::Starved => "the board did not decode in time",
            Self::TimedOut => "an input did not arrive in time",
            Self::LineDead => "the line failed, and the board decelerated the axes",
            Self::Stopped => "decelerated to a standstill, as requested",
            Self::Ready => "ready",
            Self::Slowing => "decelerating",
            Self::Idle => "idle",
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
    /// Whether it switches the coils itself, which takes it time.
    pub coils: bool,
}

/// Where the board stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BoardReport {
    /// Number of the data that it expects next.
    pub expected: u8,
    /// Tag that it heard last.
    pub heard: u8,
    /// Free bytes of its queue.
    pub room: u16,
    /// How it stands.
    pub state: BoardState,
    /// Ticks of the schedule that it has played, modulo 2³².
    pub ticks: u32,
    /// Number of the mark that was reached last; see [`super::record`]. 0: none.
    pub mark: u8,
    /// Steps that each axis has made, forwards less backwards.
    pub positions: Vec<i32>,
}

/// What the board says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum FromBoard {
    /// The answer to a greeting.
    Welcome(Welcome),
    /// Where it stands.
    Report(BoardReport),
}

impl FromBoard {
    /// Reads a payload; none where it is none.
    pub(crate) fn read(payload: &[u8]) -> Option<Self> {
        match payload {
            [WELCOME, rest @ ..] => {
                let (likeness, rest) = Likeness::read(rest)?;
                let [a, b, c, d, low, high, slow_down, flags] = rest.try_into().ok()?;
                Some(Self::Welcome(Welcome {
                    likeness,
                    digest: u32::from_le_bytes([a, b, c, d]),
                    queue: u16::from_le_bytes([low, high]),
                    slow_down,
                    accepted: flags & ACCEPTED != 0,
                    coils: flags & COILS != 0,
                }))
            }
            [
                REPORT,
                expected,
                heard,
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
                Some(Self::Report(BoardReport {
                    expected: *expected,
                    heard: *heard,
                    room: u16::from_le_bytes([*low, *high]),
                    state: BoardState::read(*state)?,
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
