//! The curve of least squares through a log.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn, U1};

use super::{FLOOR, FittedValue, LogFitError};
use crate::identify::log::Log;

/// A fit has to explain this share of the log's variance.
const EXPLAINS: f64 = 0.8;
/// Evaluations a fit may take, a parameter.
const PATIENCE: usize = 30;

struct CurveFit<'a, F> {
    log: &'a Log,
    model: F,
    parameters: DVector<f64>,
    /// The size of each parameter, for the steps of the derivatives.
    scale: DVector<f64>,
}

impl<F: Fn(&DVector<f64>, f64) -> f64> CurveFit<'_, F> {
    fn residuals_at(&self, parameters: &DVector<f64>) -> DVector<f64> {
        let pairs = self.log.time.iter().zip(&self.log.reading);
        DVector::from_iterator(
            self.log.time.len(),
            pairs.map(|(time, reading)| (self.model)(parameters, *time) - reading),
        )
    }

    fn jacobian_at(&self, parameters: &DVector<f64>) -> DMatrix<f64> {
        let mut jacobian = DMatrix::zeros(self.log.time.len(), parameters.len());
        for column in 0..parameters.len() {
            let step = 1e-6 * self.scale[column];
            let (mut low, mut high) = (parameters.clone(), parameters.clone());
            low[column] -= step;
            high[column] += step;
            let slope = (self.residuals_at(&high) - self.residuals_at(&low)) / (2.0 * step);
            jacobian.set_column(column, &slope);
        }
        jacobian
    }
}

impl<F: Fn(&DVector<f64>, f64) -> f64> LeastSquaresProblem<f64, Dyn, Dyn> for CurveFit<'_, F> {
    type ResidualStorage = Owned<f64, Dyn, U1>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn, U1>;

    fn set_params(&mut self, parameters: &DVector<f64>) {
        self.parameters.copy_from(parameters);
    }

    fn params(&self) -> DVector<f64> {
        self.parameters.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let residuals = self.residuals_at(&self.parameters);
        residuals
            .iter()
            .all(|one| one.is_finite())
            .then_some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        Some(self.jacobian_at(&self.parameters))
    }
}

/// Parameters with their covariance and the curve.
pub(in crate::identify) struct Minimum {
    pub(super) parameters: DVector<f64>,
    covariance: DMatrix<f64>,
    pub(in crate::identify) curve: Vec<(f64, f64)>,
}

impl Minimum {
    pub(super) fn sigma(&self, gradient: &DVector<f64>) -> f64 {
        gradient.dot(&(&self.covariance * gradient)).max(0.0).sqrt()
    }

    /// A parameter that is a logarithm.
    pub(in crate::identify) fn of_logarithm(&self, index: usize) -> FittedValue {
        FittedValue {
            value: self.parameters[index].exp(),
            sigma: self.covariance[(index, index)].max(0.0).sqrt().max(FLOOR),
        }
    }
}

pub(in crate::identify) fn minimise(
    log: &Log,
    start: Vec<f64>,
    scale: Vec<f64>,
    model: impl Fn(&DVector<f64>, f64) -> f64,
) -> Result<Minimum, LogFitError> {
    let problem = CurveFit {
        log,
        model,
        parameters: DVector::from_vec(start),
        scale: DVector::from_vec(scale),
    };
    let (problem, _) = LevenbergMarquardt::new()
        .with_patience(PATIENCE)
        .minimize(problem);
    let residuals = problem.residuals_at(&problem.parameters);
    let jacobian = problem.jacobian_at(&problem.parameters);
    let points = log.time.len() as f64;
    let mean = log.reading.iter().sum::<f64>() / points;
    let total: f64 = log.reading.iter().map(|one| (one - mean).powi(2)).sum();
    let left = residuals.norm_squared();
    if total <= 0.0 {
        return Err(LogFitError::Flat);
    }
    let explained = 1.0 - left / total;
    if explained.is_nan() || explained < EXPLAINS {
        return Err(LogFitError::Poor(format!(
            "{:.0}",
            100.0 * explained.max(0.0)
        )));
    }
    let freedom = (points - problem.parameters.len() as f64).max(1.0);
    let information = jacobian.transpose() * &jacobian;
    let inverse = information
        .pseudo_inverse(0.0)
        .unwrap_or_else(|_| DMatrix::zeros(0, 0));
    let curve = log
        .time
        .iter()
        .map(|time| (*time, (problem.model)(&problem.parameters, *time)));
    Ok(Minimum {
        covariance: inverse * (left / freedom),
        curve: curve.collect(),
        parameters: problem.parameters,
    })
}
