//! Draws as lines of JSON: first the study, then a line for each of its draws.
//!
//! Lines of several parts of one study merge to the same study, whatever the order of the
//! parts.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::Study;

/// What became of one draw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DrawOutcome {
    /// Its number, from 0.
    pub draw: u64,
    /// Whether nothing failed.
    pub ok: bool,
    /// The least torque margin of all moves; none where nothing moves.
    pub torque_margin: Option<f64>,
    /// The greatest lag in the motor model (electrical degrees); none where it was not asked.
    pub peak_lag_electrical_deg: Option<f64>,
    /// Full steps lost in the motor model; none where it was not asked.
    pub lost_steps: Option<u64>,
    /// The code words of what failed, each once.
    pub failures: Vec<String>,
    /// What was drawn, in the order of [`Study::varied`].
    pub values: Vec<f64>,
}

/// Why lines are not those of a study.
#[derive(Debug, Error)]
pub enum RecordError {
    /// A line is none of JSON, or holds something else.
    #[error("{file}, line {line}: {error}")]
    Line {
        /// Of which text.
        file: String,
        /// Which, from 1.
        line: usize,
        /// What the reader says.
        error: serde_json::Error,
    },
    /// The study is another one.
    #[error(
        "{file} holds draws of another study: its script, rig, seed, number of draws or ranges differ"
    )]
    Other {
        /// Of which text.
        file: String,
    },
    /// A draw is there twice.
    #[error("{file}: draw {draw} is there twice")]
    Twice {
        /// Of which text.
        file: String,
        /// Which.
        draw: u64,
    },
    /// A draw is none of the study's.
    #[error("{file}: draw {draw} does not belong to a study of {draws}")]
    Beyond {
        /// Of which text.
        file: String,
        /// Which.
        draw: u64,
        /// How many there are.
        draws: u64,
    },
    /// Draws are missing.
    #[error("{missing} of {draws} draws are missing, the first of them number {first}")]
    Missing {
        /// How many.
        missing: u64,
        /// How many there are.
        draws: u64,
        /// The first.
        first: u64,
    },
}

impl Study {
    /// The study in a text of records.
    ///
    /// # Errors
    /// The first line holds something else.
    pub fn read(file: &str, text: &str) -> Result<Self, RecordError> {
        serde_json::from_str(text.lines().next().unwrap_or_default()).map_err(|error| {
            RecordError::Line {
                file: file.to_owned(),
                line: 1,
                error,
            }
        })
    }

    /// All draws of the study, from the texts of its parts, each with its name.
    ///
    /// # Errors
    /// A text is of another study, or the draws are not complete.
    pub fn merge(&self, parts: &[(String, String)]) -> Result<Vec<DrawOutcome>, RecordError> {
        let count = usize::try_from(self.draws).unwrap_or(usize::MAX);
        let mut outcomes: Vec<Option<DrawOutcome>> = vec![None; count];
        for (file, text) in parts {
            let file = || file.clone();
            if Self::read(&file(), text)? != *self {
                return Err(RecordError::Other { file: file() });
            }
            for (number, line) in text.lines().enumerate().skip(1) {
                let outcome: DrawOutcome =
                    serde_json::from_str(line).map_err(|error| RecordError::Line {
                        file: file(),
                        line: number + 1,
                        error,
                    })?;
                let (draw, draws) = (outcome.draw, self.draws);
                let place = usize::try_from(draw)
                    .ok()
                    .and_then(|place| outcomes.get_mut(place))
                    .filter(|_| outcome.values.len() == self.varied.len())
                    .ok_or_else(|| RecordError::Beyond {
                        file: file(),
                        draw,
                        draws,
                    })?;
                if place.replace(outcome).is_some() {
                    return Err(RecordError::Twice { file: file(), draw });
                }
            }
        }
        let missing = outcomes.iter().filter(|one| one.is_none()).count();
        if let Some(first) = outcomes.iter().position(Option::is_none) {
            return Err(RecordError::Missing {
                missing: missing as u64,
                draws: self.draws,
                first: first as u64,
            });
        }
        Ok(outcomes.into_iter().flatten().collect())
    }
}
