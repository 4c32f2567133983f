//! The measurements of a bench as questions, for whoever has no notes yet.
//!
//! Every question says what is measured, with which tool, how, and what can hurt. Answers
//! become notes, which are read like any others.

use thiserror::Error;

use crate::units::{
    AngularSpeed, Current, Force, Fraction, Frequency, Inductance, Inertia, Length, Measure,
    Resistance, Time, Torque, UnitError, Voltage,
};

/// Why an answer cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum AnswerError {
    /// No quantity of the right kind.
    #[error(transparent)]
    Quantity(#[from] UnitError),
    /// No number of steps that a two-phase motor has.
    #[error("full steps a turn are a multiple of four, such as 200")]
    Steps,
    /// No number of phases.
    #[error("write `one` or `two`")]
    Phases,
}

/// Tells why an answer cannot be used, if it cannot.
pub type AnswerCheck = fn(&str) -> Result<(), AnswerError>;

/// One number that is asked for.
#[derive(Debug, Clone, Copy)]
pub struct NotePart {
    /// Its key in the notes.
    pub key: &'static str,
    /// What to ask.
    pub prompt: &'static str,
    /// Why an answer cannot be used, if it cannot.
    pub check: AnswerCheck,
}

/// One measurement.
#[derive(Debug, Clone, Copy)]
pub struct Question {
    /// Its key in the notes.
    pub key: &'static str,
    /// What is measured.
    pub what: &'static str,
    /// With which tool.
    pub tool: &'static str,
    /// How.
    pub how: &'static str,
    /// What can hurt whom; empty where nothing can.
    pub caution: &'static str,
    /// The numbers; a measurement without its first one is skipped.
    pub parts: &'static [NotePart],
}

const fn part(key: &'static str, prompt: &'static str, check: AnswerCheck) -> NotePart {
    NotePart { key, prompt, check }
}

fn quantity<T: Measure>(text: &str) -> Result<(), AnswerError> {
    let _: T = text.parse()?;
    Ok(())
}

fn steps(text: &str) -> Result<(), AnswerError> {
    match text.parse::<u32>() {
        Ok(steps) if (4..=2000).contains(&steps) && steps % 4 == 0 => Ok(()),
        Ok(_) | Err(_) => Err(AnswerError::Steps),
    }
}

fn phases(text: &str) -> Result<(), AnswerError> {
    match text {
        "one" | "two" => Ok(()),
        _ => Err(AnswerError::Phases),
    }
}

/// The questions, from those that need least to those that need most.
pub const QUESTIONS: [Question; 11] = [
    Question {
        key: "full_steps_a_turn",
        what: "How many full steps make a turn?",
        tool: "your fingers and a mark on the shaft",
        how: "Short both coils and turn the shaft slowly: it clicks once a full step. Count the clicks of a turn; \
              200 are usual. Or count the detents with the leads open.",
        caution: "",
        parts: &[part("", "steps a turn", steps)],
    },
    Question {
        key: "frame",
        what: "How wide is the square flange?",
        tool: "callipers or a ruler",
        how: "Measure the side of the flange.",
        caution: "",
        parts: &[part("value", "side", quantity::<Length>)],
    },
    Question {
        key: "length",
        what: "How long is the body?",
        tool: "callipers or a ruler",
        how: "Measure the body without shaft and collar.",
        caution: "",
        parts: &[part("value", "length", quantity::<Length>)],
    },
    Question {
        key: "resistance",
        what: "What is the resistance of a coil?",
        tool: "a multimeter",
        how: "Touch the tips together and write down what the leads read. Then measure a coil, the motor connected to \
              nothing and at room temperature.",
        caution: "",
        parts: &[
            part("value", "resistance of the coil", quantity::<Resistance>),
            part(
                "leads",
                "resistance of the meter's leads",
                quantity::<Resistance>,
            ),
        ],
    },
    Question {
        key: "inductance",
        what: "What is the inductance of a coil?",
        tool: "a meter for inductance",
        how: "Measure a coil at 1 kHz or below, the other coil open. A log of the rising current does as well: \
              `inductance: { log: rise.csv, series: … }` in the notes.",
        caution: "",
        parts: &[part("value", "inductance", quantity::<Inductance>)],
    },
    Question {
        key: "rated_current",
        what: "Which current is a phase rated for?",
        tool: "the plate, or a thermometer",
        how: "Read the plate. Without one: feed both coils with a current so small that the case stays below 60 °C \
              after an hour, and take that.",
        caution: "A case of 60 °C burns skin within seconds. Keep the motor on something that does not burn.",
        parts: &[part(
            "value",
            "rated current of a phase",
            quantity::<Current>,
        )],
    },
    Question {
        key: "holding_torque",
        what: "At which torque does the rotor give way?",
        tool: "a lever on the shaft and a spring scale",
        how: "Feed the coils with a known current from a supply with a current limit. Pull at the lever at a right \
              angle until the rotor jumps, and read the scale just before.",
        caution: "The lever snaps round when the rotor jumps: wear goggles, keep your face out of its plane.",
        parts: &[
            part("force", "force", quantity::<Force>),
            part(
                "lever",
                "from the shaft's axis to the scale",
                quantity::<Length>,
            ),
            part("current", "current of a phase", quantity::<Current>),
            part("phases", "phases on, one or two", phases),
        ],
    },
    Question {
        key: "back_emf",
        what: "Which voltage does a coil make when the shaft is turned?",
        tool: "a drill and a scope",
        how: "Turn the shaft with a drill, the coils open. Read the amplitude (from the middle to the top) of one \
              coil's voltage and its frequency.",
        caution: "A drill catches sleeves, hair and leads. An open coil can make more than 50 V at high speed: do not \
                  touch it.",
        parts: &[
            part("amplitude", "amplitude", quantity::<Voltage>),
            part(
                "frequency",
                "frequency of the voltage",
                quantity::<Frequency>,
            ),
        ],
    },
    Question {
        key: "ring_down",
        what: "How fast does the rotor swing about its rest?",
        tool: "a scope on the idle coil",
        how: "Feed one coil with a known current and leave the other open with the scope on it. Flick the shaft: the \
              voltage swings and dies away. Read the frequency of the last small swings and what is left of \
              a swing at the next.",
        caution: "",
        parts: &[
            part("frequency", "frequency", quantity::<Frequency>),
            part(
                "each_swing",
                "left after each swing, such as 85 %",
                quantity::<Fraction>,
            ),
            part("current", "current of the coil", quantity::<Current>),
            part(
                "inertia",
                "inertia fixed to the shaft, none if left empty",
                quantity::<Inertia>,
            ),
        ],
    },
    Question {
        key: "spin_down",
        what: "How fast does the shaft come to rest by itself?",
        tool: "a scope on an open coil",
        how: "Spin the shaft up and let go. Read the speed, and the time until it has halved.",
        caution: "Nothing loose on the shaft: it flies off.",
        parts: &[
            part("speed", "speed, such as 600 rpm", quantity::<AngularSpeed>),
            part("half_time", "time to half of it", quantity::<Time>),
            part(
                "inertia",
                "inertia fixed to the shaft, none if left empty",
                quantity::<Inertia>,
            ),
        ],
    },
    Question {
        key: "detent_torque",
        what: "At which torque does the shaft turn without current?",
        tool: "a lever and a scale that shows a gram",
        how: "All leads open. Find the torque at which the shaft slips on to the next detent.",
        caution: "",
        parts: &[part("value", "torque", quantity::<Torque>)],
    },
];

/// The line of the notes that holds the answers to a question, one a part (empty where left
/// out).
pub fn note(question: &Question, answers: &[String]) -> Option<String> {
    let first = answers.first().filter(|answer| !answer.is_empty())?;
    if question.parts[0].key.is_empty() {
        return Some(format!("{}: {first}\n", question.key));
    }
    let given = question.parts.iter().zip(answers);
    let given: Vec<String> = given
        .filter(|(_, answer)| !answer.is_empty())
        .map(|(part, answer)| format!("{}: {answer}", part.key))
        .collect();
    Some(format!("{}: {{ {} }}\n", question.key, given.join(", ")))
}
