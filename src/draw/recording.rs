//! What was recorded, laid over what was planned.
//!
//! A recording is csv with a header: `time_s`, and `angle_deg` (of the load's shaft) or
//! `position_mm`; `axis` where there are several; lines that begin with `#` are skipped.
//! The trace that `simulate` writes is one, a log of an encoder another. Commas,
//! semicolons and tabs separate.

use thiserror::Error;

use super::chart::{Chart, LineStyle, Series};
use super::sampling::{Sampling, Shows};
use crate::plan::Item;
use crate::rig::{Axis, Rig, TravelUnit};

/// How the planned curve is sampled.
const SAMPLING: Sampling = Sampling {
    shows: Shows::Position,
    in_bend: 24,
    both_sides: false,
    many: usize::MAX,
};
/// Colours: of what was planned and of what was recorded.
const PLANNED: usize = 0;
const RECORDED: usize = 1;

/// No sample may lie further than this from the start of the program (s), some thirty years …
const MOST_SECONDS: f64 = 1e9;
/// … nor further from its origin (degrees, mm, electrical degrees).
const MOST_TRAVEL: f64 = 1e12;

/// Why a recording cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RecordingError {
    /// It is not csv.
    #[error("line {line}: it is not csv: {reason}")]
    Csv {
        /// Which line, from 1.
        line: u64,
        /// What is wrong with it.
        reason: String,
    },
    /// A column is missing.
    #[error(
        "line {line}: there is no column {name}; the header names time_s and angle_deg or position_mm"
    )]
    Column {
        /// The line of the header, from 1.
        line: u64,
        /// Which column.
        name: &'static str,
    },
    /// A field is not a number.
    #[error("line {line}: “{found}” is not a number")]
    Number {
        /// Which line, from 1.
        line: u64,
        /// What stands there.
        found: String,
    },
    /// It speaks of an axis that the rig does not have.
    #[error("line {line}: the rig has no axis “{name}”")]
    Axis {
        /// Which line, from 1.
        line: u64,
        /// The name.
        name: String,
    },
    /// The rig has several axes and it does not say which one it is of.
    #[error("line {line}: the rig has several axes, and the recording has no column axis")]
    WhichAxis {
        /// The line of the first sample, from 1.
        line: u64,
    },
    /// A sample that no machine can have made.
    #[error("line {line}: {what} of {value:e} is beyond what can be shown, {most:e}")]
    Beyond {
        /// Which line, from 1.
        line: u64,
        /// Of what, with its unit.
        what: &'static str,
        /// What it is.
        value: f64,
        /// What it may be, either way.
        most: f64,
    },
}

/// What was recorded of each axis of a rig.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Recording {
    axes: Vec<Recorded>,
}

/// What was recorded of one axis.
#[derive(Debug, Clone, PartialEq, Default)]
struct Recorded {
    /// Seconds and position, in the unit of the load's travel.
    position: Vec<(f64, f64)>,
    /// Seconds and lag, where it was recorded (electrical degrees).
    lag: Vec<(f64, f64)>,
}

/// Which fields of a line hold what.
struct Columns {
    time: usize,
    angle: Option<usize>,
    position: Option<usize>,
    lag: Option<usize>,
    axis: Option<usize>,
}

impl Columns {
    /// The columns that a header on that line names.
    fn of(header: &csv::StringRecord, line: u64) -> Result<Self, RecordingError> {
        let missing = |name| RecordingError::Column { line, name };
        let find = |name: &str| header.iter().position(|head| head.trim() == name);
        let columns = Self {
            time: find("time_s").ok_or(missing("time_s"))?,
            angle: find("angle_deg"),
            position: find("position_mm"),
            lag: find("lag_electrical_deg"),
            axis: find("axis"),
        };
        if columns.angle.is_none() && columns.position.is_none() {
            return Err(missing("angle_deg"));
        }
        Ok(columns)
    }
}

impl Recording {
    /// Reads a recording of `rig`; `starts_at` is the time in it at which the program
    /// starts (s).
    ///
    /// # Errors
    /// It is no csv with the columns that are needed, or speaks of another rig.
    pub(crate) fn read(text: &str, rig: &Rig, starts_at: f64) -> Result<Self, RecordingError> {
        let mut lines = (1..).zip(text.lines());
        let (head_line, head) = lines
            .find(|(_, line)| !line.starts_with('#'))
            .unwrap_or((1, ""));
        let separator = [b',', b';', b'\t'].into_iter().max_by_key(|one| {
            // A comma where there is none of them: a single column.
            (
                head.bytes().filter(|byte| byte == one).count(),
                u8::from(*one == b','),
            )
        });
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(separator.unwrap_or(b','))
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let wrong = |error: csv::Error| RecordingError::Csv {
            line: error.position().map_or(1, csv::Position::line),
            reason: error.to_string(),
        };
        let columns = Columns::of(reader.headers().map_err(wrong)?, head_line)?;
        let mut axes = vec![Recorded::default(); rig.axes.len()];
        for record in reader.records() {
            let record = record.map_err(wrong)?;
            let number = |column: usize| number(&record, column);
            let axis = axis_of(&record, &columns, rig)?;
            let time = number(columns.time)? - starts_at;
            let per_turn =
                TravelUnit::of(&rig.axes[axis]).per_si * travel_of_a_turn(&rig.axes[axis]);
            let position = match (columns.position, columns.angle) {
                (Some(position), _) => number(position)?,
                (None, Some(angle)) => number(angle)? / 360.0 * per_turn,
                (None, None) => f64::NAN,
            };
            let within = |what, value: f64, most: f64| {
                let line = line_of(&record);
                let beyond = RecordingError::Beyond {
                    line,
                    what,
                    value,
                    most,
                };
                (value.abs() <= most).then_some(value).ok_or(beyond)
            };
            let time = within("a time since the program's start (s)", time, MOST_SECONDS)?;
            let position = within("a position", position, MOST_TRAVEL)?;
            axes[axis].position.push((time, position));
            if let Some(lag) = columns.lag {
                let lag = within("a lag (electrical degrees)", number(lag)?, MOST_TRAVEL)?;
                axes[axis].lag.push((time, lag));
            }
        }
        Ok(Self { axes })
    }

    /// The last time in it (s).
    pub(crate) fn end(&self) -> f64 {
        let samples = self.axes.iter().flat_map(|axis| &axis.position);
        samples.map(|(time, _)| *time).fold(0.0, f64::max)
    }

    /// Charts of each axis that was recorded: position as planned and as recorded, the
    /// difference, and the lag where it was recorded.
    pub(crate) fn charts(&self, rig: &Rig, planned: &[Vec<(f64, f64)>]) -> Vec<Chart> {
        let axes = rig.axes.iter().zip(&self.axes).zip(planned);
        let recorded = axes.filter(|((_, recorded), _)| !recorded.position.is_empty());
        recorded
            .flat_map(|((axis, recorded), planned)| recorded.charts(axis, planned))
            .collect()
    }
}

impl Recorded {
    fn charts(&self, axis: &Axis, planned: &[(f64, f64)]) -> Vec<Chart> {
        let unit = TravelUnit::of(axis).name;
        let end = self.position.last().map_or(0.0, |(time, _)| *time);
        let shown = planned
            .iter()
            .copied()
            .take_while(|(time, _)| *time <= end)
            .collect();
        let line = |label: &str, points: Vec<(f64, f64)>, colour: usize, style: LineStyle| Series {
            label: label.to_owned(),
            points,
            colour,
            style,
        };
        let chart = |title: String, y_label: String, series: Vec<Series>| Chart {
            title,
            x_label: "time (s)".to_owned(),
            y_label,
            series,
            ..Chart::default()
        };
        let difference: Vec<(f64, f64)> = self
            .position
            .iter()
            .filter_map(|(time, position)| Some((*time, position - at(planned, *time)?)))
            .collect();
        let difference = broken_at_gaps(&difference);
        let mut charts = vec![
            chart(
                format!("Position of {} over time", axis.name),
                format!("position ({unit})"),
                vec![
                    line("planned", shown, PLANNED, LineStyle::Solid),
                    line(
                        "recorded",
                        broken_at_gaps(&self.position),
                        RECORDED,
                        LineStyle::Dashed,
                    ),
                ],
            ),
            chart(
                format!("{}: recorded less planned", axis.name),
                format!("difference ({unit})"),
                vec![line("", difference, RECORDED, LineStyle::Solid)],
            ),
        ];
        if !self.lag.is_empty() {
            charts.push(chart(
                format!("Lag of {} over time", axis.name),
                "lag (electrical degrees)".to_owned(),
                vec![line(
                    "",
                    broken_at_gaps(&self.lag),
                    RECORDED,
                    LineStyle::Solid,
                )],
            ));
        }
        charts
    }
}

/// Position of each axis over time as planned, in the unit of its travel, until `end`
/// (s).
///
/// # Errors
/// The first error among the items.
pub(crate) fn planned<E>(
    rig: &Rig,
    items: impl IntoIterator<Item = Result<Item, E>>,
    end: f64,
) -> Result<Vec<Vec<(f64, f64)>>, E> {
    let mut curves = vec![vec![(0.0, 0.0)]; rig.axes.len()];
    let mut now = 0.0;
    for item in items {
        if now > end {
            break;
        }
        let item = item?;
        if let Item::Move(one) = &item {
            for (motion, travel) in one.motion.axes.iter().zip(&one.travel) {
                let axis = &rig.axes[motion.axis];
                let curve = &mut curves[motion.axis];
                curve.push((now, travel.from * TravelUnit::of(axis).per_si));
                let samples = SAMPLING.of(axis, motion, travel);
                curve.extend(samples.map(|sample| (now + sample.time, sample.position)));
            }
        }
        now += item.duration();
        for curve in &mut curves {
            if let Some(&(_, position)) = curve.last() {
                curve.push((now, position));
            }
        }
    }
    Ok(curves)
}

/// Samples further apart than so many times their median distance have a gap between them:
/// chosen, beyond what a recorder skips now and then.
const GAP: f64 = 20.0;

/// The samples with the line broken in the middle of each gap, so that none is drawn over a time
/// of which nothing was recorded.
fn broken_at_gaps(samples: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut distances: Vec<f64> = samples.windows(2).map(|two| two[1].0 - two[0].0).collect();
    distances.sort_by(f64::total_cmp);
    let median = distances.get(distances.len() / 2).copied().unwrap_or(0.0);
    let mut broken = Vec::with_capacity(samples.len());
    for (number, sample) in samples.iter().enumerate() {
        if let Some((last, _)) = number.checked_sub(1).map(|before| samples[before])
            && median > 0.0
            && sample.0 - last > GAP * median
        {
            broken.push((0.5 * (last + sample.0), f64::NAN));
        }
        broken.push(*sample);
    }
    broken
}

/// The curve at a time, straight between its points; none outside.
fn at(curve: &[(f64, f64)], time: f64) -> Option<f64> {
    let after = curve.partition_point(|(t, _)| *t < time);
    let (t1, y1) = *curve.get(after)?;
    let (t0, y0) = *curve.get(after.saturating_sub(1))?;
    if time < t0 {
        return None;
    }
    Some(if t1 > t0 {
        y0 + (y1 - y0) * (time - t0) / (t1 - t0)
    } else {
        y1
    })
}

/// Travel of the load in one turn of its shaft (rad or m).
fn travel_of_a_turn(axis: &Axis) -> f64 {
    match &axis.load.linear {
        None => std::f64::consts::TAU,
        Some(linear) => linear.travel_per_turn.si(),
    }
}

fn axis_of(
    record: &csv::StringRecord,
    columns: &Columns,
    rig: &Rig,
) -> Result<usize, RecordingError> {
    match columns.axis.and_then(|column| record.get(column)) {
        None if rig.axes.len() == 1 => Ok(0),
        None => Err(RecordingError::WhichAxis {
            line: line_of(record),
        }),
        Some(name) => {
            let found = rig.axes.iter().position(|axis| axis.name == name);
            found.ok_or_else(|| RecordingError::Axis {
                line: line_of(record),
                name: name.to_owned(),
            })
        }
    }
}

/// Line of a record; the first line where it is unknown.
fn line_of(record: &csv::StringRecord) -> u64 {
    record.position().map_or(1, csv::Position::line)
}

fn number(record: &csv::StringRecord, column: usize) -> Result<f64, RecordingError> {
    let found = record.get(column).unwrap_or_default();
    let value = found.parse::<f64>().ok().filter(|value| value.is_finite());
    value.ok_or_else(|| RecordingError::Number {
        line: line_of(record),
        found: found.to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Source;
    use crate::rig::NoFiles;

    fn rig() -> Rig {
        let text = "\
axes:
  dial:
    motor: { rotor_teeth: 50, phase_resistance: 2 ohm, phase_inductance: 3 mH, rated_current: 1 A, holding_torque: 0.4 N.m, rotor_inertia: 50 g.cm^2 }
    drive: { kind: chopper, supply: 24 V, peak_current: 1 A, microsteps: 8 }
timer: { clock: 16 MHz }
";
        Rig::parse(&Source::new("dial.yaml", text), &mut NoFiles)
            .unwrap()
            .rig
    }

    #[test]
    fn a_log_of_an_encoder_is_read_whatever_separates_its_fields() {
        for text in [
            "time_s,angle_deg\n1.0,0\n1.5,90\n",
            "# bench, tuesday\ntime_s;note;angle_deg\n1.0;;0\n1.5;;90\n",
            "\u{feff}time_s\tangle_deg\r\n1.0\t0\r\n1.5\t90\r\n",
        ] {
            let recording = Recording::read(text, &rig(), 1.0).unwrap();
            assert_eq!(
                recording.axes[0].position,
                [(0.0, 0.0), (0.5, 90.0)],
                "{text}"
            );
            assert_eq!(recording.end(), 0.5);
        }
    }

    #[test]
    fn what_is_wrong_with_a_recording_is_said_with_its_line() {
        let read = |text: &str| Recording::read(text, &rig(), 0.0).unwrap_err();
        assert_eq!(
            read("# bench\nt,angle_deg\n0,1\n"),
            RecordingError::Column {
                line: 2,
                name: "time_s"
            }
        );
        assert_eq!(
            read("time_s,volts\n0,1\n"),
            RecordingError::Column {
                line: 1,
                name: "angle_deg"
            }
        );
        assert_eq!(
            read("time_s,axis,angle_deg\n0,dial,1\n0,lift,1\n"),
            RecordingError::Axis {
                line: 3,
                name: "lift".to_owned()
            }
        );
        assert!(matches!(
            read("time_s,angle_deg\n0,1\n1\n"),
            RecordingError::Csv { line: 3, .. }
        ));
        for far in ["1e308,1", "-1e308,1", "0,1e308"] {
            assert!(matches!(
                read(&format!("time_s,angle_deg\n0,1\n{far}\n")),
                RecordingError::Beyond { line: 3, .. }
            ));
        }
        let number = read("time_s,angle_deg\n0,1\n1,nan\n");
        assert_eq!(
            number,
            RecordingError::Number {
                line: 3,
                found: "nan".to_owned()
            }
        );
    }

    #[test]
    fn no_line_is_drawn_over_a_gap_in_the_data() {
        let recorded = [0.0, 0.01, 0.02, 0.03, 1.0, 1.01].map(|time| (time, 5.0));
        let drawn = broken_at_gaps(&recorded);
        assert_eq!(drawn.len(), 7);
        assert!(drawn[4].1.is_nan() && (drawn[4].0 - 0.515).abs() < 1e-12);
        let even = [0.0, 0.1, 0.2].map(|time| (time, 1.0));
        assert_eq!(broken_at_gaps(&even), even);
    }

    #[test]
    fn the_difference_is_taken_at_the_recorded_times() {
        let recording =
            Recording::read("time_s,angle_deg\n0,0\n0.5,48\n1,107.2\n", &rig(), 0.0).unwrap();
        let charts = recording.charts(&rig(), &[vec![(0.0, 0.0), (1.0, 100.0)]]);
        let points = &charts[1].series[0].points;
        for (found, expected) in points.iter().zip([(0.0, 0.0), (0.5, -2.0), (1.0, 7.2)]) {
            approx::assert_relative_eq!(found.0, expected.0);
            approx::assert_relative_eq!(found.1, expected.1, epsilon = 1e-9);
        }
    }
}
