//! The check as JSON. Field names carry their unit: `…_deg` for rotary axes, `…_mm`
//! for linear ones.

use serde_json::{Map, Value, json};

use super::crossing::Crossing;
use super::outcome::{AxisCheck, MoveCheck, Summary};
use crate::rig::{Rig, TravelUnit};

impl MoveCheck {
    /// One object for each axis that moves, in the order of the rig.
    pub fn to_json(&self, rig: &Rig) -> Vec<Value> {
        let travels = self.planned.motion.axes.iter().zip(&self.planned.travel);
        self.check
            .axes
            .iter()
            .zip(travels)
            .enumerate()
            .map(|(number, (check, (motion, travel)))| {
                let axis = &rig.axes[check.axis];
                let unit = TravelUnit::of(axis);
                let named = |name: &str| format!("{name}_{}", unit.name);
                let mut object = Map::new();
                object.insert("index".into(), json!(self.planned.index));
                object.insert("line".into(), json!(self.planned.line));
                if self.times > 1 {
                    object.insert("times".into(), json!(self.times));
                }
                object.insert("part".into(), json!(self.planned.part.word()));
                object.insert("axis".into(), json!(axis.name));
                object.insert(named("from"), json!(travel.from * unit.per_si));
                object.insert(named("to"), json!(travel.to * unit.per_si));
                object.insert(
                    named("target_error"),
                    json!(travel.target_error * unit.per_si),
                );
                let steps = motion.steps as i64 * motion.direction.sign();
                object.insert("steps".into(), json!(steps));
                object.insert("duration_s".into(), json!(self.planned.motion.duration));
                object.insert(
                    format!("peak_speed_{}_s", unit.name),
                    json!(check.peak_speed * unit.per_si),
                );
                object.insert(
                    format!("peak_accel_{}_s2", unit.name),
                    json!(check.peak_acceleration * unit.per_si),
                );
                object.insert("shape".into(), json!(self.planned.motion.shape.name()));
                object.insert("torque_margin".into(), margin(check, axis, unit));
                object.insert("bands".into(), check.bands.iter().map(band).collect());
                object.insert("regeneration".into(), regeneration(check));
                object.insert("verdict".into(), json!(self.axis_verdict(number).word()));
                object.insert(
                    "reasons".into(),
                    json!(self.axis_findings(number).collect::<Vec<_>>()),
                );
                object.insert("changes".into(), json!(self.changes));
                Value::Object(object)
            })
            .collect()
    }
}

fn margin(check: &AxisCheck, axis: &crate::rig::Axis, unit: TravelUnit) -> Value {
    let Some(margin) = check.torque else {
        return Value::Null;
    };
    let speed = axis.travel_speed(margin.at.omega);
    let mut object = Map::new();
    object.insert("least".into(), json!(margin.least));
    object.insert(
        format!("at_speed_{}_s", unit.name),
        json!(speed * unit.per_si),
    );
    object.insert("required_nm".into(), json!(margin.required));
    object.insert("available_nm".into(), json!(margin.available));
    Value::Object(object)
}

fn band(crossing: &Crossing) -> Value {
    json!({
        "kind": crossing.band.kind.word(),
        "from_step_rate_hz": crossing.band.from_step_rate_hz,
        "to_step_rate_hz": crossing.band.to_step_rate_hz,
        "time_s": crossing.time,
        "cruises": crossing.cruises,
        "likely": crossing.likely,
        "found_by": crossing.band.found_by,
    })
}

/// None where nothing returns.
fn regeneration(check: &AxisCheck) -> Value {
    match check.regeneration {
        Some(found) if found.energy > 0.0 => json!({
            "energy_j": found.energy,
            "peak_power_w": found.power,
            "capacity_f": found.capacity(),
        }),
        _ => Value::Null,
    }
}

impl Summary {
    /// The findings about the rig as a whole.
    pub fn findings_json(&self) -> Value {
        json!(self.findings)
    }
}
