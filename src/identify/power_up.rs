//! The first power-up of a rig: what to do in which order, what to expect at each step, and
//! what it means when something else comes out.
//!
//! Expected numbers follow from the rig: U = I (R + Rs) for a phase at its current, P = I² R,
//! the torque of one phase 1/√2 of the holding torque, a half of a full step between one
//! phase on and both. The rise of temperature takes the rated copper loss of both phases as
//! 80 K (the scaling rule's statement; common practice for a motor at its rating).

use std::f64::consts::SQRT_2;
use std::fmt::Write as _;

use super::scaling::RATED_RISE;
use crate::rig::{Axis, DriveKind, Sequence};
use crate::units::{Current, Power, Resistance, Rounded, Torque, Voltage, two_digits};

/// One step of the procedure.
struct PowerUpStep {
    title: &'static str,
    doing: String,
    /// Voltage, current, warmth of the case and angle of the shaft, as the table shows them.
    shown: [String; 4],
    /// The same in words, with what else is seen.
    expect: String,
    otherwise: &'static [(&'static str, &'static str)],
}

/// The procedure for one axis, as Markdown.
pub(super) fn procedure(axis: &Axis) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(text, "## First power-up of `{}`\n", axis.name);
    let _ = writeln!(
        text,
        "Uncouple the load, clamp the motor, put a flag of tape on the shaft. Stop at the first step that does not \
         show what is expected, switch off, and find out why.\n"
    );
    if let Some(guesses) = axis.motor.guesses() {
        let _ = writeln!(
            text,
            "What is expected here rests on values of the motor that are {guesses}. It may be off as they are.\n"
        );
    }
    let steps = steps(axis);
    text.push_str("| step | voltage | current | case, after half an hour | shaft |\n| --- | --- | --- | --- | --- |\n");
    for (index, step) in steps.iter().enumerate() {
        let title = step.title.trim_end_matches('.').to_lowercase();
        let _ = writeln!(
            text,
            "| {}. {title} | {} |",
            index + 1,
            step.shown.join(" | ")
        );
    }
    text.push_str("\nKelvin of the case are above the temperature of the room.\n\n");
    for (index, step) in steps.iter().enumerate() {
        let _ = writeln!(text, "{}. **{}** {}\n", index + 1, step.title, step.doing);
        let _ = writeln!(text, "   Expect: {}\n", step.expect);
        for (other, means) in step.otherwise {
            let _ = writeln!(text, "   - {other}: {means}");
        }
        text.push('\n');
    }
    text
}

/// The current of a phase that the drive sets (A, effective).
fn driven(axis: &Axis) -> f64 {
    match axis.drive.kind {
        DriveKind::FixedVoltage { .. } => axis.drive.supply.si() / axis.loop_resistance(),
        DriveKind::LinearCurrent { peak_current, .. } | DriveKind::Chopper { peak_current, .. } => {
            peak_current.si() / SQRT_2
        }
    }
}

/// How many phases the drive feeds at rest, at most.
const fn phases_on(axis: &Axis) -> f64 {
    match axis.drive.kind {
        DriveKind::FixedVoltage {
            sequence: Sequence::Wave,
        } => 1.0,
        DriveKind::FixedVoltage {
            sequence: Sequence::TwoPhase | Sequence::HalfStep,
        }
        | DriveKind::LinearCurrent { .. }
        | DriveKind::Chopper { .. } => 2.0,
    }
}

fn steps(axis: &Axis) -> Vec<PowerUpStep> {
    let motor = &axis.motor;
    let resistance = motor.phase_resistance.si();
    // By hand never more than the motor is rated for.
    let i = driven(axis).min(motor.rated_current.si());
    let voltage = i * resistance;
    let loss = i * i * resistance;
    let rated = 2.0 * motor.rated_current.si().powi(2) * resistance;
    let rise = |watts: f64| Rounded(two_digits(RATED_RISE * watts / rated)).to_string();
    let torque = motor.torque_constant() * i;
    let full = Rounded(360.0 / (4.0 * f64::from(motor.rotor_teeth))).to_string();
    let half = Rounded(180.0 / (4.0 * f64::from(motor.rotor_teeth))).to_string();
    let slow = two_digits(1.0 / motor.full_step_angle()).min(10.0);
    let amps = |si: f64| Current::new(two_digits(si)).to_string();
    let volts = |si: f64| Voltage::new(two_digits(si)).to_string();
    let watts = |si: f64| Power::new(two_digits(si)).to_string();
    let supply = axis.drive.supply.to_string();
    let (at_rest, turning) = (
        supply_current(axis, axis.drive.hold_current),
        supply_current(axis, 1.0),
    );
    let warm = |share: f64| {
        let loss = phases_on(axis) * (share * driven(axis)).powi(2) * resistance;
        format!("{} K", rise(loss))
    };
    let none = || "–".to_owned();
    vec![
        PowerUpStep {
            title: "Without power.",
            doing: "Measure each coil, and from each lead to the case.".to_owned(),
            shown: [none(), none(), none(), "turns by hand".to_owned()],
            expect: format!(
                "{} ± 10 % a coil at room temperature, both alike; no reading to the case and none from coil to \
                 coil.",
                Resistance::new(resistance)
            ),
            otherwise: &[
                ("half or twice that", "a centre tap is used, or left out: see the leads"),
                ("no reading", "a broken lead or a contact that does not close"),
                ("a reading to the case", "the insulation is broken: do not use this motor"),
            ],
        },
        PowerUpStep {
            title: "One coil.",
            doing: format!(
                "Set the bench supply to {} with a current limit of {}, switch it off, connect one coil, switch on.",
                volts(1.3 * voltage),
                amps(i)
            ),
            shown: [volts(voltage), amps(i), format!("{} K", rise(loss)), "locks".to_owned()],
            expect: format!(
                "{} at {}; the shaft locks with up to {}; the coil takes {}, and the case gets some {} K warmer within \
                 half an hour.",
                volts(voltage),
                amps(i),
                Torque::new(two_digits(torque)),
                watts(loss),
                rise(loss)
            ),
            otherwise: &[
                ("the limit holds at a far lower voltage", "turns of the coil are shorted, or two coils are in parallel"),
                ("the voltage comes and the current does not", "a contact with resistance, or coils in series"),
                ("the shaft is as loose as before", "two halves of the coil oppose each other: turn one round"),
            ],
        },
        PowerUpStep {
            title: "Both coils.",
            doing: "Switch off, connect the second coil to its own supply with the same setting, or in series with the \
                    first at twice the voltage. Switch on."
                .to_owned(),
            shown: [format!("{} each", volts(voltage)), format!("{} each", amps(i)), format!("{} K", rise(2.0 * loss)), format!("{half} degrees")],
            expect: format!(
                "the shaft moves by {half} degrees and locks with up to {}; both coils take {}, the case gets some {} K \
                 warmer.",
                Torque::new(two_digits(SQRT_2 * torque)),
                watts(2.0 * loss),
                rise(2.0 * loss)
            ),
            otherwise: &[
                ("it does not move", "the second coil carries nothing, or it is the other half of the first"),
                ("it moves by a full step or more", "it was not at rest on the first coil: friction, or a load"),
            ],
        },
        PowerUpStep {
            title: "The sequence by hand.",
            doing: "Switch off before each change. Feed coil A, then B, then A the other way round, then B the other way \
                    round."
                .to_owned(),
            shown: [volts(voltage), amps(i), format!("{} K", rise(loss)), format!("{full} degrees each")],
            expect: format!("{full} degrees the same way at each change, four of them make {} degrees.", Rounded(360.0 / f64::from(motor.rotor_teeth))),
            otherwise: &[
                ("forwards and backwards in turn", "one coil was not turned round"),
                ("three steps one way, none at the fourth", "one polarity is missing: a switch of the bridge is open"),
            ],
        },
        PowerUpStep {
            title: "The drive, at rest.",
            doing: format!(
                "Connect the drive with its supply at {} and the bench supply's limit at {}. Enable it, give no steps.",
                supply,
                amps(1.5 * turning)
            ),
            shown: [supply.clone(), format!("{} from the supply", amps(at_rest)), warm(axis.drive.hold_current), "locks".to_owned()],
            expect: format!(
                "some {} from the supply at {} % hold current; the shaft locks.",
                amps(at_rest),
                Rounded(100.0 * axis.drive.hold_current)
            ),
            otherwise: &[
                ("the limit of the bench supply holds", "the current is set too high, or a bridge shorts the supply: switch off at once"),
                ("next to no current", "the drive is not enabled, or its current is set to nothing"),
                ("it sings", "the regulator chops in the range that is heard: a nuisance, not a fault"),
            ],
        },
        PowerUpStep {
            title: "A slow turn.",
            doing: format!(
                "Play `{}-return.moves`, which is slow, or give {} full steps a second by hand.",
                axis.name,
                Rounded(slow)
            ),
            shown: [supply.clone(), format!("{} from the supply", amps(turning)), warm(1.0), format!("{full} degrees a step")],
            expect: format!("the flag goes round in steps of {full} degrees, all alike, the same way all the time."),
            otherwise: &[
                ("it shakes and goes nowhere", "one coil is not driven: see the symptom `hums-without-turning`"),
                ("the wrong way", "swap the two leads of one coil, with the power off"),
            ],
        },
        PowerUpStep {
            title: "The return test.",
            doing: format!("Mark where the flag stands, let `{}-return.moves` run to its end.", axis.name),
            shown: [supply.clone(), format!("{} from the supply", amps(turning)), warm(1.0), format!("within {half} degrees")],
            expect: format!("the flag stands on the mark within {half} degrees."),
            otherwise: &[
                ("off by a multiple of four full steps", "steps were lost: see the symptom `ends-off-by-four-steps`"),
                ("off by less than a full step", "friction, or microsteps that are uneven"),
                ("off by some other angle", "the flag slipped, or pulses come in that nobody sent"),
            ],
        },
    ]
}

/// What the drive draws from its supply (A) with that share of its current: all of the phases'
/// current from a linear source or a plain supply, only their loss from a chopper.
fn supply_current(axis: &Axis, share: f64) -> f64 {
    let held = share * driven(axis);
    match axis.drive.kind {
        DriveKind::FixedVoltage { .. } | DriveKind::LinearCurrent { .. } => phases_on(axis) * held,
        DriveKind::Chopper { .. } => {
            let loss = phases_on(axis) * held * held * axis.motor.phase_resistance.si();
            loss / axis.drive.supply.si()
        }
    }
}
