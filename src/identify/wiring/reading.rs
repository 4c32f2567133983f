//! `wiring` of the notes: the leads, and what a meter read between them.

use super::{Connection, LeadLayout, MotorWiring, Reading, layout};
use crate::rig::fields::{self, Bounds, Fields};
use crate::rig::problems::{Place, Problems};
use crate::rig::yaml::{Entry, Node, NodeKind};
use crate::units::Resistance;

/// Reads `wiring`.
pub(in crate::identify) fn read(entry: Entry, problems: &mut Problems) -> Option<MotorWiring> {
    let place = entry.key_place.clone();
    let mut fields = Fields::of("the wiring", entry.key_place, entry.value, problems)?;
    let leads = read_leads(&mut fields)?;
    let readings = read_readings(&mut fields, &leads)?;
    let measured_on = fields.take("measured_on").and_then(|entry| {
        let words = Connection::WORDS.map(|(word, _)| word);
        let chosen = fields::choice("measured_on", &entry, &words);
        let chosen = fields.keep(chosen)?;
        let found = Connection::WORDS.iter().find(|(word, _)| *word == chosen);
        found.map(|(_, connection)| *connection)
    });
    let layout = layout(&leads, &readings);
    let layout = fields.keep(layout.map_err(|why| {
        place
            .error("leads-unclear", why.to_string(), "")
            .help("measure every pair of leads once, the motor connected to nothing, and note what conducts")
    }));
    fields.finish();
    let layout = layout?;
    let usual = match layout {
        LeadLayout::Four(_) | LeadLayout::Six(_) => Connection::Series,
        LeadLayout::Five { .. } | LeadLayout::Eight(_) => Connection::Half,
    };
    Some(MotorWiring {
        layout,
        measured_on: measured_on.unwrap_or(usual),
    })
}

fn list(fields: &mut Fields<'_>, key: &'static str, form: &str) -> Option<Vec<Node>> {
    let entry = fields.need(key, form)?;
    match entry.value.kind {
        NodeKind::List(nodes) => Some(nodes),
        NodeKind::Nothing | NodeKind::Text(_) | NodeKind::Table(_) => {
            let problem = entry
                .value
                .place
                .error("not-a-list", format!("`{key}` is a list"), "")
                .help(format!("write `{key}: {form}`"));
            fields.problem(problem);
            None
        }
    }
}

fn read_leads(fields: &mut Fields<'_>) -> Option<Vec<String>> {
    let nodes = list(fields, "leads", "[red, blue, green, black]")?;
    let mut leads: Vec<String> = Vec::new();
    for node in nodes {
        let name = fields::text("leads", &node).map(str::to_owned);
        let name = fields.keep(name)?;
        if leads.contains(&name) {
            let problem = node
                .place
                .error(
                    "duplicate-key",
                    format!("“{name}” is named twice"),
                    "again here",
                )
                .help("name each lead by its colour and a number where colours repeat");
            fields.problem(problem);
            return None;
        }
        leads.push(name);
    }
    Some(leads)
}

fn read_readings(fields: &mut Fields<'_>, leads: &[String]) -> Option<Vec<Reading>> {
    let form = "[{ between: [red, blue], resistance: … ohm }]";
    let nodes = list(fields, "readings", form)?;
    let mut readings = Vec::new();
    for node in nodes {
        let place = node.place.clone();
        let problems = fields.problems();
        let mut reading = Fields::of("a reading", place.clone(), node, problems)?;
        let between = list(&mut reading, "between", "[red, blue]");
        let ohms: Option<Resistance> = reading.required("resistance", Bounds::positive(1e-3, 1e5));
        let pair = between.and_then(|between| pair(&mut reading, &place, &between, leads));
        reading.finish();
        readings.push(Reading {
            between: pair?,
            ohms: ohms?.si(),
        });
    }
    Some(readings)
}

fn pair(
    fields: &mut Fields<'_>,
    place: &Place,
    nodes: &[Node],
    leads: &[String],
) -> Option<(usize, usize)> {
    let mut found = Vec::new();
    for node in nodes {
        let name = fields::text("between", node).map(str::to_owned);
        let name = fields.keep(name)?;
        match leads.iter().position(|lead| *lead == name) {
            Some(at) => found.push(at),
            None => {
                let problem = node
                    .place
                    .error(
                        "unknown-word",
                        format!("no lead is called “{name}”"),
                        "unknown",
                    )
                    .suggest(&name, leads.iter().map(String::as_str));
                fields.problem(problem);
                return None;
            }
        }
    }
    match found.as_slice() {
        [one, other] if one != other => Some((*one, *other)),
        _ => {
            let problem = place
                .error(
                    "measurement-incomplete",
                    "a reading is between two leads",
                    "",
                )
                .help("write `between: [red, blue]`");
            fields.problem(problem);
            None
        }
    }
}
