//! How briefly outputs stand still, against what our own player can do.

use super::finding::{Finding, Weight};
use crate::plan::{Item, PlannedMove};
use crate::rig::Rig;
use crate::schedule::timer;
use crate::units::Time;

/// The outputs of a program as it goes on.
#[derive(Debug)]
pub(super) struct Outputs {
    each: Vec<Output>,
    /// The shortest time between two changes of one output (s), and which one it is.
    shortest: Option<(f64, usize)>,
}

#[derive(Debug, Clone, Copy)]
struct Output {
    /// On or off, where that is known.
    on: Option<bool>,
    /// When it changed last (s), where the time since then is known.
    changed: Option<f64>,
}

impl Outputs {
    /// Before a program on `rig` begins.
    pub fn new(rig: &Rig) -> Self {
        let off = Output {
            on: Some(false),
            changed: None,
        };
        Self {
            each: vec![off; rig.outputs.len()],
            shortest: None,
        }
    }

    /// An output is switched, so many seconds after the start.
    pub fn switch(&mut self, output: usize, on: bool, now: f64) {
        let each = &mut self.each[output];
        if each.on == Some(on) {
            return;
        }
        if let Some(changed) = each.changed
            && self.shortest.is_none_or(|(least, _)| now - changed < least)
        {
            self.shortest = Some((now - changed, output));
        }
        *each = Output {
            on: Some(on),
            changed: Some(now),
        };
    }

    /// A wait for an input gives every output all the time it needs.
    pub fn wait(&mut self) {
        for output in &mut self.each {
            output.changed = None;
        }
    }

    /// When the outputs of a move are switched is for the schedule to say.
    pub fn pass(&mut self, planned: &PlannedMove) {
        for passed in &planned.on_the_way {
            if let Item::Output { output, .. } = passed.item {
                self.each[output] = Output {
                    on: None,
                    changed: None,
                };
            }
        }
    }

    /// What there is to know before the player is written.
    pub fn finding(&self, rig: &Rig) -> Option<Finding> {
        let (seconds, output) = self.shortest?;
        if !timer::suits_player(&rig.timer) {
            return None;
        }
        let time = |cycles| timer::whole_microseconds(cycles, &rig.timer);
        let least = time(timer::player_output_cycles(rig.timer.prescaler));
        let anywhere = time(timer::player_written_output_cycles(rig));
        // Both changes fall on ticks, half of one off at the most.
        if seconds + 0.5 / rig.timer.tick_rate() >= least.si() {
            return None;
        }
        let message = format!(
            "two changes of output `{}` come {} apart, and the firmware player needs {least} from one change to the \
             next, or {anywhere} on a pin that no timer makes: it refuses this program, which firmware of your own may play",
            rig.outputs[output].name,
            Time::new(seconds)
        );
        Some(
            Finding::new("output-below-player", Weight::Note, message)
                .cures(vec![format!("dwell {anywhere} between them")]),
        )
    }
}
