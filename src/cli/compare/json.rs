//! The comparison as JSON.

use serde_json::{Map, Value, json};

use super::{ComparedAxis, ScriptOnRig};
use slewsmith::physics::Band;
use slewsmith::rig::TravelUnit;

/// Every axis, and what the script came to on each rig.
pub(super) fn of(candidates: &[ComparedAxis<'_>], tried: Option<&[ScriptOnRig]>) -> Value {
    let axes: Vec<Value> = candidates.iter().map(candidate_json).collect();
    let script = tried.map(|tried| tried.iter().map(tried_json).collect::<Vec<_>>());
    json!({ "axes": axes, "script": script })
}

fn candidate_json(one: &ComparedAxis<'_>) -> Value {
    let (sheet, axis) = (&one.sheet, one.sheet.axis);
    let unit = TravelUnit::of(axis).name;
    let scale = sheet.per_step_rate();
    let torques: Vec<Value> = one
        .torques
        .iter()
        .map(|at| {
            let mut object = Map::new();
            object.insert("step_rate_hz".into(), json!(at.step_rate_hz));
            object.insert(format!("speed_{unit}_s"), json!(at.step_rate_hz * scale));
            object.insert("torque_nm".into(), json!(at.torque));
            object.insert("torque_low_nm".into(), json!(at.low));
            Value::Object(object)
        })
        .collect();
    let bands = |band: &Band| {
        json!({
            "kind": band.kind,
            "from_step_rate_hz": band.from_step_rate_hz,
            "to_step_rate_hz": band.to_step_rate_hz,
            "found_by": band.found_by,
        })
    };
    let bands: Vec<Value> = sheet.ability.bands.iter().map(bands).collect();
    let heat = &sheet.ability.heat;
    let mut object = json!({
        "rig": one.rig,
        "axis": axis.name,
        "motor": axis.motor.name,
        "drive": axis.drive.kind.name(),
        "microsteps": axis.drive.microsteps(),
        "supply_v": axis.drive.supply.si(),
        "natural_frequency_hz": sheet.natural_frequency,
        "start_stop_rate_hz": sheet.start_stop().rate,
        "start_stop_to_use_hz": sheet.start_stop().quoted(),
        "useful_to_step_rate_hz": sheet.range.to_step_rate_hz,
        "pull_out": torques,
        "bands": bands,
        "copper_w": { "running": heat.running.copper, "holding": heat.holding.copper },
        "supply_w": { "running": heat.running.supply, "holding": heat.holding.supply },
    });
    object[format!("stop_error_{unit}")] = json!(one.stop_error);
    object
}

fn tried_json(tried: &ScriptOnRig) -> Value {
    let failure = tried.summary.first_failure.as_ref();
    json!({
        "rig": tried.rig,
        "ok": tried.summary.ok,
        "first_failure": failure.map(ToString::to_string),
        "total_time_s": tried.summary.total_time,
        "moves_s": tried.settled.map(|one| one.moving),
        "settled_s": tried.settled.and_then(|one| one.settled),
        "longest_settle_s": tried.settled.and_then(|one| one.longest),
        "peak_lag_electrical_deg": tried.settled.map(|one| one.peak_lag),
        "lost_steps": tried.settled.map(|one| one.lost_steps),
    })
}
