//! How many actions a script comes to, without going through them.

use std::collections::HashMap;
use std::sync::Arc;

use super::ResolvedScript;
use super::expand::WITHOUT_END;
use super::operation::{Call, Operation};

/// Counts the actions of blocks; each sequence is gone through once. The counts are only as exact
/// as a `f64`: scripts of 10^100 actions can be written.
#[derive(Debug, Clone, Default)]
pub(super) struct Extent {
    calls: HashMap<Arc<Call>, f64>,
}

impl Extent {
    /// The actions that these operations come to. What is repeated without end counts `endless`
    /// passes, or one where those have no end either. A call that is resolved only once it is
    /// reached counts as one action.
    pub(super) fn of(
        &mut self,
        operations: &[Operation],
        endless: u64,
        program: &ResolvedScript,
    ) -> f64 {
        let mut all = 0.0;
        for operation in operations {
            all += match operation {
                Operation::Act(_) => 1.0,
                Operation::Repeat(passes, body) => *passes as f64 * self.of(body, endless, program),
                Operation::Forever(body, _) => {
                    let passes = if endless == WITHOUT_END { 1 } else { endless };
                    passes as f64 * self.of(body, endless, program)
                }
                Operation::Call(call, _) => self.of_call(call, endless, program),
            };
        }
        all
    }

    fn of_call(&mut self, call: &Arc<Call>, endless: u64, program: &ResolvedScript) -> f64 {
        if let Some(known) = self.calls.get(call) {
            return *known;
        }
        let Some(body) = program.calls.get(call) else {
            return 1.0;
        };
        let counted = self.of(body, endless, program);
        self.calls.insert(Arc::clone(call), counted);
        counted
    }
}
