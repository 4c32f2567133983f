//! The motor that agrees best with all that was observed.
//!
//! Weighted least squares on logarithms: with y the logarithm of what was observed, f(x)
//! of what a motor with the unknowns x would show, and σ the standard deviation of each,
//!
//! ```text
//! minimise Σ ((y − f(x)) / σ)²        C = (Jᵀ J)⁻¹,  J = ∂(f/σ)/∂x at the minimum
//! ```
//!
//! The statements of the scaling rule take part as observations with a wide σ; they decide
//! nothing that was measured and leave nothing open. C is the covariance of x, and a value of
//! the profile, whose logarithm is g·x, has the variance gᵀ C g. Where the measurements
//! disagree by more than their tolerances (χ² of the measurements above its degrees of
//! freedom), all uncertainties are widened by the root of the ratio, the Birge ratio of the
//! adjustment of constants (R. T. Birge, *Physical Review* 40, 207, 1932; from memory).
//! Ranges are 95 %: 1.96 standard deviations either way.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{Const, DVector, Dyn, OMatrix, SMatrix, U1};

use super::observation::{Observation, Rule, commonest};
use super::parameter::{MotorValue, Point, UNKNOWNS, Unknown};
use crate::rig::ToleratedValue;

/// Standard deviations to either end of a 95 % range.
pub const RANGE: f64 = 1.96;
/// A value is a guess when it would be this many times less certain, had the scaling rule
/// said ten times less.
const GUESSED: f64 = 2.0;
/// How much less the rule says in that trial.
const SILENCED: f64 = 10.0;
/// An observation is named as an origin when its value would be this much less certain
/// without it.
const CONTRIBUTES: f64 = 1.1;
/// Step of the numerical derivatives (of logarithms).
const STEP: f64 = 1e-5;

/// Rows of derivatives, one an observation.
type Jacobian = OMatrix<f64, Dyn, Const<UNKNOWNS>>;

/// Covariance of the unknowns.
pub(super) type Covariance = SMatrix<f64, UNKNOWNS, UNKNOWNS>;

/// The best motor with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Rotor teeth.
    pub teeth: u32,
    /// What took part: the rule's statements, then what was measured.
    pub observations: Vec<Observation>,
    /// Logarithms of the unknowns.
    pub point: Point,
    /// Their covariance, before it is widened.
    pub covariance: Covariance,
    /// By what disagreement widens every uncertainty, 1 or more.
    pub widened: f64,
    /// (y − f)/σ of each observation.
    pub residuals: Vec<f64>,
    jacobian: Jacobian,
}

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// From these measurements, the most telling first.
    Measured(Vec<String>),
    /// Mostly the scaling rule's guess.
    Guessed,
}

/// A value with its range and origin.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Which value.
    pub value: MotorValue,
    /// The best estimate (SI units).
    pub si: f64,
    /// Standard deviation of its logarithm.
    pub sigma: f64,
    /// Where it comes from.
    pub origin: Origin,
}

impl Found {
    /// The lower end of the 95 % range (SI units).
    pub fn low(&self) -> f64 {
        self.si * (-RANGE * self.sigma).exp()
    }

    /// The upper end of the 95 % range (SI units).
    pub fn high(&self) -> f64 {
        self.si * (RANGE * self.sigma).exp()
    }

    /// The share of the value to which its upper end lies away.
    pub fn tolerance(&self) -> f64 {
        (RANGE * self.sigma).exp() - 1.0
    }
}

struct Problem<'a> {
    observations: &'a [Observation],
    teeth: f64,
    point: Point,
}

impl Problem<'_> {
    fn jacobian_at(&self, point: &Point) -> Jacobian {
        let mut jacobian = Jacobian::zeros(self.observations.len());
        for column in 0..UNKNOWNS {
            let (mut low, mut high) = (*point, *point);
            low[column] -= STEP;
            high[column] += STEP;
            for (row, one) in self.observations.iter().enumerate() {
                let slope = (one.predicted(&high, self.teeth) - one.predicted(&low, self.teeth))
                    / (2.0 * STEP);
                jacobian[(row, column)] = slope / one.sigma;
            }
        }
        jacobian
    }

    fn residuals_at(&self, point: &Point) -> DVector<f64> {
        let each = self
            .observations
            .iter()
            .map(|one| (one.predicted(point, self.teeth) - one.value.ln()) / one.sigma);
        DVector::from_iterator(self.observations.len(), each)
    }
}

impl LeastSquaresProblem<f64, Dyn, Const<UNKNOWNS>> for Problem<'_> {
    type ResidualStorage = Owned<f64, Dyn, U1>;
    type JacobianStorage = Owned<f64, Dyn, Const<UNKNOWNS>>;
    type ParameterStorage = Owned<f64, Const<UNKNOWNS>, U1>;

    fn set_params(&mut self, point: &Point) {
        self.point = *point;
    }

    fn params(&self) -> Point {
        self.point
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let residuals = self.residuals_at(&self.point);
        residuals
            .iter()
            .all(|one| one.is_finite())
            .then_some(residuals)
    }

    fn jacobian(&self) -> Option<Jacobian> {
        Some(self.jacobian_at(&self.point))
    }
}

impl Estimate {
    /// The motor with `teeth` that agrees best with what was `measured`.
    pub fn of(teeth: u32, measured: &[Observation]) -> Self {
        let mut observations: Vec<Observation> =
            Rule::ALL.into_iter().map(Observation::rule).collect();
        observations.extend_from_slice(measured);
        let problem = Problem {
            observations: &observations,
            teeth: f64::from(teeth),
            point: commonest(f64::from(teeth)),
        };
        let (problem, _) = LevenbergMarquardt::new().minimize(problem);
        let point = problem.point;
        let jacobian = problem.jacobian_at(&point);
        let residuals: Vec<f64> = problem.residuals_at(&point).iter().map(|r| -r).collect();
        let covariance = covariance(&jacobian);
        let widened = widening(&observations, &jacobian, &covariance, &residuals);
        Self {
            teeth,
            point,
            covariance,
            widened,
            residuals,
            jacobian,
            observations,
        }
    }

    /// What was measured, with its place among the observations.
    pub fn measured(&self) -> impl Iterator<Item = (usize, &Observation)> {
        let all = self.observations.iter().enumerate();
        all.filter(|(_, one)| !one.is_rule())
    }

    /// Standard deviation of a function of the unknowns whose gradient is given.
    pub fn sigma(&self, gradient: &Point) -> f64 {
        self.widened * spread(&self.covariance, gradient)
    }

    /// Derivatives of an observation's prediction, over its σ.
    pub fn row(&self, index: usize) -> Point {
        self.jacobian.row(index).transpose()
    }

    /// How an observation of that kind would change with the unknowns.
    pub fn gradient_of(&self, observation: &Observation) -> Point {
        let problem = Problem {
            observations: std::slice::from_ref(observation),
            teeth: f64::from(self.teeth),
            point: self.point,
        };
        problem.jacobian_at(&self.point).row(0).transpose() * observation.sigma
    }

    /// The values of the profile.
    pub fn values(&self) -> Vec<Found> {
        MotorValue::ALL.map(|value| self.found(value)).to_vec()
    }

    /// One value of the profile.
    pub fn found(&self, value: MotorValue) -> Found {
        let gradient = value.gradient();
        Found {
            value,
            si: value.at(&self.point),
            sigma: self.sigma(&gradient),
            origin: self.origin(&gradient),
        }
    }

    /// How far a value of the profile may be off: to 1 + this times it, in 95 of 100 cases.
    pub fn tolerance(&self, value: ToleratedValue) -> f64 {
        let unknown = match value {
            ToleratedValue::PhaseResistance => Unknown::Resistance,
            ToleratedValue::PhaseInductance => Unknown::Inductance,
            ToleratedValue::TorqueConstant => Unknown::TorqueConstant,
            ToleratedValue::DetentTorque => Unknown::DetentTorque,
            ToleratedValue::RotorInertia => Unknown::RotorInertia,
            ToleratedValue::ViscousDamping => Unknown::Damping,
            ToleratedValue::FrictionTorque => Unknown::Friction,
        };
        let mut gradient = Point::zeros();
        gradient[unknown.index()] = 1.0;
        (RANGE * self.sigma(&gradient)).exp() - 1.0
    }

    fn origin(&self, gradient: &Point) -> Origin {
        let sigma = spread(&self.covariance, gradient);
        let without_rule =
            self.covariance_weighted(|one| if one.is_rule() { 1.0 / SILENCED } else { 1.0 });
        if spread(&without_rule, gradient) > GUESSED * sigma {
            return Origin::Guessed;
        }
        let mut telling: Vec<(f64, usize)> = self
            .measured()
            .map(|(index, _)| {
                let row = self.row(index);
                // Taking one observation away by the formula of Sherman and Morrison.
                let moved = self.covariance * row;
                let leverage = row.dot(&moved).min(1.0 - 1e-9);
                let along = gradient.dot(&moved);
                let variance = sigma * sigma + along * along / (1.0 - leverage);
                (variance.sqrt() / sigma, index)
            })
            .filter(|(ratio, _)| *ratio > CONTRIBUTES)
            .collect();
        telling.sort_by(|one, other| other.0.total_cmp(&one.0));
        let mut names: Vec<String> = Vec::new();
        for (_, index) in telling {
            let name = &self.observations[index].origin;
            if !names.contains(name) {
                names.push(name.clone());
            }
        }
        if names.is_empty() {
            // Many measurements of one kind: none of them is missed alone.
            let heaviest = self.measured().max_by(|(one, _), (other, _)| {
                let pull = |index| gradient.dot(&(self.covariance * self.row(index))).abs();
                pull(*one).total_cmp(&pull(*other))
            });
            names.extend(heaviest.map(|(_, one)| one.origin.clone()));
        }
        Origin::Measured(names)
    }

    /// The covariance with each observation's 1/σ multiplied by a weight.
    fn covariance_weighted(&self, weight: impl Fn(&Observation) -> f64) -> Covariance {
        let mut jacobian = self.jacobian.clone();
        for (index, one) in self.observations.iter().enumerate() {
            jacobian.row_mut(index).scale_mut(weight(one));
        }
        covariance(&jacobian)
    }
}

fn spread(covariance: &Covariance, gradient: &Point) -> f64 {
    gradient.dot(&(covariance * gradient)).max(0.0).sqrt()
}

/// (Jᵀ J)⁻¹. The rule's statements are as many as the unknowns and independent of one
/// another, so the matrix has an inverse; a pseudo-inverse stands in for rounding.
fn covariance(jacobian: &Jacobian) -> Covariance {
    let information: Covariance = jacobian.transpose() * jacobian;
    information
        .try_inverse()
        .or_else(|| information.pseudo_inverse(1e-12).ok())
        .unwrap_or_else(Covariance::zeros)
}

/// The Birge ratio of the measurements, 1 where they agree.
fn widening(
    observations: &[Observation],
    jacobian: &Jacobian,
    covariance: &Covariance,
    residuals: &[f64],
) -> f64 {
    let (mut chi2, mut freedom) = (0.0, 0.0);
    for (index, one) in observations.iter().enumerate() {
        if one.is_rule() {
            continue;
        }
        let row: Point = jacobian.row(index).transpose();
        chi2 += residuals[index] * residuals[index];
        freedom += 1.0 - row.dot(&(covariance * row));
    }
    if freedom < 0.5 {
        return 1.0;
    }
    (chi2 / freedom).sqrt().max(1.0)
}
