//! The notes take every answer that is asked for.

use std::collections::BTreeSet;
use std::io;
use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::diagnostic::Source;
use crate::identify::Notes;
use crate::rig::Files;

/// An answer that a part can take; logs are those of the example.
fn answer(question: &Question, part: &NotePart) -> String {
    let log = match question.key {
        "inductance" => "rise.csv",
        "ring_down" => "ring.csv",
        "spin_down" => "coast.csv",
        _ => "rests.csv",
    };
    // Less than the coil that they are held to, less than all of a swing, and as logged.
    match part.key {
        "leads" => return "0.2 ohm".to_owned(),
        "each_swing" => return "85 %".to_owned(),
        "microsteps" => return "8".to_owned(),
        _ => {}
    }
    let tried = [
        log,
        "one",
        "200",
        "8",
        "42 mm",
        "2.2 ohm",
        "2.5 V",
        "1.2 A",
        "4.2 mH",
        "1.9 ms",
        "100 Hz",
        "3 N",
        "250 g",
        "85 %",
        "40 g.cm^2",
        "200 rpm",
        "600 step/s",
        "80 mN.m",
    ];
    let of = |text: &&str| (part.check)(text).is_ok() && (part.key == "log") == (*text == log);
    let found = tried.iter().find(|text| of(text));
    found
        .unwrap_or_else(|| panic!("{}: {}", question.key, part.prompt))
        .to_string()
}

/// The logs of the example, and the rests of eight microsteps that a detent torque bends.
struct Logs;

impl Files for Logs {
    fn open(&mut self, path: &str, _: &Path) -> io::Result<Arc<Source>> {
        let text = match path {
            "rests.csv" => (0..72)
                .map(|k| {
                    let electrical = f64::from(k) * std::f64::consts::TAU / 32.0;
                    let bent = 0.05 * (4.0 * electrical).sin();
                    format!("{k},{}\n", (electrical - bent).to_degrees() / 50.0)
                })
                .collect(),
            log => {
                let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
                std::fs::read_to_string(folder.join("examples/unknown-motor").join(log))?
            }
        };
        Ok(Source::new(path, text))
    }
}

#[test]
fn every_way_that_is_asked_for_is_one_that_notes_take_with_all_parts_and_with_the_needed_ones() {
    let mut ways = 0;
    for question in QUESTIONS {
        for way in question.ways {
            for needed_only in [false, true] {
                let answers = way.parts.iter().map(|part| {
                    let wanted = part.needed || !needed_only;
                    wanted.then(|| (part.check)(&answer(question, part)).unwrap())
                });
                let measured = AnsweredWay {
                    way: *way,
                    answers: answers.collect(),
                };
                let text = note(question, &[measured]);
                let source = Source::new("notes.yaml", text.as_str());
                let notes = Notes::parse(&source, &mut Logs);
                let notes = notes.unwrap_or_else(|problems| panic!("{problems}\n{text}"));
                assert!(
                    !notes.observations.is_empty() || notes.teeth.is_some(),
                    "{text}"
                );
            }
            ways += 1;
        }
    }
    assert_eq!(ways, 25);
}

#[test]
fn each_key_of_the_notes_that_holds_a_measurement_is_asked_for() {
    let schema: serde_json::Value =
        serde_json::from_str(include_str!("../../cli/schema/notes.json")).unwrap();
    let keys = schema["properties"].as_object().unwrap().keys();
    // What says the same in other words, and what is no measurement.
    let others = ["name", "source", "rotor_teeth", "step_angle"];
    let keys: BTreeSet<&str> = keys
        .map(String::as_str)
        .filter(|key| !others.contains(key))
        .collect();
    let asked = QUESTIONS.iter().chain([&WIRING]).map(|one| one.key);
    assert_eq!(asked.collect::<BTreeSet<_>>(), keys);
}

/// What the notes would refuse in the end is refused when it is entered.
#[test]
fn answers_that_no_swing_and_no_coil_gives_are_refused() {
    let way = |key: &str, part: &str| {
        let question = QUESTIONS.iter().find(|question| question.key == key);
        let found = question.unwrap().ways.iter().find_map(|way| {
            let at = way.parts.iter().position(|one| one.key == part)?;
            Some((*way, at))
        });
        found.unwrap()
    };
    let (ring, left) = way("ring_down", "each_swing");
    for fits in ["85 %", "0.85", "99.9 %"] {
        assert_eq!(ring.take(left, fits, &[]).as_deref(), Ok(fits));
    }
    for wrong in ["200", "85", "100 %", "0 %"] {
        let said = ring.take(left, wrong, &[]);
        assert_eq!(said, Err(AnswerError::Swing), "{wrong}");
    }
    let (meter, alone) = way("resistance", "leads");
    let coil = [Some("2.2 ohm".to_owned())];
    assert!(meter.take(alone, "0.3 ohm", &coil).is_ok());
    for wrong in ["2.2 ohm", "2.3 kohm"] {
        let said = meter.take(alone, wrong, &coil).unwrap_err().to_string();
        assert!(said.contains("less than with the coil, 2.2 ohm"), "{said}");
    }
}

#[test]
fn leads_and_their_readings_are_written_as_notes() {
    let names = leads("red, blue,green , black").unwrap();
    let of = |text: &str| reading(text, &names);
    let readings = [
        of("red, green, 3.2 ohm").unwrap(),
        of("black,blue,3.2 ohm").unwrap(),
    ];
    let text = wiring_note(&names, &readings);
    let notes = Notes::parse(&Source::new("notes.yaml", text.as_str()), &mut Logs);
    let wiring = notes
        .unwrap_or_else(|problems| panic!("{problems}\n{text}"))
        .wiring
        .unwrap();
    assert_eq!(wiring.layout.coils().len(), 2);
    let pink = AnswerError::UnknownLead {
        name: "pink".to_owned(),
    };
    assert_eq!(of("red, pink, 3 ohm"), Err(pink));
    assert_eq!(of("red, red, 3 ohm"), Err(AnswerError::Reading));
    assert_eq!(of("red green 3 ohm"), Err(AnswerError::Reading));
    assert!(matches!(
        of("red, green, 3 V"),
        Err(AnswerError::Quantity(_))
    ));
    for wrong in ["red, blue", "a, b, c, a", "a,,b,c"] {
        assert_eq!(leads(wrong), Err(AnswerError::Leads), "{wrong}");
    }
}
