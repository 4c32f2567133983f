//! The slow-down that goes with each frame: how the axes come to a standstill from where its
//! records end.

use super::ahead::{Ahead, Begun};
use super::cut::EventStream;
use super::gentle::{Gentleness, PlannedDecel};
use super::slow_down;
use super::timing::RecordTiming;
use super::unsendable::Unsendable;
use crate::plan::Item;
use crate::rig::{Axis, Rig};

/// How much the runs of a slow-down may differ from its path.
#[derive(Debug, Clone, Copy)]
struct Allowance {
    /// By which share of the plan's deceleration.
    differs: f64,
    /// By which part of a full step.
    strays: f64,
}

const fn alike(differs: f64) -> Allowance {
    let strays = 0.05;
    Allowance { differs, strays }
}

const fn near(strays: f64) -> Allowance {
    let differs = f64::INFINITY;
    Allowance { differs, strays }
}

/// The first that fits is taken. A twentieth of a full step changes the load angle by 4.5 electrical
/// degrees, 8 % of the holding torque; only the gentlest slow-downs, of many thousand steps, need
/// the last ones, and their runs are long, so that the rotor follows.
const TRIES: [Allowance; 21] = [
    alike(0.005),
    alike(0.01),
    alike(0.015),
    alike(0.02),
    alike(0.025),
    alike(0.03),
    alike(0.035),
    alike(0.04),
    alike(0.045),
    alike(0.05),
    alike(0.06),
    alike(0.07),
    alike(0.08),
    alike(0.1),
    alike(0.12),
    alike(0.15),
    alike(0.2),
    near(0.1),
    near(0.2),
    near(0.4),
    near(0.8),
];
/// Shares of the deceleration that a slow-down keeps in reserve: the first is taken whose runs
/// slow down no harder than the plan does. Where the plan is slowing down already, its path has
/// no slack, and nothing can be kept.
const RESERVES: [f64; 4] = [0.02, 0.05, 0.1, 0.2];
/// The deceleration is told by two stretches of so many full steps, and longer ones: within
/// them the load angle follows a run that strays.
const STRETCH: usize = 4;
/// So many steps of the plan before a slow-down are looked at with it.
const BEFORE: u64 = 256;

/// The slow-downs of the frames of one program.
#[derive(Debug)]
pub(super) struct Standstill {
    timing: RecordTiming,
    /// Bytes that the board has for one.
    room: usize,
    /// Microsteps of a full step, by axis.
    microsteps: Vec<f64>,
    /// Which of [`TRIES`] the slow-down that was made last is.
    tried: usize,
    /// The ticks of each axis's steps in the slow-down that was given last, since its
    /// records ended; none where there is more to it.
    given: Option<Vec<Vec<u64>>>,
}

impl Standstill {
    pub(super) fn new(timing: RecordTiming, rig: &Rig, room: usize) -> Self {
        let microsteps = |axis: &Axis| f64::from(axis.drive.microsteps());
        Self {
            timing,
            room,
            microsteps: rig.axes.iter().map(microsteps).collect(),
            tried: 0,
            given: None,
        }
    }

    /// How the axes come to a standstill from where the streams stand; none where the
    /// slow-down that was given last does so, as it does on even stretches.
    pub(super) fn next<I: Iterator<Item = Item>>(
        &mut self,
        ahead: &mut Ahead<I>,
    ) -> Result<Option<Vec<u8>>, Unsendable> {
        let Some(begun) = ahead.under_way() else {
            return Ok(self.stand_still(ahead.axes().len()));
        };
        let axes = ahead.axes();
        let [reserve, ..] = RESERVES;
        let Some(halting) = Halting::of(&begun, axes, self.timing.rate, reserve) else {
            return Ok(self.stand_still(axes.len()));
        };
        let ways = halting.ways(axes);
        if let (Some(ways), Some(given)) = (&ways, &self.given)
            && ways.iter().zip(given).all(|(way, given)| agree(way, given))
        {
            return Ok(None);
        }
        let mut best: Option<Fitting> = None;
        let mut first = Some(halting);
        for reserve in RESERVES {
            let again = || Halting::of(&begun, axes, self.timing.rate, reserve);
            let Some(halting) = first.take().or_else(again) else {
                break;
            };
            let fitting = self.fit(&halting, axes)?;
            let is_gentle = fitting.excess <= 0.0;
            if best
                .as_ref()
                .is_none_or(|best| fitting.excess < best.excess)
            {
                best = Some(fitting);
            }
            if is_gentle {
                break;
            }
        }
        self.given = ways;
        Ok(best.map(|best| best.bytes))
    }

    /// The slow-down whose runs differ least from its path, of those that fit the room.
    fn fit(&mut self, halting: &Halting<'_>, axes: &[EventStream]) -> Result<Fitting, Unsendable> {
        // By halving, from that of the slow-down before on: most are alike.
        let mut found = None;
        let (mut strict, mut loose, mut next) = (0, TRIES.len(), self.tried);
        while strict < loose {
            match self.attempt(halting, axes, TRIES[next]) {
                Some(fitting) => (found, loose, self.tried) = (Some(fitting), next, next),
                None => strict = next + 1,
            }
            next = strict.midpoint(loose);
        }
        found.ok_or(Unsendable::SlowDown {
            tick: halting.at,
            room: self.room,
        })
    }

    /// The slow-down whose runs are so much like its path; none where it takes more than the room.
    fn attempt(
        &self,
        halting: &Halting<'_>,
        axes: &[EventStream],
        like: Allowance,
    ) -> Option<Fitting> {
        let mut fitting = Fitting {
            bytes: Vec::new(),
            excess: -1.0,
        };
        for (number, stream) in axes.iter().enumerate() {
            let bytes = &mut fitting.bytes;
            let length = bytes.len();
            bytes.push(0);
            let microsteps = self.microsteps[number];
            if let Some((planned, ticks)) = halting.of_axis(number, microsteps, self.timing.rate) {
                let gentle = Gentleness {
                    accuracy: self.timing.accuracy(Some(like.strays * microsteps)),
                    planned,
                    differs: like.differs,
                    room: self.room.checked_sub(bytes.len())?,
                };
                let excess = stream.slowing(number, ticks, &gentle, bytes)?;
                fitting.excess = fitting.excess.max(excess);
            }
            bytes[length] = u8::try_from(bytes.len() - length - 1).ok()?;
        }
        (fitting.bytes.len() <= self.room).then_some(fitting)
    }

    /// The slow-down of axes that stand still.
    fn stand_still(&mut self, axes: usize) -> Option<Vec<u8>> {
        let still = vec![Vec::new(); axes];
        let given = self.given.replace(still.clone());
        (given != Some(still)).then(Vec::new)
    }
}

/// The bytes of a slow-down, and by which share it is harder than the plan.
struct Fitting {
    bytes: Vec<u8>,
    excess: f64,
}

/// A motion that comes to a standstill from its midst.
struct Halting<'a> {
    begun: &'a Begun,
    /// The tick from which on it slows down.
    at: u64,
    /// The ticks of the steps of each of its axes, the last ones before it slows down first, and
    /// how many those are.
    ticks: Vec<Vec<u64>>,
    before: Vec<usize>,
}

impl<'a> Halting<'a> {
    /// None where no step of the motion is left.
    fn of(begun: &'a Begun, axes: &[EventStream], rate: f64, reserve: f64) -> Option<Self> {
        let motion = &begun.motion;
        let stream_of = |axis: usize| &axes[axis];
        let done: Vec<u64> = motion
            .axes
            .iter()
            .map(|axis| stream_of(axis.axis).done_of(begun.number))
            .collect();
        let mut steps_left = motion.axes.iter().zip(&done);
        if steps_left.all(|(axis, done)| axis.steps == *done) {
            return None;
        }
        let clocks = motion.axes.iter().map(|axis| stream_of(axis.axis).clock);
        let at = clocks.max()?;
        let since = at.saturating_sub(begun.start) as f64 / rate;
        let from: Vec<u64> = done
            .iter()
            .map(|done| done.saturating_sub(BEFORE))
            .collect();
        let before = done
            .iter()
            .zip(&from)
            .map(|(done, from)| (done - from) as usize);
        let before = before.collect();
        let tick = |time: f64| begun.start + (time * rate).round() as u64;
        let times = slow_down::standstill(motion, &from, since, reserve).into_iter();
        let ticks = times.map(|times| times.into_iter().map(tick).collect());
        Some(Self {
            begun,
            at,
            ticks: ticks.collect(),
            before,
        })
    }

    fn place_of(&self, number: usize) -> Option<usize> {
        let mut axes = self.begun.motion.axes.iter();
        axes.position(|axis| axis.axis == number)
    }

    /// The ticks of the last steps before it slows down, and of those behind, of the axis at
    /// that place of the motion.
    fn ticks_of(&self, place: usize) -> [&[u64]; 2] {
        let ticks = &self.ticks[place];
        let (before, behind) = ticks.split_at(self.before[place].min(ticks.len()));
        [before, behind]
    }

    /// The ticks of an axis's steps behind; none where it does not move.
    fn behind(&self, number: usize) -> &[u64] {
        let place = self.place_of(number);
        place.map_or(&[], |place| self.ticks_of(place)[1])
    }

    /// By what an axis is judged, and the ticks of its steps before and behind; none where it does
    /// not move.
    fn of_axis(
        &self,
        number: usize,
        microsteps: f64,
        rate: f64,
    ) -> Option<(PlannedDecel, [&[u64]; 2])> {
        let place = self.place_of(number)?;
        let motion = &self.begun.motion;
        let planned = PlannedDecel {
            decel: slow_down::planned_decel(&motion.axes[place], motion.shape),
            rate,
            stretch: STRETCH * microsteps as usize,
        };
        Some((planned, self.ticks_of(place)))
    }

    /// The ticks of each axis's steps since its records ended; none where an axis still has
    /// to turn its line, so that there is more to it than steps.
    fn ways(&self, axes: &[EventStream]) -> Option<Vec<Vec<u64>>> {
        let turns = |(number, stream): (usize, &EventStream)| {
            stream.turns().is_some() && !self.behind(number).is_empty()
        };
        if axes.iter().enumerate().any(turns) {
            return None;
        }
        let way = |(number, stream): (usize, &EventStream)| {
            let since = |tick: &u64| tick.saturating_sub(stream.clock);
            self.behind(number).iter().map(since).collect()
        };
        Some(axes.iter().enumerate().map(way).collect())
    }
}

/// Whether the slow-down of an axis that was given does for another one: they are the
/// same but for rounding, which tells most where the axis hardly moves any more. The
/// other may have one step more, never less, so that no target is overrun.
fn agree(ticks: &[u64], given: &[u64]) -> bool {
    let near = |(one, other): (&u64, &u64)| one.abs_diff(*other) <= 2 + one / 1000;
    let more = ticks.len().checked_sub(given.len());
    ticks.is_empty() == given.is_empty()
        && more.is_some_and(|more| more <= 1)
        && ticks.iter().zip(given).all(near)
}
