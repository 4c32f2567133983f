//! From a good choice to a better one near it, and why there is none.

use super::trial::Tried;
use super::{Choice, Search};
use crate::script::Shape;

/// The factor of the first neighbours: about half the distance within the grid …
const FIRST: f64 = 1.2;
/// … and of the last.
const LAST: f64 = 1.01;
/// Rounds at most.
const ROUNDS: usize = 24;

/// Exponents of the factor for speed, acceleration and jerk.
const NEIGHBOURS: [[i32; 3]; 12] = [
    [1, 0, 0],
    [-1, 0, 0],
    [0, 1, 0],
    [0, -1, 0],
    [0, 0, 1],
    [0, 0, -1],
    [1, 1, 0],
    [-1, 1, 0],
    [1, -1, 0],
    [0, 1, 1],
    [0, 1, -1],
    [0, -1, 1],
];

impl Search<'_> {
    /// The best choice of each shape, the best first.
    pub(super) fn best_of_each_shape(&self) -> Vec<Choice> {
        let mut starts: Vec<Choice> = Vec::new();
        for (choice, _) in &self.task.ranked {
            if starts.iter().all(|start| start.shape != choice.shape) {
                starts.push(*choice);
            }
        }
        starts
    }

    /// Goes from a choice to better ones of its shape; gives whether it was broken off.
    pub(super) fn refine(
        &mut self,
        start: Choice,
        broken_off: &mut dyn FnMut(usize) -> bool,
    ) -> bool {
        let (mut at, mut factor) = (start, FIRST);
        for _ in 0..ROUNDS {
            let neighbours: Vec<Choice> = NEIGHBOURS
                .iter()
                .map(|exponents| self.neighbour(&at, factor, *exponents))
                .filter(|one| self.task.ranked.iter().all(|(known, _)| known != one) && *one != at)
                .collect();
            if self.try_all(&neighbours, broken_off) {
                return true;
            }
            let best = self
                .task
                .ranked
                .iter()
                .find(|(choice, _)| choice.shape == start.shape);
            match best {
                Some((choice, _)) if *choice != at => at = *choice,
                _ if factor > LAST => factor = factor.sqrt().max(LAST),
                _ => break,
            }
        }
        false
    }

    fn neighbour(&self, at: &Choice, factor: f64, [speed, accel, jerk]: [i32; 3]) -> Choice {
        let unit = self.space.unit();
        let times = |value: f64, exponent: i32| value * unit * factor.powi(exponent);
        self.space.choice(
            at.shape,
            times(at.speed, speed),
            times(at.accel, accel),
            at.jerk.map(|value| times(value, jerk)),
        )
    }

    /// What stands against more of each value than the best choice has.
    pub(super) fn why_no_faster(&self) -> Vec<String> {
        let Some((best, performance)) = self.task.ranked.first() else {
            return Vec::new();
        };
        let probes: &[(&str, [i32; 3])] = match best.shape {
            Shape::Trapezoid => &[("speed", [1, 0, 0]), ("acceleration", [0, 1, 0])],
            Shape::SCurve => &[
                ("speed", [1, 0, 0]),
                ("acceleration", [0, 1, 1]),
                ("jerk", [0, 0, 1]),
            ],
            Shape::FullTorque => &[("speed", [1, 0, 0])],
        };
        let mut limits = Vec::new();
        for (what, exponents) in probes {
            let probe = self.neighbour(best, 1.1, *exponents);
            if probe == *best {
                limits.push(format!(
                    "{what}: the limit of the rig, the move or the useful range"
                ));
                continue;
            }
            // More of what is not reached changes nothing.
            let shorter = self.trial.duration(&probe);
            if shorter.is_none_or(|time| time >= performance.time * (1.0 - 1e-6)) {
                continue;
            }
            limits.push(match self.trial.of(&probe) {
                Tried::Bad(why) => format!("{what}: {why}"),
                Tried::Good(_) => format!("{what}: the load settles later"),
            });
        }
        limits
    }
}
