//! What can be said of an axis by itself, before it moves.

use crate::check::ability::AxisAbility;
use crate::check::finding::{Finding, Severity};
use crate::check::{filter, heat};
use crate::physics::currents::CoilTable;
use crate::physics::machine::Machine;
use crate::rig::{Axis, TravelUnit};
use crate::units::{Damping, Rounded, two_digits, two_digits_up};

/// Reflected load inertia over rotor inertia that common practice keeps below.
pub(crate) const COMMON_INERTIA_RATIO: f64 = 10.0;

impl AxisAbility {
    /// What can be said of `axis` before it moves: inertia, damping, heat, current, a
    /// hanging load. How warm a program makes the motor, a [`Checker`](crate::check::Checker) says.
    pub fn findings(&self, axis: &Axis) -> Vec<Finding> {
        about_axis(axis, self, None)
    }
}

/// What can be said of an axis by itself; `moving` is the share of a program's time in
/// which it moves, where there is a program.
pub(in crate::check) fn about_axis(
    axis: &Axis,
    ability: &AxisAbility,
    moving: Option<f64>,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    let ratio = ability.load.inertia_ratio();
    if ratio > COMMON_INERTIA_RATIO {
        findings.push(
            Finding::new(
                "inertia-ratio",
                Severity::Warning,
                format!(
                    "the load's inertia is {} times the rotor's at the motor; common practice stays below {COMMON_INERTIA_RATIO}",
                    Rounded(ratio)
                ),
            )
            .cures(
                axis.load
                    .gearing
                    .doubt()
                    .into_iter()
                    .chain(["more gearing, a lighter load, or a motor with a larger rotor".to_owned()])
                    .collect(),
            )
            .axis(&axis.name),
        );
    }
    findings.extend(damping(axis, ability));
    findings.extend(guessed(axis));
    findings.extend(settle(axis));
    findings.extend(heat::findings(axis, &ability.heat, moving));
    findings.extend(filter::ripple(axis));
    findings
}

/// A motor of which no damping is known: a range is assumed.
///
/// From two heights x₀ and xₙ of a free swing at f, n swings apart, come the logarithmic
/// decrement δ = ln(x₀/xₙ)/n and the viscous damping 2 f J δ (textbook mechanics: the swing
/// fades as exp(−B t/2J), by δ in each period 1/f).
fn damping(axis: &Axis, ability: &AxisAbility) -> Option<Finding> {
    let viscous = ability.loss.viscous;
    if viscous.is_exact() {
        return None;
    }
    if axis.motor.viscous_damping.is_some() || axis.motor.core_loss_resistance.is_some() {
        // A tolerance of what is given is no lack.
        return None;
    }
    let frequency = Machine::of(axis).ringing_frequency() / std::f64::consts::TAU;
    let for_one = 2.0 * frequency * ability.load.inertia();
    let message = format!(
        "`viscous_damping` is missing: {} to {} is assumed, which widens the band of the pull-out curve; critical speeds assume the least",
        Damping::new(two_digits(viscous.low)),
        Damping::new(two_digits(viscous.high)),
    );
    let measure = format!(
        "measure it: push the powered rotor, let it ring (at about {} Hz), and read the amplitudes x0 and xn of two \
         swings, n apart; the logarithmic decrement is d = ln(x0/xn)/n, and `viscous_damping` is d times {}",
        Rounded(frequency),
        Damping::new(for_one)
    );
    Some(
        Finding::new("damping-unknown", Severity::Note, message)
            .cures(vec![measure])
            .axis(&axis.name),
    )
}

/// Values of the motor that nobody has measured.
fn guessed(axis: &Axis) -> Option<Finding> {
    let guesses = axis.motor.guesses()?;
    let message = format!("{guesses} of the motor; no verdict is better than these");
    let cure =
        "measure the one that narrows the torque most, as the identification of the motor names it";
    Some(
        Finding::new("motor-guessed", Severity::Warning, message)
            .cures(vec![cure.to_owned()])
            .axis(&axis.name),
    )
}

/// A `settle` that the rotor may miss at rest: detent and friction alone hold it farther off.
fn settle(axis: &Axis) -> Option<Finding> {
    let settle = axis.limits.settle?;
    let error = CoilTable::of(axis).rest_error;
    let off = axis.travel_speed(error.total());
    if off <= settle {
        return None;
    }
    let unit = TravelUnit::of(axis);
    let travel = |si: f64| format!("{} {}", Rounded(si * unit.per_si), unit.name);
    let message = format!(
        "`settle` is {}; detent and friction let the rotor rest up to {} off",
        travel(settle),
        travel(off)
    );
    let enough = two_digits_up(off * unit.per_si);
    let cures = vec![
        format!("settle: {} {}", Rounded(enough), unit.name),
        "more current or more gearing, both of which pull the load closer; less friction"
            .to_owned(),
    ];
    Some(
        Finding::new("settle-too-fine", Severity::Warning, message)
            .cures(cures)
            .axis(&axis.name),
    )
}
