//! Whether fast steps of one axis bear what the interrupts of the others take.
//!
//! A step with another one behind it takes its interrupt little time. Every other event of
//! an axis takes [`OTHER_BUSY`] cycles: a direction, the first step and the last one, and
//! the last piece of a wait, which comes up to [`LONGEST_EVENT_WAIT`] ticks before the event
//! behind it. An axis that steps in shorter intervals than that, and its own interrupt,
//! would miss one; so it has to be slower meanwhile.

use std::collections::VecDeque;

use super::budget::{Cycles, LONGEST_EVENT_WAIT, OTHER_BUSY};

/// A stretch of time (cycles).
#[derive(Debug, Clone, Copy)]
struct CycleSpan {
    from: Cycles,
    until: Cycles,
}

impl CycleSpan {
    const fn meets(self, other: Self) -> bool {
        self.from <= other.until && other.from <= self.until
    }
}

/// Fast steps, one after the other.
#[derive(Debug, Clone, Copy)]
struct Fast {
    span: CycleSpan,
    /// The shortest of their intervals (cycles).
    shortest: Cycles,
}

/// What is known of one axis.
#[derive(Debug, Clone, Default)]
struct Known {
    /// Its last event, as long as it may turn out to be a step with another one behind it.
    open: Option<CycleSpan>,
    fast: VecDeque<Fast>,
    busy: VecDeque<CycleSpan>,
}

/// An axis steps so fast while another one starts, stops or turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Crowded {
    pub(super) axis: usize,
    /// Its interval, and the least that would do (cycles).
    pub(super) apart: Cycles,
    pub(super) needs: Cycles,
}

/// Follows all axes.
#[derive(Debug)]
pub(super) struct Crowd {
    /// Shorter intervals are fast (cycles).
    limit: Cycles,
    /// [`LONGEST_EVENT_WAIT`] in cycles.
    wait: Cycles,
    axes: Vec<Known>,
}

impl Crowd {
    pub(super) fn new(axes: usize, step_cycles: Cycles, prescaler: u32) -> Self {
        Self {
            limit: OTHER_BUSY + step_cycles,
            wait: Cycles::from(LONGEST_EVENT_WAIT) * Cycles::from(prescaler),
            axes: vec![Known::default(); axes],
        }
    }

    /// The next event of an axis: when the one before it came, if there was one and both are
    /// steps, and how much earlier its interrupt may come.
    pub(super) fn event(
        &mut self,
        axis: usize,
        now: Cycles,
        step_before: Option<Cycles>,
        early: Cycles,
    ) -> Result<(), Crowded> {
        if self.axes.len() < 2 {
            return Ok(());
        }
        let this = CycleSpan {
            from: now - early,
            until: now + OTHER_BUSY,
        };
        let open = self.axes[axis].open.replace(this);
        match step_before.filter(|before| now - before <= self.wait) {
            Some(before) => {
                if now - before < self.limit {
                    self.fast(axis, before, now)?;
                }
            }
            None => {
                if let Some(open) = open {
                    self.busy(axis, open)?;
                }
                let from = now.saturating_sub(self.wait);
                self.busy(axis, CycleSpan { from, ..this })?;
            }
        }
        self.look_back(now)
    }

    /// Nothing more comes before everything stands still.
    pub(super) fn end(&mut self) -> Result<(), Crowded> {
        self.look_back(Cycles::MAX)?;
        self.axes.fill(Known::default());
        Ok(())
    }

    /// Events that have had no step behind them for too long were no steps under way.
    fn look_back(&mut self, now: Cycles) -> Result<(), Crowded> {
        for axis in 0..self.axes.len() {
            let over = |open: &CycleSpan| now.saturating_sub(open.until) > self.wait;
            if let Some(open) = self.axes[axis].open.filter(over) {
                self.axes[axis].open = None;
                self.busy(axis, open)?;
            }
        }
        // Later queries reach no further back.
        let past = now.saturating_sub(3 * self.wait);
        for known in &mut self.axes {
            while known
                .fast
                .front()
                .is_some_and(|fast| fast.span.until < past)
            {
                known.fast.pop_front();
            }
            while known.busy.front().is_some_and(|busy| busy.until < past) {
                known.busy.pop_front();
            }
        }
        Ok(())
    }

    fn fast(&mut self, axis: usize, before: Cycles, now: Cycles) -> Result<(), Crowded> {
        let (from, until, apart) = (before, now, now - before);
        let span = CycleSpan { from, until };
        let mut others = self.axes.iter().enumerate();
        if others
            .any(|(other, known)| other != axis && known.busy.iter().any(|busy| busy.meets(span)))
        {
            return Err(self.crowded(axis, apart));
        }
        let fast = &mut self.axes[axis].fast;
        match fast.back_mut().filter(|last| last.span.until == before) {
            Some(last) => {
                last.span.until = now;
                last.shortest = last.shortest.min(apart);
            }
            None => fast.push_back(Fast {
                span,
                shortest: apart,
            }),
        }
        Ok(())
    }

    fn busy(&mut self, axis: usize, span: CycleSpan) -> Result<(), Crowded> {
        for (other, known) in self.axes.iter().enumerate() {
            let met = |fast: &&Fast| other != axis && fast.span.meets(span);
            if let Some(fast) = known.fast.iter().find(met) {
                return Err(self.crowded(other, fast.shortest));
            }
        }
        self.axes[axis].busy.push_back(span);
        Ok(())
    }

    const fn crowded(&self, axis: usize, apart: Cycles) -> Crowded {
        Crowded {
            axis,
            apart,
            needs: self.limit,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Steps of the first axis, every so many cycles from the start on.
    fn steps(crowd: &mut Crowd, apart: Cycles, from: Cycles, to: Cycles) -> Result<(), Crowded> {
        let mut before = None;
        for now in (from..to).step_by(apart as usize) {
            crowd.event(0, now, before, 0)?;
            before = Some(now);
        }
        Ok(())
    }

    #[test]
    fn fast_steps_bear_no_other_axis_that_starts_among_them() {
        let crowd = || Crowd::new(2, 140, 1);
        let (from, to) = (1_000_000, 1_100_000);
        // Slow enough, or alone.
        for (apart, starts) in [(540, 1_050_000), (300, 1_200_000), (300, 900_000)] {
            let mut crowd = crowd();
            if starts < from {
                crowd.event(1, starts, None, 0).expect("before");
            }
            steps(&mut crowd, apart, from, to).expect("alone");
            if starts > from {
                crowd.event(1, starts, None, 0).expect("behind");
            }
            crowd.end().expect("done");
        }
        // A start amid them, or so soon behind them that its wait ends among them.
        for starts in [1_050_000, 1_120_000] {
            let mut crowd = crowd();
            steps(&mut crowd, 300, from, to).expect("alone");
            let error = crowd.event(1, starts, None, 0).expect_err("crowded");
            assert_eq!((error.axis, error.apart, error.needs), (0, 300, 540));
        }
        // A last step amid them, which is known to be one only when nothing has followed.
        let mut crowd = crowd();
        crowd.event(1, 1_000_100, None, 0).expect("before");
        assert!(steps(&mut crowd, 300, from, to).is_err());
    }

    #[test]
    fn what_is_remembered_does_not_grow() {
        let mut crowd = Crowd::new(2, 140, 1);
        for burst in 1..2000 {
            let from = burst * 1_000_000;
            steps(&mut crowd, 300, from, from + 3000).expect("alone");
        }
        assert!(
            crowd
                .axes
                .iter()
                .all(|known| known.fast.len() + known.busy.len() < 8)
        );
    }
}
