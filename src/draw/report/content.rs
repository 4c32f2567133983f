//! What the report says: gathered while a program is checked, put into sections at the
//! end.

use std::collections::HashSet;

use super::page::{Answer, Block, Cell, Column, Figure, Finding, Page, Plot, Section, Table, Tone};
use super::parts;
use super::rows::Rows;
use super::simulation::Simulation;
use super::timeline::Timeline;
use crate::check::{self, AxisAbility, MoveCheck, Summary, Weight};
use crate::draw::plots::TorquePlane;
use crate::physics::heat;
use crate::plan::Item;
use crate::rig::{Axis, DriveKind, Rig, TravelUnit};
use crate::schedule::Facts;
use crate::schedule::timer::{self, Pace, TimerFacts};
use crate::simulate::MoveOutcome;
use crate::units::{Decimal, Rounded, Time, Torque};

/// Rows of the table that stands for a torque plane.
const CURVE_ROWS: usize = 12;

/// What the report is about, besides the program itself.
#[derive(Debug)]
pub struct About {
    /// Name of the script.
    pub title: String,
    /// The files that were read, by name and text.
    pub inputs: Vec<(String, String)>,
    /// Paragraphs that explain a kind of finding.
    pub explain: fn(&str) -> Vec<String>,
}

/// A report in the making.
#[derive(Debug)]
pub struct Report<'a> {
    rig: &'a Rig,
    abilities: &'a [AxisAbility],
    rows: Rows,
    timeline: Timeline<'a>,
    planes: Vec<TorquePlane<'a>>,
    seen: HashSet<*const crate::plan::Motion>,
    timing: Vec<Option<(u64, u64)>>,
    shown: Vec<Item>,
    simulation: Option<Simulation>,
}

impl<'a> Report<'a> {
    /// Of a program on `rig`, whose axes can do `abilities`.
    pub fn new(rig: &'a Rig, abilities: &'a [AxisAbility]) -> Self {
        let planes = abilities.iter().enumerate();
        Self {
            rig,
            abilities,
            rows: Rows::new(rig.axes.len()),
            timeline: Timeline::new(rig),
            planes: planes
                .map(|(number, ability)| TorquePlane::new(rig, number, ability))
                .collect(),
            seen: HashSet::new(),
            timing: vec![None; rig.axes.len()],
            shown: Vec::new(),
            simulation: None,
        }
    }

    /// Takes in the next item of the program, with its check where it is a move.
    pub fn add(&mut self, item: &Item, checked: Option<&MoveCheck>) {
        let row = checked.and_then(|checked| self.rows.add(checked, self.timeline.time()));
        self.timeline.add(item, row);
        if self.timeline.left_out() == 0 {
            self.shown.push(item.clone());
        }
        for plane in &mut self.planes {
            plane.add(item);
        }
        if let Item::Move(planned) = item
            && self.seen.insert(std::sync::Arc::as_ptr(&planned.motion))
            && let Ok(facts) = timer::verdict(&planned.motion, self.rig)
        {
            self.note_timing(&facts);
        }
    }

    fn note_timing(&mut self, facts: &TimerFacts) {
        for axis in &facts.axes {
            let (shortest, longest) = self.timing[axis.axis].unwrap_or((u64::MAX, 0));
            self.timing[axis.axis] = Some((
                shortest.min(axis.shortest_interval),
                longest.max(axis.longest_interval),
            ));
        }
    }

    /// Plays what the plots show into the motor model.
    pub fn simulate(&mut self) {
        self.simulation = Some(Simulation::of(
            self.rig,
            &self.shown,
            self.timeline.instants().end,
        ));
    }

    /// The page; `schedule` is what the schedule came to, where it was counted, and
    /// `packed` how many bytes it takes when it is packed.
    pub fn page(
        self,
        about: &About,
        summary: &Summary,
        schedule: Option<&Facts>,
        packed: Option<usize>,
    ) -> Page {
        let (mut over_time, paths) = self.timeline.plots(self.abilities);
        over_time.extend(
            self.simulation
                .iter()
                .flat_map(|simulation| simulation.plots(self.rig)),
        );
        let planes: Vec<Plot> = self
            .planes
            .iter()
            .zip(self.abilities)
            .zip(paths)
            .map(|((plane, ability), path)| torque_plane(plane, ability, path))
            .collect();
        let mut sections = Vec::new();
        let findings = self.findings(about, summary);
        if !findings.is_empty() {
            sections.push(Section {
                id: "findings",
                heading: "What was found, and what cures it".into(),
                blocks: findings,
            });
        }
        sections.push(self.moves());
        sections.push(self.over_time(over_time));
        sections.push(Section {
            id: "torque",
            heading: "Torque and bad speeds".into(),
            blocks: torque_blocks(planes),
        });
        sections.push(self.schedule(schedule, packed));
        sections.push(Section {
            id: "coils",
            heading: "Coils and currents".into(),
            blocks: parts::coils(self.rig),
        });
        sections.push(Section {
            id: "heat",
            heading: "Heat".into(),
            blocks: parts::heat(self.rig),
        });
        sections.push(Section {
            id: "cautions",
            heading: "Before power is switched on".into(),
            blocks: vec![Block::Caution(cautions(self.rig))],
        });
        sections.push(inputs(about));
        Page {
            title: about.title.clone(),
            about: "Moves of a stepping motor, checked before they run".into(),
            answer: answer(summary),
            figures: self.figures(summary, schedule),
            instants: self.timeline.instants(),
            sections,
            footer: footer(),
            revision: None,
        }
    }

    fn figures(&self, summary: &Summary, schedule: Option<&Facts>) -> Vec<Figure> {
        let figure = |name: &str, value: String, note: String| Figure {
            name: name.into(),
            value,
            note,
        };
        let mut figures = vec![
            figure("moves", summary.moves.to_string(), String::new()),
            figure(
                "whole program",
                Time::new(summary.total_time).to_string(),
                "waiting not counted".into(),
            ),
        ];
        if let Some((least, line)) = summary.least_margin {
            figures.push(figure(
                "least torque left",
                format!("{:.0} %", Decimal(least * 100.0)),
                format!("line {line}"),
            ));
        }
        if let Some(shortest) = self
            .timing
            .iter()
            .flatten()
            .map(|(shortest, _)| *shortest)
            .min()
        {
            let time = shortest as f64 / self.rig.timer.tick_rate();
            figures.push(figure(
                "shortest interval",
                Time::new(time).to_string(),
                format!("{shortest} ticks"),
            ));
        }
        if let Some(facts) = schedule {
            figures.push(figure(
                "steps",
                facts.steps.iter().sum::<u64>().to_string(),
                format!("{} ticks", facts.last_tick),
            ));
        }
        figures
    }

    fn findings(&self, about: &About, summary: &Summary) -> Vec<Block> {
        let mut findings: Vec<(Weight, Finding)> = Vec::new();
        let mut explained = HashSet::new();
        let mut add = |finding: &check::Finding, line: Option<usize>| {
            let mut place: Vec<String> = Vec::new();
            place.extend(line.map(|line| format!("line {line}")));
            place.extend(finding.axis.clone().filter(|_| self.rig.axes.len() > 1));
            let explanation = if explained.insert(finding.code) {
                (about.explain)(finding.code)
            } else {
                Vec::new()
            };
            findings.push((
                finding.severity,
                Finding {
                    tone: tone_of(finding.severity),
                    weight: weight_word(finding.severity),
                    place: place.join(", "),
                    code: finding.code.to_owned(),
                    message: finding.message.clone(),
                    cures: finding.cures.clone(),
                    explanation,
                },
            ));
        };
        for finding in &summary.findings {
            add(finding, None);
        }
        for row in self.rows.rows() {
            let sample = &row.sample;
            let of_axes = sample.check.axes.iter().flat_map(|check| &check.findings);
            for finding in of_axes.chain(&sample.changes) {
                add(finding, Some(sample.planned.line));
            }
        }
        if let Some(loss) = self.simulation.as_ref().and_then(Simulation::first_loss) {
            add(&loss_finding(loss), Some(loss.line));
        }
        findings.sort_by_key(|(weight, _)| std::cmp::Reverse(*weight));
        findings
            .into_iter()
            .map(|(_, finding)| Block::Finding(finding))
            .collect()
    }

    fn moves(&self) -> Section {
        let mut blocks = vec![Block::Table(
            self.rows.table(self.rig, self.simulation.as_ref()),
        )];
        if self.rows.beyond() > 0 {
            blocks.push(Block::Text(format!(
                "{} more moves are left out of the table; all of them were checked.",
                self.rows.beyond()
            )));
        }
        Section {
            id: "moves",
            heading: "Moves".into(),
            blocks,
        }
    }

    fn over_time(&self, plots: Vec<Plot>) -> Section {
        let mut blocks = vec![Block::Text(
            "Point at a plot, or go to one with the tab key and press the arrow keys: all plots show the same instant.".into(),
        )];
        if self.timeline.left_out() > 0 {
            let all = self.timeline.instants().moves.len();
            blocks.push(Block::Text(format!(
                "The plots show the first {all} moves."
            )));
        }
        if let Some(simulation) = &self.simulation {
            let lost = match simulation.lost_steps {
                0 => "no step is lost".to_owned(),
                lost => format!("{lost} full steps are lost"),
            };
            blocks.push(Block::Text(format!(
                "Lag and current come from the motor model, which plays the ticks of the first {}; {lost}.",
                Time::new(simulation.until)
            )));
        }
        blocks.extend(plots.into_iter().map(|plot| Block::Plot(Box::new(plot))));
        Section {
            id: "time",
            heading: "Over time".into(),
            blocks,
        }
    }

    fn schedule(&self, facts: Option<&Facts>, packed: Option<usize>) -> Section {
        let timer = &self.rig.timer;
        let rate = timer.tick_rate();
        let pace = Pace::new(timer);
        let in_ticks = |ticks: u64| format!("{ticks} ticks, {}", Time::new(ticks as f64 / rate));
        let mut lines = vec![
            (
                "tick".to_owned(),
                format!(
                    "{}, from a clock of {} over {}",
                    Time::new(1.0 / rate),
                    timer.clock,
                    timer.prescaler
                ),
            ),
            (
                "counter".to_owned(),
                format!(
                    "{} bits, {} at the longest",
                    timer.bits,
                    in_ticks(timer.longest_interval())
                ),
            ),
        ];
        for (axis, timing) in self.rig.axes.iter().zip(&self.timing) {
            let Some((shortest, longest)) = timing else {
                continue;
            };
            let name = |what: &str| {
                if self.rig.axes.len() > 1 {
                    format!("{what} interval of {}", axis.name)
                } else {
                    format!("{what} interval")
                }
            };
            lines.push((
                name("shortest"),
                format!(
                    "{}; the timer plays {} and longer",
                    in_ticks(*shortest),
                    in_ticks(pace.between_steps)
                ),
            ));
            lines.push((
                name("longest"),
                format!("{} between two steps of a move", in_ticks(*longest)),
            ));
        }
        if let Some(facts) = facts {
            lines.push(("events".to_owned(), facts.events.to_string()));
            for (axis, steps) in self.rig.axes.iter().zip(&facts.steps) {
                lines.push((format!("microsteps of {}", axis.name), steps.to_string()));
            }
            if let Some(bytes) = packed {
                let steps = facts.steps.iter().sum::<u64>().max(1);
                lines.push((
                    "packed".to_owned(),
                    format!(
                        "{bytes} bytes, {} a step",
                        Rounded(bytes as f64 / steps as f64)
                    ),
                ));
            }
            lines.push(("last event".to_owned(), in_ticks(facts.last_tick)));
            if facts.waits_beyond_counter > 0 {
                lines.push((
                    "waits beyond the counter".to_owned(),
                    format!(
                        "{}; the firmware counts them in several turns",
                        facts.waits_beyond_counter
                    ),
                ));
            }
            if facts.added_ticks > 0 {
                lines.push((
                    "added for the direction".to_owned(),
                    in_ticks(facts.added_ticks),
                ));
            }
        }
        lines.push((
            "error of every event".to_owned(),
            "at most half a tick, from start to end; errors do not add up".to_owned(),
        ));
        Section {
            id: "schedule",
            heading: "Schedule".into(),
            blocks: vec![Block::Facts(lines)],
        }
    }
}

/// What the motor model lost, where it did.
fn loss_finding(loss: &MoveOutcome) -> check::Finding {
    let message = format!(
        "the motor model loses {} full steps in this move",
        loss.lost_steps.unsigned_abs()
    );
    check::Finding::new("steps-lost", Weight::Warning, message)
        .cures(vec!["a gentler ramp, another cruise speed, or more damping; slewsmith simulate shows each move".to_owned()])
        .axis(&loss.axis)
}

fn answer(summary: &Summary) -> Answer {
    let moves = if summary.moves == 1 {
        "1 move".to_owned()
    } else {
        format!("{} moves", summary.moves)
    };
    let mut sentences = Vec::new();
    let (tone, word) = if !summary.ok {
        sentences.push(match &summary.first_failure {
            Some((0, reason)) => format!("{reason}."),
            Some((line, reason)) => format!("Line {line}: {reason}."),
            None => String::new(),
        });
        if summary.failed > 0 {
            sentences.push(format!("{} of {moves} must not run.", summary.failed));
        }
        (Tone::Bad, "Must not run")
    } else if summary.warned > 0
        || summary
            .findings
            .iter()
            .any(|finding| finding.severity == Weight::Warning)
    {
        sentences.push(format!(
            "All of {moves} pass, and there is something to look at first."
        ));
        (Tone::Doubtful, "May run")
    } else {
        sentences.push(format!(
            "All of {moves} pass: torque, bad speeds, timer and drive."
        ));
        (Tone::Good, "May run")
    };
    Answer {
        tone,
        word: word.to_owned(),
        sentences,
    }
}

const fn tone_of(weight: Weight) -> Tone {
    match weight {
        Weight::Failure => Tone::Bad,
        Weight::Warning => Tone::Doubtful,
        Weight::Note => Tone::Plain,
    }
}

const fn weight_word(weight: Weight) -> &'static str {
    match weight {
        Weight::Failure => "Must not run",
        Weight::Warning => "Look at this",
        Weight::Note => "Mind",
    }
}

fn torque_blocks(planes: Vec<Plot>) -> Vec<Block> {
    let mut blocks = vec![Block::Text(
        "The pull-out torque is what the motor can give at most, turning steadily; it is an upper bound, not a promise. \
         In an unstable band the rotor hunts until it drops out; in a forced band the steps strike it near its natural frequency."
            .into(),
    )];
    blocks.extend(planes.into_iter().map(|plane| Block::Plot(Box::new(plane))));
    blocks
}

fn torque_plane(plane: &TorquePlane<'_>, ability: &AxisAbility, path: super::page::Live) -> Plot {
    let chart = plane.chart();
    let asked = chart
        .series
        .iter()
        .position(|series| series.label.starts_with("asked"))
        .unwrap_or(0);
    let table = plane_table(&chart, ability);
    Plot {
        description: format!(
            "{}: pull-out torque, the part kept in reserve left out, bad speeds, and the paths of the moves.",
            chart.title
        ),
        chart,
        tall: true,
        live: vec![super::page::Live {
            series: asked,
            ..path
        }],
        over_time: false,
        table: Some(table),
    }
}

/// Places of a curve that stand in its table, the closer together the slower.
fn finer_when_slow(points: usize) -> impl Iterator<Item = usize> {
    let last = points.saturating_sub(1) as f64;
    (0..CURVE_ROWS).map(move |row| {
        let share = row as f64 / (CURVE_ROWS - 1) as f64;
        (last * share * share).round() as usize
    })
}

/// The pull-out curve and the bands in numbers.
fn plane_table(chart: &crate::draw::Chart, ability: &AxisAbility) -> Table {
    let curve = chart
        .series
        .first()
        .map(|series| series.points.as_slice())
        .unwrap_or_default();
    let usable = chart
        .series
        .get(1)
        .map(|series| series.points.as_slice())
        .unwrap_or_default();
    let band_at = |x: f64| {
        let inside = chart
            .bands
            .iter()
            .filter(|band| band.from <= x && x <= band.to);
        let names: Vec<&str> = inside.map(|band| band.label.as_str()).collect();
        if names.is_empty() {
            "–".to_owned()
        } else {
            names.join(", ")
        }
    };
    let source = if ability.pull_out.measured() {
        "measured"
    } else {
        "computed"
    };
    Table {
        caption: format!("{}; pull-out torque {source}", chart.title),
        columns: vec![
            Column::numbers(chart.x_label.clone()),
            Column::numbers("pull-out torque (mN·m)"),
            Column::numbers("less reserve (mN·m)"),
            Column::words("band"),
        ],
        rows: finer_when_slow(curve.len())
            .filter_map(|place| curve.get(place).zip(usable.get(place)))
            .map(|(full, less)| {
                let cells: [Cell; 4] = [
                    Rounded(full.0).to_string().into(),
                    Rounded(full.1).to_string().into(),
                    Rounded(less.1).to_string().into(),
                    band_at(full.0).into(),
                ];
                cells.into()
            })
            .collect(),
        follows: Vec::new(),
    }
}

/// What can hurt, on this rig above all.
fn cautions(rig: &Rig) -> Vec<String> {
    let mut cautions: Vec<String> = heat::CAUTIONS.map(str::to_owned).into();
    cautions.push("Fit guards, and a switch that removes power within reach. Expect motion at any moment while power is on.".to_owned());
    for axis in &rig.axes {
        cautions.extend(cautions_of(axis));
    }
    cautions.push("This is a calculation from the data given, not a measurement and not a safety assessment. Codes and licensed practice of your place go before it.".to_owned());
    cautions
}

fn cautions_of(axis: &Axis) -> Vec<String> {
    let mut cautions = Vec::new();
    let load = crate::physics::load::ShaftLoad::of(axis);
    if load.standing_torque() > 0.0 {
        cautions.push(format!(
            "{}: the load pulls with {} at the motor even at standstill. When current is removed, by a fault or by a switch, it drops or swings: \
             it needs a brake or a counterweight wherever hands can get under it.",
            axis.name,
            Torque::new(load.standing_torque())
        ));
    }
    if matches!(axis.drive.kind, DriveKind::LinearCurrent { .. }) {
        cautions.push(format!("{}: a linear drive turns the rest of the supply into heat in its transistors, most of all at standstill; check their heat sinks.", axis.name));
    }
    if axis.drive.supply.si() > 60.0 {
        cautions.push(format!(
            "{}: {} of supply is beyond the 60 V that common practice takes as extra-low voltage for direct current: wiring is a matter for licensed practice.",
            axis.name,
            axis.drive.supply
        ));
    }
    let unit = TravelUnit::of(axis);
    if let Some(speed) = axis.limits.speed {
        cautions.push(format!(
            "{}: up to {} {}/s are allowed by the rig's limits.",
            axis.name,
            Rounded(speed * unit.per_si),
            unit.name
        ));
    }
    cautions
}

fn inputs(about: &About) -> Section {
    let mut blocks = vec![Block::Text(format!(
        "From these files, slewsmith {} makes the same report again, to the byte.",
        env!("CARGO_PKG_VERSION")
    ))];
    blocks.extend(
        about
            .inputs
            .iter()
            .map(|(name, text)| Block::Source(name.clone(), text.clone())),
    );
    Section {
        id: "inputs",
        heading: "Inputs".into(),
        blocks,
    }
}

fn footer() -> String {
    format!("Written by slewsmith {}.", env!("CARGO_PKG_VERSION"))
}

/// The page that stands in for a report where the input cannot be used; `drawn` are the
/// problems with the lines they speak of.
pub fn problems(title: String, drawn: Vec<String>) -> Page {
    Page {
        title,
        about: "Moves of a stepping motor, checked before they run".into(),
        answer: Answer {
            tone: Tone::Bad,
            word: "Cannot be read".into(),
            sentences: vec!["Something in the files has to be mended first.".into()],
        },
        figures: Vec::new(),
        sections: vec![Section {
            id: "problems",
            heading: "What is wrong".into(),
            blocks: drawn.into_iter().map(Block::Problem).collect(),
        }],
        instants: super::page::Instants::default(),
        footer: footer(),
        revision: None,
    }
}
