//! Measurements that cannot both be true, and what was probably misread.
//!
//! Each measurement is predicted from all the others: with h its leverage (σ⁻² times the
//! variance of the estimate's prediction of it), the residual without it is r/(1 − h) and its
//! standard deviation 1/√(1 − h), so that z = r/√(1 − h). Where |z| passes 3, something is
//! wrong with it or with the measurement that speaks against it. The factor between both is
//! held against the slips of the trade.

use super::estimate::Estimate;
use super::observation::{Misreading, Observation};
use super::parameter;

/// Standard deviations beyond which two measurements contradict each other.
const DISAGREES: f64 = 3.0;
/// Contradictions that one run names.
const MOST: usize = 4;
/// How far a factor may be from a slip's, in logarithms, beside the uncertainty.
const NEAR: f64 = 0.09;
/// Share of the leverage from which on a measurement speaks against another.
const SPEAKS: f64 = 0.05;

/// Measurements that disagree.
#[derive(Debug, Clone, PartialEq)]
pub struct Contradiction {
    /// The measurement that fits least.
    pub one: String,
    /// What speaks against it: another measurement, or the size by the scaling rule.
    pub other: Option<String>,
    /// What was measured over what the others lead one to expect.
    pub factor: f64,
    /// How many standard deviations that is.
    pub deviations: f64,
    /// The likely slip, as a question.
    pub question: String,
}

impl Contradiction {
    /// The contradiction in a sentence.
    pub fn message(&self) -> String {
        let factor = parameter::factor(self.factor.max(1.0 / self.factor));
        match &self.other {
            Some(other) if *other == self.one => {
                format!("two measurements of {other} disagree by a factor of {factor}")
            }
            Some(other) => {
                format!("{} and {other} disagree by a factor of {factor}", self.one)
            }
            None => format!(
                "{} is {factor} times {} than a motor of this size leads one to expect",
                self.one,
                if self.factor > 1.0 { "more" } else { "less" }
            ),
        }
    }
}

/// The contradictions, the worst first; each is found without those named before.
pub fn contradictions(teeth: u32, measured: &[Observation]) -> Vec<Contradiction> {
    let mut left = measured.to_vec();
    let mut found = Vec::new();
    while found.len() < MOST {
        let estimate = Estimate::of(teeth, &left);
        let Some((index, contradiction)) = worst(&estimate) else {
            break;
        };
        found.push(contradiction);
        left.remove(index);
    }
    found
}

/// The worst contradiction with its place among the measurements.
fn worst(estimate: &Estimate) -> Option<(usize, Contradiction)> {
    let first = estimate
        .observations
        .iter()
        .position(|one| !one.is_rule())?;
    let (index, z, leverage) = estimate
        .measured()
        .map(|(index, _)| {
            let row = estimate.row(index);
            let leverage = row.dot(&(estimate.covariance * row)).min(1.0 - 1e-6);
            let z = estimate.residuals[index] / (1.0 - leverage).sqrt();
            (index, z, leverage)
        })
        .max_by(|one, other| one.1.abs().total_cmp(&other.1.abs()))?;
    if z.abs() < DISAGREES {
        return None;
    }
    let one = &estimate.observations[index];
    let off = one.sigma * estimate.residuals[index] / (1.0 - leverage);
    let pull = |other: usize| {
        let row = estimate.row(index);
        row.dot(&(estimate.covariance * estimate.row(other))).abs()
    };
    let against = estimate
        .measured()
        .filter(|(other, _)| *other != index)
        .map(|(other, observation)| (pull(other), observation))
        .max_by(|one, other| one.0.total_cmp(&other.0))
        .filter(|(pull, _)| *pull > SPEAKS * leverage)
        .map(|(_, observation)| observation);
    let uncertainty = one.sigma / (1.0 - leverage).sqrt();
    let question = question(one, against, off, uncertainty);
    Some((
        index - first,
        Contradiction {
            one: one.origin.clone(),
            other: against.map(|other| other.origin.clone()),
            factor: off.exp(),
            deviations: z.abs(),
            question,
        },
    ))
}

/// A slip: the factor it makes, up or down, and the question to ask.
struct Slip {
    of: Misreading,
    factor: f64,
    question: &'static str,
}

const SLIPS: [Slip; 17] = [
    Slip {
        of: Misreading::Current,
        factor: std::f64::consts::SQRT_2,
        question: "is the current given as its peak where its effective value is meant, or was one phase on \
                   where two are noted?",
    },
    Slip {
        of: Misreading::BackEmf,
        factor: std::f64::consts::SQRT_2,
        question: "is the voltage an effective value where the amplitude is noted, or the other way round?",
    },
    Slip {
        of: Misreading::BackEmf,
        factor: 2.0,
        question: "is the voltage read peak to peak where the amplitude is noted, or across two coils in series?",
    },
    Slip {
        of: Misreading::BackEmf,
        factor: 2.0 * std::f64::consts::SQRT_2,
        question: "is the voltage an effective value where peak to peak is noted, or the other way round?",
    },
    Slip {
        of: Misreading::BackEmf,
        factor: 9.549_3,
        question: "is the speed in radians a second where turns a minute are noted, or the other way round?",
    },
    Slip {
        of: Misreading::BackEmf,
        factor: std::f64::consts::TAU,
        question: "is the speed in turns a second where radians a second are noted, or the other way round?",
    },
    Slip {
        of: Misreading::BackEmf,
        factor: 50.0,
        question: "is the frequency that of the shaft where the electrical one is noted, or the other way round?",
    },
    Slip {
        of: Misreading::Coils,
        factor: 2.0,
        question: "was it measured across two coils in series, or across half a coil to its centre tap?",
    },
    Slip {
        of: Misreading::Coils,
        factor: 4.0,
        question: "was the inductance measured across two coils in series (four times that of one) and the \
                   resistance of one, or the other way round?",
    },
    Slip {
        of: Misreading::Lever,
        factor: 9.806_65,
        question: "is the reading of the scale in kilograms where newtons are noted, or the other way round?",
    },
    Slip {
        of: Misreading::Lever,
        factor: 2.0,
        question: "was the lever measured from end to end where it counts from the shaft's axis?",
    },
    Slip {
        of: Misreading::Lever,
        factor: std::f64::consts::SQRT_2,
        question: "was one phase on where two are noted, or the current read as its peak?",
    },
    Slip {
        of: Misreading::Lever,
        factor: 10.0,
        question: "is the lever in centimetres where millimetres are noted, or the other way round?",
    },
    Slip {
        of: Misreading::Swing,
        factor: 1.189_2,
        question: "was one phase on during the ring-down where two are noted, or the other way round?",
    },
    Slip {
        of: Misreading::Swing,
        factor: 2.0,
        question: "does the ring-down's frequency count half swings? A voltage at the idle phase has one period \
                   a swing, a picture of the pointer passes the middle twice",
    },
    Slip {
        of: Misreading::Size,
        factor: 16.0,
        question: "is the rotor's radius given where its diameter is meant?",
    },
    Slip {
        of: Misreading::Coils,
        factor: 1000.0,
        question: "is the prefix of the unit right?",
    },
];

fn question(one: &Observation, other: Option<&Observation>, off: f64, uncertainty: f64) -> String {
    let room = NEAR + uncertainty;
    let fits = |slip: &&Slip| {
        let concerned =
            one.misreading == slip.of || other.is_some_and(|other| other.misreading == slip.of);
        concerned && (off.abs() - slip.factor.ln()).abs() < room
    };
    let nearest = SLIPS.iter().filter(fits).min_by(|a, b| {
        let far = |slip: &Slip| (off.abs() - slip.factor.ln()).abs();
        far(a).total_cmp(&far(b))
    });
    nearest.map_or_else(
        || match other {
            Some(_) => "measure both again, and note the tolerances as they are".to_owned(),
            None => "check the unit and the connections, and measure again".to_owned(),
        },
        |slip| slip.question.to_owned(),
    )
}
