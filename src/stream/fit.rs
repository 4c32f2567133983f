//! Runs of steps fitted to ticks.
//!
//! As for packed schedules (see [`crate::schedule::pack`]), interval and differences of
//! a run are found by least squares at its Chebyshev points and rounded one after the
//! other, highest first. Here every run stands by itself and starts on a whole tick:
//! what a lost frame takes away is whole runs, and nothing is carried on.

use super::record::{LONGEST_RUN, StepRun};
use crate::schedule::pack::fit::{ONE, binomials, chebyshev_points, leading_coefficient};

/// The pace at either end of a run is that of its so-manieth part, and weighs so much against a point
/// of the fit. Both chosen: 1 of 4, 8 and 16 parts, and 0.1 to 30, that which decelerates random plans
/// least beyond their own.
const PACED_PART: usize = 8;
const PACE_WEIGHT: f64 = 3.0;

/// From here on an interval stands by itself (ticks): the board cuts it into pieces, each
/// of which fits 16 bits and is over soon.
pub(crate) fn long(tick_rate: f64) -> u64 {
    ((tick_rate / 64.0) as u64).min(0x8000)
}

/// The accuracy required of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Accuracy {
    /// By how many steps the path may stray within a run; none where every step has to be
    /// within a tick of its own, and the last one on it.
    pub stray: Option<f64>,
    /// The shortest interval that the board can play (ticks); only those that are
    /// shorter anyway may be so.
    pub least: u64,
    /// From here on an interval stands by itself; see [`long`].
    pub long: u64,
}

/// The run that takes the fewest bytes a step, of those that begin with the first of
/// `ticks` (since the run's start, rising).
///
/// None where there are no ticks, the first interval is too long, or no run is accurate enough and
/// `holds`.
pub(crate) fn best_run(
    ticks: &[u64],
    accuracy: Accuracy,
    mut holds: impl FnMut(&StepRun) -> bool,
) -> Option<StepRun> {
    let long = |pair: &[u64]| pair[1] - pair[0] >= accuracy.long;
    if *ticks.first()? >= accuracy.long {
        return None;
    }
    let most = ticks
        .windows(2)
        .position(long)
        .map_or(ticks.len(), |last| last + 1)
        .min(LONGEST_RUN);
    let times: Vec<f64> = ticks[..most].iter().map(|tick| *tick as f64).collect();
    let price = |run: &StepRun| run.size() as f64 / f64::from(run.count);
    let mut best: Option<StepRun> = None;
    for order in 0..4 {
        let attempt = |count: usize| {
            let run = fit(&times[..count], &ticks[..count], order, accuracy);
            run.filter(|run| holds(run))
        };
        let Some(run) = longest(times.len(), order, attempt) else {
            continue;
        };
        if best.is_none_or(|known| price(&run) < price(&known)) {
            best = Some(run);
        }
        if usize::from(run.count) == most {
            break;
        }
    }
    best
}

/// The longest run of one order, of at most so many steps: doubled until it fails, then halved in
/// on.
fn longest(
    most: usize,
    order: usize,
    mut attempt: impl FnMut(usize) -> Option<StepRun>,
) -> Option<StepRun> {
    let (mut found, mut good) = (None, 0);
    let mut count = most.min(order + 1);
    let mut bad = loop {
        match attempt(count) {
            Some(run) => (found, good) = (Some(run), count),
            None => break count,
        }
        if count == most {
            return found;
        }
        count = most.min(2 * count);
    };
    while bad - good > 1 {
        let middle = good.midpoint(bad);
        match attempt(middle) {
            Some(run) => (found, good) = (Some(run), middle),
            None => bad = middle,
        }
    }
    found
}

/// One run through all of `times`; none where it is not true enough.
fn fit(times: &[f64], ticks: &[u64], order: usize, accuracy: Accuracy) -> Option<StepRun> {
    let points = chebyshev_points(times.len());
    let mut basis: Vec<[f64; 4]> = points.iter().map(|&k| binomials(k as f64)).collect();
    let mut rest: Vec<f64> = points.iter().map(|&k| times[k - 1]).collect();
    if accuracy.stray.is_some() {
        for (row, value) in paces(times) {
            basis.push(row);
            rest.push(value);
        }
    }
    let mut state = [0; 4];
    for j in (0..=order).rev() {
        let scale = times.len() as f64;
        let value = (leading_coefficient(&basis, &rest, j, scale) * ONE).round();
        let fits = match j {
            0 => (1.0..accuracy.long as f64 * ONE + 1.0).contains(&value),
            _ => value.abs() < 2_147_483_648.0,
        };
        if !fits {
            return None;
        }
        state[j] = value as i64 as u32;
        for (left, binomial) in rest.iter_mut().zip(&basis) {
            *left -= value / ONE * binomial[j];
        }
    }
    let run = StepRun {
        count: times.len() as u16,
        state,
    };
    is_true(&run, ticks, accuracy).then_some(run)
}

/// What holds the pace of a run that may stray at both of its ends, where the least error of its
/// ticks alone leaves the greatest error of their slope: a kink between two runs is an acceleration.
/// As rows of the fit: how long the run's first and last parts take.
fn paces(times: &[f64]) -> [([f64; 4], f64); 2] {
    let count = times.len();
    let part = (count / PACED_PART).max(1);
    let weight = PACE_WEIGHT * count as f64 / part as f64;
    let at = |k: usize| if k == 0 { 0.0 } else { times[k - 1] };
    [(0, part), (count - part, count)].map(|(from, to)| {
        let [first, last] = [from, to].map(|k| binomials(k as f64));
        let row = std::array::from_fn(|j| weight * (last[j] - first[j]));
        (row, weight * (at(to) - at(from)))
    })
}

/// Whether the run is accurate enough, and its intervals fit 16 bits.
fn is_true(run: &StepRun, ticks: &[u64], accuracy: Accuracy) -> bool {
    let (mut before, mut wanted_before) = (0, 0);
    let each = run.ticks().zip(ticks).all(|(tick, &wanted)| {
        let interval = tick.wrapping_sub(before);
        let own = wanted - wanted_before;
        let fits = (accuracy.least.min(own).max(1)..=accuracy.long).contains(&interval);
        let near = match accuracy.stray {
            None => tick.abs_diff(wanted) <= 1,
            Some(stray) => tick.abs_diff(wanted) as f64 <= (stray * own as f64).max(1.0),
        };
        (before, wanted_before) = (tick, wanted);
        fits && near
    });
    each && (accuracy.stray.is_some() || run.ticks().last() == ticks.last().copied())
}

#[cfg(test)]
mod tests {
    use super::*;

    const LONG: u64 = 0x8000;
    const EXACT: Accuracy = Accuracy {
        stray: None,
        least: 1,
        long: LONG,
    };

    /// All runs of a list of ticks.
    fn runs(ticks: &[u64], accuracy: Accuracy) -> Vec<StepRun> {
        let (mut done, mut start, mut runs) = (0, 0, Vec::new());
        while done < ticks.len() {
            let rest: Vec<u64> = ticks[done..].iter().map(|tick| tick - start).collect();
            let run = best_run(&rest, accuracy, |_| true).expect("a run");
            done += usize::from(run.count);
            start = ticks[done - 1];
            runs.push(run);
        }
        runs
    }

    fn ramp(count: u32) -> Vec<u64> {
        (1..=count)
            .map(|k| (12_000.0 * (f64::from(k) - 0.5).sqrt()) as u64)
            .collect()
    }

    #[test]
    fn every_step_is_within_a_tick_and_every_run_ends_on_its_tick() {
        let ticks = ramp(3000);
        let (mut start, mut at) = (0, 0);
        for run in runs(&ticks, EXACT) {
            for tick in run.ticks() {
                assert!((start + tick).abs_diff(ticks[at]) <= 1);
                at += 1;
            }
            start += run.ticks().last().expect("a step");
            assert_eq!(start, ticks[at - 1]);
        }
        assert_eq!(at, ticks.len());
    }

    #[test]
    fn a_ramp_and_a_cruise_take_a_few_tenths_of_a_byte_a_step() {
        let bytes = |runs: &[StepRun]| runs.iter().map(StepRun::size).sum::<usize>() as f64;
        let climb = runs(&ramp(3000), EXACT);
        assert!(bytes(&climb) / 3000.0 < 0.3, "{}", bytes(&climb) / 3000.0);
        let even: Vec<u64> = (1..=3000)
            .map(|k| (f64::from(k) * 123.456) as u64)
            .collect();
        let even = runs(&even, EXACT);
        assert!(bytes(&even) / 3000.0 < 0.05, "{}", bytes(&even) / 3000.0);
    }

    #[test]
    fn long_intervals_are_left_to_others() {
        assert_eq!(best_run(&[LONG], EXACT, |_| true), None);
        assert_eq!(best_run(&[], EXACT, |_| true), None);
        let run = best_run(&[10, 20, 20 + LONG], EXACT, |_| true).expect("a run");
        assert_eq!(run.count, 2);
    }
}
