//! `identify`: a motor's profile from what was measured at the bench.

use std::fmt::Write as _;
use std::io::{self, BufRead, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value as Json, json};

use super::exchange::Exchange;
use super::input::Inputs;
use super::output::Output;
use super::table::table;
use super::terminal::{BAD, DOUBTFUL, STRONG};
use super::{Answer, Failure, Terminal};
use slewsmith::draw::Figure;
use slewsmith::identify::questions::{
    AnswerError, AnsweredWay, QUESTIONS, Question, WIRING, chosen_way, leads, note, reading,
    wiring_note,
};
use slewsmith::identify::{
    CAUTION_LEADS, Contradiction, Estimate, Fit, Found, MotorWiring, Notes, Origin, RANGE,
    TestSupply, USUAL_TEETH, contradictions, next, profile, pull_out,
};
use slewsmith::physics::CAUTIONS;
use slewsmith::rig::Rig;
use slewsmith::units::{Current, Inductance, Resistance, Rounded, Torque, two_digits};

/// Measurements that are proposed.
const PROPOSED: usize = 3;

/// A motor without papers: from measurements at the bench to a profile that says how sure
/// each value is, and which measurement would help most.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  slewsmith identify examples/unknown-motor/notes.yaml -o drawer-motor.yaml\n  \
    slewsmith identify examples/unknown-motor/notes.yaml --plot fits.svg"
)]
pub(super) struct IdentifyCommand {
    /// The notes: YAML with measurements and their tolerances; `-` reads standard input.
    notes: PathBuf,
    /// Ask for the measurements one by one, and write them to the notes first.
    #[arg(long)]
    ask: bool,
    /// Where to write the motor's profile.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// The rig whose drive is to turn the motor: the verdict is examined there.
    #[arg(long, value_name = "RIG")]
    rig: Option<PathBuf>,
    /// Draw the logs with the curves that were fitted (`.svg` or `.png`).
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// All that is printed.
struct Sheet {
    notes: Notes,
    estimate: Estimate,
    values: Vec<Found>,
    contradictions: Vec<Contradiction>,
    supply: TestSupply,
    next: Vec<next::NextMeasurement>,
}

impl IdentifyCommand {
    /// Runs the command. The answer is no where measurements contradict each other.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        if self.ask {
            ask(&self.notes, terminal)?;
        }
        let mut inputs = Inputs::default();
        let text = inputs.read(&self.notes)?;
        let notes = Notes::parse(&text, &mut inputs)?;
        let sheet = self.sheet(notes, &mut inputs)?;
        for target in [&self.plot, &self.output].into_iter().flatten() {
            inputs.refuse(target)?;
        }
        if let Some(path) = &self.plot {
            draw(path, &sheet.notes.fits)?;
        }
        if let Some(path) = &self.output {
            let text = profile::write(&sheet.notes, &sheet.estimate, &sheet.values);
            Output::write_whole(path, text.as_bytes())?;
            terminal.note(&format!("wrote {}", path.display()));
        }
        let text = if self.json {
            format!("{}\n", to_json(&sheet))
        } else {
            for_people(&sheet, terminal)
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the sheet"))?;
        Ok(Answer::of(sheet.contradictions.is_empty()))
    }

    fn sheet(&self, notes: Notes, inputs: &mut Inputs) -> Result<Sheet, Failure> {
        let teeth = notes.teeth.unwrap_or(USUAL_TEETH);
        let estimate = Estimate::of(teeth, &notes.observations);
        let supply = match &self.rig {
            Some(path) => supply_of(&inputs.rig(path)?),
            None => next::usual_supply(&estimate),
        };
        Ok(Sheet {
            values: estimate.values(),
            contradictions: contradictions(teeth, &notes.observations),
            next: next::candidates(&estimate, &supply),
            supply,
            notes,
            estimate,
        })
    }
}

/// What the drive of a rig's first axis gives.
fn supply_of(rig: &Rig) -> TestSupply {
    // A rig has one axis at least.
    TestSupply::of(&rig.axes[0])
}

fn draw(path: &Path, fits: &[Fit]) -> Result<(), Failure> {
    if fits.is_empty() {
        return Err(Failure::Request(
            "the notes name no log; there is no curve to plot".to_owned(),
        ));
    }
    let figure = Figure::fits("Fits to the logs".to_owned(), fits);
    super::plot::write_figure(path, &figure)
}

/// Pull-out torque at a telling rate with its range (N·m).
fn torques(sheet: &Sheet) -> Vec<[f64; 4]> {
    let teeth = f64::from(sheet.estimate.teeth);
    next::telling_rates(&sheet.estimate, &sheet.supply)
        .map(|rate| {
            let rate = two_digits(rate);
            let torque = pull_out(&sheet.estimate.point, teeth, &sheet.supply, rate);
            let gradient = next::pull_out_gradient(&sheet.estimate, &sheet.supply, rate);
            let spread = (RANGE * sheet.estimate.sigma(&gradient)).exp();
            [rate, torque, torque / spread, torque * spread]
        })
        .to_vec()
}

fn to_json(sheet: &Sheet) -> Json {
    let values: Vec<Json> = sheet
        .values
        .iter()
        .map(|found| {
            let (guess, from) = match &found.origin {
                Origin::Guessed => (true, Vec::new()),
                Origin::Measured(names) => (false, names.clone()),
            };
            json!({
                "key": found.value.key(),
                "value_si": found.si,
                "low_si": found.low(),
                "high_si": found.high(),
                "guess": guess,
                "from": from,
            })
        })
        .collect();
    let contradictions: Vec<Json> = sheet
        .contradictions
        .iter()
        .map(|one| {
            json!({
                "message": one.message(),
                "question": one.question,
                "factor": one.factor,
                "deviations": one.deviations,
            })
        })
        .collect();
    let next: Vec<Json> = sheet
        .next
        .iter()
        .map(|one| {
            json!({ "what": one.what, "key": one.key, "range_now": one.now, "range_then": one.then })
        })
        .collect();
    let pull_out: Vec<Json> = torques(sheet)
        .iter()
        .map(|[rate, torque, low, high]| {
            json!({ "step_rate_hz": rate, "torque_nm": torque, "torque_low_nm": low, "torque_high_nm": high })
        })
        .collect();
    let fits: Vec<Json> = sheet
        .notes
        .fits
        .iter()
        .map(|fit| json!({ "title": fit.title, "result": fit.result }))
        .collect();
    let wiring = sheet.notes.wiring.as_ref().map(|wiring| {
        let connections: Vec<Json> = connected(wiring, &sheet.values)
            .into_iter()
            .map(|(connection, [r, l, i, t])| {
                json!({
                    "connection": connection,
                    "resistance_ohm": r,
                    "inductance_h": l,
                    "rated_current_a": i,
                    "holding_torque_nm": t,
                })
            })
            .collect();
        json!({
            "connections": connections,
            "coils": wiring.layout.coils(),
            "combinations_left": wiring.layout.combinations(),
            "to_be_tried": wiring.layout.to_be_tried(),
        })
    });
    json!({
        "ok": sheet.contradictions.is_empty(),
        "name": sheet.notes.name,
        "rotor_teeth": sheet.estimate.teeth,
        "rotor_teeth_guessed": sheet.notes.teeth.is_none(),
        "values": values,
        "pull_out": pull_out,
        "contradictions": contradictions,
        "next": next,
        "fits": fits,
        "wiring": wiring,
    })
}

fn for_people(sheet: &Sheet, terminal: &Terminal) -> String {
    let mut text = String::new();
    let width = terminal.width();
    let wrapped = |text: &str| textwrap::fill(text, width.min(100));
    // Writing to a String cannot fail.
    if let Some(name) = &sheet.notes.name {
        let _ = writeln!(text, "{STRONG}{name}{STRONG:#}");
    }
    let teeth = sheet.estimate.teeth;
    let counted = match sheet.notes.teeth {
        Some(_) => "counted",
        None => "estimated: count the steps of a turn",
    };
    let _ = writeln!(
        text,
        "{teeth} rotor teeth, {} full steps a turn ({counted})\n",
        4 * teeth
    );
    let rows = sheet.values.iter().map(|found| {
        vec![
            found.value.words().to_owned(),
            found.value.show(found.si),
            format!(
                "{} to {}",
                found.value.show(found.low()),
                found.value.show(found.high())
            ),
            profile::origin(&found.origin),
        ]
    });
    let heads = ["value", "estimate", "95 % range", "origin"];
    let _ = writeln!(text, "{}", table(&heads, &[1], rows, width));
    for one in &sheet.contradictions {
        let lines = format!(
            "contradiction: {} ({} standard deviations); {}",
            one.message(),
            Rounded((one.deviations * 10.0).round() / 10.0),
            one.question
        );
        let lines = wrapped(&lines);
        let (head, rest) = lines.split_once(':').unwrap_or(("", &lines));
        let _ = writeln!(text, "\n{BAD}{head}{BAD:#}:{rest}");
    }
    text.push_str(&pull_out_lines(sheet, width));
    if let Some(wiring) = &sheet.notes.wiring {
        text.push_str(&wiring_lines(wiring, &sheet.values, width));
    }
    let guesses = profile::guesses(&sheet.notes, &sheet.values);
    if !guesses.is_empty() {
        let line = format!(
            "note: guessed by the scaling rule from what else is known: {}. No verdict is better than these.",
            guesses.join(", ")
        );
        let line = wrapped(&line);
        let _ = writeln!(
            text,
            "\n{DOUBTFUL}note{DOUBTFUL:#}{}",
            &line["note".len()..]
        );
    }
    let _ = writeln!(text, "\nMeasurements that narrow the pull-out torque most");
    for one in sheet.next.iter().take(PROPOSED) {
        let _ = writeln!(
            text,
            "  {} (`{}`): from ±{} % to ±{} %",
            one.what,
            one.key,
            Rounded((100.0 * one.now).round()),
            Rounded((100.0 * one.then).round())
        );
    }
    text.push('\n');
    for caution in CAUTIONS {
        let _ = writeln!(text, "{caution}");
    }
    text
}

fn pull_out_lines(sheet: &Sheet, width: usize) -> String {
    let drive = match sheet.supply.current {
        Some(current) => format!(
            "{} supply, {} peak current",
            slewsmith::units::Voltage::new(two_digits(sheet.supply.voltage)),
            Current::new(two_digits(current))
        ),
        None => format!(
            "{} on the phases",
            slewsmith::units::Voltage::new(two_digits(sheet.supply.voltage))
        ),
    };
    let rows = torques(sheet).into_iter().map(|[rate, torque, low, high]| {
        vec![
            Rounded(rate).to_string(),
            Torque::new(torque).to_string(),
            format!("{} to {}", Torque::new(low), Torque::new(high)),
        ]
    });
    let heads = ["full steps/s", "torque", "95 % range"];
    format!(
        "\nPull-out torque at the shaft with {drive}\n{}\n",
        table(&heads, &[0, 1], rows, width)
    )
}

/// Each connection that the leads allow, with resistance (Ω), inductance (H), rated current (A)
/// and holding torque (N·m) of the motor in it.
fn connected(wiring: &MotorWiring, values: &[Found]) -> Vec<(String, [f64; 4])> {
    let measured = profile::electrical(values);
    let connections = wiring.layout.connections().iter().map(|connection| {
        let mut of = wiring.measured_on.to(*connection);
        for (value, measured) in of.iter_mut().zip(measured) {
            *value *= measured;
        }
        (connection.to_string(), of)
    });
    connections.collect()
}

fn wiring_lines(wiring: &MotorWiring, values: &[Found], width: usize) -> String {
    let mut text = String::from("\nLeads\n");
    for coil in wiring.layout.coils() {
        let _ = writeln!(text, "  {coil}");
    }
    let _ = writeln!(
        text,
        "  {} combinations remain that an ohmmeter cannot distinguish:",
        wiring.layout.combinations()
    );
    for (index, step) in wiring.layout.to_be_tried().iter().enumerate() {
        let head = format!("  {}. ", index + 1);
        let options = textwrap::Options::new(width.min(100))
            .initial_indent(&head)
            .subsequent_indent("     ");
        let _ = writeln!(text, "{}", textwrap::fill(step, options));
    }
    let _ = writeln!(
        text,
        "{}",
        textwrap::fill(
            CAUTION_LEADS,
            textwrap::Options::new(width.min(100))
                .initial_indent("  ")
                .subsequent_indent("  ")
        )
    );
    let connections = connected(wiring, values);
    if connections.len() > 1 {
        let rows = connections.into_iter().map(|(connection, [r, l, i, t])| {
            vec![
                connection,
                Resistance::new(r).to_string(),
                Inductance::new(l).to_string(),
                Current::new(i).to_string(),
                Torque::new(t).to_string(),
            ]
        });
        let heads = [
            "connection",
            "resistance",
            "inductance",
            "rated current",
            "holding torque",
        ];
        let _ = writeln!(text, "\n{}", table(&heads, &[1, 2, 3, 4], rows, width));
    }
    text
}

/// Asks for the measurements and writes them to `path`, which must not be there yet.
fn ask(path: &Path, terminal: &Terminal) -> Result<(), Failure> {
    if path.exists() {
        return Err(Failure::Request(format!(
            "{} already exists; `--ask` writes new notes",
            path.display()
        )));
    }
    let mut interview = Interview {
        lines: io::stdin().lock().lines(),
        terminal,
    };
    terminal.note(
        "Enter each value with its unit, such as `1.8 ohm`; press Enter to skip. Skipped values are estimated.",
    );
    let mut notes = String::from("# Measured at the bench.\n");
    for question in QUESTIONS {
        // The leads are sorted out before the first coil is measured.
        if question.key == "resistance" {
            notes.push_str(&interview.wiring()?);
        }
        notes.push_str(&interview.measurements(question)?);
    }
    let mut exchange = Exchange::default();
    let added = exchange.add(path, &notes);
    if let Err(failure) = added.and_then(|()| exchange.finish_new()) {
        // Hours at the bench.
        terminal.note(&format!("\nThe answers, which no file holds:\n\n{notes}"));
        return Err(failure);
    }
    terminal.note(&format!("wrote {}", path.display()));
    Ok(())
}

/// Questions to whoever sits at the bench.
struct Interview<'t, L> {
    lines: L,
    terminal: &'t Terminal,
}

impl<L: Iterator<Item = io::Result<String>>> Interview<'_, L> {
    /// The measurements of one kind, as the notes write them.
    fn measurements(&mut self, question: &Question) -> Result<String, Failure> {
        self.introduce(question);
        let mut measured = Vec::new();
        while let Some(one) = self.measurement(question)? {
            measured.push(one);
            match question.again {
                Some(again) if measured.len() == 1 => self.terminal.note(&format!("\n{again}")),
                Some(_) | None => break,
            }
        }
        Ok(note(question, &measured))
    }

    /// One measurement; none where it is skipped or lacks what it needs.
    fn measurement(&mut self, question: &Question) -> Result<Option<AnsweredWay>, Failure> {
        let way = match question.ways {
            [way] => *way,
            ways => {
                let prompt = format!("which way, 1 to {}", ways.len());
                match self.answer(&prompt, |text| chosen_way(question, text))? {
                    Some(way) => way,
                    None => return Ok(None),
                }
            }
        };
        let mut answers = Vec::new();
        for (index, part) in way.parts.iter().enumerate() {
            let answer = self.answer(part.prompt, |text| way.take(index, text, &answers))?;
            if answer.is_none() && part.needed {
                if index > 0 {
                    let lacks = format!("  left out: it needs the {}", part.prompt);
                    self.terminal.note(&lacks);
                }
                return Ok(None);
            }
            answers.push(answer);
        }
        Ok(Some(AnsweredWay { way, answers }))
    }

    /// Which leads conduct to each other, as the notes write it.
    fn wiring(&mut self) -> Result<String, Failure> {
        self.introduce(&WIRING);
        let prompt = "leads, such as `red, blue, green, black`";
        let Some(names) = self.answer(prompt, leads)? else {
            return Ok(String::new());
        };
        let prompt = "two leads that conduct and what the meter reads, such as `red, green, 3.2 ohm`; Enter after the last";
        let mut readings = Vec::new();
        while let Some(one) = self.answer(prompt, |text| reading(text, &names))? {
            readings.push(one);
        }
        Ok(match readings.as_slice() {
            [] => String::new(),
            readings => wiring_note(&names, readings),
        })
    }

    fn introduce(&self, question: &Question) {
        let width = self.terminal.width().min(100);
        let wrapped = |head: &str, text: &str| {
            let rest = " ".repeat(head.len());
            let options = textwrap::Options::new(width)
                .initial_indent(head)
                .subsequent_indent(&rest);
            textwrap::fill(text, options)
        };
        self.terminal
            .note(&format!("\n{STRONG}{}{STRONG:#}", question.what));
        for (index, way) in question.ways.iter().enumerate() {
            let number = match question.ways.len() {
                1 => "  ".to_owned(),
                _ => format!("  {}. ", index + 1),
            };
            let text = format!("Tool: {}. {}", way.tool, way.how);
            self.terminal.note(&wrapped(&number, &text));
        }
        if !question.caution.is_empty() {
            let text = wrapped("  ", &format!("Caution: {}", question.caution));
            let (_, rest) = text.split_once(':').unwrap_or_default();
            self.terminal
                .note(&format!("  {DOUBTFUL}Caution{DOUBTFUL:#}:{rest}"));
        }
    }

    /// An answer that can be used; none where it is left out.
    fn answer<T>(
        &mut self,
        prompt: &str,
        check: impl Fn(&str) -> Result<T, AnswerError>,
    ) -> Result<Option<T>, Failure> {
        loop {
            self.terminal.note(&format!("  {prompt}?"));
            let line = match self.lines.next() {
                None => return Ok(None),
                Some(line) => line.map_err(Failure::system("cannot read the answers"))?,
            };
            let line = line.trim();
            if line.is_empty() {
                return Ok(None);
            }
            match check(line) {
                Ok(answer) => return Ok(Some(answer)),
                Err(why) => self.terminal.note(&format!("  {why}; enter it again")),
            }
        }
    }
}
