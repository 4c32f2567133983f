//! What the settings of a script mean on each axis, remembered while they are in force.

use std::sync::Arc;

use crate::diagnostic::Diagnostic;
use crate::plan::limits::KnownLimits;
use crate::script::Settings;

/// How many settings are remembered; a script rarely has more in force by turns.
const SETTINGS: usize = 32;

/// Settings of the script with what they mean on each axis. Holding the settings
/// keeps their address from being used again.
#[derive(Debug)]
struct KnownSettings {
    settings: Arc<Settings>,
    axes: Vec<Option<KnownLimits>>,
}

/// The settings that a script had in force last.
#[derive(Debug)]
pub(crate) struct RememberedSettings {
    axes: usize,
    known: Vec<KnownSettings>,
}

impl RememberedSettings {
    /// None yet, on so many axes.
    pub(crate) const fn new(axes: usize) -> Self {
        Self {
            axes,
            known: Vec::new(),
        }
    }

    /// What these settings mean on that axis; `find` says it the first time.
    pub(crate) fn limits(
        &mut self,
        axis: usize,
        settings: &Arc<Settings>,
        find: impl FnOnce() -> Result<KnownLimits, Diagnostic>,
    ) -> Result<KnownLimits, Diagnostic> {
        let found = self
            .known
            .iter()
            .position(|known| Arc::ptr_eq(&known.settings, settings));
        let at = match found {
            Some(at) => at,
            None => {
                if self.known.len() == SETTINGS {
                    self.known.remove(0);
                }
                self.known.push(KnownSettings {
                    settings: Arc::clone(settings),
                    axes: vec![None; self.axes],
                });
                self.known.len() - 1
            }
        };
        if let Some(limits) = self.known[at].axes[axis] {
            return Ok(limits);
        }
        let limits = find()?;
        self.known[at].axes[axis] = Some(limits);
        Ok(limits)
    }
}
