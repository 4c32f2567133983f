//! The measurements of a bench as questions, for whoever has no notes yet.
//!
//! Every question says what is measured and what can hurt, and has a way or several, each with
//! its tool and how it is used. Answers become notes, which are read like any others.

mod list;
#[cfg(test)]
mod tests;

pub use list::{QUESTIONS, WIRING};

use thiserror::Error;

use crate::units::{Resistance, UnitError};

/// Why an answer cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum AnswerError {
    /// No quantity of the right kind.
    #[error(transparent)]
    Quantity(#[from] UnitError),
    /// No number of steps that a two-phase motor has.
    #[error("full steps a turn are a multiple of four, such as 200")]
    Steps,
    /// More than a swing leaves.
    #[error("what is left of a swing is less than all of it, such as `85 %`")]
    Swing,
    /// Test leads with more resistance than a coil between them.
    #[error("the leads alone read less than with the coil, {coil}")]
    LongLeads {
        /// What the meter reads at the coil.
        coil: String,
    },
    /// No number of phases.
    #[error("write `one` or `two`")]
    Phases,
    /// No number of microsteps.
    #[error("microsteps a full step are a number from 2 to 256")]
    Microsteps,
    /// No number of a way.
    #[error("write a number from 1 to {ways}, or nothing to skip")]
    Way {
        /// How many there are.
        ways: usize,
    },
    /// No list of leads.
    #[error(
        "write four to eight different names with commas between, such as `red, blue, green, black`"
    )]
    Leads,
    /// No reading between two leads.
    #[error(
        "write two leads and what the meter shows, with commas between, such as `red, green, 3.2 ohm`"
    )]
    Reading,
    /// A lead that is not in the list.
    #[error("no lead is called “{name}”")]
    UnknownLead {
        /// What was written.
        name: String,
    },
}

/// The answer as the notes write it, or why it cannot be used.
pub type AnswerCheck = fn(&str) -> Result<String, AnswerError>;

/// One number that is asked for.
#[derive(Debug, Clone, Copy)]
pub struct NotePart {
    /// Its key in the notes; empty where the notes hold the answer alone.
    pub key: &'static str,
    /// What to ask.
    pub prompt: &'static str,
    /// The answer as the notes write it, or why it cannot be used.
    pub check: AnswerCheck,
    /// Whether the measurement means nothing without it.
    pub needed: bool,
}

/// One way to measure something.
#[derive(Debug, Clone, Copy)]
pub struct MeasuringWay {
    /// With which tool.
    pub tool: &'static str,
    /// How.
    pub how: &'static str,
    /// The numbers that it yields.
    pub parts: &'static [NotePart],
}

impl MeasuringWay {
    /// The answer to one of its parts as the notes write it, with the answers before it.
    ///
    /// # Errors
    /// It cannot be used, or not together with these.
    pub fn take(
        &self,
        part: usize,
        text: &str,
        before: &[Option<String>],
    ) -> Result<String, AnswerError> {
        let NotePart { key, check, .. } = self.parts[part];
        let answer = check(text)?;
        if key == "leads" {
            let parts = self.parts.iter().zip(before);
            let mut values = parts.filter(|(part, _)| part.key == "value");
            let coil = values.find_map(|(_, answer)| answer.clone());
            let of = |text: &str| text.parse::<Resistance>().map(Resistance::si);
            if let Some(coil) = coil
                && of(&answer)? >= of(&coil)?
            {
                return Err(AnswerError::LongLeads { coil });
            }
        }
        Ok(answer)
    }
}

/// A measurement that was made.
#[derive(Debug, Clone)]
pub struct AnsweredWay {
    /// In which way.
    pub way: MeasuringWay,
    /// What came out, as the notes write it, for each of its parts; nothing where left out.
    pub answers: Vec<Option<String>>,
}

/// One measurement.
#[derive(Debug, Clone, Copy)]
pub struct Question {
    /// Its key in the notes.
    pub key: &'static str,
    /// What is measured.
    pub what: &'static str,
    /// What can hurt whom; empty where nothing can.
    pub caution: &'static str,
    /// The ways, the simplest first.
    pub ways: &'static [MeasuringWay],
    /// What to measure once more, where a second measurement tells more than the first.
    pub again: Option<&'static str>,
}

/// A text that YAML reads as it stands here: its double quotes take the escapes of JSON.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// The number of a way, from the answer to which one it is.
///
/// # Errors
/// There is no such way.
pub fn chosen_way(question: &Question, text: &str) -> Result<MeasuringWay, AnswerError> {
    let number = text.parse::<usize>().ok();
    let way = number.and_then(|number| question.ways.get(number.checked_sub(1)?));
    let ways = question.ways.len();
    way.copied().ok_or(AnswerError::Way { ways })
}

/// The names of leads, from a list with commas.
///
/// # Errors
/// They are no leads of a two-phase motor.
pub fn leads(text: &str) -> Result<Vec<String>, AnswerError> {
    let names: Vec<String> = text.split(',').map(|name| name.trim().to_owned()).collect();
    let repeated = |at: usize| names[..at].contains(&names[at]);
    let fits = (4..=8).contains(&names.len())
        && !names.iter().any(String::is_empty)
        && !(0..names.len()).any(repeated);
    match fits {
        true => Ok(names),
        false => Err(AnswerError::Leads),
    }
}

/// A reading between two of the leads, as the notes write it.
///
/// # Errors
/// It is none, or one of a lead that is not in the list.
pub fn reading(text: &str, leads: &[String]) -> Result<String, AnswerError> {
    let parts: Vec<&str> = text.split(',').map(str::trim).collect();
    let [one, other, ohms] = parts.as_slice() else {
        return Err(AnswerError::Reading);
    };
    for lead in [one, other] {
        if !leads.iter().any(|known| known == lead) {
            let name = (*lead).to_owned();
            return Err(AnswerError::UnknownLead { name });
        }
    }
    let _: Resistance = ohms.parse()?;
    match one == other {
        true => Err(AnswerError::Reading),
        false => Ok(format!(
            "{{ between: [{}, {}], resistance: {ohms} }}",
            quoted(one),
            quoted(other)
        )),
    }
}

/// The lines of the notes with leads and readings.
pub fn wiring_note(leads: &[String], readings: &[String]) -> String {
    let names: Vec<String> = leads.iter().map(|lead| quoted(lead)).collect();
    let lines: String = readings
        .iter()
        .map(|reading| format!("    - {reading}\n"))
        .collect();
    format!(
        "wiring:\n  leads: [{}]\n  readings:\n{lines}",
        names.join(", ")
    )
}

/// The lines of the notes with the measurements of one kind; empty where there are none.
pub fn note(question: &Question, measured: &[AnsweredWay]) -> String {
    let lines: Vec<String> = measured
        .iter()
        .map(|one| written(one.way.parts, &one.answers))
        .collect();
    match lines.as_slice() {
        [] => String::new(),
        [one] => format!("{}: {one}\n", question.key),
        several => format!("{}:\n  - {}\n", question.key, several.join("\n  - ")),
    }
}

fn written(parts: &[NotePart], answers: &[Option<String>]) -> String {
    let given: Vec<String> = parts
        .iter()
        .zip(answers)
        .filter_map(|(part, answer)| match (part.key, answer) {
            (_, None) => None,
            ("", Some(answer)) => Some(answer.clone()),
            (key, Some(answer)) => Some(format!("{key}: {answer}")),
        })
        .collect();
    match parts {
        [NotePart { key: "", .. }] => given.concat(),
        _ => format!("{{ {} }}", given.join(", ")),
    }
}
