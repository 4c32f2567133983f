//! Remembers what runs of the simulator have found.
//!
//! Bands and start-stop rates are pure functions of the machine and take milliseconds to
//! some tenths of a second. A process that asks again (`watch`, axes that are alike, a
//! planner beside a check) is given what was found before. The key is the whole
//! [`Machine`], every number of it, so nothing that matters can differ. Nothing is
//! kept on disk: a check is quicker than a cache on disk is safe.

use std::sync::{Mutex, PoisonError};

use super::machine::Machine;

/// Answers kept, past which the oldest is forgotten: chosen, more than a rig has axes.
const KEPT: usize = 64;

/// A bounded memory of answers about machines.
#[derive(Debug)]
pub(super) struct Remembered<Q, A> {
    /// Oldest first.
    known: Mutex<Vec<(Machine, Q, A)>>,
}

impl<Q: PartialEq, A: Clone> Remembered<Q, A> {
    pub(super) const fn new() -> Self {
        Self {
            known: Mutex::new(Vec::new()),
        }
    }

    /// The answer to `question` about `machine`: known from before, or found now.
    pub(super) fn or_find(&self, machine: &Machine, question: Q, find: impl FnOnce() -> A) -> A {
        // What a panic elsewhere left behind is whole: entries are pushed at once.
        let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let same = |entry: &&(Machine, Q, A)| entry.0 == *machine && entry.1 == question;
        if let Some((_, _, answer)) = known().iter().find(same) {
            return answer.clone();
        }
        // Without the lock: finding takes long, and finding twice does no harm.
        let answer = find();
        let mut known = known();
        if known.len() >= KEPT {
            known.remove(0);
        }
        known.push((machine.clone(), question, answer.clone()));
        answer
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::Feed;
    use crate::rig::Sequence;

    fn machine(inertia: f64) -> Machine {
        Machine {
            rotor_teeth: 50.0,
            resistance: 1.6,
            inductance: 3.2e-3,
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
                supply: 2.4,
                sequence: Sequence::TwoPhase,
            },
        }
    }

    #[test]
    fn the_same_machine_is_asked_once_and_another_anew() {
        let memory = Remembered::new();
        let mut found = 0;
        let mut ask = |inertia: f64, question: u8| {
            memory.or_find(&machine(inertia), question, || {
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
