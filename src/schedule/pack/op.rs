//! Operations: what one stream of a packed program does, one after the other.
//!
//! Every axis has a stream of its own, and the outputs, inputs and texts share one
//! more. Each operation begins a gap after the one before has ended; a motion ends
//! at its last step, every other operation where it begins, with whatever fraction of
//! a tick that is. Gaps have 32 bits behind the point, so that what repeats can be
//! stored once and still not drift.

use super::Malformed;
use super::bytes::{Reader, write_number};
use super::fold::{Fold, fold};
use crate::plan::Direction;
use crate::script::{Until, WITHOUT_END};

/// Bits behind the point of a gap.
pub(crate) const GAP_BITS: u32 = 32;

/// Something that a stream does, and when.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct Op {
    /// From the end of the operation before to the start of this one, in 2⁻³² ticks.
    pub(crate) gap: u64,
    /// What.
    pub(crate) act: OpKind,
}

/// What a stream can do.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) enum OpKind {
    /// Play a motion.
    Play(u16),
    /// Change the direction of the axis.
    Direction(Direction),
    /// Switch an output.
    Output(u8, bool),
    /// A text, by number.
    Mark(u16),
    /// Wait for an input; every stream stops here and goes on from here.
    Await(u8, Until, Option<u64>),
    /// Seek an input with an axis, until what; every stream stops here and goes on from here …
    Seek(u8, Until, u8),
    /// … and once more where that has ended.
    Sought,
    /// Give the place of an axis a position; every stream stops here too.
    Zero(u8, i64),
    /// Another stream waits for an input.
    Meet,
    /// Nothing: a gap longer than one operation can have.
    Wait,
    /// Do a list of operations so many times.
    Repeat(u32, Vec<Op>),
    /// The same with what was not gone through when it was packed: how often, and how long
    /// each time takes (2⁻³² ticks).
    Again(u64, u128, Vec<Op>),
    /// Do a list of operations without end.
    Forever(Vec<Op>),
}

/// The most of one repeat; more are nested.
const MANY: u64 = u32::MAX as u64;
/// The count of a repeat without end.
const ENDLESS: u64 = 0;

const END: u8 = 0;
const PLAY: u8 = 1;
const POSITIVE: u8 = 2;
const NEGATIVE: u8 = 3;
const OFF: u8 = 4;
const ON: u8 = 5;
const MARK: u8 = 6;
const AWAIT: u8 = 7;
const AWAIT_WITH_TIMEOUT: u8 = 8;
const MEET: u8 = 9;
const REPEAT: u8 = 10;
const WAIT: u8 = 11;
/// A gap of so many ticks; the next four tags have one to four bytes of fraction.
const GAP: u8 = 12;
const EXACT_GAP: u8 = GAP + 4;
const SEEK: u8 = 17;
const SOUGHT: u8 = 18;
const ZERO: u8 = 19;

/// How deep repeats may be nested.
pub(crate) const MOST_NESTED: usize = 4;

impl Fold for Op {
    const REPEAT: usize = 3;

    fn same(&self, other: &Self) -> bool {
        self == other
    }

    fn repeat(count: u32, body: Vec<Self>) -> Self {
        Self {
            gap: 0,
            act: OpKind::Repeat(count, body),
        }
    }

    fn depth(&self) -> usize {
        match &self.act {
            OpKind::Repeat(_, body) | OpKind::Forever(body) => 1 + depth(body),
            OpKind::Again(times, _, body) => levels(*times) + depth(body),
            OpKind::Play(_)
            | OpKind::Direction(_)
            | OpKind::Output(..)
            | OpKind::Mark(_)
            | OpKind::Await(..)
            | OpKind::Seek(..)
            | OpKind::Sought
            | OpKind::Zero(..)
            | OpKind::Meet
            | OpKind::Wait => 0,
        }
    }

    fn size(&self) -> usize {
        let gap = match self.gap {
            0 => 0,
            gap => 3 + fraction(gap).len(),
        };
        let act = match &self.act {
            OpKind::Direction(_) | OpKind::Meet | OpKind::Sought | OpKind::Wait => 1,
            OpKind::Output(..) | OpKind::Mark(_) | OpKind::Await(_, _, None) => 2,
            OpKind::Play(_) | OpKind::Seek(..) | OpKind::Zero(..) => 3,
            OpKind::Await(_, _, Some(_)) => 5,
            OpKind::Repeat(_, body) | OpKind::Again(_, _, body) | OpKind::Forever(body) => {
                Self::REPEAT + body.iter().map(Self::size).sum::<usize>()
            }
        };
        gap + act
    }
}

/// How deep repeats are nested in a list.
fn depth(ops: &[Op]) -> usize {
    ops.iter().map(Op::depth).max().unwrap_or(0)
}

/// How many repeats, one in the other, so many times take.
pub(crate) const fn levels(times: u64) -> usize {
    if times > MANY && times != WITHOUT_END {
        2
    } else {
        1
    }
}

/// The bytes of a gap's fraction, lowest first, without those that are zero at that end.
fn fraction(gap: u64) -> impl ExactSizeIterator<Item = u8> {
    let zeros = (gap as u32).trailing_zeros().min(GAP_BITS) / 8;
    (gap as u32).to_le_bytes().into_iter().skip(zeros as usize)
}

/// Bits of the byte that names an input; what is waited for there stands above them.
pub(crate) const INPUT_BITS: u32 = 6;

/// The byte for an input and what is waited for there.
pub(crate) const fn awaited(input: u8, until: Until) -> u8 {
    input | until.number() << INPUT_BITS
}

/// The input and what is waited for there, of their byte.
pub(crate) fn read_awaited(byte: u8) -> Result<(u8, Until), Malformed> {
    let until = Until::ALL.get(usize::from(byte >> INPUT_BITS));
    let until = until.ok_or(Malformed("a stream waits for an unknown state of an input"))?;
    Ok((byte & ((1 << INPUT_BITS) - 1), *until))
}

/// A signed number as one without a sign, small where it lies near zero: 0, −1, 1, −2 …
const fn folded_sign(value: i64) -> u64 {
    (value << 1 ^ value >> 63) as u64
}

/// The signed number of one without a sign.
const fn unfolded_sign(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

/// Whether operations seek an input or set a position.
pub(super) fn seeks(ops: &[Op]) -> bool {
    let of_seeks =
        |act: &OpKind| matches!(act, OpKind::Seek(..) | OpKind::Sought | OpKind::Zero(..));
    ops.iter().any(|op| op.any(&of_seeks))
}

/// Puts what repeats into [`OpKind::Repeat`], nested `most_nested` deep at most.
pub(crate) fn folded(ops: Vec<Op>, most_nested: usize) -> Vec<Op> {
    fold(ops, most_nested)
}

/// Appends a stream's bytes; `motion_starts` tells where each motion begins.
pub(crate) fn write(ops: &[Op], motion_starts: &[usize], out: &mut Vec<u8>) {
    for op in ops {
        if op.gap != 0 {
            let fraction = fraction(op.gap);
            out.push(GAP + fraction.len() as u8);
            out.extend(fraction);
            write_number(op.gap >> GAP_BITS, out);
        }
        match &op.act {
            OpKind::Play(motion) => {
                out.push(PLAY);
                write_number(motion_starts[usize::from(*motion)] as u64, out);
            }
            OpKind::Direction(Direction::Positive) => out.push(POSITIVE),
            OpKind::Direction(Direction::Negative) => out.push(NEGATIVE),
            OpKind::Output(output, on) => out.extend([if *on { ON } else { OFF }, *output]),
            OpKind::Mark(mark) => {
                out.push(MARK);
                write_number(u64::from(*mark), out);
            }
            OpKind::Await(input, until, None) => out.extend([AWAIT, awaited(*input, *until)]),
            OpKind::Await(input, until, Some(timeout)) => {
                out.extend([AWAIT_WITH_TIMEOUT, awaited(*input, *until)]);
                write_number(*timeout, out);
            }
            OpKind::Seek(input, until, axis) => out.extend([SEEK, awaited(*input, *until), *axis]),
            OpKind::Sought => out.push(SOUGHT),
            OpKind::Zero(axis, steps) => {
                out.extend([ZERO, *axis]);
                write_number(folded_sign(*steps), out);
            }
            OpKind::Meet => out.push(MEET),
            OpKind::Wait => out.push(WAIT),
            OpKind::Repeat(count, body) => {
                write_repeat(u64::from(*count), body, motion_starts, out);
            }
            OpKind::Forever(body) => write_repeat(ENDLESS, body, motion_starts, out),
            OpKind::Again(times, _, body) => {
                let (full, rest) = (times / MANY, times % MANY);
                if full > 0 {
                    out.push(REPEAT);
                    write_number(full, out);
                    write_repeat(MANY, body, motion_starts, out);
                    out.push(END);
                }
                if rest > 0 {
                    write_repeat(rest, body, motion_starts, out);
                }
            }
        }
    }
    out.push(END);
}

fn write_repeat(times: u64, body: &[Op], motion_starts: &[usize], out: &mut Vec<u8>) {
    out.push(REPEAT);
    write_number(times, out);
    write(body, motion_starts, out);
}

/// Reads a stream, with repeats nested at most `deeper`.
pub(crate) fn read(
    reader: &mut Reader<'_>,
    motion_starts: &[usize],
    deeper: usize,
) -> Result<Vec<Op>, Malformed> {
    let mut ops = Vec::new();
    let mut gap = 0;
    loop {
        let act = match reader.u8()? {
            END => return Ok(ops),
            tag @ GAP..=EXACT_GAP => {
                let bytes = usize::from(tag - GAP);
                let mut fraction = [0; 4];
                fraction[4 - bytes..].copy_from_slice(reader.take(bytes)?);
                gap = u64::from(u32::from_le_bytes(fraction));
                gap |= u64::from(reader.u32()?) << GAP_BITS;
                continue;
            }
            PLAY => {
                let start = reader.number()?;
                // Starts rise from motion to motion.
                let motion = motion_starts.binary_search_by_key(&start, |&start| start as u64);
                let motion = motion.map_err(|_| NO_SUCH_MOTION)?;
                OpKind::Play(u16::try_from(motion).map_err(|_| NO_SUCH_MOTION)?)
            }
            POSITIVE => OpKind::Direction(Direction::Positive),
            NEGATIVE => OpKind::Direction(Direction::Negative),
            tag @ (OFF | ON) => OpKind::Output(reader.u8()?, tag == ON),
            MARK => OpKind::Mark(u16::try_from(reader.number()?).map_err(|_| NO_SUCH_TEXT)?),
            AWAIT => {
                let (input, until) = read_awaited(reader.u8()?)?;
                OpKind::Await(input, until, None)
            }
            AWAIT_WITH_TIMEOUT => {
                let (input, until) = read_awaited(reader.u8()?)?;
                OpKind::Await(input, until, Some(reader.number()?))
            }
            SEEK => {
                let (input, until) = read_awaited(reader.u8()?)?;
                OpKind::Seek(input, until, reader.u8()?)
            }
            SOUGHT => OpKind::Sought,
            ZERO => OpKind::Zero(reader.u8()?, unfolded_sign(reader.number()?)),
            MEET => OpKind::Meet,
            WAIT => OpKind::Wait,
            REPEAT if deeper > 0 => {
                let count = reader.u32()?;
                let body = read(reader, motion_starts, deeper - 1)?;
                if u64::from(count) != ENDLESS {
                    OpKind::Repeat(count, body)
                } else if body.iter().any(Op::is_event) {
                    OpKind::Forever(body)
                } else {
                    return Err(Malformed("a repeat without end does nothing"));
                }
            }
            REPEAT => return Err(Malformed("repeats are nested too deep")),
            _ => return Err(Malformed("a stream has an operation of unknown kind")),
        };
        ops.push(Op { gap, act });
        gap = 0;
    }
}

const NO_SUCH_MOTION: Malformed = Malformed("a stream plays a motion that does not exist");
const NO_SUCH_TEXT: Malformed = Malformed("a stream names a text that does not exist");

/// Whether every text that a stream names exists.
pub(crate) fn check(ops: &[Op], marks: usize) -> Result<(), Malformed> {
    for op in ops {
        match &op.act {
            OpKind::Mark(mark) if usize::from(*mark) >= marks => return Err(NO_SUCH_TEXT),
            OpKind::Repeat(_, body) | OpKind::Again(_, _, body) | OpKind::Forever(body) => {
                check(body, marks)?;
            }
            _ => {}
        }
    }
    Ok(())
}

impl Op {
    /// What it repeats; nothing where it is no repeat.
    fn body(&self) -> &[Self] {
        match &self.act {
            OpKind::Repeat(_, body) | OpKind::Again(_, _, body) | OpKind::Forever(body) => body,
            OpKind::Play(_)
            | OpKind::Direction(_)
            | OpKind::Output(..)
            | OpKind::Mark(_)
            | OpKind::Await(..)
            | OpKind::Seek(..)
            | OpKind::Sought
            | OpKind::Zero(..)
            | OpKind::Meet
            | OpKind::Wait => &[],
        }
    }

    /// Whether `what` holds for it, or for something that it repeats.
    fn any(&self, what: &dyn Fn(&OpKind) -> bool) -> bool {
        what(&self.act) || self.body().iter().any(|op| op.any(what))
    }

    /// Whether it, or what it repeats, is seen from outside.
    fn is_event(&self) -> bool {
        self.any(&|act| match act {
            OpKind::Wait | OpKind::Repeat(..) | OpKind::Again(..) | OpKind::Forever(_) => false,
            OpKind::Play(_)
            | OpKind::Direction(_)
            | OpKind::Output(..)
            | OpKind::Mark(_)
            | OpKind::Await(..)
            | OpKind::Seek(..)
            | OpKind::Sought
            | OpKind::Zero(..)
            | OpKind::Meet => true,
        })
    }

    /// Whether it does not end.
    pub(crate) fn is_endless(&self) -> bool {
        self.any(&|act| matches!(act, OpKind::Forever(_)))
    }
}

/// One operation after the other, repeats unrolled.
#[derive(Debug, Clone)]
pub(crate) struct Unrolled<'a> {
    /// From the outermost in: what is left of the list, the list, times to go.
    levels: Vec<(std::slice::Iter<'a, Op>, &'a [Op], u64)>,
    /// Whether [`OpKind::Again`] is given out as one operation.
    short: bool,
}

impl<'a> Unrolled<'a> {
    pub(crate) fn new(ops: &'a [Op]) -> Self {
        Self {
            levels: vec![(ops.iter(), ops, 0)],
            short: false,
        }
    }

    /// The same, without what was not gone through when it was packed: that is one
    /// operation, [`OpKind::Again`]; and a repeat without end is gone through once more.
    pub(crate) fn in_short(ops: &'a [Op]) -> Self {
        Self {
            short: true,
            ..Self::new(ops)
        }
    }
}

impl<'a> Iterator for Unrolled<'a> {
    type Item = &'a Op;

    fn next(&mut self) -> Option<&'a Op> {
        loop {
            let (rest, list, left) = self.levels.last_mut()?;
            match rest.next() {
                Some(op) => {
                    let (times, body) = match &op.act {
                        OpKind::Repeat(count, body) => (u64::from(*count), body),
                        OpKind::Again(times, _, body) if !self.short => (*times, body),
                        OpKind::Forever(body) if self.short => (1, body),
                        OpKind::Forever(body) => (WITHOUT_END, body),
                        _ => return Some(op),
                    };
                    if times > 0 {
                        self.levels.push((body.iter(), body, times - 1));
                    }
                }
                None if *left > 0 => {
                    if *left != WITHOUT_END - 1 {
                        *left -= 1;
                    }
                    *rest = list.iter();
                }
                None => {
                    self.levels.pop();
                }
            }
        }
    }
}
