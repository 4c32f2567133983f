//! The questions themselves: what, with which tool, how, and what hurts.

use super::{AnswerCheck, AnswerError, MeasuringWay, NotePart, Question, quoted};
use crate::identify::notes::MOST_LEFT;
use crate::units::{
    AngularSpeed, Current, Force, Fraction, Frequency, Inductance, Inertia, Length, Mass, Measure,
    Resistance, StepRate, Time, Torque, Voltage,
};

const fn need(key: &'static str, prompt: &'static str, check: AnswerCheck) -> NotePart {
    NotePart {
        key,
        prompt,
        check,
        needed: true,
    }
}

const fn may(key: &'static str, prompt: &'static str, check: AnswerCheck) -> NotePart {
    NotePart {
        key,
        prompt,
        check,
        needed: false,
    }
}

fn quantity<T: Measure>(text: &str) -> Result<String, AnswerError> {
    let _: T = text.parse()?;
    Ok(text.to_owned())
}

fn left_of_a_swing(text: &str) -> Result<String, AnswerError> {
    let left: Fraction = text.parse()?;
    match left.si() > 0.0 && left.si() <= MOST_LEFT {
        true => Ok(text.to_owned()),
        false => Err(AnswerError::Swing),
    }
}

fn steps(text: &str) -> Result<String, AnswerError> {
    match text.parse::<u32>() {
        Ok(steps) if (4..=2000).contains(&steps) && steps % 4 == 0 => Ok(text.to_owned()),
        Ok(_) | Err(_) => Err(AnswerError::Steps),
    }
}

fn phases(text: &str) -> Result<String, AnswerError> {
    match text {
        "one" | "two" => Ok(text.to_owned()),
        _ => Err(AnswerError::Phases),
    }
}

fn microsteps(text: &str) -> Result<String, AnswerError> {
    match text.parse::<u32>() {
        Ok(2..=256) => Ok(text.to_owned()),
        Ok(_) | Err(_) => Err(AnswerError::Microsteps),
    }
}

/// A file, in quotes: whether it is there shows when the notes are read.
fn file(text: &str) -> Result<String, AnswerError> {
    Ok(quoted(text))
}

const CURRENT: NotePart = need("current", "current of a phase", quantity::<Current>);
const PHASES: NotePart = need("phases", "phases on, `one` or `two`", phases);
const LEVER: NotePart = need(
    "lever",
    "lever, from the shaft's axis to where it is pulled",
    quantity::<Length>,
);
const INERTIA: NotePart = may(
    "inertia",
    "inertia fixed to the shaft, none if left empty",
    quantity::<Inertia>,
);
const SERIES: NotePart = may(
    "series",
    "resistance in series with the coil, such as a sense resistor; none if left empty",
    quantity::<Resistance>,
);
const LOG: NotePart = need("log", "file with the log (csv: seconds, readings)", file);

/// The questions, from those that need least to those that need most.
pub const QUESTIONS: &[Question] = &[
    Question {
        key: "full_steps_a_turn",
        what: "How many full steps make a turn?",
        caution: "",
        ways: &[MeasuringWay {
            tool: "your fingers and a mark on the shaft",
            how: "Short both coils and turn the shaft slowly: it clicks once a full step. Count the clicks of a \
                  turn; 200 are usual. Or count the detents with the leads open.",
            parts: &[need("", "full steps a turn", steps)],
        }],
        again: None,
    },
    Question {
        key: "frame",
        what: "How wide is the square flange?",
        caution: "",
        ways: &[MeasuringWay {
            tool: "callipers or a ruler",
            how: "Measure the side of the flange.",
            parts: &[need("value", "side", quantity::<Length>)],
        }],
        again: None,
    },
    Question {
        key: "length",
        what: "How long is the body?",
        caution: "",
        ways: &[MeasuringWay {
            tool: "callipers or a ruler",
            how: "Measure the body without shaft and collar.",
            parts: &[need("value", "length", quantity::<Length>)],
        }],
        again: None,
    },
    Question {
        key: "resistance",
        what: "What is the resistance of a coil?",
        caution: "A coil that carries current warms: read at once, and switch off before you move a lead.",
        ways: &[
            MeasuringWay {
                tool: "a multimeter",
                how: "Touch the tips together and write down what the leads read. Then measure a coil, the motor \
                      connected to nothing and at room temperature.",
                parts: &[
                    need(
                        "value",
                        "what the meter reads at the coil",
                        quantity::<Resistance>,
                    ),
                    may(
                        "leads",
                        "what it reads with its tips together, nothing if left empty",
                        quantity::<Resistance>,
                    ),
                ],
            },
            MeasuringWay {
                tool: "a supply with a current limit and two meters (four wires; best below 1 ohm)",
                how: "Feed the coil through the ammeter with a third of its rated current. Hold the voltmeter to the \
                      coil's own leads, not to the supply: its wires carry no current, so their resistance does not \
                      count.",
                parts: &[
                    need(
                        "voltage",
                        "voltage at the coil's leads",
                        quantity::<Voltage>,
                    ),
                    need("current", "current", quantity::<Current>),
                ],
            },
        ],
        again: None,
    },
    Question {
        key: "inductance",
        what: "What is the inductance of a coil?",
        caution: "An alternating voltage comes from a transformer of some 6 V or an amplifier, never from the mains. \
                  A coil that is opened while current flows makes hundreds of volts: switch the supply off first.",
        ways: &[
            MeasuringWay {
                tool: "a meter for inductance",
                how: "Measure a coil at 1 kHz or below, the other coil open.",
                parts: &[need("value", "inductance", quantity::<Inductance>)],
            },
            MeasuringWay {
                tool: "a scope across a small resistor in series with the coil",
                how: "Switch a voltage to both, the shaft at rest and the other coil open. Read how long the current \
                      takes to 63 % of where it ends.",
                parts: &[need("rise_time", "time to 63 %", quantity::<Time>), SERIES],
            },
            MeasuringWay {
                tool: "the same, the trace saved as csv",
                how: "Save the rise from before the switch closes until the current is level; the curve is fitted.",
                parts: &[LOG, SERIES],
            },
            MeasuringWay {
                tool: "a transformer or an amplifier and two meters",
                how: "Feed a coil with an alternating voltage of known frequency, the shaft held and the other coil \
                      open. Read effective voltage and current.",
                parts: &[
                    need(
                        "voltage",
                        "voltage across coil and resistor",
                        quantity::<Voltage>,
                    ),
                    need("current", "current", quantity::<Current>),
                    need(
                        "frequency",
                        "frequency, such as 50 Hz",
                        quantity::<Frequency>,
                    ),
                    SERIES,
                ],
            },
        ],
        again: None,
    },
    Question {
        key: "rated_current",
        what: "Which current is a phase rated for?",
        caution: "A case of 60 °C burns skin within seconds. Keep the motor on something that does not burn.",
        ways: &[MeasuringWay {
            tool: "the plate, or a thermometer",
            how: "Read the plate. Without one: feed both coils with a current so small that the case stays below \
                  60 °C after an hour, and take that.",
            parts: &[need(
                "value",
                "rated current of a phase",
                quantity::<Current>,
            )],
        }],
        again: None,
    },
    Question {
        key: "holding_torque",
        what: "At which torque does the rotor give way?",
        caution: "The lever snaps round when the rotor jumps, and a weight falls: wear goggles, keep your face out of \
                  the lever's plane and your feet from under the weight.",
        ways: &[
            MeasuringWay {
                tool: "a lever on the shaft and a spring scale",
                how: "Feed the coils with a known current from a supply with a current limit. Pull at the lever at a \
                      right angle until the rotor jumps, and read the scale just before.",
                parts: &[
                    need("force", "force", quantity::<Force>),
                    LEVER,
                    CURRENT,
                    PHASES,
                ],
            },
            MeasuringWay {
                tool: "a lever on the shaft and weights",
                how: "The same with the lever level: hang on more weight until the rotor jumps, and take the last that \
                      it held.",
                parts: &[
                    need("weight", "weight, such as 250 g", quantity::<Mass>),
                    LEVER,
                    CURRENT,
                    PHASES,
                ],
            },
        ],
        again: None,
    },
    Question {
        key: "back_emf",
        what: "Which voltage does a coil make when the shaft is turned?",
        caution: "A drill catches sleeves, hair and leads. An open coil can make more than 50 V at high speed: do not \
                  touch it.",
        ways: &[
            MeasuringWay {
                tool: "a drill and a scope",
                how: "Turn the shaft with the drill, the coils open. Read the amplitude (from the middle to the top) \
                      of one coil's voltage and its frequency.",
                parts: &[
                    need("amplitude", "amplitude", quantity::<Voltage>),
                    need(
                        "frequency",
                        "frequency of the voltage",
                        quantity::<Frequency>,
                    ),
                ],
            },
            MeasuringWay {
                tool: "a drill whose speed is known and a meter for alternating voltage",
                how: "Turn the shaft at 100 to 400 rpm, the coils open: most meters read well up to 400 Hz, and a \
                      motor of 200 steps makes 50 periods a turn. Write down what the meter shows, which is the \
                      effective value.",
                parts: &[
                    need("rms", "effective voltage", quantity::<Voltage>),
                    need("speed", "speed, such as 200 rpm", quantity::<AngularSpeed>),
                ],
            },
        ],
        again: None,
    },
    Question {
        key: "ring_down",
        what: "How fast does the rotor swing about its rest?",
        caution: "What turns with the shaft strikes fingers: flick it and let go. A disc must not come off.",
        ways: &[
            MeasuringWay {
                tool: "a scope on the idle coil",
                how: "Feed one coil with a known current and leave the other open with the scope on it. Flick the \
                      shaft: the voltage swings and dies away. Read the frequency of the last small swings and what \
                      is left of a swing at the next.",
                parts: &[
                    need("frequency", "frequency", quantity::<Frequency>),
                    may(
                        "each_swing",
                        "left after each swing, such as 85 %",
                        left_of_a_swing,
                    ),
                    need("current", "current of the coil", quantity::<Current>),
                    INERTIA,
                ],
            },
            MeasuringWay {
                tool: "the same, the trace saved as csv",
                how: "Save the trace from after the flick until the swings are gone; the curve is fitted.",
                parts: &[
                    LOG,
                    need("current", "current of the coil", quantity::<Current>),
                    INERTIA,
                ],
            },
            MeasuringWay {
                tool: "a telephone that films 240 pictures a second",
                how: "Fix a long pointer to the shaft, with a disc that makes it swing slower than 40 Hz. Feed the \
                      coils, flick the pointer, film it. Count swings and pictures: frequency = swings / pictures × \
                      240 Hz.",
                parts: &[
                    need("frequency", "frequency", quantity::<Frequency>),
                    may(
                        "each_swing",
                        "left after each swing, such as 85 %",
                        left_of_a_swing,
                    ),
                    CURRENT,
                    PHASES,
                    need(
                        "inertia",
                        "inertia of disc and pointer (a disc: mass × diameter² / 8)",
                        quantity::<Inertia>,
                    ),
                ],
            },
        ],
        again: Some(
            "Once more with another disc of known inertia: two frequencies tell the rotor's inertia without any \
             torque.",
        ),
    },
    Question {
        key: "spin_down",
        what: "How fast does the shaft come to rest by itself?",
        caution: "Nothing loose on the shaft: it flies off.",
        ways: &[
            MeasuringWay {
                tool: "a scope on an open coil",
                how: "Spin the shaft up and let go. Read the speed, and the time until it has halved.",
                parts: &[
                    need("speed", "speed, such as 600 rpm", quantity::<AngularSpeed>),
                    need("half_time", "time to half of it", quantity::<Time>),
                    INERTIA,
                ],
            },
            MeasuringWay {
                tool: "the same, the trace saved as csv",
                how: "Save the coil's voltage from after the release until a quarter of the speed is left; the curve \
                      is fitted.",
                parts: &[LOG, INERTIA],
            },
        ],
        again: None,
    },
    Question {
        key: "detent_torque",
        what: "At which torque does the shaft turn without current?",
        caution: "",
        ways: &[
            MeasuringWay {
                tool: "a lever and a scale that shows a gram",
                how: "All leads open. Pull at the lever at a right angle and read the force at which the shaft slips \
                      on to the next detent.",
                parts: &[
                    need("force", "force, such as 0.15 N", quantity::<Force>),
                    LEVER,
                ],
            },
            MeasuringWay {
                tool: "a lever and small weights",
                how: "All leads open, the lever level. Hang on weight until the shaft slips, and take the last that it \
                      held.",
                parts: &[
                    need("weight", "weight, such as 15 g", quantity::<Mass>),
                    LEVER,
                ],
            },
        ],
        again: None,
    },
    Question {
        key: "microstep_angles",
        what: "Where does the rotor rest at each microstep?",
        caution: "A laser of class 2 or less, and eyes out of the plane of its beam.",
        ways: &[MeasuringWay {
            tool: "a mirror on the shaft with a laser pointer, or an encoder",
            how: "Play the microstep program of the bench sheet. Note the number of each microstep and the angle of \
                  the shaft, as csv.",
            parts: &[
                need(
                    "log",
                    "file with the angles (csv: microsteps, degrees)",
                    file,
                ),
                need("current", "peak current of a phase", quantity::<Current>),
                need("microsteps", "microsteps a full step", microsteps),
            ],
        }],
        again: None,
    },
    Question {
        key: "rotor_inertia",
        what: "How large is the rotor?",
        caution: "A rotor that leaves its stator loses magnetism for good: open only a motor that is scrap.",
        ways: &[MeasuringWay {
            tool: "callipers, and a scrapped motor of the same kind",
            how: "Measure the toothed part of the rotor.",
            parts: &[
                need("diameter", "diameter", quantity::<Length>),
                need("length", "length", quantity::<Length>),
            ],
        }],
        again: None,
    },
    Question {
        key: "start_stop",
        what: "How fast does the motor start without a ramp?",
        caution: "The shaft starts by itself: hands, hair and sleeves away, the switch of the power within reach.",
        ways: &[MeasuringWay {
            tool: "the drive, a flag on the shaft and a mark",
            how: "Play the start-stop program of the bench sheet, the motor alone. Take the last rate after which the \
                  flag is back on its mark.",
            parts: &[
                need(
                    "step_rate",
                    "rate in full steps, such as 800 step/s",
                    quantity::<StepRate>,
                ),
                need("current", "peak current of a phase", quantity::<Current>),
                may(
                    "microsteps",
                    "microsteps a full step, none if left empty",
                    microsteps,
                ),
                INERTIA,
            ],
        }],
        again: None,
    },
    Question {
        key: "top_speed",
        what: "How fast does the motor run against a known load?",
        caution: "A weight comes down when the motor stalls: nothing and nobody below it. Keep hands from cord and drum.",
        ways: &[MeasuringWay {
            tool: "the drive, and a drum on the shaft that lifts a weight",
            how: "Play the pull-out program of the bench sheet. Take the last rate that came back on its mark. The \
                  torque is mass × 9.81 m/s² × radius of the drum.",
            parts: &[
                need(
                    "step_rate",
                    "rate in full steps, such as 2000 step/s",
                    quantity::<StepRate>,
                ),
                need(
                    "torque",
                    "torque of the load at the shaft",
                    quantity::<Torque>,
                ),
                need("supply", "supply of the drive", quantity::<Voltage>),
                may(
                    "current",
                    "peak current of a phase; leave it empty where only resistance limits it",
                    quantity::<Current>,
                ),
                SERIES,
            ],
        }],
        again: None,
    },
];

/// What tells which leads form a coil: a list of leads, then one reading a pair that conducts.
pub const WIRING: Question = Question {
    key: "wiring",
    what: "Which leads belong together?",
    caution: "",
    ways: &[MeasuringWay {
        tool: "a multimeter",
        how: "The motor connected to nothing, measure each pair of leads once. Name the leads by their colours, with \
              a number where colours repeat.",
        parts: &[],
    }],
    again: None,
};
