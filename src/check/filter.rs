//! Findings about converters that are filtered PWM, with what cures them.

use super::finding::{Finding, Severity};
use crate::physics::filter::{ConverterFilter, MOST_LAG};
use crate::rig::{Axis, TravelUnit};
use crate::units::{Rounded, Time, two_digits, two_digits_down, two_digits_up};

/// Ripple (codes from peak to peak) that does not spoil the resolution: chosen, one code.
const MOST_RIPPLE: f64 = 1.0;

/// A ripple of more than one code.
pub(super) fn ripple(axis: &Axis) -> Option<Finding> {
    let filter = ConverterFilter::of(axis)?;
    let ripple = filter.ripple();
    if ripple <= MOST_RIPPLE {
        return None;
    }
    let order = axis.drive.lines.pwm?.order;
    let present = axis.drive.lines.pwm?.time_constant.si();
    // The ripple falls with the power of the time constant that is the order, or faster.
    let mut larger = present * (ripple / MOST_RIPPLE).powf(1.0 / f64::from(order));
    while filter.with(larger).ripple() > MOST_RIPPLE {
        larger *= 1.1;
    }
    let mut cures = vec![time_constant(present, two_digits_up(larger))];
    if order == 1 {
        cures.insert(0, "two sections in the filter: `order: 2`".to_owned());
    }
    cures.push("a higher `pwm_frequency`".to_owned());
    let message = format!(
        "the filter of the converters leaves a ripple of {} codes at half scale; a code is {} % of the current",
        Rounded(two_digits(ripple)),
        Rounded(two_digits(
            100.0 / f64::from(axis.drive.converter?.bits).exp2()
        )),
    );
    let finding = Finding::new("converter-ripple", Severity::Warning, message);
    Some(finding.cures(cures).axis(&axis.name))
}

/// Currents that lag too far behind at the fastest step rate (microsteps/s) of a move.
pub(super) fn lag(axis: &Axis, step_rate: f64) -> Option<Finding> {
    let filter = ConverterFilter::of(axis)?;
    let full_steps = step_rate / f64::from(axis.drive.microsteps());
    let omega = ConverterFilter::omega(full_steps);
    let lag = filter.lag(omega);
    if lag <= MOST_LAG * (1.0 + 1e-9) {
        return None;
    }
    let present = axis.drive.lines.pwm?.time_constant.si();
    let fits = present * filter.fastest() / full_steps;
    let unit = TravelUnit::of(axis);
    let speed = filter.fastest() * axis.travel_per_full_step() * unit.per_si;
    let message = format!(
        "the filter of the converters is too slow: at {} full steps/s the currents lag {} electrical degrees behind and keep {} % of \
         their amplitude; {} degrees are allowed for",
        Rounded(two_digits(full_steps)),
        Rounded(two_digits(lag.to_degrees())),
        Rounded(two_digits(100.0 * filter.gain(omega))),
        Rounded(MOST_LAG.to_degrees().round()),
    );
    let finding = Finding::new("converter-filter-slow", Severity::Warning, message);
    let cures = vec![
        time_constant(present, two_digits_down(fits)),
        format!(
            "at most {} {}/s",
            Rounded(two_digits_down(speed)),
            unit.name
        ),
    ];
    Some(finding.cures(cures))
}

fn time_constant(present: f64, wanted: f64) -> String {
    format!(
        "`time_constant` {} → {}",
        Time::new(two_digits(present)),
        Time::new(wanted)
    )
}
