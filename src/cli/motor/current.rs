//! The part of the motor sheet about its current: which one suits, what each sequence makes of
//! the supply, and what happens when it is switched off.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::super::Terminal;
use super::super::table::table;
use slewsmith::MotorSheet;
use slewsmith::physics::{Proposal, SequenceAbility, SwitchOff};
use slewsmith::rig::Axis;
use slewsmith::units::{Current, Power, Rounded, Torque, Voltage, two_digits, two_digits_up};

/// Shares of the useful range at which the torque of each sequence is shown.
const SPEEDS: [f64; 3] = [0.1, 0.3, 0.7];

/// Step rates (full steps/s) at which sequences are compared, easily read.
fn rates(sheet: &MotorSheet<'_>) -> [f64; 3] {
    SPEEDS.map(|share| two_digits(share * sheet.range.to_step_rate_hz))
}

fn millijoules(joules: f64) -> String {
    format!("{} mJ", Rounded(1e3 * joules))
}

pub(super) fn for_people(sheet: &MotorSheet<'_>, terminal: &Terminal) -> String {
    let mut text = "\n".to_owned();
    let proposal = Proposal::of(sheet.axis);
    let current = Current::new(proposal.current);
    let set_by = proposal.set_by.words();
    // Writing to a String cannot fail.
    let _ = match (sheet.axis.drive.peak_current(), proposal.ballast) {
        (Some(_), _) => writeln!(
            text,
            "proposed current   `peak_current` {current}, set by {set_by}"
        ),
        (None, None) => writeln!(
            text,
            "proposed current   {current} in a phase, set by {set_by}"
        ),
        (None, Some((resistance, power))) => writeln!(
            text,
            "proposed current   {current} in a phase, with a ballast of {} ohm in each: {}, rated for {} or more",
            Rounded(resistance),
            Power::new(power),
            Power::new(two_digits_up(2.0 * power))
        ),
    };
    let off = SwitchOff::of(sheet.axis);
    let moving = match off.moving > 0.0 {
        true => format!(
            " and {} of the load at its speed limit",
            millijoules(off.moving)
        ),
        false => String::new(),
    };
    let _ = writeln!(
        text,
        "switched off       {} of the windings{moving}: {} uF keep the supply below {}",
        millijoules(off.windings),
        Rounded(two_digits_up(1e6 * off.capacity())),
        Voltage::new(off.limit())
    );
    let sequences = SequenceAbility::all(sheet.axis);
    if sequences.is_empty() {
        return text;
    }
    let rates = rates(sheet);
    let rows = sequences.iter().map(|one| {
        let hot = if one.hot { " (too hot)" } else { "" };
        let mut row = vec![
            one.sequence.name().to_owned(),
            Torque::new(one.holding).to_string(),
            format!("{}{hot}", Power::new(one.windings)),
        ];
        row.extend(rates.map(|rate| Torque::new(one.pull_out.sample(rate).torque).to_string()));
        row
    });
    let heads = rates.map(|rate| format!("at {} steps/s", Rounded(rate)));
    let mut all = vec!["sequence", "holds", "windings"];
    all.extend(heads.iter().map(String::as_str));
    let _ = writeln!(
        text,
        "\n{}",
        table(&all, &[1, 2, 3, 4, 5], rows, terminal.width())
    );
    text
}

pub(super) fn proposal_json(axis: &Axis) -> Value {
    let proposal = Proposal::of(axis);
    json!({
        "current_a": proposal.current,
        "set_by": proposal.set_by.word(),
        "ballast_ohm": proposal.ballast.map(|(resistance, _)| resistance),
        "ballast_w": proposal.ballast.map(|(_, power)| power),
    })
}

pub(super) fn sequences_json(sheet: &MotorSheet<'_>) -> Vec<Value> {
    let one = |one: &SequenceAbility| {
        let pull_out = rates(sheet).map(
            |rate| json!({ "step_rate_hz": rate, "torque_nm": one.pull_out.sample(rate).torque }),
        );
        json!({
            "sequence": one.sequence.name(),
            "holding_torque_nm": one.holding,
            "copper_w": one.windings,
            "too_hot": one.hot,
            "pull_out": pull_out,
        })
    };
    SequenceAbility::all(sheet.axis).iter().map(one).collect()
}

pub(super) fn switch_off_json(axis: &Axis) -> Value {
    let off = SwitchOff::of(axis);
    json!({
        "windings_j": off.windings,
        "moving_j": off.moving,
        "capacitance_f": off.capacity(),
        "supply_limit_v": off.limit(),
    })
}
