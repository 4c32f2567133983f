//! Decoding: the events of a packed program.

use std::sync::Arc;

use super::Packed;
use super::motion::Intervals;
use super::op::{GAP_BITS, Op, OpKind, Unrolled};
use crate::plan::Direction;
use crate::schedule::event::{Event, EventKind};

/// From 2⁻¹⁶ ticks to the 2⁻³² ticks of a gap.
const FINER: u32 = 16;

/// The events of a packed program in the order of ticks; on one tick axes come by
/// number, and everything else after them.
#[derive(Debug, Clone)]
pub(crate) struct PackedEvents<'a> {
    packed: &'a Packed,
    streams: Vec<PlayedStream<'a>>,
    /// The axis that has sought last.
    seeking: usize,
    /// Whether [`OpKind::Again`] is one operation. Streams then leave out periods at places of
    /// their own, and meet by their clocks alone, which agree to a tick.
    short: bool,
}

/// One stream that is being played.
#[derive(Debug, Clone)]
struct PlayedStream<'a> {
    ops: Unrolled<'a>,
    /// Time so far, in 2⁻³² ticks.
    clock: u128,
    direction: Direction,
    motion: Option<Intervals<'a>>,
    next: Option<(u64, Next<'a>)>,
}

#[derive(Debug, Clone, Copy)]
enum Next<'a> {
    Step,
    Act(&'a OpKind),
}

impl<'a> PackedEvents<'a> {
    pub(super) fn new(packed: &'a Packed, short: bool) -> Self {
        let streams = packed.streams.iter().map(|ops| {
            let mut stream = PlayedStream {
                ops: match short {
                    true => Unrolled::in_short(ops),
                    false => Unrolled::new(ops),
                },
                clock: 0,
                direction: Direction::Positive,
                motion: None,
                next: None,
            };
            stream.go_on(packed);
            stream
        });
        Self {
            packed,
            streams: streams.collect(),
            seeking: 0,
            short,
        }
    }
}

impl<'a> PlayedStream<'a> {
    /// The tick that the clock shows.
    fn tick(&self) -> u64 {
        (self.clock >> GAP_BITS) as u64
    }

    fn go_on(&mut self, packed: &'a Packed) {
        self.next = loop {
            if let Some(interval) = self.motion.as_mut().and_then(Iterator::next) {
                self.clock += u128::from(interval) << FINER;
                break Some((self.tick(), Next::Step));
            }
            self.motion = None;
            let Some(Op { gap, act }) = self.ops.next() else {
                break None;
            };
            self.clock += u128::from(*gap);
            match act {
                OpKind::Play(motion) => {
                    let motion = &packed.motions[usize::from(*motion)];
                    self.motion = Some(motion.play(&packed.ramps));
                }
                OpKind::Wait => {}
                OpKind::Again(times, lasts, _) => self.clock += u128::from(*times) * lasts,
                act => break Some((self.tick(), Next::Act(act))),
            }
        };
    }
}

impl PackedEvents<'_> {
    /// What every stream has stopped for.
    fn met(&mut self, act: &OpKind) -> Option<EventKind> {
        Some(match *act {
            OpKind::Await(input, until, timeout) => EventKind::Await {
                input: usize::from(input),
                until,
                timeout,
            },
            OpKind::Seek(input, until, axis) => {
                let axis = usize::from(axis);
                self.seeking = axis;
                EventKind::Seek {
                    axis,
                    input: usize::from(input),
                    until,
                }
            }
            OpKind::Sought => EventKind::Sought { axis: self.seeking },
            OpKind::Zero(axis, steps) => EventKind::Zero {
                axis: usize::from(axis),
                steps,
            },
            OpKind::Play(_)
            | OpKind::Direction(_)
            | OpKind::Output(..)
            | OpKind::Mark(_)
            | OpKind::Meet
            | OpKind::Wait
            | OpKind::Repeat(..)
            | OpKind::Again(..)
            | OpKind::Forever(_) => return None,
        })
    }
}

impl Iterator for PackedEvents<'_> {
    type Item = Event;

    fn next(&mut self) -> Option<Event> {
        loop {
            // Who meets is last on its tick.
            let due = |stream: &PlayedStream<'_>| match stream.next {
                Some((tick, Next::Act(OpKind::Meet))) => self.short.then_some((tick, true)),
                Some((tick, _)) => Some((tick, false)),
                None => None,
            };
            let ticks = self.streams.iter().map(due).enumerate();
            let next = ticks.filter_map(|(number, due)| Some((due?, number))).min();
            let Some(((tick, _), number)) = next else {
                // A program that is well formed has no axis that waits on its own.
                return None;
            };
            let axis = number;
            let stream = &mut self.streams[number];
            let (_, next) = stream.next?;
            let what = match next {
                Next::Step => EventKind::Step {
                    axis,
                    direction: stream.direction,
                },
                Next::Act(OpKind::Direction(direction)) => {
                    stream.direction = *direction;
                    EventKind::Direction {
                        axis,
                        direction: *direction,
                    }
                }
                Next::Act(OpKind::Output(output, on)) => EventKind::Output {
                    output: usize::from(*output),
                    on: *on,
                },
                Next::Act(OpKind::Mark(mark)) => {
                    EventKind::Mark(Arc::from(self.packed.marks[usize::from(*mark)].as_str()))
                }
                Next::Act(
                    act
                    @ (OpKind::Await(..) | OpKind::Seek(..) | OpKind::Sought | OpKind::Zero(..)),
                ) => {
                    // Nothing is left before it: whatever waits for it goes on.
                    for other in &mut self.streams {
                        let waits = matches!(other.next, Some((_, Next::Act(OpKind::Meet))));
                        if waits && !self.short {
                            other.go_on(self.packed);
                        }
                    }
                    self.met(act)?
                }
                Next::Act(
                    OpKind::Meet
                    | OpKind::Play(_)
                    | OpKind::Wait
                    | OpKind::Repeat(..)
                    | OpKind::Again(..)
                    | OpKind::Forever(_),
                ) => {
                    self.streams[number].go_on(self.packed);
                    continue;
                }
            };
            self.streams[number].go_on(self.packed);
            return Some(Event { tick, what });
        }
    }
}
