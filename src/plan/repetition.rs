//! Passes through a `repeat` that do the same, found so that work does not grow with their
//! number.
//!
//! What a pass does depends on the script, which is the same each time, and on the state of
//! the planner when it begins. Two passes are alike where that state is alike as far as
//! they look at it:
//!
//! - An axis that only turns `by` an amount: what rounding to microsteps leaves of its exact
//!   position. One that turns `to` an angle on the way round: the same, and the position up
//!   to whole turns. One that goes `to` a position: the position itself.
//! - Whether the play of the gearing is taken up.
//! - With `dwell until settled`, what still swings, and where in the electrical cycle.
//!
//! The search is R. P. Brent's for the period of a sequence (“An improved Monte Carlo
//! factorization algorithm”, BIT 20, 1980): one earlier pass is kept and compared with, and
//! replaced after 1, 2, 4 … passes. Once a period is found it is gone through once more,
//! between [`Passage::Begins`] and [`Passage::Ends`]; then whoever counts may
//! [leave out](Passages::leap) all equal ones but the last.
//!
//! Exact positions may creep from period to period by a microstep's fraction d, which
//! rounding swallows as long as no target comes within n·d of halfway between two microsteps;
//! that bounds how many are left out at a time.

use super::Item;
use super::aim::{Aim, AimKind};
use super::planner::Planner;
use super::position::{FURTHEST, Position};
use super::settling::SwingState;
use super::standing::Bearing;
use crate::exact::Exact;
use crate::script::{BlockPass, WITHOUT_END};

/// What a program does next, for those who count what repeats.
#[derive(Debug, Clone, PartialEq)]
pub enum Passage {
    /// An item.
    Item(Item),
    /// A period begins that will end; periods nest.
    Begins,
    /// The period that began last ends, and `more` periods like it can be left out.
    Ends {
        /// How many; 0 where none can. What repeats without end offers
        /// [`WITHOUT_END`], and nothing comes behind it.
        more: u64,
    },
}

/// A planned program, for those who count what repeats.
pub trait Passages {
    /// What comes next; none behind the end.
    fn next_passage(&mut self) -> Option<Passage>;

    /// Leaves out the periods that were offered last, at [`Passage::Ends`].
    fn leap(&mut self);

    /// Goes through what is left, for the sake of those who look on.
    fn go_through(&mut self) {
        while let Some(passage) = self.next_passage() {
            if let Passage::Ends { more: 1.. } = passage {
                self.leap();
            }
        }
    }
}

/// Items that somebody else has planned do not repeat.
impl<I: Iterator<Item = Item>> Passages for I {
    fn next_passage(&mut self) -> Option<Passage> {
        self.next().map(Passage::Item)
    }

    fn leap(&mut self) {}
}

impl Passages for &mut dyn Passages {
    fn next_passage(&mut self) -> Option<Passage> {
        (**self).next_passage()
    }

    fn leap(&mut self) {
        (**self).leap();
    }
}

/// How a loop has treated one axis.
#[derive(Debug, Clone, Copy)]
struct Treated {
    kind: AimKind,
    /// Least room of any target to the halfway marks above and below (microsteps).
    up: f64,
    down: f64,
}

impl Treated {
    /// After its targets have crept by so many microsteps in all.
    fn crept(&mut self, by: f64) {
        self.up -= by.max(0.0);
        self.down += by.min(0.0);
    }
}

/// What a loop has done since some pass.
#[derive(Debug, Clone)]
struct LoopDeeds {
    axes: Vec<Option<Treated>>,
    /// Whether it waited until the rotors had settled.
    settles: bool,
}

impl LoopDeeds {
    fn nothing(axes: usize) -> Self {
        Self {
            axes: vec![None; axes],
            settles: false,
        }
    }

    fn note(&mut self, aim: &Aim) {
        let one = self.axes[aim.axis].get_or_insert(Treated {
            kind: aim.kind,
            up: 1.0,
            down: 1.0,
        });
        one.kind = one.kind.max(aim.kind);
        one.up = one.up.min(1.0 - aim.above);
        one.down = one.down.min(aim.above);
    }
}

/// The state of a program as a pass begins.
#[derive(Debug, Clone)]
pub(crate) struct PassState {
    positions: Vec<Position>,
    taken_up: Vec<bool>,
    bearings: Vec<Bearing>,
    swings: Vec<Option<SwingState>>,
    /// Moves so far.
    index: u64,
    /// Seconds so far.
    seconds: f64,
}

impl PassState {
    pub(crate) fn of(planner: &Planner<'_>, seconds: f64) -> Self {
        let standing = &planner.standing;
        let done = |one: &Option<super::take_up::TakeUp>| one.is_some_and(|one| one.done);
        Self {
            positions: standing.positions.clone(),
            taken_up: standing.take_ups.iter().map(done).collect(),
            bearings: standing.bearings.clone(),
            swings: planner.swings.state(),
            index: planner.moves(),
            seconds,
        }
    }

    /// How far the exact position of an axis has crept against its microsteps since `before`.
    fn crept(&self, before: &Self, axis: usize) -> f64 {
        let (now, then) = (self.positions[axis], before.positions[axis]);
        let steps = Exact::from((now.steps - then.steps) as f64);
        (now.asked - then.asked - steps).nearest()
    }
}

/// Exact positions within so much of each other are alike (microsteps): far below what
/// counts as halfway, far above what arithmetic in 106 bits leaves.
const ALIKE: f64 = 1e-9;
/// Room that is kept to the halfway marks (microsteps).
const KEPT_ROOM: f64 = 1e-7;

/// What of a rig matters for whether passes are alike.
#[derive(Debug, Clone, Copy)]
pub(crate) struct AxisCycle {
    /// Microsteps of one turn of the load.
    pub(crate) load_turn: f64,
    /// Microsteps after which a rotor's swing is the same; none where it never is, as with
    /// an unbalance.
    pub(crate) electrical: Option<i64>,
}

/// A period that is being gone through once more.
#[derive(Debug)]
struct OpenPeriod {
    passes: u64,
    /// Passes until it ends.
    to_go: u64,
    begin: PassState,
}

/// Periods that can be left out.
#[derive(Debug)]
struct Offer {
    begin: PassState,
    end: PassState,
    observed: LoopDeeds,
    passes: u64,
    more: u64,
}

/// What is known of one loop.
#[derive(Debug)]
struct LoopWatch {
    depth: usize,
    /// Items and microsteps since it began.
    items: u64,
    steps: u64,
    observed: LoopDeeds,
    /// An earlier pass, how many passes ago, and how many it is kept for.
    reference: Option<(PassState, u64, u64)>,
    open: Option<OpenPeriod>,
    /// Periods of fewer passes were offered and not taken.
    least_period: u64,
}

/// Where the search begins.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Patience {
    /// After so many items of a loop …
    pub(crate) items: u64,
    /// … or so many microsteps.
    pub(crate) steps: u64,
}

/// Passes of a period at most: chosen, to bound the search of one that is none.
const LONGEST_PERIOD: u64 = 1 << 20;

/// The loops of a program that are open.
#[derive(Debug)]
pub(crate) struct Loops {
    axes: Vec<AxisCycle>,
    patience: Patience,
    /// From the outermost in.
    open: Vec<LoopWatch>,
    offer: Option<Offer>,
}

impl Loops {
    pub(crate) const fn new(axes: Vec<AxisCycle>, patience: Patience) -> Self {
        Self {
            axes,
            patience,
            open: Vec::new(),
            offer: None,
        }
    }

    pub(crate) const fn set_patience(&mut self, patience: Patience) {
        self.patience = patience;
    }

    /// Takes note of an action that came to `items` with so many microsteps.
    pub(crate) fn note(&mut self, aims: &[Aim], settles: bool, items: u64, steps: u64) {
        self.offer = None;
        for watch in &mut self.open {
            watch.items += items;
            watch.steps = watch.steps.saturating_add(steps);
            watch.observed.settles |= settles;
            for aim in aims {
                watch.observed.note(aim);
            }
        }
    }

    /// A pass begins; `most` says how many periods of so many seconds may be left out.
    pub(crate) fn pass(
        &mut self,
        pass: BlockPass,
        state: impl FnOnce() -> PassState,
        most: impl Fn(f64) -> u64,
    ) -> Option<Passage> {
        self.offer = None;
        while self.open.last().is_some_and(|watch| {
            watch.depth > pass.depth || (pass.before == 0 && watch.depth == pass.depth)
        }) {
            self.open.pop();
        }
        if self
            .open
            .last()
            .is_none_or(|watch| watch.depth < pass.depth)
        {
            self.open.push(LoopWatch {
                depth: pass.depth,
                items: 0,
                steps: 0,
                observed: LoopDeeds::nothing(self.axes.len()),
                reference: None,
                open: None,
                least_period: 1,
            });
        }
        let Self {
            axes,
            patience,
            open,
            offer,
        } = self;
        let watch = open.last_mut()?;
        let is_patient = watch.items < patience.items && watch.steps < patience.steps;
        if is_patient && !pass.is_endless() {
            watch.observed = LoopDeeds::nothing(axes.len());
            return None;
        }
        let state = state();
        if let Some(period) = &mut watch.open {
            period.to_go -= 1;
            if period.to_go > 0 {
                return None;
            }
            let OpenPeriod { passes, begin, .. } = watch.open.take()?;
            let seconds = state.seconds - begin.seconds;
            let more = if !alike(&begin, &state, &watch.observed, axes) {
                0
            } else if pass.is_endless() {
                WITHOUT_END
            } else {
                let of_passes = (pass.left / passes).saturating_sub(1);
                let apart = room(&begin, &state, &watch.observed);
                of_passes.min(apart).min(most(seconds))
            };
            let observed = std::mem::replace(&mut watch.observed, LoopDeeds::nothing(axes.len()));
            // Whoever does not take the offer may find twice the period to its liking.
            watch.least_period = 2 * passes;
            watch.reference = Some((state.clone(), 0, 1));
            if more > 0 {
                *offer = Some(Offer {
                    begin,
                    end: state,
                    observed,
                    passes,
                    more,
                });
            }
            return Some(Passage::Ends { more });
        }
        let Some((reference, ago, kept)) = &mut watch.reference else {
            watch.observed = LoopDeeds::nothing(axes.len());
            watch.reference = Some((state, 0, 1));
            return None;
        };
        *ago += 1;
        let passes = *ago;
        // One period to go through, one to leave out, one to end with.
        if passes >= watch.least_period
            && pass.left / 3 >= passes
            && alike(reference, &state, &watch.observed, axes)
        {
            watch.observed = LoopDeeds::nothing(axes.len());
            watch.open = Some(OpenPeriod {
                passes,
                to_go: passes,
                begin: state,
            });
            return Some(Passage::Begins);
        }
        if passes == *kept && passes < LONGEST_PERIOD {
            let longer = 2 * *kept;
            watch.reference = Some((state, 0, longer));
            watch.observed = LoopDeeds::nothing(axes.len());
        }
        None
    }

    /// How many passes the period has that was offered last.
    pub(crate) fn offered(&self) -> u64 {
        self.offer.as_ref().map_or(0, |offer| offer.passes)
    }

    /// Takes the offer; gives how many passes of the innermost loop are left out.
    pub(crate) fn leap(&mut self, planner: &mut Planner<'_>, seconds: &mut f64) -> u64 {
        let Some(offer) = self.offer.take() else {
            return 0;
        };
        let Offer {
            begin, end, more, ..
        } = &offer;
        if *more == WITHOUT_END {
            return WITHOUT_END;
        }
        let times = Exact::from(*more as f64);
        let lasts = (end.seconds - begin.seconds) * *more as f64;
        for (axis, position) in planner.standing.positions.iter_mut().enumerate() {
            let (from, to) = (begin.positions[axis], end.positions[axis]);
            let steps = (to.steps - from.steps) * *more as i64;
            position.asked = position.asked + (to.asked - from.asked) * times;
            position.steps += steps;
            let treated = offer.observed.axes[axis].is_some();
            planner.swings.leap(axis, treated.then_some(steps), lasts);
            let crept = end.crept(begin, axis) * *more as f64;
            for watch in &mut self.open {
                if let Some(treated) = &mut watch.observed.axes[axis] {
                    treated.crept(crept);
                }
            }
        }
        planner.leave_out((end.index - begin.index) * more);
        *seconds += lasts;
        if let Some(watch) = self.open.last_mut() {
            watch.reference = None;
            watch.least_period = 1;
        }
        offer.passes * more
    }
}

/// Whether a loop that has done `observed` from one state to another goes on from the other
/// as it did from the one.
fn alike(before: &PassState, now: &PassState, observed: &LoopDeeds, axes: &[AxisCycle]) -> bool {
    let aims = observed.axes.iter().enumerate().all(|(axis, treated)| {
        let (was, is) = (before.positions[axis], now.positions[axis]);
        let moved = (is.asked - was.asked).nearest();
        let Some(treated) = treated else {
            return true;
        };
        let in_phase = now.crept(before, axis).abs() <= ALIKE;
        match treated.kind {
            AimKind::By => in_phase,
            AimKind::Round => {
                let turns = moved / axes[axis].load_turn;
                in_phase && ((turns - turns.round()) * axes[axis].load_turn).abs() <= ALIKE
            }
            AimKind::Place => is.steps == was.steps && moved.abs() <= ALIKE,
        }
    });
    let same = before.taken_up == now.taken_up && before.bearings == now.bearings;
    aims && same && (!observed.settles || swing_alike(before, now, axes))
}

/// Whether rotors swing alike from one state and from the other.
fn swing_alike(before: &PassState, now: &PassState, axes: &[AxisCycle]) -> bool {
    let positions = before.positions.iter().zip(&now.positions).zip(axes);
    let in_phase = positions.into_iter().all(|((was, is), cycle)| {
        let moved = is.steps - was.steps;
        moved == 0 || cycle.electrical.is_some_and(|cycle| moved % cycle == 0)
    });
    let mut swings = before.swings.iter().zip(&now.swings).zip(axes);
    in_phase
        && swings.all(|((was, is), cycle)| match (was, is) {
            (None, None) => true,
            (Some(was), Some(is)) => was.alike(is, cycle.electrical),
            (Some(_), None) | (None, Some(_)) => false,
        })
}

/// How many periods can follow before an axis creeps across a halfway mark, or goes further
/// than is kept exactly.
fn room(begin: &PassState, end: &PassState, observed: &LoopDeeds) -> u64 {
    let mut most = u64::MAX;
    for (axis, treated) in observed.axes.iter().enumerate() {
        let Some(treated) = treated else { continue };
        let crept = end.crept(begin, axis);
        let apart = if crept > 0.0 {
            treated.up
        } else {
            treated.down
        };
        if crept != 0.0 {
            // Saturates where it hardly creeps; nothing is left where there is no room.
            most = most.min(((apart - KEPT_ROOM) / crept.abs()) as u64);
        }
        let asked = end.positions[axis].asked;
        let moves = (asked - begin.positions[axis].asked).nearest().abs();
        if moves > 0.0 {
            let periods = (FURTHEST - asked.nearest().abs()) / moves;
            most = most.min((periods as u64).saturating_sub(2));
        }
    }
    // As a count it stays exact in f64.
    most.min(1 << 53)
}
