//! The motion of one axis, as a key to what was found of it.

use std::hash::{Hash, Hasher};
use std::sync::Arc;

use crate::plan::{AxisMotion, Motion};

/// The motion of one axis: the same where all its numbers are.
#[derive(Debug, Clone)]
pub(super) struct OneAxis {
    pub(super) motion: Arc<Motion>,
    /// Which of its axes.
    pub(super) number: usize,
}

impl OneAxis {
    pub(super) fn motion(&self) -> &AxisMotion {
        &self.motion.axes[self.number]
    }
}

impl PartialEq for OneAxis {
    fn eq(&self, other: &Self) -> bool {
        self.number == other.number
            && (Arc::ptr_eq(&self.motion, &other.motion) || self.motion() == other.motion())
    }
}

impl Eq for OneAxis {}

impl Hash for OneAxis {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let axis = self.motion();
        (axis.axis, axis.direction, axis.steps).hash(state);
        self.motion.duration.to_bits().hash(state);
    }
}
