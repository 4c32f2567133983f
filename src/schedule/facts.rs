//! Counts of a schedule, taken as it streams by.

/// Counts of a schedule so far.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Facts {
    /// Events, steps included.
    pub events: u64,
    /// Steps of each axis of the rig.
    pub steps: Vec<u64>,
    /// Tick of the last event.
    pub last_tick: u64,
    /// Longest time between two events (ticks).
    pub longest_wait: u64,
    /// How many waits between two events are longer than the counter holds. They are
    /// legal: the firmware counts such a wait in several turns of the counter.
    pub waits_beyond_counter: u64,
    /// Whole ticks that were added so that a direction stands long enough.
    pub added_ticks: u64,
}

impl Facts {
    pub(super) fn new(axes: usize) -> Self {
        Self {
            steps: vec![0; axes],
            ..Self::default()
        }
    }

    pub(super) fn count(&mut self, tick: u64, counter: u64) {
        let wait = tick.saturating_sub(self.last_tick);
        self.longest_wait = self.longest_wait.max(wait);
        self.waits_beyond_counter += u64::from(wait > counter);
        self.last_tick = tick;
        self.events += 1;
    }

    pub(super) fn count_steps(&mut self, axis: usize, ticks: &[u64], counter: u64) {
        let Some(&first) = ticks.first() else { return };
        self.count(first, counter);
        let last = ticks[ticks.len() - 1];
        // Few runs hold a wait that is longer than the longest so far.
        if last - first > self.longest_wait.min(counter) {
            for pair in ticks.windows(2) {
                let wait = pair[1] - pair[0];
                self.longest_wait = self.longest_wait.max(wait);
                self.waits_beyond_counter += u64::from(wait > counter);
            }
        }
        self.last_tick = last;
        self.events += ticks.len() as u64 - 1;
        self.steps[axis] += ticks.len() as u64;
    }
}
