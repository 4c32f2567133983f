//! What was found, with its cures and, once each, what it means.

use std::collections::HashSet;

use super::about::About;
use super::page::{PageBlock, PageFinding, Tone};
use super::rows::Rows;
use crate::check::{self, Severity, Summary};
use crate::rig::Rig;

/// What was found about the rig and about the moves of the table, the gravest first.
pub(super) fn blocks(rig: &Rig, about: &About, summary: &Summary, rows: &Rows) -> Vec<PageBlock> {
    let mut found: Vec<(check::Finding, Option<usize>)> = Vec::new();
    let of_rig = summary.findings.iter().cloned();
    found.extend(of_rig.map(|finding| {
        let line = finding.line;
        (finding, line)
    }));
    for row in rows.rows() {
        let sample = &row.sample;
        let of_move = sample.findings().chain(&sample.changes).cloned();
        found.extend(of_move.map(|finding| (finding, Some(sample.planned.line))));
    }
    // Moves of one statement may differ by a microstep, and by nothing else.
    let mut told = HashSet::new();
    found.retain(|(finding, line)| {
        told.insert((*line, finding.axis.clone(), finding.message.clone()))
    });
    let mut explained = HashSet::new();
    let mut shown: Vec<(Severity, PageFinding)> = found
        .into_iter()
        .map(|(finding, line)| {
            let explanation = if explained.insert(finding.code) {
                (about.explain)(finding.code)
            } else {
                Vec::new()
            };
            let weight = finding.severity;
            let place = place(&finding, line, rig);
            (weight, as_shown(finding, place, explanation))
        })
        .collect();
    shown.sort_by_key(|(weight, _)| std::cmp::Reverse(*weight));
    shown
        .into_iter()
        .map(|(_, finding)| PageBlock::Finding(finding))
        .collect()
}

/// The line and, where there are several, the axis that a finding speaks of.
fn place(finding: &check::Finding, line: Option<usize>, rig: &Rig) -> String {
    let line = line.map(|line| format!("line {line}"));
    let axis = finding.axis.clone().filter(|_| rig.axes.len() > 1);
    let parts: Vec<String> = line.into_iter().chain(axis).collect();
    parts.join(", ")
}

fn as_shown(finding: check::Finding, place: String, explanation: Vec<String>) -> PageFinding {
    PageFinding {
        tone: tone_of(finding.severity),
        weight: weight_word(finding.severity),
        place,
        code: finding.code.to_owned(),
        message: finding.message,
        cures: finding.cures,
        explanation,
    }
}

const fn tone_of(weight: Severity) -> Tone {
    match weight {
        Severity::Failure => Tone::Bad,
        Severity::Warning => Tone::Doubtful,
        Severity::Note => Tone::Plain,
    }
}

const fn weight_word(weight: Severity) -> &'static str {
    match weight {
        Severity::Failure => "Must not run",
        Severity::Warning => "Warning",
        Severity::Note => "Note",
    }
}
