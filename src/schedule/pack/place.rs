//! From what a stream does, and when, to its operations and the gaps between them.
//!
//! The clock that operations move on is half a tick ahead, so that whatever happens
//! falls on its whole part. It need not show the ideal time exactly: each operation
//! leaves it some room, and within that room gaps are chosen that take few bytes and
//! come again, so that what repeats can be folded.

use std::collections::HashMap;

use super::LONGEST_WAIT;
use super::error::PackError;
use super::fold::Fold as _;
use super::motion::FitError;
use super::op::{self, GAP_BITS, MOST_NESTED, Op, OpKind};
use crate::schedule::clock::TickInstant;
use crate::schedule::periodic::Repeated;
use crate::script::WITHOUT_END;

/// One tick of a clock.
const TICK: u128 = 1 << GAP_BITS;
/// How far gaps with few bytes may carry the clock of a stream from the ideal in all
/// (ticks) …
const DRIFT: f64 = 1.0 / 128.0;
/// … and at how many of its operations that may happen to leave a tick too early or too
/// late, which takes a gap of its own and ends what repeats.
const MISSES: f64 = 1.0 / 8.0;
/// What rounding a step to its tick leaves of one tick, but for what arithmetic may be
/// off by (ticks).
const ROUNDED: f64 = 0.5 - 1e-6;
/// Gaps that differ by less are alike (2⁻³² ticks): chosen, far below [`DRIFT`].
const ALIKE: u128 = 1 << 8;
/// The longest gap of one operation (2⁻³² ticks).
const LONGEST_GAP: u64 = LONGEST_WAIT << GAP_BITS;

/// What the clock of a stream shows at an instant: half a tick more.
pub(super) fn clock_at(instant: TickInstant) -> u128 {
    instant.in_parts(GAP_BITS) + TICK / 2
}

/// A length on a clock, rounded down.
pub(super) const fn length_of(span: TickInstant) -> u128 {
    span.in_parts(GAP_BITS)
}

/// An operation and where in time it falls.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed {
    /// Where the clock should stand.
    pub(super) ideal: u128,
    pub(super) what: PlacedKind,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum PlacedKind {
    /// Anything but a motion, and the tick that it falls on.
    Act(u64, OpKind),
    /// A motion.
    Play {
        /// Number of the move in the program.
        index: u64,
        /// Which of the known motions.
        known: usize,
        /// Tick of its last step.
        last: u64,
    },
    /// What stands right before it, again and again.
    Again {
        /// One period of it.
        body: Vec<Placed>,
        /// How often, and how long a period lasts.
        repeated: Repeated,
    },
}

/// A motion once it is packed.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fitted {
    pub(super) number: u16,
    /// When the last step falls (2⁻¹⁶ ticks since the start).
    pub(super) length: u64,
    pub(super) error: FitError,
}

/// One operation, how long it moves the clock on, and where that may stand before.
struct Bounded {
    act: OpKind,
    lasts: u128,
    /// Where the clock should stand; before a motion so that its last step, which must be
    /// on its tick, comes when it should.
    ideal: u128,
    from: u128,
    to: u128,
    /// Number of the move that it belongs to.
    index: u64,
}

impl Bounded {
    /// Of one operation; none of what repeats.
    fn of(placed: &Placed, fitted: &[Fitted]) -> Option<Self> {
        let ideal = placed.ideal;
        Some(match &placed.what {
            PlacedKind::Again { .. } => return None,
            PlacedKind::Act(tick, act) => {
                let from = u128::from(*tick) << GAP_BITS;
                Self {
                    act: act.clone(),
                    lasts: 0,
                    ideal,
                    from,
                    to: from + TICK - 1,
                    index: 0,
                }
            }
            PlacedKind::Play { known, last, index } => {
                let Fitted {
                    number,
                    length,
                    error,
                } = fitted[*known];
                let lasts = u128::from(length) << (GAP_BITS - 16);
                // No step is more than a tick off, and the last one on its own tick.
                let room = in_parts((ROUNDED - error.largest).max(0.0));
                let end = u128::from(*last) << GAP_BITS;
                Self {
                    act: OpKind::Play(number),
                    lasts,
                    ideal: ideal.saturating_add_signed((-error.last * TICK as f64) as i128),
                    from: ideal.max(room) - room,
                    to: ideal + room,
                    index: *index,
                }
                .ends_within(end, end + TICK - 1)
            }
        })
    }

    fn ends_within(mut self, from: u128, to: u128) -> Self {
        self.from = self.from.max(from.saturating_sub(self.lasts));
        self.to = self.to.min(to.saturating_sub(self.lasts));
        self
    }
}

fn in_parts(ticks: f64) -> u128 {
    (ticks * TICK as f64) as u128
}

/// Where the clock may stand at each operation of a stream, so that those behind it
/// can still be reached.
fn bounded(placed: &[Placed], fitted: &[Fitted]) -> Vec<Bounded> {
    let placed = placed.iter();
    let mut all: Vec<Bounded> = placed.filter_map(|one| Bounded::of(one, fitted)).collect();
    let mut latest = u128::MAX;
    for operation in all.iter_mut().rev() {
        operation.to = operation.to.min(latest.saturating_sub(operation.lasts));
        latest = operation.to;
    }
    all
}

/// The operations of a stream, folded.
///
/// # Errors
/// Where an operation cannot be reached in time.
pub(super) fn operations(placed: &[Placed], fitted: &[Fitted]) -> Result<Vec<Op>, PackError> {
    let (mut ops, mut clock) = (Vec::with_capacity(placed.len()), 0);
    for stretch in placed.split_inclusive(|one| matches!(one.what, PlacedKind::Again { .. })) {
        let again = stretch.last().and_then(|last| match &last.what {
            PlacedKind::Again { body, repeated } => Some((body, *repeated)),
            PlacedKind::Act(..) | PlacedKind::Play { .. } => None,
        });
        clock = stretch_of(stretch, fitted, clock, &mut ops)?;
        if let Some((body, repeated)) = again {
            clock = again_and_again(body, repeated, fitted, clock, MOST_NESTED, &mut ops)?;
        }
    }
    let ops = op::folded(ops, MOST_NESTED);
    if ops.iter().any(|op| op.depth() > MOST_NESTED) {
        return Err(PackError::TooNested);
    }
    Ok(ops)
}

/// Appends the operations of a stream up to what repeats; gives where its clock then stands.
fn stretch_of(
    placed: &[Placed],
    fitted: &[Fitted],
    start: u128,
    ops: &mut Vec<Op>,
) -> Result<u128, PackError> {
    let all = bounded(placed, fitted);
    let gaps = Gaps::of(&all, start);
    let mut clock = start;
    for (number, operation) in all.iter().enumerate() {
        let Bounded { from, to, .. } = *operation;
        if to < from.max(clock) {
            let index = operation.index;
            return Err(PackError::Inconsistent { index });
        }
        let (least, most) = (from.saturating_sub(clock), to - clock);
        let gap = gaps
            .usual(number)
            .filter(|gap| (least..=most).contains(gap))
            .unwrap_or_else(|| {
                let nearest = operation.ideal.saturating_sub(clock).clamp(least, most);
                roundest(
                    least.max(nearest.saturating_sub(gaps.drift)),
                    most.min(nearest + gaps.drift),
                )
            });
        clock += gap + operation.lasts;
        after(gap, operation.act.clone(), ops);
    }
    Ok(clock)
}

/// Appends an operation after a gap of any length.
fn after(mut gap: u128, act: OpKind, ops: &mut Vec<Op>) {
    while gap > u128::from(LONGEST_GAP) {
        // Any number of waits is one operation.
        let waits = ((gap - 1) / u128::from(LONGEST_GAP)).min(u128::from(u32::MAX));
        let wait = Op {
            gap: LONGEST_GAP,
            act: OpKind::Wait,
        };
        if waits < 4 {
            ops.extend(std::iter::repeat_n(wait, waits as usize));
        } else {
            ops.push(Op {
                gap: 0,
                act: OpKind::Repeat(waits as u32, vec![wait]),
            });
        }
        gap -= waits * u128::from(LONGEST_GAP);
    }
    let gap = gap as u64;
    ops.push(Op { gap, act });
}

/// Periods that are written out before what repeats does so to the last bit: one is usual,
/// since whatever comes after a gap falls where it should.
const MOST_RUN_IN: u64 = 8;
/// Periods after which the clock is set right where a period is no multiple of 2⁻³² ticks: by
/// then it is less than [`DRIFT`] behind.
const SET_RIGHT: u64 = 1 << 24;

/// Appends what repeats behind its first period; gives where the clock of the stream then
/// stands. Repeats are nested `most_nested` deep at most, if they can be.
fn again_and_again(
    body: &[Placed],
    repeated: Repeated,
    fitted: &[Fitted],
    clock: u128,
    most_nested: usize,
    ops: &mut Vec<Op>,
) -> Result<u128, PackError> {
    let Repeated { times, span } = repeated;
    let inside = most_nested.saturating_sub(op::levels(times));
    let period = length_of(span);
    let inconsistent = || PackError::Inconsistent {
        index: body.iter().find_map(Placed::index).unwrap_or_default(),
    };
    let exact = span.whole_ticks().is_some();
    // The clock as it stood a period ago, where the body was placed.
    let mut before = clock.checked_sub(period).ok_or_else(inconsistent)?;
    for run_in in 0..times.min(MOST_RUN_IN) {
        let mut once = Vec::new();
        let end = once_more(body, fitted, before, exact, inside, &mut once)?;
        let left = times - run_in;
        let is_periodic = end.checked_sub(period) == Some(before);
        let done = end + u128::from(run_in + 1) * period;
        if is_periodic {
            if times == WITHOUT_END {
                forever(once, inside, ops);
                return Ok(done);
            }
            let once = op::folded(once, inside);
            return Ok(done - period + repeat(once, left, span, ops));
        }
        ops.append(&mut once);
        if left == 1 {
            return Ok(done);
        }
        before = end.checked_sub(period).ok_or_else(inconsistent)?;
    }
    Err(inconsistent())
}

/// Appends a body that is repeated without end. What stands right before it and is the same
/// is its first passes.
fn forever(body: Vec<Op>, most_nested: usize, ops: &mut Vec<Op>) {
    while ops.ends_with(&body) {
        ops.truncate(ops.len() - body.len());
    }
    let act = OpKind::Forever(op::folded(body, most_nested));
    ops.push(Op { gap: 0, act });
}

/// Appends a body so many times; gives how long that takes.
fn repeat(body: Vec<Op>, times: u64, span: TickInstant, ops: &mut Vec<Op>) -> u128 {
    let again = |times, lasts, body| Op {
        gap: 0,
        act: OpKind::Again(times, lasts, body),
    };
    let lasts = length_of(span);
    let many = length_of(span.times(SET_RIGHT));
    let behind = many - u128::from(SET_RIGHT) * lasts;
    let (rounds, rest) = (times / SET_RIGHT, times % SET_RIGHT);
    if behind == 0 || rounds == 0 {
        ops.push(again(times, lasts, body));
        return u128::from(times) * lasts;
    }
    let round = vec![
        again(SET_RIGHT, lasts, body.clone()),
        // Less than 2^24.
        Op {
            gap: behind as u64,
            act: OpKind::Wait,
        },
    ];
    ops.push(again(rounds, many, round));
    if rest > 0 {
        ops.push(again(rest, lasts, body));
    }
    u128::from(rounds) * many + u128::from(rest) * lasts
}

/// Appends one period, each operation where it should fall, or as soon after it as can be;
/// gives where the clock then stands. What is `exact` comes again on the very ticks.
fn once_more(
    body: &[Placed],
    fitted: &[Fitted],
    before: u128,
    exact: bool,
    most_nested: usize,
    ops: &mut Vec<Op>,
) -> Result<u128, PackError> {
    let mut clock = before;
    for placed in body {
        if let PlacedKind::Again { body, repeated } = &placed.what {
            clock = again_and_again(body, *repeated, fitted, clock, most_nested, ops)?;
        }
        let Some(operation) = Bounded::of(placed, fitted) else {
            continue;
        };
        let Bounded {
            ideal,
            lasts,
            act,
            from,
            to,
            index,
        } = operation;
        let (from, to) = if exact { (from, to) } else { (0, u128::MAX) };
        let at = ideal.max(clock).clamp(from, to.max(from));
        if at < clock || to < from {
            return Err(PackError::Inconsistent { index });
        }
        after(at - clock, act, ops);
        clock = at + lasts;
    }
    Ok(clock)
}

impl Placed {
    /// The number of the move, if it is one.
    const fn index(&self) -> Option<u64> {
        match self.what {
            PlacedKind::Play { index, .. } => Some(index),
            PlacedKind::Act(..) | PlacedKind::Again { .. } => None,
        }
    }
}

/// The gaps between operations that come again and again: each as round as the number
/// of times that it comes allows.
struct Gaps {
    /// Which kind of gap stands before each operation, if it has an ideal length.
    kinds: Vec<Option<usize>>,
    /// How long each kind is.
    lengths: Vec<u128>,
    /// How far all gaps of a kind may carry the clock from the ideal, and any other one.
    drift: u128,
}

impl Gaps {
    /// Of the operations of a stream whose clock stands at `start` before.
    fn of(all: &[Bounded], start: u128) -> Self {
        let mut known = HashMap::new();
        let mut kinds = Vec::with_capacity(all.len());
        let mut found: Vec<(u128, u32)> = Vec::new();
        let mut before: Option<&Bounded> = None;
        for operation in all {
            let end = before.map_or(start, |before| before.ideal + before.lasts);
            let kind = operation.ideal.checked_sub(end).map(|ideal| {
                let key = (
                    before.map(|before| &before.act),
                    &operation.act,
                    (ideal + ALIKE / 2) / ALIKE,
                );
                *known.entry(key).or_insert_with(|| {
                    found.push((ideal, 0));
                    found.len() - 1
                })
            });
            if let Some(kind) = kind {
                found[kind].1 += 1;
            }
            kinds.push(kind);
            before = Some(operation);
        }
        let drift = DRIFT.min(MISSES / all.len().max(1) as f64);
        let drift = in_parts(drift / found.len().max(1) as f64);
        let lengths = found
            .iter()
            .map(|&(ideal, times)| rounded(ideal, drift / u128::from(times)))
            .collect();
        Self {
            kinds,
            lengths,
            drift,
        }
    }

    /// How long the gap before an operation usually is.
    fn usual(&self, number: usize) -> Option<u128> {
        self.kinds[number].map(|kind| self.lengths[kind])
    }
}

/// The number next to `ideal` with the fewest bytes of fraction that is not more than
/// `off` away.
fn rounded(ideal: u128, off: u128) -> u128 {
    (0..=GAP_BITS)
        .rev()
        .step_by(8)
        .map(|bits| {
            let half = (1 << bits) / 2;
            (ideal + half) >> bits << bits
        })
        .find(|rounded| rounded.abs_diff(ideal) <= off)
        .unwrap_or(ideal)
}

/// The number from `least` to `most` that ends in the most zero bits.
fn roundest(least: u128, most: u128) -> u128 {
    let differ = (least.wrapping_sub(1) ^ most).checked_ilog2().unwrap_or(0);
    if least == 0 {
        0
    } else {
        most >> differ << differ
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Direction;

    #[test]
    fn the_roundest_number_is_taken() {
        assert_eq!(roundest(0, 9), 0);
        assert_eq!(roundest(9, 9), 9);
        assert_eq!(roundest(9, 15), 12);
        assert_eq!(roundest(17, 35), 32);
        assert_eq!(roundest(3, 4), 4);
    }

    #[test]
    fn as_few_bytes_as_are_near_enough_are_taken() {
        let ideal = (7 << GAP_BITS) + 0x1234_5678;
        assert_eq!(rounded(ideal, TICK), 7 << GAP_BITS);
        assert_eq!(rounded(ideal, 1 << 23), (7 << GAP_BITS) + 0x1200_0000);
        assert_eq!(rounded(ideal, 0), ideal);
    }

    #[test]
    fn longer_gaps_than_fit_are_split() {
        let tick = 3 << 32;
        let act = OpKind::Direction(Direction::Negative);
        let ideal = (u128::from(tick) << GAP_BITS) + TICK / 2;
        let what = PlacedKind::Act(tick, act);
        let ops = operations(&[Placed { ideal, what }], &[]).expect("operations");
        assert!(op::Unrolled::new(&ops).all(|op| op.gap <= LONGEST_GAP));
        let total: u128 = op::Unrolled::new(&ops).map(|op| u128::from(op.gap)).sum();
        assert!(total.abs_diff(ideal) <= in_parts(DRIFT));
    }

    #[test]
    fn a_gap_of_centuries_takes_a_few_bytes() {
        let tick = 1 << 62;
        let act = OpKind::Direction(Direction::Negative);
        let ideal = (u128::from(tick) << GAP_BITS) + TICK / 2;
        let what = PlacedKind::Act(tick, act);
        let ops = operations(&[Placed { ideal, what }], &[]).expect("operations");
        let total = |ops: &[Op]| -> u128 { ops.iter().map(|op| u128::from(op.gap)).sum() };
        let all: u128 = ops
            .iter()
            .map(|op| match &op.act {
                OpKind::Repeat(count, body) => {
                    u128::from(op.gap) + u128::from(*count) * total(body)
                }
                _ => u128::from(op.gap),
            })
            .sum();
        assert!(all.abs_diff(ideal) <= in_parts(DRIFT), "{all} {ideal}");
        let mut bytes = Vec::new();
        op::write(&ops, &[], &mut bytes);
        assert!(bytes.len() < 40, "{} bytes", bytes.len());
    }

    #[test]
    fn what_repeats_for_long_is_folded_and_stays_on_its_ticks() {
        // Gaps of 1000 and a third ticks.
        let act = |k: u64| OpKind::Output(0, k.is_multiple_of(2));
        let placed: Vec<Placed> = (1..=3000u64)
            .map(|k| {
                let ideal = (u128::from(k) * 3001 * TICK) / 3 + TICK / 2;
                let tick = (ideal >> GAP_BITS) as u64;
                let what = PlacedKind::Act(tick, act(k));
                Placed { ideal, what }
            })
            .collect();
        let ops = operations(&placed, &[]).expect("operations");
        assert!(ops.len() <= 3, "{} operations", ops.len());
        let mut clock = 0;
        for (op, placed) in op::Unrolled::new(&ops).zip(&placed) {
            clock += u128::from(op.gap);
            let tick = (clock >> GAP_BITS) as u64;
            assert_eq!(PlacedKind::Act(tick, op.act.clone()), placed.what);
        }
    }
}
