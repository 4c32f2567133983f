//! A stretch of a path with limits of its own.

use std::sync::Arc;

use crate::plan::bands::Bands;
use crate::plan::profile::Ramp;

/// A stretch of a path with limits of its own.
#[derive(Debug, Clone)]
pub(crate) struct Leg {
    /// How far (microsteps), above zero.
    pub distance: f64,
    /// Highest speed (microsteps/s).
    pub speed: f64,
    /// How speed is gained.
    pub up: Arc<dyn Ramp>,
    /// How speed is lost, run backwards.
    pub down: Arc<dyn Ramp>,
    /// Speeds to keep out of.
    pub bands: Bands,
}
