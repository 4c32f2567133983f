//! The events of a schedule that no frame has taken yet, and the motions they belong to.

use std::collections::VecDeque;
use std::collections::vec_deque::Drain;
use std::sync::Arc;

use super::cut::{Cut, EventStream, Pending};
use super::record::{self, Act};
use crate::plan::{Direction, Item, Motion};
use crate::rig::Rig;
use crate::schedule::{self, Schedule, ScheduleRun};

/// A schedule, read some way ahead of its frames.
#[derive(Debug)]
pub(super) struct Ahead<I> {
    schedule: Schedule<I>,
    /// One stream for each axis, and one for outputs, marks and inputs.
    streams: Vec<EventStream>,
    /// The motions that have begun and are not over.
    motions: VecDeque<Begun>,
    /// Marks seen so far, and the texts of those that no frame has yet.
    marks_seen: u64,
    marks: VecDeque<Arc<str>>,
    /// No event before this tick is missing in the streams.
    known_to: u64,
    /// Every event is in the streams.
    over: bool,
}

/// A motion and the tick at which it starts.
#[derive(Debug, Clone)]
pub(super) struct Begun {
    pub(super) number: u64,
    pub(super) motion: Arc<Motion>,
    pub(super) start: u64,
}

impl<I: Iterator<Item = Item>> Ahead<I> {
    pub(super) fn new(items: impl IntoIterator<Item = Item, IntoIter = I>, rig: &Rig) -> Self {
        Self {
            schedule: Schedule::new(items, rig),
            streams: vec![EventStream::default(); rig.axes.len() + 1],
            motions: VecDeque::new(),
            marks_seen: 0,
            marks: VecDeque::new(),
            known_to: 0,
            over: false,
        }
    }

    /// The streams of the axes, and behind them the one of everything else.
    pub(super) fn streams(&self) -> &[EventStream] {
        &self.streams
    }

    /// The streams of the axes.
    pub(super) fn axes(&self) -> &[EventStream] {
        &self.streams[..self.streams.len() - 1]
    }

    /// Whether every event has been taken.
    pub(super) fn is_done(&self) -> bool {
        self.over && self.streams.iter().all(|stream| stream.pending.is_empty())
    }

    /// Leaves behind what has been cut off, one cut for each stream.
    pub(super) fn take(&mut self, cuts: Vec<Cut>) {
        for (stream, cut) in self.streams.iter_mut().zip(cuts) {
            stream.take(&cut);
        }
    }

    /// Takes the texts of the oldest marks.
    pub(super) fn take_marks(&mut self, count: usize) -> Drain<'_, Arc<str>> {
        self.marks.drain(..count)
    }

    /// The motion in whose midst the streams stand, or which they have just ended.
    pub(super) fn under_way(&mut self) -> Option<Begun> {
        let number = self.axes().iter().map(|stream| stream.of_move).max()?;
        while self
            .motions
            .front()
            .is_some_and(|begun| begun.number < number)
        {
            self.motions.pop_front();
        }
        let begun = self.motions.front();
        begun.filter(|begun| begun.number == number).cloned()
    }

    /// Takes events from the schedule until all before a tick are known.
    pub(super) fn know(&mut self, tick: u64) {
        while !self.over && self.known_to <= tick {
            match self.schedule.next_run() {
                Some(ScheduleRun::Steps {
                    axis, ticks, of, ..
                }) => {
                    // There is at least one.
                    self.known_to = ticks.last().copied().unwrap_or(self.known_to);
                    let steps = ticks.iter().map(|&tick| Pending {
                        tick,
                        act: Act::Step,
                        of_move: of.number,
                    });
                    self.streams[axis].pending.extend(steps);
                    if self
                        .motions
                        .back()
                        .is_none_or(|begun| begun.number < of.number)
                    {
                        self.motions.push_back(Begun {
                            number: of.number,
                            motion: Arc::clone(&of.planned.motion),
                            start: of.start.tick(),
                        });
                    }
                }
                Some(ScheduleRun::Event(event)) => self.event(event),
                None => {
                    let end = self.schedule.end_tick();
                    for stream in &mut self.streams {
                        stream.put(end, Act::End);
                    }
                    self.over = true;
                }
            }
        }
    }

    fn event(&mut self, event: schedule::Event) {
        let tick = event.tick;
        self.known_to = tick;
        let rest = self.streams.len() - 1;
        match event.what {
            schedule::EventKind::Direction { axis, direction } => {
                let act = match direction {
                    Direction::Positive => Act::Forwards,
                    Direction::Negative => Act::Backwards,
                };
                self.streams[axis].put(tick, act);
            }
            schedule::EventKind::Output { output, on } => {
                self.streams[rest].put(tick, Act::Output(output as u8, on));
            }
            schedule::EventKind::Mark(text) => {
                let number = self.marks_seen % u64::from(record::MARK_NUMBERS) + 1;
                self.streams[rest].put(tick, Act::Mark(number as u8));
                self.marks_seen += 1;
                self.marks.push_back(text);
            }
            // Programs that seek are refused before they are sent; none goes on from here.
            schedule::EventKind::Seek { .. }
            | schedule::EventKind::Sought { .. }
            | schedule::EventKind::Zero { .. } => {
                for stream in &mut self.streams {
                    stream.put(tick, Act::End);
                }
                self.over = true;
            }
            schedule::EventKind::Await {
                input,
                until,
                timeout,
            } => {
                for stream in &mut self.streams[..rest] {
                    stream.put(tick, Act::Meet);
                }
                let timeout = timeout.unwrap_or(0);
                self.streams[rest].put(tick, Act::Await(input as u8, until, timeout));
            }
            // Steps come in runs.
            schedule::EventKind::Step { .. } => {}
        }
    }
}
