//! What only a board reads and says: the other half of the language.

use crate::schedule::pack::read_awaited;
use crate::script::Until;
use crate::stream::message::*;
use crate::stream::record::*;

impl<'a> FromHost<'a> {
    /// Reads a payload; none where it is none.
    pub(in crate::stream) fn read(payload: &'a [u8]) -> Option<Self> {
        match payload {
            [GREETING, rest @ ..] => {
                let (likeness, rest) = Likeness::read(rest)?;
                Some(Self::Greeting(
                    likeness,
                    u32::from_le_bytes(rest.try_into().ok()?),
                ))
            }
            [DATA, tag, number, flags, bytes @ ..] => Some(Self::Data {
                tag: *tag,
                number: *number,
                start: flags & START != 0,
                last: flags & LAST != 0,
                part: if flags & SLOW_DOWN == 0 {
                    DataPart::Records
                } else {
                    DataPart::SlowDown
                },
                bytes,
            }),
            [STOP] => Some(Self::Stop),
            [QUESTION, tag] => Some(Self::Question(*tag)),
            _ => None,
        }
    }
}

impl FromBoard {
    /// Its payload.
    pub(super) fn payload(&self) -> Vec<u8> {
        match self {
            Self::Welcome(welcome) => {
                let mut bytes = vec![WELCOME];
                welcome.likeness.write(&mut bytes);
                bytes.extend(welcome.digest.to_le_bytes());
                bytes.extend(welcome.queue.to_le_bytes());
                let flags = flags(&[(welcome.accepted, ACCEPTED), (welcome.coils, COILS)]);
                bytes.extend([welcome.slow_down, flags]);
                bytes
            }
            Self::Report(report) => {
                let mut bytes = vec![REPORT, report.expected, report.heard];
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
}

/// Reads the record at the front of `bytes`: its stream, what it says, and what is
/// behind it. None where there is no whole record.
pub(in crate::stream) fn read_record(bytes: &[u8]) -> Option<(usize, RecordKind, &[u8])> {
    let (&head, mut rest) = bytes.split_first()?;
    let stream = usize::from(head & ((1 << STREAM_BITS) - 1));
    let kind = head >> STREAM_BITS;
    let mut byte = || {
        let (&first, behind) = rest.split_first()?;
        rest = behind;
        Some(first)
    };
    let what = if kind < 4 {
        let count = u16::try_from(read_number(&mut byte)?).ok()?;
        let widths = byte()?;
        let mut state = [0; 4];
        for (j, value) in state.iter_mut().enumerate().take(usize::from(kind) + 1) {
            let unused = 24 - 8 * u32::from(widths >> (2 * j) & 3);
            let mut read = 0u32;
            for shift in (0..32 - unused).step_by(8) {
                read |= u32::from(byte()?) << shift;
            }
            *value = ((read << unused) as i32 >> unused) as u32;
        }
        RecordKind::Run(StepRun { count, state })
    } else {
        let gap = read_number(&mut byte)?;
        let act = match kind {
            8 => Act::Pass,
            9 => Act::Step,
            10 => Act::Forwards,
            11 => Act::Backwards,
            12 | 13 => Act::Output(byte()?, kind == 13),
            14 => Act::Mark(byte()?),
            15 => Act::End,
            16 => Act::Meet,
            17 => {
                let (input, until) = read_awaited(byte()?).ok()?;
                Act::Await(input, until, read_number(&mut byte)?)
            }
            _ => return None,
        };
        RecordKind::Event { gap, act }
    };
    Some((stream, what, rest))
}

fn read_number(byte: &mut impl FnMut() -> Option<u8>) -> Option<u64> {
    let mut value = 0;
    for shift in (0..64).step_by(7) {
        let next = byte()?;
        value |= u64::from(next & 0x7f) << shift;
        if next & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

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
            tag: 9,
            number: 7,
            start: true,
            last: false,
            part: DataPart::Records,
            bytes: &[1, 2, 3],
        },
        FromHost::Data {
            tag: 0,
            number: 255,
            start: false,
            last: true,
            part: DataPart::SlowDown,
            bytes: &[],
        },
        FromHost::Stop,
        FromHost::Question(200),
    ] {
        assert_eq!(FromHost::read(&message.payload()), Some(message));
    }
    assert_eq!(FromHost::read(&[DATA, 0, 0]), None);
    assert_eq!(FromHost::read(&[QUESTION]), None);
}

#[test]
fn what_the_board_says_is_read_back() {
    let welcome = Welcome {
        likeness: LIKENESS,
        digest: 5,
        queue: 512,
        slow_down: 128,
        accepted: true,
        coils: true,
    };
    for state in BoardState::ALL {
        let report = BoardReport {
            expected: 3,
            heard: 9,
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

#[test]
fn records_are_read_back() {
    let event = |gap, act| RecordKind::Event { gap, act };
    let records = [
        event(0, Act::Forwards),
        event(5, Act::Backwards),
        event(127, Act::Step),
        event(128, Act::Pass),
        event(1 << 40, Act::End),
        event(70_000, Act::Output(3, true)),
        event(70_000, Act::Output(0, false)),
        event(9, Act::Mark(200)),
        event(9, Act::Meet),
        event(9, Act::Await(2, Until::Active, 4_000_000)),
        event(9, Act::Await(63, Until::Pressed, 10_000_000_000_000)),
        RecordKind::Run(StepRun {
            count: 4096,
            state: [0xC000_0000, 0, 0, 0],
        }),
        RecordKind::Run(StepRun {
            count: 48,
            state: [100 << 16, 0xFFFF_FF80, 0, 0xFFFE_0000],
        }),
    ];
    let mut bytes = Vec::new();
    for (number, record) in records.iter().enumerate() {
        write(number % 8, record, &mut bytes);
    }
    let mut rest = &bytes[..];
    for (number, record) in records.iter().enumerate() {
        let (stream, what, behind) = read_record(rest).expect("a record");
        assert_eq!((stream, &what), (number % 8, record));
        if let RecordKind::Run(run) = what {
            assert_eq!(rest.len() - behind.len(), run.size());
        }
        rest = behind;
    }
    assert!(rest.is_empty());
    for short in 0..bytes.len() {
        let mut rest = &bytes[..short];
        while let Some((_, _, behind)) = read_record(rest) {
            rest = behind;
        }
    }
}
