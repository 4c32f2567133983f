//! What can hurt, as the page warns of it.

use crate::physics::heat;
use crate::physics::load::ShaftLoad;
use crate::rig::{Axis, Rig, TravelUnit};
use crate::units::{Rounded, Torque};

/// What can hurt, on this rig above all.
pub(super) fn of(rig: &Rig) -> Vec<String> {
    let mut cautions: Vec<String> = heat::CAUTIONS.map(str::to_owned).into();
    cautions.push("Fit guards, and a switch that removes power within reach. Expect motion at any moment while power is on.".to_owned());
    for axis in &rig.axes {
        cautions.extend(of_axis(axis));
    }
    cautions.push("This is a calculation from the data given, not a measurement and not a safety assessment. Codes and licensed practice of your place go before it.".to_owned());
    cautions
}

fn of_axis(axis: &Axis) -> Vec<String> {
    let mut cautions = Vec::new();
    let load = ShaftLoad::of(axis);
    if load.standing_torque() > 0.0 {
        cautions.push(format!(
            "{}: the load pulls with {} at the motor even at standstill. When current is removed, by a fault or by a switch, it drops or swings: \
             it needs a brake or a counterweight wherever hands can get under it.",
            axis.name,
            Torque::new(load.standing_torque())
        ));
    }
    if axis.drive.kind.burns_the_rest() {
        cautions.push(format!("{}: a linear drive turns the rest of the supply into heat in its transistors, most of all at standstill; check their heat sinks.", axis.name));
    }
    if axis.drive.supply.si() > 60.0 {
        cautions.push(format!(
            "{}: {} of supply is beyond the 60 V that common practice takes as extra-low voltage for direct current: wiring is a matter for licensed practice.",
            axis.name,
            axis.drive.supply
        ));
    }
    let unit = TravelUnit::of(axis);
    if let Some(speed) = axis.limits.speed {
        cautions.push(format!(
            "{}: up to {} {}/s are allowed by the rig's limits.",
            axis.name,
            Rounded(speed * unit.per_si),
            unit.name
        ));
    }
    cautions
}
