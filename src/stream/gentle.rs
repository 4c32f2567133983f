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
    /// all that end with number `from` or later.
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

    fn told(self, steps: usize, [first, middle, last]: [u64; 3]) -> ToldDecel {
        let steps = steps as f64;
        let [one, next] = [middle - first, last - middle].map(|ticks| ticks as f64 / self.rate);
        let speed = steps / one;
        ToldDecel {
            decel: (speed - steps / next) / f64::midpoint(one, next),
            grain: 4.0 * speed.powi(3) / (self.rate * steps * steps),
        }
    }
}

/// The deceleration that two stretches tell, and what rounding may add to it.
struct ToldDecel {
    decel: f64,
    grain: f64,
}

/// What is required of the records of a slow-down.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gentleness {
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
    gentle: &Gentleness,
    out: &mut Vec<u8>,
) -> Option<f64> {
    let Gentleness { planned, .. } = gentle;
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
fn is_gentle(played: &mut Vec<u64>, path: &[u64], from: usize, gentle: &Gentleness) -> bool {
    let Gentleness {
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

#[cfg(test)]
mod tests {
    use super::*;

    const PLANNED: PlannedDecel = PlannedDecel {
        decel: 2500.0,
        rate: 2e6,
        stretch: 16,
    };

    /// The ticks of a cruise of 256 steps at 3400 microsteps/s, and of the standstill behind it.
    fn path() -> [Vec<u64>; 2] {
        let PlannedDecel { decel, rate, .. } = PLANNED;
        let speed = 3400.0_f64;
        let cruise = |step: u32| f64::from(step) / speed;
        let start = cruise(256);
        let slows = |step: u32| {
            let left = speed * speed - 2.0 * decel * f64::from(step);
            start + (speed - left.max(0.0).sqrt()) / decel
        };
        let steps = (speed * speed / (2.0 * decel)) as u32;
        let tick = |time: f64| (time * rate).round() as u64;
        [
            (1..=256).map(|step| tick(cruise(step))).collect(),
            (1..=steps).map(|step| tick(slows(step))).collect(),
        ]
    }

    /// The bytes that a standstill takes, and its excess.
    fn written(differs: f64) -> (usize, f64) {
        let [before, behind] = path();
        let gentle = Gentleness {
            accuracy: Accuracy {
                stray: Some(0.2),
                least: 1,
                long: 31_250,
            },
            planned: PLANNED,
            differs,
            room: 1000,
        };
        let mut bytes = Vec::new();
        let clock = before[before.len() - 1];
        let excess = write(0, clock, &before, &behind, &gentle, &mut bytes).expect("room");
        (bytes.len(), excess)
    }

    #[test]
    fn the_path_itself_is_as_hard_as_planned() {
        let [before, behind] = path();
        let excess = PLANNED.excess(&[before, behind].concat(), 0);
        assert!(excess < 1e-3, "{excess}");
    }

    #[test]
    fn a_standstill_of_2300_steps_differs_the_less_the_more_bytes_it_has() {
        for (differs, harder, most) in [(0.06, 0.1, 128), (0.03, 0.06, 190), (0.01, 0.03, 270)] {
            let (bytes, excess) = written(differs);
            println!("{differs}: {bytes} bytes, {excess}");
            assert!(excess <= harder, "{differs}: {excess}");
            assert!(bytes <= most, "{differs}: {bytes} bytes");
        }
    }

    #[test]
    fn a_kink_of_pace_is_a_deceleration() {
        let [before, behind] = path();
        let path = [before, behind].concat();
        // From step 1000 on a five-hundredth slower: over two stretches of 16 steps at some 2600/s.
        let slower = |at: usize| path[at] + path[at].saturating_sub(path[1000]) / 500;
        let played: Vec<u64> = (0..path.len()).map(slower).collect();
        assert!(PLANNED.excess(&played, 0) > 0.2);
        assert!(!PLANNED.follows(&played, &path, 0, 0.2));
        assert!(PLANNED.follows(&path, &path, 0, 0.0));
    }
}
