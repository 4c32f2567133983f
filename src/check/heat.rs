//! Findings about heat, currents and hanging loads, with what cures them.

mod warning;

use std::f64::consts::SQRT_2;

pub use warning::HeatWarning;

use super::finding::{Finding, Severity};
use crate::physics::heat::{Heat, Overload};
use crate::rig::Axis;
use crate::units::{
    Power, Resistance, Rounded, Voltage, two_digits, two_digits_down, two_digits_up,
};

/// A hold current below this share is hardly one any more: chosen; the detent of a hybrid
/// motor holds as much.
const LEAST_HOLD: f64 = 0.05;

/// The findings about an axis; `moving` is the share of a program's time in which it
/// moves, where there is a program.
pub(super) fn findings(axis: &Axis, heat: &Heat, moving: Option<f64>) -> Vec<Finding> {
    let overload = heat.windings.overload(moving);
    let warnings = HeatWarning::of(axis, heat);
    let others = warnings.iter().filter(|warning| {
        let of_windings = matches!(
            warning,
            HeatWarning::HotWindings { .. } | HeatWarning::CurrentAboveRated { .. }
        );
        // The failure says it already.
        !(of_windings && overload.is_some())
    });
    let failure = overload.map(|why| too_much(axis, heat, why, moving));
    let others = others.map(|warning| warned(axis, heat, warning));
    failure
        .into_iter()
        .chain(others)
        .map(|finding| finding.axis(&axis.name))
        .collect()
}

/// Windings above their rating.
fn too_much(axis: &Axis, heat: &Heat, why: Overload, moving: Option<f64>) -> Finding {
    let rated = Power::new(heat.windings.rated);
    let message = match why {
        Overload::Gross => format!(
            "hot parts: winding loss {} in motion, above that of twice the rated current (continuous rating {rated}): \
            even briefly, the iron saturates and the magnets can be weakened",
            Power::new(heat.windings.running),
        ),
        Overload::Standing => format!(
            "hot parts: winding loss {} at standstill; continuous rating {rated} (rated current in both phases)",
            Power::new(heat.windings.standing),
        ),
        Overload::Average { power, moving } => format!(
            "hot parts: average winding loss {} over the program, in motion for {} % of it; continuous rating {rated} \
            (rated current in both phases)",
            Power::new(power),
            Rounded(two_digits(100.0 * moving)),
        ),
    };
    let mut cures = less_current(axis, heat);
    cures.extend(weaker_hold(axis, heat, moving));
    Finding::new("winding-overload", Severity::Failure, message).cures(cures)
}

/// What brings the current down to the rated one.
fn less_current(axis: &Axis, heat: &Heat) -> Vec<String> {
    if let Some(amplitude) = axis.amplitude() {
        // Peak = √2 · rated has the copper loss of the rated current in both phases.
        let most = SQRT_2 * axis.motor.rated_current.si();
        return vec![format!(
            "`peak_current` {} → {} A",
            Rounded(amplitude.asked),
            Rounded(two_digits_down(most))
        )];
    }
    let share = (heat.windings.rated / heat.windings.most()).sqrt();
    let supply = axis.drive.supply.si();
    let more = axis.loop_resistance() * (1.0 / share - 1.0);
    vec![
        format!(
            "`supply` {} → {} V",
            Rounded(supply),
            Rounded(two_digits_down(share * supply))
        ),
        more_ballast(axis, more),
    ]
}

/// A ballast that puts so much `more` (Ω) in series with each phase, with a rating of twice its
/// power (common practice).
fn more_ballast(axis: &Axis, more: f64) -> String {
    let before = axis.drive.ballast_in_series();
    let resistance = two_digits_up(before + more);
    let current = axis.drive.supply.si() / (axis.loop_resistance() - before + resistance);
    format!(
        "a resistor in series with each phase: `ballast: {{ resistance: {} ohm, rating: {} W }}`",
        Rounded(resistance),
        Rounded(two_digits_up(2.0 * current * current * resistance))
    )
}

/// The hold current with which the windings get no more than they stand and the load is
/// held anyway, where that is enough.
fn weaker_hold(axis: &Axis, heat: &Heat, moving: Option<f64>) -> Option<String> {
    axis.amplitude()?;
    let windings = &heat.windings;
    let moving = moving.unwrap_or(0.0);
    let left = (windings.rated - moving * windings.running) / (1.0 - moving);
    let share = (left.min(windings.rated) / windings.standing)
        .max(0.0)
        .sqrt();
    let hold = (100.0 * share * axis.drive.hold_current).floor() / 100.0;
    let mut held = axis.clone();
    held.drive.hold_current = hold;
    let trial = Heat::of(&held);
    let weak = |warning: &HeatWarning| matches!(warning, HeatWarning::HoldTooWeak { .. });
    let does = hold >= LEAST_HOLD
        && hold < axis.drive.hold_current
        && trial.windings.overload(Some(moving)).is_none()
        && !HeatWarning::of(&held, &trial).iter().any(weak);
    does.then(|| hold_current(axis, hold))
}

fn hold_current(axis: &Axis, share: f64) -> String {
    format!(
        "`hold_current` {} → {} %",
        Rounded(100.0 * axis.drive.hold_current),
        Rounded(100.0 * share)
    )
}

fn warned(axis: &Axis, heat: &Heat, warning: &HeatWarning) -> Finding {
    let weight = match warning {
        HeatWarning::HoldTooWeak { .. }
        | HeatWarning::HotBallast {
            rating: Some(_), ..
        } => Severity::Failure,
        HeatWarning::HotTransistors { .. }
        | HeatWarning::HotWindings { .. }
        | HeatWarning::CurrentAboveRated { .. }
        | HeatWarning::HotBallast { rating: None, .. }
        | HeatWarning::HotSenseResistor { .. }
        | HeatWarning::SupplyTooLow { .. }
        | HeatWarning::ConverterTooSmall { .. }
        | HeatWarning::LoadDrops { .. } => Severity::Warning,
    };
    Finding::new(warning.code(), weight, warning.to_string()).cures(cures(axis, heat, warning))
}

fn cures(axis: &Axis, heat: &Heat, warning: &HeatWarning) -> Vec<String> {
    let or = |cures: [&str; 2]| cures.map(str::to_owned).to_vec();
    match *warning {
        HeatWarning::HotTransistors { stage, .. } => vec![
            format!("a heat sink for {} on each stage", Power::new(stage)),
            "a lower `supply` or `hold_current`".to_owned(),
        ],
        HeatWarning::HotWindings { .. } | HeatWarning::CurrentAboveRated { .. } => {
            let mut cures = less_current(axis, heat);
            cures
                .push("longer rests between the moves; monitor the motor's temperature".to_owned());
            cures
        }
        HeatWarning::HotBallast { power, .. } => vec![format!(
            "ballast resistors with a `rating` of {} or more, apart from what burns or melts",
            Power::new(two_digits_up(2.0 * power))
        )],
        HeatWarning::HotSenseResistor { power } => vec![format!(
            "sense resistors rated for {} or more",
            Power::new(2.0 * power)
        )],
        HeatWarning::SupplyTooLow {
            needed,
            supply,
            asked,
            reached,
        } => vec![
            format!(
                "`supply` {} → {}",
                Voltage::new(supply),
                Voltage::new(two_digits_up(needed))
            ),
            lower_peak(asked, reached),
        ],
        HeatWarning::ConverterTooSmall {
            full_scale, asked, ..
        } => {
            let mut cures = higher_full_scale(axis, asked / full_scale);
            cures.push(lower_peak(asked, full_scale));
            cures
        }
        HeatWarning::LoadDrops { .. } => {
            or(["a brake that closes without power", "a counterweight"])
        }
        HeatWarning::HoldTooWeak { holding, needed } => {
            let hold = (100.0 * axis.drive.hold_current * needed / holding).ceil() / 100.0;
            if hold <= 1.0 && axis.drive.peak_current().is_some() {
                vec![hold_current(axis, hold)]
            } else {
                or([
                    "more current or more gearing, or a stronger motor",
                    "a brake or a counterweight that relieves the motor",
                ])
            }
        }
    }
}

/// The peak current that is reached anyhow, so that the rig says what is so.
fn lower_peak(asked: f64, reached: f64) -> String {
    format!(
        "`peak_current` {} → {} A",
        Rounded(asked),
        Rounded(two_digits_down(reached))
    )
}

/// What makes the converter reach `times` as far.
fn higher_full_scale(axis: &Axis, times: f64) -> Vec<String> {
    let drive = &axis.drive;
    let reference = drive.converter.map(|converter| {
        format!(
            "`converter_reference` {} → {}",
            converter.reference,
            Voltage::new(two_digits_up(times * converter.reference.si()))
        )
    });
    let resistor = drive.sense_resistor.map(|resistor| {
        format!(
            "`sense_resistor` {resistor} → {}",
            Resistance::new(two_digits_down(resistor.si() / times))
        )
    });
    reference.into_iter().chain(resistor).collect()
}
