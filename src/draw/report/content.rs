//! What the report says: gathered while a program is checked, put into sections at the
//! end.

use std::collections::HashSet;

use super::about::About;
use super::page::{Instants, Page, PageAnswer, PageBlock, PageFigure, PagePlot, Section, Tone};
use super::rows::Rows;
use super::simulation::{LONGEST, Simulation};
use super::stops::StopPlaces;
use super::timeline::Timeline;
use super::{cautions, findings, parts, schedule, torque};
use crate::check::{AxisAbility, FirstFailure, MoveCheck, Severity, Summary};
use crate::draw::plots::TorquePlane;
use crate::plan::Item;
use crate::rig::Rig;
use crate::schedule::Facts;
use crate::schedule::timer::{self, TimerFacts};
use crate::units::{Decimal, Time};

/// Stops shown from close by at most.
const CLOSE_UPS: usize = 4;

/// A report in the making.
#[derive(Debug)]
pub(crate) struct ReportContent<'a> {
    rig: &'a Rig,
    abilities: &'a [AxisAbility],
    rows: Rows,
    timeline: Timeline<'a>,
    planes: Vec<TorquePlane<'a>>,
    seen: HashSet<*const crate::plan::Motion>,
    timing: Vec<Option<(u64, u64)>>,
    shown: Vec<Item>,
    simulation: Option<Simulation>,
    stops: StopPlaces,
    /// How many distinct stops could be shown from close by.
    distinct_stops: usize,
}

impl<'a> ReportContent<'a> {
    /// Of a program on `rig`, whose axes can do `abilities`.
    pub(crate) fn new(rig: &'a Rig, abilities: &'a [AxisAbility]) -> Self {
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
            stops: StopPlaces::new(rig.axes.len()),
            distinct_stops: 0,
        }
    }

    /// Takes in the next item of the program, which comes so many `times`, with its check where
    /// it is a move.
    pub(crate) fn add(&mut self, item: &Item, times: u64, checked: Option<&MoveCheck>) {
        let row = checked.and_then(|checked| self.rows.add(checked, self.timeline.time()));
        self.timeline.add(item, times, row);
        if !self.timeline.is_full() {
            self.shown.push(item.clone());
        }
        if let Some(checked) = checked {
            self.stops.add(self.rig, checked);
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
    pub(crate) fn simulate(&mut self) {
        let (wanted, distinct) = self.rows.stops(self.rig, LONGEST, CLOSE_UPS);
        self.distinct_stops = distinct;
        let shown = (self.timeline.first(), self.timeline.instants().end);
        self.simulation = Some(Simulation::of(self.rig, &self.shown, shown, wanted));
    }

    /// The page; `schedule` is what the schedule came to, where it was counted, and
    /// `packed` how many bytes it takes when it is packed.
    pub(crate) fn page(
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
        let planes: Vec<PagePlot> = self
            .planes
            .iter()
            .zip(self.abilities)
            .zip(paths)
            .flat_map(|((plane, ability), path)| torque::plots(plane, ability, &path))
            .collect();
        let mut sections = Vec::new();
        let findings = findings::blocks(self.rig, about, summary, &self.rows);
        if !findings.is_empty() {
            sections.push(Section {
                id: "findings",
                heading: "Findings and cures".into(),
                blocks: findings,
            });
        }
        sections.push(self.moves());
        sections.extend(self.stops());
        sections.push(self.over_time(over_time));
        sections.push(Section {
            id: "torque",
            heading: "Torque and critical speeds".into(),
            blocks: torque::blocks(planes),
        });
        sections.push(schedule::section(self.rig, &self.timing, schedule, packed));
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
            heading: "Cautions before power-on".into(),
            blocks: vec![PageBlock::Caution(cautions::of(self.rig))],
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
            news: String::new(),
            revision: None,
        }
    }

    fn figures(&self, summary: &Summary, schedule: Option<&Facts>) -> Vec<PageFigure> {
        let figure = |name: &str, value: String, note: String| PageFigure {
            name: name.into(),
            value,
            note,
        };
        let mut figures = match &summary.endless {
            None => vec![
                figure("moves", summary.moves.to_string(), String::new()),
                figure(
                    "whole program",
                    Time::new(summary.total_time).to_string(),
                    "without waits for inputs".into(),
                ),
            ],
            Some(endless) => vec![
                figure(
                    "repeats without end",
                    Time::new(endless.pass()).to_string(),
                    format!("each pass; {} passes judged", endless.passes_judged()),
                ),
                figure("moves judged", summary.moves.to_string(), String::new()),
            ],
        };
        if let Some((least, line)) = summary.least_margin {
            figures.push(figure(
                "least torque margin",
                format!("{:.0} %", Decimal(least * 100.0)),
                format!("line {line}"),
            ));
        }
        if let Some(simulated) = &summary.simulated {
            let line = simulated.peak_lag_line;
            figures.push(figure(
                "peak lag of the rotor",
                format!("{:.0}°", simulated.peak_lag_electrical_deg),
                match (simulated.lost_steps, line) {
                    (0, None) => String::new(),
                    (0, Some(line)) => format!("electrical, line {line}"),
                    (lost, _) => format!("electrical; {lost} full steps lost"),
                },
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

    fn moves(&self) -> Section {
        let mut blocks = vec![PageBlock::Table(self.rows.table(self.rig))];
        if self.rows.beyond() > 0 {
            blocks.push(PageBlock::Text(format!(
                "{} more moves are checked but not listed.",
                self.rows.beyond()
            )));
        }
        Section {
            id: "moves",
            heading: "Moves".into(),
            blocks,
        }
    }

    /// The stops, from close by and all of them; none where nothing moves.
    fn stops(&self) -> Option<Section> {
        let mut blocks = Vec::new();
        if let Some(simulation) = &self.simulation {
            let shown = simulation.close_ups.len();
            if shown < self.distinct_stops {
                blocks.push(PageBlock::Text(format!(
                    "From close by: {shown} of {} distinct stops, of each statement the worst.",
                    self.distinct_stops
                )));
            }
            let plots = simulation.close_ups.iter();
            let plots = plots.flat_map(|one| one.plots(self.rig));
            blocks.extend(plots.map(|plot| PageBlock::Plot(Box::new(plot))));
        }
        blocks.extend(self.stops.blocks(self.rig));
        (!blocks.is_empty()).then(|| Section {
            id: "stops",
            heading: "Stops".into(),
            blocks,
        })
    }

    fn over_time(&self, plots: Vec<PagePlot>) -> Section {
        let mut blocks = vec![PageBlock::Hint(
            "Point at a plot, or select one with Tab and press the arrow keys: all plots show the same instant. \
             Drag across a plot to enlarge that time in all of them, or press + and −; in a selected plot, turn the wheel (elsewhere, \
             with Ctrl). 0 shows the beginning again.".into(),
        )];
        let instants = self.timeline.instants();
        if instants.first < instants.end {
            blocks.push(PageBlock::Text(format!(
                "The plots begin with the first {} of {}: what comes before a statement moves again.",
                Time::new(instants.first),
                Time::new(instants.end)
            )));
        }
        if self.timeline.left_out() > 0 {
            blocks.push(PageBlock::Text(format!(
                "The plots hold the first {} moves.",
                instants.moves.len()
            )));
        }
        if let Some(simulation) = &self.simulation {
            let lost = match simulation.lost_steps {
                0 => "no step is lost".to_owned(),
                lost => format!("{lost} full steps are lost"),
            };
            blocks.push(PageBlock::Text(format!(
                "Lag and current come from the motor model, which plays the ticks of the first {}; {lost}.",
                Time::new(simulation.until)
            )));
        }
        blocks.extend(
            plots
                .into_iter()
                .map(|plot| PageBlock::Plot(Box::new(plot))),
        );
        Section {
            id: "time",
            heading: "Over time".into(),
            blocks,
        }
    }
}

fn answer(summary: &Summary) -> PageAnswer {
    let moves = if summary.moves == 1 {
        "1 move".to_owned()
    } else {
        format!("{} moves", summary.moves)
    };
    let mut sentences = Vec::new();
    let (may_run, not_simulated) = match &summary.simulated {
        Some(_) => ("May run", None),
        None => (
            "May run, not simulated",
            Some("The motor model was left out: lost steps stay unnoticed.".to_owned()),
        ),
    };
    let (tone, word) = if !summary.ok {
        sentences.push(match &summary.first_failure {
            Some(FirstFailure { line: None, reason }) => format!("{reason}."),
            Some(FirstFailure {
                line: Some(line),
                reason,
            }) => format!("Line {line}: {reason}."),
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
            .any(|finding| finding.severity == Severity::Warning)
    {
        sentences.push("Every move passes, with warnings.".to_owned());
        sentences.extend(not_simulated);
        (Tone::Doubtful, may_run)
    } else {
        sentences.push("Every move passes: torque, critical speeds, timer and drive.".to_owned());
        sentences.extend(not_simulated);
        (Tone::Good, may_run)
    };
    PageAnswer {
        tone,
        word: word.to_owned(),
        sentences,
    }
}

fn inputs(about: &About) -> Section {
    let mut blocks = vec![PageBlock::Text(format!(
        "From these files, slewsmith {} reproduces this report byte for byte.",
        env!("CARGO_PKG_VERSION")
    ))];
    blocks.extend(
        about
            .inputs
            .iter()
            .map(|(name, text)| PageBlock::Source(name.clone(), text.clone())),
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
pub(crate) fn problems(title: String, drawn: Vec<String>) -> Page {
    Page {
        title,
        about: "Moves of a stepping motor, checked before they run".into(),
        answer: PageAnswer {
            tone: Tone::Bad,
            word: "Invalid input".into(),
            sentences: vec!["Correct the files first.".into()],
        },
        figures: Vec::new(),
        sections: vec![Section {
            id: "problems",
            heading: "Errors".into(),
            blocks: drawn.into_iter().map(PageBlock::Problem).collect(),
        }],
        instants: Instants::default(),
        footer: footer(),
        news: String::new(),
        revision: None,
    }
}
