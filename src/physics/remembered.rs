//! Remembers what has been found about a machine.
//!
//! Bands, start-stop rates and tables of torque are pure functions of some numbers and take
//! milliseconds to some tenths of a second. A process that asks again (`watch`, axes that are
//! alike, a planner beside a check) is given what was found before. The key is every number
//! that the answer depends on, so nothing that matters can differ. Nothing is
//! kept on disk: a check is quicker than a cache on disk is safe.

use std::sync::{Mutex, PoisonError};

/// Answers kept, past which the oldest is forgotten: chosen, more than a rig has axes, with the
/// six torque tables of each.
const KEPT: usize = 128;

/// A bounded memory of answers.
#[derive(Debug)]
pub(super) struct Remembered<K, A> {
    /// Oldest first.
    known: Mutex<Vec<(K, A)>>,
}

impl<K: PartialEq, A: Clone> Remembered<K, A> {
    pub(super) const fn new() -> Self {
        Self {
            known: Mutex::new(Vec::new()),
        }
    }

    /// The answer for `key`: known from before, or found now.
    pub(super) fn or_find(&self, key: K, find: impl FnOnce(&K) -> A) -> A {
        // What a panic elsewhere left behind is whole: entries are pushed at once.
        let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, answer)) = known().iter().find(|entry| entry.0 == key) {
            return answer.clone();
        }
        // Without the lock: finding takes long, and finding twice does no harm.
        let answer = find(&key);
        let mut known = known();
        if known.len() >= KEPT {
            known.remove(0);
        }
        known.push((key, answer.clone()));
        answer
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::{Feed, Machine};
    use crate::rig::Sequence;

    fn machine(inertia: f64) -> Machine {
        Machine {
            rotor_teeth: 50.0,
            resistance: 2.1,
            inductance: 4.2e-3,
            torque_constant: 0.2,
            detent_torque: 0.0,
            inertia,
            load_inertia: 0.0,
            efficiency: 1.0,
            viscous: 0.0,
            friction: 0.0,
            rotor_friction: 0.0,
            constant_torque: 0.0,
            unbalance_torque: 0.0,
            harmonics: crate::physics::Harmonics::NONE,
            gearing: 1.0,
            feed: Feed::FixedVoltage {
                supply: 3.2,
                sequence: Sequence::TwoPhase,
            },
        }
    }

    #[test]
    fn the_same_machine_is_asked_once_and_another_anew() {
        let memory = Remembered::new();
        let mut found = 0;
        let mut ask = |inertia: f64, question: u8| {
            memory.or_find((machine(inertia), question), |_| {
                found += 1;
                found
            })
        };
        assert_eq!(ask(1e-5, 0), 1);
        assert_eq!(ask(1e-5, 0), 1);
        assert_eq!(ask(1e-5, 1), 2);
        assert_eq!(ask(1.000_000_000_1e-5, 0), 3);
        for more in 0..200 {
            ask(f64::from(more), 0);
        }
        assert_eq!(ask(1e-5, 0), 204);
        assert!(memory.known.lock().unwrap().len() <= KEPT);
    }
}
