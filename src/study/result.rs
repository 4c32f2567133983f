//! What a study comes to.

use std::collections::BTreeSet;

use serde::Serialize;
use serde_json::{Value as Json, json};

use super::statistics::{percentile, rank_correlation, significant, wilson};
use super::{DrawOutcome, Study, VariedValue};

/// A value with what it decides.
#[derive(Debug, Clone, PartialEq)]
pub struct DecidingValue {
    /// Which.
    pub value: VariedValue,
    /// Its rank correlation with the least torque margin.
    pub with_margin: Option<f64>,
    /// Its rank correlation with the peak lag.
    pub with_lag: Option<f64>,
}

/// What all draws come to.
#[derive(Debug, Clone, PartialEq)]
pub struct StudyResult {
    /// The study.
    pub study: Study,
    /// How many draws pass.
    pub passed: u64,
    /// The 95 % interval of the share that passes, by Wilson.
    pub interval: (f64, f64),
    /// 5th percentile and median of the least torque margin.
    pub margin: Option<(f64, f64)>,
    /// Median and 95th percentile of the peak lag (electrical degrees).
    pub lag: Option<(f64, f64)>,
    /// What varies, with its correlations.
    pub values: Vec<DecidingValue>,
    /// Correlations of this size and more are told from chance, in 997 of 1000 cases.
    pub significant: f64,
    /// What failed, most often first.
    pub failures: Vec<StudyFailure>,
}

/// A finding that draws fail by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StudyFailure {
    /// Its code word.
    pub code: String,
    /// How many draws have it.
    pub draws: u64,
    /// How many of these have no other.
    pub alone: u64,
    /// How many of these lose no step in the motor model; none where it was not asked.
    pub without_lost_step: Option<u64>,
}

impl StudyFailure {
    fn all(outcomes: &[DrawOutcome]) -> Vec<Self> {
        let codes: BTreeSet<&str> = outcomes
            .iter()
            .flat_map(|one| one.failures.iter().map(String::as_str))
            .collect();
        let of = |code: &str| {
            let draws: Vec<&DrawOutcome> = outcomes
                .iter()
                .filter(|one| one.failures.iter().any(|known| known == code))
                .collect();
            let count = |test: &dyn Fn(&DrawOutcome) -> bool| {
                draws.iter().filter(|one| test(one)).count() as u64
            };
            let simulated = outcomes.iter().any(|one| one.lost_steps.is_some());
            Self {
                code: code.to_owned(),
                draws: draws.len() as u64,
                alone: count(&|one| one.failures.len() == 1),
                without_lost_step: simulated.then(|| count(&|one| one.lost_steps == Some(0))),
            }
        };
        let mut failures: Vec<Self> = codes.into_iter().map(of).collect();
        failures.sort_by_key(|one| std::cmp::Reverse(one.draws));
        failures
    }
}

impl StudyResult {
    /// Of the draws of a study.
    pub fn of(study: Study, outcomes: &[DrawOutcome]) -> Self {
        let margins: Vec<f64> = outcomes
            .iter()
            .filter_map(|one| one.torque_margin)
            .collect();
        let lags: Vec<f64> = outcomes
            .iter()
            .filter_map(|one| one.peak_lag_electrical_deg)
            .collect();
        let values = study.varied.iter().enumerate().map(|(place, value)| {
            let drawn: Vec<f64> = outcomes.iter().map(|one| one.values[place]).collect();
            // All draws have one or none has, as all play the same program.
            let with = |found: &[f64]| match found.len() == drawn.len() {
                true => rank_correlation(&drawn, found),
                false => None,
            };
            DecidingValue {
                value: value.clone(),
                with_margin: with(&margins),
                with_lag: with(&lags),
            }
        });
        let values = values.collect();
        let passed = outcomes.iter().filter(|one| one.ok).count() as u64;
        Self {
            passed,
            interval: wilson(passed, outcomes.len() as u64),
            margin: ends(margins, 0.05, 0.5),
            lag: ends(lags, 0.5, 0.95),
            values,
            significant: significant(outcomes.len()),
            failures: StudyFailure::all(outcomes),
            study,
        }
    }

    /// The share of the draws that pass.
    pub fn share(&self) -> f64 {
        self.passed as f64 / self.study.draws.max(1) as f64
    }

    /// What decides the torque margin, the most telling first: correlations that are more than
    /// chance.
    pub fn decide_margin(&self) -> Vec<(&VariedValue, f64)> {
        self.deciding(|value| value.with_margin)
    }

    /// What decides the peak lag.
    pub fn decide_lag(&self) -> Vec<(&VariedValue, f64)> {
        self.deciding(|value| value.with_lag)
    }

    fn deciding(&self, with: fn(&DecidingValue) -> Option<f64>) -> Vec<(&VariedValue, f64)> {
        let found = self
            .values
            .iter()
            .filter_map(|value| Some((&value.value, with(value)?)));
        let mut found: Vec<_> = found
            .filter(|(_, correlation)| correlation.abs() >= self.significant)
            .collect();
        found.sort_by(|one, other| other.1.abs().total_cmp(&one.1.abs()));
        found
    }

    /// As JSON.
    pub fn to_json(&self) -> Json {
        let values: Vec<Json> = self
            .values
            .iter()
            .map(|one| {
                json!({
                    "axis": one.value.axis,
                    "value": one.value.kind,
                    "low": one.value.low,
                    "typical": one.value.typical,
                    "high": one.value.high,
                    "rank_correlation_margin": one.with_margin,
                    "rank_correlation_lag": one.with_lag,
                })
            })
            .collect();
        let first = |found: Vec<(&VariedValue, f64)>| {
            let first = found.first();
            first.map(|(value, _)| json!({ "axis": value.axis, "value": value.kind }))
        };
        json!({
            "draws": self.study.draws,
            "seed": self.study.seed,
            "passed": self.passed,
            "share": self.share(),
            "share_low": self.interval.0,
            "share_high": self.interval.1,
            "torque_margin_5": self.margin.map(|margin| margin.0),
            "torque_margin_50": self.margin.map(|margin| margin.1),
            "peak_lag_electrical_deg_50": self.lag.map(|lag| lag.0),
            "peak_lag_electrical_deg_95": self.lag.map(|lag| lag.1),
            "significant": self.significant,
            "decides_margin": first(self.decide_margin()),
            "decides_lag": first(self.decide_lag()),
            "values": values,
            "failures": self.failures,
        })
    }
}

/// Two percentiles.
fn ends(mut values: Vec<f64>, one: f64, other: f64) -> Option<(f64, f64)> {
    values.sort_by(f64::total_cmp);
    Some((percentile(&values, one)?, percentile(&values, other)?))
}
