//! What our own player refuses of a program: said before the player is written.
//!
//! These are notes: firmware of the builder's own may play what ours does not.

use super::finding::{Finding, Severity};
use crate::player::{Lines, PlayerOptions, Refusal, ScheduleSource};
use crate::rig::{DriveKind, Rig};

/// A player that the rig may be meant for, and how it is told from others.
pub(crate) struct Candidate {
    pub(crate) options: PlayerOptions,
    how: &'static str,
}

/// The players that a rig may be meant for.
pub(crate) fn candidates(rig: &Rig) -> Vec<Candidate> {
    let player = |lines, source, how| Candidate {
        options: PlayerOptions {
            lines,
            source,
            other_board: false,
            user_code: false,
        },
        how,
    };
    let line = ScheduleSource::Line { baud: 115_200 };
    let mut all = vec![
        player(Lines::Steps, ScheduleSource::Memory, "from memory"),
        player(Lines::Steps, line, "over a serial line"),
    ];
    let is_switched = rig.axes.iter().any(|axis| match axis.drive.kind {
        DriveKind::FixedVoltage { .. } => true,
        DriveKind::Chopper { .. } | DriveKind::LinearCurrent { .. } => {
            axis.drive.current_setter().is_some()
        }
    });
    if is_switched {
        all.push(player(
            Lines::Coils,
            ScheduleSource::Memory,
            "where it switches the coils",
        ));
    }
    all
}

/// What players refuse, as findings; the same refusal of several is told once.
pub(crate) fn findings(refused: &[(Candidate, Refusal)]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (number, (candidate, refusal)) in refused.iter().enumerate() {
        let same = |(_, other): &&(Candidate, Refusal)| {
            (&other.reason, other.line) == (&refusal.reason, refusal.line)
        };
        if refused[..number].iter().any(|one| same(&one)) {
            continue;
        }
        let others = refused[number + 1..].iter().filter(same);
        let ways: Vec<&str> = [candidate.how]
            .into_iter()
            .chain(others.map(|(other, _)| other.how))
            .collect();
        let message = format!(
            "{}; the firmware player refuses this program {}, and firmware of your own may play it",
            refusal.reason,
            ways.join(" and ")
        );
        findings.push(
            Finding::new(refusal.reason.code(), Severity::Note, message)
                .cures(vec![refusal.cure()])
                .line(refusal.line),
        );
    }
    findings
}
