//! What can hurt on a rig, in words, for whoever builds it.

use crate::physics::heat;
use crate::physics::load::ShaftLoad;
use crate::rig::{Axis, Rig, TravelUnit};
use crate::units::{Rounded, Torque};

/// What can hurt on every rig, and on this one.
pub(crate) fn of_rig(rig: &Rig) -> Vec<String> {
    let mut cautions: Vec<String> = heat::CAUTIONS.map(str::to_owned).into();
    for axis in &rig.axes {
        cautions.extend(of_axis(axis));
    }
    let falls = |axis: &Axis| ShaftLoad::of(axis).standing_torque() > 0.0;
    if rig.axes.iter().any(falls) && !rig.outputs.is_empty() {
        cautions.push(
            "All outputs are off before a start and after any stop. An output that works a brake must apply it when \
             off: wire the brake so that it closes without power."
                .to_owned(),
        );
    }
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
    cautions.push(format!(
        "{}: the capacitors of the {} supply stay charged after power-off: let them discharge, and measure, before you \
         touch the wiring.",
        axis.name, axis.drive.supply
    ));
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
