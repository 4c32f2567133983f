//! What can hurt, as the page warns of it.

use crate::physics::heat;
use crate::physics::load::ShaftLoad;
use crate::rig::{Axis, Rig, TravelUnit};
use crate::units::{Rounded, Torque};

/// What can hurt, on this rig above all.
pub(super) fn of(rig: &Rig) -> Vec<String> {
    let mut cautions: Vec<String> = heat::CAUTIONS.map(str::to_owned).into();
    cautions.push("Fit guards, and within reach an emergency stop that removes power. Expect motion at any moment while power is on: closing the power starts a program.".to_owned());
    for axis in &rig.axes {
        cautions.extend(of_axis(axis));
    }
    cautions.push("This is a calculation from the data given, not a measurement or a safety assessment. Local codes and licensed practice take precedence.".to_owned());
    cautions
}

fn of_axis(axis: &Axis) -> Vec<String> {
    let mut cautions = Vec::new();
    let load = ShaftLoad::of(axis);
    if load.standing_torque() > 0.0 {
        cautions.push(format!(
            "{}: the load pulls on the motor with {} even at standstill. Without current it drops or swings: \
            fit a brake or a counterweight wherever hands can get under it.",
            axis.name,
            Torque::new(load.standing_torque())
        ));
    }
    if axis.drive.kind.burns_the_rest() {
        cautions.push(format!("{}: a linear drive dissipates the rest of the supply voltage in its transistors, most at standstill; check their heat sinks.", axis.name));
    }
    if axis.drive.supply.si() > 60.0 {
        cautions.push(format!(
            "{}: the {} supply exceeds 60 V, the common limit of extra-low voltage for direct current: leave its wiring to licensed practice.",
            axis.name,
            axis.drive.supply
        ));
    }
    let unit = TravelUnit::of(axis);
    if let Some(speed) = axis.limits.speed {
        cautions.push(format!(
            "{}: the rig's limits allow up to {} {}/s.",
            axis.name,
            Rounded(speed * unit.per_si),
            unit.name
        ));
    }
    cautions
}
