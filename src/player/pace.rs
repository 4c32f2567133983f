//! How fast the player is, and whether a program leaves it the time it needs.
//!
//! The figures are cycles of an 8-bit AVR, measured with a cycle-accurate simulator on
//! the player's machine code (`tests/firmware` measures them again) and include five
//! cycles for entering an interrupt, which that simulator does not charge.
//!
//! Three rules:
//!
//! - an event is ready before it is due: between two events of an axis lies at least the
//!   time that the interrupt of the first may take, with those of all other streams
//!   before it;
//! - outputs are ready before they are due: their interrupt comes a lead earlier, may be
//!   interrupted by those of the axes, and is through in time for its own ticks and for
//!   the next of its kind. A line keeps still for as long as the lead between two changes,
//!   since one compare output holds one change;
//! - decoding keeps up: an event can be decoded once the ring of its stream has room for
//!   it, which is when an event a ring before it has come, and has to be before it is due.

use std::collections::VecDeque;

use thiserror::Error;

use super::budget::{
    Cycles, DIRECTION_LEAD, EVENT_CYCLES, EVENT_READY, NEXT_EVENT_CYCLES, NEXT_OUTPUT_READY,
    OTHER_BUSY, OTHERS_READY, OUTPUT_READY, RING, SEEK_STEP_CYCLES, STEP_CYCLES, STEP_READY,
    besides, output_cycles, whole_microseconds, written_output_cycles,
};
use super::crowd::{Crowd, Crowded};
use super::options::Lines;
use super::wiring::Wiring;
use crate::rig::{DriveLines, Rig};
use crate::schedule::{Event, EventKind};
use crate::units::Time;

/// What comes too close together for the player.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum TooClose {
    /// Events of an axis.
    #[error("two events of `{axis}` are {apart} apart; the player needs {needs}")]
    Events {
        /// The axis.
        axis: String,
        /// The time between them.
        apart: Time,
        /// What it needs.
        needs: Time,
        /// The dead time with which the program would do, where only the rig's is too long.
        dead_time: Option<Time>,
    },
    /// Fast steps of an axis while another one starts, stops or turns.
    #[error(
        "`{axis}` steps every {apart} while another axis starts, stops or reverses; the player then needs {needs}"
    )]
    Crowded {
        /// The axis that steps.
        axis: String,
        /// The time between its steps.
        apart: Time,
        /// What it needs.
        needs: Time,
    },
    /// Changes of an output.
    #[error("two changes of output `{output}` are {apart} apart; the player needs {needs}")]
    Changes {
        /// The output.
        output: String,
        /// The time between them.
        apart: Time,
        /// What it needs.
        needs: Time,
    },
    /// Outputs and marks.
    #[error("outputs or marks are {apart} apart; the player needs {needs}")]
    Others {
        /// The time between them.
        apart: Time,
        /// What it needs.
        needs: Time,
    },
    /// Outputs and marks that are due at once.
    #[error("simultaneous outputs and marks need {needs} of preparation; {lead} available")]
    AtOnce {
        /// What it needs.
        needs: Time,
        /// What it has.
        lead: Time,
    },
    /// More than can be decoded.
    #[error("the player needs {needs} to decode the events of {within}")]
    Decoding {
        /// What it needs.
        needs: Time,
        /// What it has.
        within: Time,
    },
}

impl TooClose {
    /// What would cure it, where it stands among moves that stop at each target, or on the
    /// way through them.
    pub(super) fn cure(&self, on_the_way: bool) -> String {
        match self {
            Self::Events {
                dead_time: Some(enough),
                ..
            } => {
                format!(
                    "turn more slowly, or shorten `dead_time`: {enough} at most, if the bridges allow it"
                )
            }
            Self::Events {
                dead_time: None, ..
            } => "turn more slowly, or use fewer microsteps or a faster clock".to_owned(),
            Self::Crowded { axis, .. } => {
                format!("turn more slowly, or move the other axis after `{axis}` has stopped")
            }
            Self::Changes { needs, .. } | Self::Others { needs, .. } if on_the_way => {
                format!("pass the positions {needs} apart: space them further, or turn more slowly")
            }
            Self::Changes { needs, .. } => format!("dwell {needs} between them"),
            Self::Others { needs, .. } => {
                format!("dwell {needs} between them, or turn more slowly there")
            }
            Self::AtOnce { .. } => "spread them, or turn more slowly there".to_owned(),
            Self::Decoding { .. } => "turn more slowly, space outputs and marks further apart, \
                or use fewer microsteps or a faster clock"
                .to_owned(),
        }
    }
}

/// An interrupt of an axis that keeps the one of outputs waiting.
struct Interrupt {
    axis: usize,
    /// The cycles between which it comes.
    from: Cycles,
    until: Cycles,
    /// How long it takes.
    cycles: Cycles,
}

/// Outputs and marks that are due on one tick.
#[derive(Clone, Copy)]
struct DueTogether {
    /// When (cycles).
    due: Cycles,
    events: u64,
    /// Whether the player writes one of them itself, and waits until then.
    is_written: bool,
}

/// Two events of an axis that are too close together (cycles).
struct Close {
    apart: Cycles,
    /// What the player needs between them, …
    least: Cycles,
    /// … and what is missing where events as close come one after the other.
    missing: Cycles,
}

/// An output of the rig.
struct OutputState {
    is_written: bool,
    is_on: bool,
    /// When it changed last (cycles).
    changed: Option<Cycles>,
}

/// Follows a program event by event.
pub(super) struct EventPace<'a> {
    rig: &'a Rig,
    /// Cycles that a step takes besides: for switching the coils, or until its pulse ends.
    besides: Cycles,
    /// The longest dead time of bridges that the player switches.
    dead_time: Option<Time>,
    /// Cycles from the interrupt of outputs to their edges.
    lead: Cycles,
    /// When each axis had its last event (cycles), and whether that was a step.
    last: Vec<Option<(Cycles, bool)>>,
    crowd: Crowd,
    /// Recent interrupts of the axes.
    interrupts: VecDeque<Interrupt>,
    outputs: Vec<OutputState>,
    group: Option<DueTogether>,
    /// The axis that seeks an input.
    seeking: Option<usize>,
    /// When the last events of each stream come, a ring of them (cycles).
    rings: Vec<VecDeque<Cycles>>,
    /// Until when the processor is busy (cycles) with what was decoded so far.
    busy: Cycles,
}

impl<'a> EventPace<'a> {
    pub(super) fn new(rig: &'a Rig, lines: Lines, wiring: &Wiring) -> Self {
        let output = |pin| OutputState {
            is_written: wiring.compare_of(pin).is_none(),
            is_on: false,
            changed: None,
        };
        let besides = besides(rig, lines);
        let dead_times = rig.axes.iter().map(|axis| axis.drive.lines.dead_time);
        let dead_time = match lines {
            Lines::Steps => None,
            Lines::Coils => dead_times.max_by(|one, other| one.si().total_cmp(&other.si())),
        };
        Self {
            rig,
            besides,
            dead_time,
            lead: output_cycles(rig.timer.prescaler),
            last: vec![None; rig.axes.len()],
            crowd: Crowd::new(
                rig.axes.len(),
                STEP_READY + OTHERS_READY + besides,
                rig.timer.prescaler,
            ),
            interrupts: VecDeque::new(),
            outputs: wiring.outputs.iter().copied().map(output).collect(),
            group: None,
            seeking: None,
            rings: vec![VecDeque::new(); rig.axes.len() + 1],
            busy: 0,
        }
    }

    /// When an event comes (cycles): so late that nothing comes before zero.
    fn cycles_of(&self, event: &Event) -> Cycles {
        Cycles::from(event.tick) * Cycles::from(self.rig.timer.prescaler) + 4 * self.lead
    }

    /// The axis that an event moves, and whether by a quick step: one of a seek looks at its input.
    fn moved(&self, what: &EventKind) -> Option<(usize, bool)> {
        match *what {
            EventKind::Step { axis, .. } => Some((axis, self.seeking != Some(axis))),
            EventKind::Direction { axis, .. } => Some((axis, false)),
            EventKind::Output { .. }
            | EventKind::Mark(_)
            | EventKind::Await { .. }
            | EventKind::Seek { .. }
            | EventKind::Sought { .. }
            | EventKind::Zero { .. } => None,
        }
    }

    /// Whether time stands still at an event. Axes start afresh behind it.
    fn stands_still(&mut self, what: &EventKind) -> bool {
        let seeking = match *what {
            EventKind::Seek { axis, .. } => Some(axis),
            EventKind::Await { .. } | EventKind::Sought { .. } | EventKind::Zero { .. } => None,
            EventKind::Step { .. }
            | EventKind::Direction { .. }
            | EventKind::Output { .. }
            | EventKind::Mark(_) => return false,
        };
        self.seeking = seeking;
        self.last.fill(None);
        true
    }

    /// Takes the next event of the program.
    pub(super) fn pass(&mut self, event: &Event) -> Result<(), TooClose> {
        let now = self.cycles_of(event);
        if self.stands_still(&event.what) {
            self.finish()?;
            self.interrupts.clear();
            self.group = None;
            for output in &mut self.outputs {
                output.changed = None;
            }
            for ring in &mut self.rings {
                ring.clear();
            }
            self.busy = now;
            return Ok(());
        }
        if let Some((axis, step)) = self.moved(&event.what) {
            self.axis_event(axis, now, step)?;
            let (early, cost) = match event.what {
                EventKind::Direction { .. } => (DIRECTION_LEAD, EVENT_CYCLES),
                _ if step => (0, STEP_CYCLES + self.besides),
                _ => (0, SEEK_STEP_CYCLES + self.besides),
            };
            return self.decode(axis, now - early, cost);
        }
        let outputs = self.rig.axes.len();
        let joins = self.group.is_some_and(|group| group.due == now);
        let any = if joins {
            NEXT_EVENT_CYCLES
        } else {
            EVENT_CYCLES
        };
        let waiting = match event.what {
            EventKind::Output { output, on } => {
                let is_written = self.change(output, on, now)?;
                self.join(now, is_written)?;
                if is_written { self.lead } else { 0 }
            }
            _ => {
                self.join(now, false)?;
                0
            }
        };
        self.decode(outputs, now - self.lead, any + waiting)
    }

    /// The program has come to its end, or to a wait for an input.
    pub(super) fn finish(&mut self) -> Result<(), TooClose> {
        self.crowd.end().map_err(|crowded| self.crowded(crowded))
    }

    /// The dead time that takes so many cycles less of a step; none where no bridge is switched,
    /// or that were less than usual bridges need.
    fn shorter_dead_time(&self, cycles: Cycles) -> Option<Time> {
        let dead = self.dead_time?;
        let enough = dead.si() - (cycles + 1) as f64 / self.rig.timer.clock.si();
        let enough = (enough * 1e7).floor() * 1e-7;
        (enough >= DriveLines::DEAD_TIME.si()).then(|| Time::new(enough))
    }

    /// A refusal with the dead time that mends the rest of the program too, where one does: steps
    /// behind the refused one may be closer still.
    pub(super) fn mended(
        &mut self,
        refused: TooClose,
        rest: impl Iterator<Item = Event>,
    ) -> TooClose {
        let TooClose::Events {
            axis,
            apart,
            needs,
            dead_time: Some(mut enough),
        } = refused
        else {
            return refused;
        };
        let of = |dead_time| TooClose::Events {
            axis,
            apart,
            needs,
            dead_time,
        };
        for event in rest {
            self.stands_still(&event.what);
            let Some((axis, step)) = self.moved(&event.what) else {
                continue;
            };
            let now = self.cycles_of(&event);
            let close = self.too_close(axis, now, step);
            self.last[axis] = Some((now, step));
            match close.map(|close| self.shorter_dead_time(close.missing)) {
                None => {}
                Some(None) => return of(None),
                Some(Some(shorter)) if shorter.si() < enough.si() => enough = shorter,
                Some(Some(_)) => {}
            }
        }
        of(Some(enough))
    }

    fn crowded(&self, crowded: Crowded) -> TooClose {
        TooClose::Crowded {
            axis: self.rig.axes[crowded.axis].name.clone(),
            apart: self.time(crowded.apart),
            needs: self.enough(crowded.needs),
        }
    }

    /// How close an event of an axis is to the one before it, where that is too close.
    fn too_close(&self, axis: usize, now: Cycles, step: bool) -> Option<Close> {
        let (before, was_step) = self.last[axis]?;
        let apart = now - before;
        // The interrupts of other axes may come first.
        let other_axes = (self.last.len() - 1) as Cycles;
        let own = if was_step && step {
            STEP_READY
        } else {
            EVENT_READY
        };
        let first = other_axes * (STEP_READY + self.besides) + OTHERS_READY;
        let mut least = first + own + self.besides;
        let mut average = 0;
        if was_step && step {
            // What decoding takes on the average; ticks may fall one apart.
            average = STEP_CYCLES + self.besides;
            least = least.max(average.saturating_sub(2 * Cycles::from(self.rig.timer.prescaler)));
        }
        // What falls on one tick is done in one interrupt.
        (apart < least && (apart > 0 || step || was_step)).then(|| Close {
            apart,
            least,
            missing: least.max(average) - apart,
        })
    }

    /// A step or a direction.
    fn axis_event(&mut self, axis: usize, now: Cycles, step: bool) -> Result<(), TooClose> {
        let close = self.too_close(axis, now, step);
        let step_before = self.last[axis].filter(|(_, was_step)| step && *was_step);
        self.last[axis] = Some((now, step));
        if let Some(close) = close {
            return Err(TooClose::Events {
                axis: self.rig.axes[axis].name.clone(),
                apart: self.time(close.apart),
                needs: self.enough(close.least),
                dead_time: self.shorter_dead_time(close.missing),
            });
        }
        let early = if step { 0 } else { DIRECTION_LEAD };
        self.crowd
            .event(axis, now, step_before.map(|(before, _)| before), early)
            .map_err(|crowded| self.crowded(crowded))?;
        let cycles = if step {
            STEP_READY + self.besides
        } else {
            OTHER_BUSY
        };
        let past = now - 4 * self.lead;
        while self.interrupts.front().is_some_and(|one| one.until < past) {
            self.interrupts.pop_front();
        }
        self.interrupts.push_back(Interrupt {
            axis,
            from: now - early,
            until: now,
            cycles,
        });
        // A direction may come before outputs that are due before it.
        match self.group {
            Some(group) if now - early < group.due => self.check_group(group),
            _ => Ok(()),
        }
    }

    /// A change of an output, if it is one; returns whether the player has to write it.
    fn change(&mut self, output: usize, on: bool, now: Cycles) -> Result<bool, TooClose> {
        let least = self.lead;
        let changed = &self.outputs[output];
        if changed.is_on != on {
            let cycles = changed.changed.map_or(Cycles::MAX, |before| now - before);
            if cycles < least {
                // What is written takes longer, and would be refused for that next.
                let least = if changed.is_written {
                    written_output_cycles(self.rig)
                } else {
                    least
                };
                return Err(TooClose::Changes {
                    output: self.rig.outputs[output].name.clone(),
                    apart: self.time(cycles),
                    needs: self.enough(least),
                });
            }
            let changing = &mut self.outputs[output];
            changing.is_on = on;
            changing.changed = Some(now);
        }
        Ok(self.outputs[output].is_written)
    }

    /// An output or a mark is due.
    fn join(&mut self, now: Cycles, is_written: bool) -> Result<(), TooClose> {
        let group = match self.group {
            Some(group) if group.due == now => DueTogether {
                events: group.events + 1,
                is_written: group.is_written || is_written,
                ..group
            },
            before => {
                if let Some(before) = before {
                    self.check_next(before, now)?;
                }
                DueTogether {
                    due: now,
                    events: 1,
                    is_written,
                }
            }
        };
        self.group = Some(group);
        self.check_group(group)
    }

    /// Whether all of a group is ready when it is due.
    fn check_group(&self, group: DueTogether) -> Result<(), TooClose> {
        let own = OUTPUT_READY + Cycles::from(group.events - 1) * NEXT_OUTPUT_READY;
        let needed = own + self.axes_between(group.due - self.lead, group.due);
        if needed > self.lead {
            return Err(TooClose::AtOnce {
                needs: self.enough(needed),
                lead: self.time(self.lead),
            });
        }
        Ok(())
    }

    /// Whether the interrupt of a group is over when the one of the next comes.
    fn check_next(&self, group: DueTogether, next: Cycles) -> Result<(), TooClose> {
        let cycles = next - group.due;
        let waiting = if group.is_written { self.lead } else { 0 };
        let own = EVENT_READY + Cycles::from(group.events - 1) * NEXT_OUTPUT_READY;
        let (from, until) = (group.due - self.lead, next - self.lead);
        let least = waiting + own + OTHERS_READY + self.axes_between(from, until);
        if cycles < least {
            return Err(TooClose::Others {
                apart: self.time(cycles),
                needs: self.enough(least),
            });
        }
        Ok(())
    }

    /// Cycles that interrupts of axes may take between two cycles. A long wait of an axis
    /// has pieces, and each takes an interrupt too.
    fn axes_between(&self, from: Cycles, until: Cycles) -> Cycles {
        let within = |one: &&Interrupt| one.until + one.cycles > from && one.from < until;
        let taken = |axis| {
            let own = self.interrupts.iter().filter(|one| one.axis == axis);
            let cycles: Cycles = own.filter(within).map(|one| one.cycles).sum();
            cycles.max(OTHER_BUSY)
        };
        (0..self.last.len()).map(taken).sum()
    }

    /// How long so many clock cycles take.
    fn time(&self, cycles: Cycles) -> Time {
        Time::new(cycles as f64 / self.rig.timer.clock.si())
    }

    /// The same in whole microseconds, none too few.
    fn enough(&self, cycles: Cycles) -> Time {
        whole_microseconds(cycles, &self.rig.timer)
    }

    /// Whether decoding keeps up with an event that takes so many cycles. What fits into the
    /// rings at once has been decoded before the start.
    fn decode(&mut self, stream: usize, comes: Cycles, cost: Cycles) -> Result<(), TooClose> {
        let ring = &mut self.rings[stream];
        ring.push_back(comes);
        if ring.len() <= RING {
            return Ok(());
        }
        let room = ring.pop_front().unwrap_or(comes);
        self.busy = self.busy.max(room) + cost;
        if self.busy > comes {
            return Err(TooClose::Decoding {
                needs: self.enough(self.busy - room),
                within: self.time(comes - room),
            });
        }
        Ok(())
    }
}
