//! How hard steps on ticks slow down, and runs of steps that do so as their path does.
//!
//! Two stretches of W steps each tell a deceleration, where T is the time of both:
//!
//! ```text
//! decel = (v₁ − v₂) / (½ T)
//! three ticks off by one    4 v₁³ / (rate W²)
//! ```
//!
//! A step of the plan falls within a tick of its own; so does one where two runs meet, each of
//! which begins on a whole tick.
//!
//! What a run strays from its path matters little, its rotor follows; what two runs differ in
//! pace where they meet is an acceleration. So a run must leave as much of what it may differ
//! as the next one needs: its end is judged with the next steps of the path behind it.

use super::fit::{self, Accuracy};
use super::record::{self, Act, RecordKind};

/// The share of the difference allowed that a run may leave where the path goes on behind it:
/// chosen, of 0.3 to 1 that which holds hard ramps with the least.
const LEFT_BEHIND: f64 = 0.6;
/// The share of its interval that the last step before the standstill keeps at least: chosen. No
/// stretch tells it.
const LAST_INTERVAL: f64 = 0.9;
/// By which part of a stretch the next one looked at begins later, while runs are sought.
const LOOKS: usize = 4;

/// The deceleration by which an axis is judged.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlannedDecel {
    /// The plan's (microsteps/s²), and ticks a second.
    pub(super) decel: f64,
    pub(super) rate: f64,
    /// Steps of the shortest stretches by which it is told.
    pub(super) stretch: usize,
}

impl PlannedDecel {
    /// By which share the steps on `ticks` from number `from` on slow down harder than planned,
    /// at most, over any two stretches of `stretch` steps, twice as many, and so on; beyond what
    /// rounding each step to its tick tells.
    pub(super) fn excess(self, ticks: &[u64], from: usize) -> f64 {
        let excess = |(steps, places): (usize, [usize; 3])| {
            let told = self.told(steps, places.map(|at| ticks[at]));
            (told.decel - told.grain) / self.decel - 1.0
        };
        self.stretches(from, ticks.len(), |_| 1)
            .map(excess)
            .fold(-1.0, f64::max)
    }

    /// Whether the steps on `ticks` from number `from` on slow down as those on `path` do, but for
    /// a share of the plan's deceleration.
    fn follows(self, ticks: &[u64], path: &[u64], from: usize, share: f64) -> bool {
        self.stretches(from, ticks.len(), |steps| (steps / LOOKS).max(1))
            .all(|(steps, places)| {
                let [told, of_path] =
                    [ticks, path].map(|ticks| self.told(steps, places.map(|at| ticks[at])));
                (told.decel - of_path.decel).abs() <= told.grain + share * self.decel
            })
    }

    /// Steps of a stretch, and the numbers of the first, middle and last step of two of them, for
    /// all that end behind number `from`.
    fn stretches(
        self,
        from: usize,
        count: usize,
        every: impl Fn(usize) -> usize,
    ) -> impl Iterator<Item = (usize, [usize; 3])> {
        let lengths = std::iter::successors(Some(self.stretch.max(1)), |steps| Some(2 * steps));
        lengths
            .take_while(move |steps| 2 * steps < count)
            .flat_map(move |steps| {
                let ends = (from.max(2 * steps)..count).step_by(every(steps));
                ends.map(move |at| (steps, [at - 2 * steps, at - steps, at]))
            })
    }

    fn told(self, steps: usize, [first, middle, last]: [u64; 3]) -> Told {
        let steps = steps as f64;
        let [one, next] = [middle - first, last - middle].map(|ticks| ticks as f64 / self.rate);
        let speed = steps / one;
        Told {
            decel: (speed - steps / next) / f64::midpoint(one, next),
            grain: 4.0 * speed.powi(3) / (self.rate * steps * steps),
        }
    }
}

/// The deceleration that two stretches tell, and what rounding may add to it.
struct Told {
    decel: f64,
    grain: f64,
}

/// What is required of the records of a slow-down.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gentle {
    pub(super) accuracy: Accuracy,
    pub(super) planned: PlannedDecel,
    /// By which share of the plan's deceleration a run may differ from its path.
    pub(super) differs: f64,
    /// Bytes that the records may take.
    pub(super) room: usize,
}

/// Appends the records of steps that fall on `ticks` (rising, all after `clock`), behind the plan's
/// last ones on `before`; returns by which share they slow down harder than planned. None where
/// they take more than the room.
pub(super) fn write(
    stream: usize,
    mut clock: u64,
    before: &[u64],
    ticks: &[u64],
    gentle: &Gentle,
    out: &mut Vec<u8>,
) -> Option<f64> {
    let Gentle { planned, .. } = gentle;
    let most = out.len() + gentle.room;
    let path = [before, ticks].concat();
    let (mut played, mut start) = (before.to_vec(), clock);
    while played.len() < path.len() {
        let first = played.len();
        let window = path[first..].iter().take(record::LONGEST_RUN);
        let ahead: Vec<u64> = window.map(|tick| tick - clock).collect();
        let run = fit::best_run(&ahead, gentle.accuracy, |run| {
            played.truncate(first);
            played.extend(run.ticks().map(|tick| start + tick));
            is_gentle(&mut played, &path, first, gentle)
        });
        played.truncate(first);
        let what = match run {
            Some(run) => {
                played.extend(run.ticks().map(|tick| start + tick));
                RecordKind::Run(run)
            }
            None => {
                let (gap, act) = (ahead[0], Act::Step);
                played.push(start + gap);
                RecordKind::Event { gap, act }
            }
        };
        record::write(stream, &what, out);
        if out.len() > most {
            return None;
        }
        // Where a run strays, so does the board's clock; what matters from here on is that
        // the next intervals are true.
        let last = played.len() - 1;
        (clock, start) = (path[last], played[last]);
    }
    Some(planned.excess(&played, before.len()))
}

/// Whether the steps played from number `from` on, and those of the path behind them, differ as
/// little from it as asked.
fn is_gentle(played: &mut Vec<u64>, path: &[u64], from: usize, gentle: &Gentle) -> bool {
    let Gentle {
        planned, differs, ..
    } = *gentle;
    if differs.is_infinite() {
        return true;
    }
    if !planned.follows(played, path, from, differs) {
        return false;
    }
    let behind = played.len();
    if behind == path.len() {
        let [last, wanted] = [&played[..], path].map(|ticks| match ticks {
            [.., before, last] => (last - before) as f64,
            _ => 0.0,
        });
        return last >= LAST_INTERVAL * wanted;
    }
    let (here, there) = (path[behind - 1], played[behind - 1]);
    let next = path[behind..].iter().take(2 * planned.stretch);
    played.extend(next.map(|tick| there + (tick - here)));
    planned.follows(played, path, behind, LEFT_BEHIND * differs)
}
