//! Runs: as many steps as one polynomial in fixed point describes.
//!
//! After k intervals of a run with first interval i and differences d₁, d₂, d₃ the
//! time since the run's start is
//!
//! ```text
//! P(k) = k i + C(k,2) d₁ + C(k,3) d₂ + C(k,4) d₃
//! ```
//!
//! (Newton's forward differences, summed once), which additions alone produce:
//! each interval is i, after which i += d₁, d₁ += d₂, d₂ += d₃. All four are whole
//! multiples of 2⁻¹⁶ tick.
//!
//! The coefficients are found by least squares at the Chebyshev points of the run,
//! which comes close to the polynomial of least greatest error (Trefethen,
//! *Approximation Theory and Approximation Practice*, ch. 8; from memory). They are
//! rounded one after the other, highest first, and the others are fitted again to
//! what rounding left over, so that a run may be far longer than plain rounding
//! would allow.

/// Bits behind the point of intervals and differences.
pub(crate) const FRACTION_BITS: u32 = 16;
/// One tick in that fixed point.
pub(crate) const ONE: f64 = (1u32 << FRACTION_BITS) as f64;
/// The longest run.
pub(crate) const LONGEST_RUN: usize = 4096;
/// At how many points a run is fitted; beyond that more points change nothing.
const FIT_POINTS: usize = 96;

/// Interval and first, second and third difference, in 2⁻¹⁶ ticks, modulo 2³².
pub(crate) type RampState = [u32; 4];

/// A step onwards: what the next interval is.
pub(crate) fn advance(state: &mut RampState) {
    state[0] = state[0].wrapping_add(state[1]);
    state[1] = state[1].wrapping_add(state[2]);
    state[2] = state[2].wrapping_add(state[3]);
}

/// A step back: undoes [`advance`].
pub(crate) fn retreat(state: &mut RampState) {
    state[2] = state[2].wrapping_sub(state[3]);
    state[1] = state[1].wrapping_sub(state[2]);
    state[0] = state[0].wrapping_sub(state[1]);
}

/// A run that has been fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct FittedRun {
    /// Intervals.
    pub(crate) count: usize,
    /// How the state changes before its first interval, as stored: multiples of
    /// 2⁻¹⁶ tick, or of 2⁻⁸ where `coarse`.
    pub(crate) change: [i32; 4],
    /// Whether the changes count 2⁻⁸ tick.
    pub(crate) coarse: bool,
}

impl FittedRun {
    /// The state of its first interval, from the state that the run before left.
    pub(crate) fn enter(&self, before: &RampState) -> RampState {
        let mut state = *before;
        for (value, change) in state.iter_mut().zip(self.change) {
            *value = value.wrapping_add((change as u32) << self.shift());
        }
        state
    }

    /// Undoes [`enter`](Self::enter).
    pub(crate) fn leave(&self, first: &RampState) -> RampState {
        let mut state = *first;
        for (value, change) in state.iter_mut().zip(self.change) {
            *value = value.wrapping_sub((change as u32) << self.shift());
        }
        state
    }

    const fn shift(&self) -> u32 {
        if self.coarse { 8 } else { 0 }
    }

    /// How many bytes each change takes, 0 to 3.
    pub(crate) fn widths(&self) -> [usize; 4] {
        self.change.map(width)
    }

    /// How many bytes it takes in a ramp.
    pub(crate) fn size(&self) -> usize {
        let count = if self.count > SHORT_COUNT { 2 } else { 1 };
        2 + count + self.widths().iter().sum::<usize>()
    }
}

/// The longest run whose count fits one byte.
pub(crate) const SHORT_COUNT: usize = 112;

/// Bytes of a signed number.
fn width(value: i32) -> usize {
    match value {
        0 => 0,
        -0x80..=0x7f => 1,
        -0x8000..=0x7fff => 2,
        _ => 3,
    }
}

/// The best run that starts from `state` and passes through `times` (ticks since the
/// run's start, one for each interval) within `tolerance` ticks; none where not even
/// one interval can be coded. Also how many 2⁻¹⁶ ticks it lasts.
pub(crate) fn best_run(
    times: &[f64],
    state: &RampState,
    tolerance: f64,
    done: usize,
) -> Option<(FittedRun, u64)> {
    let mut best: Option<(f64, FittedRun, u64)> = None;
    for coarse in [true, false] {
        for order in 1..=3 {
            let Some((run, length)) = longest(times, state, tolerance, order, coarse) else {
                continue;
            };
            // Runs grow in proportion to how far the ramp has come, so that bytes
            // are compared per unit of the logarithm of the step number.
            let gain = ((done + run.count + 1) as f64 / (done + 1) as f64).ln();
            let price = run.size() as f64 / gain;
            if best.as_ref().is_none_or(|(least, ..)| price < *least) {
                best = Some((price, run, length));
            }
        }
    }
    best.map(|(_, run, length)| (run, length))
}

/// The longest run of one order and precision: doubled until it fails, then halved
/// in on.
fn longest(
    times: &[f64],
    state: &RampState,
    tolerance: f64,
    order: usize,
    coarse: bool,
) -> Option<(FittedRun, u64)> {
    let most = times.len().min(LONGEST_RUN);
    let attempt = |count: usize| fit(&times[..count], state, tolerance, order, coarse);
    let (mut found, mut good) = (None, 0);
    let mut count = most.min(4);
    let mut bad = loop {
        match attempt(count) {
            Some(fitted) => (found, good) = (Some(fitted), count),
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
            Some(fitted) => (found, good) = (Some(fitted), middle),
            None => bad = middle,
        }
    }
    found
}

/// The binomials C(k,1) … C(k,4).
pub(crate) fn binomials(k: f64) -> [f64; 4] {
    let two = k * (k - 1.0) / 2.0;
    let three = two * (k - 2.0) / 3.0;
    [k, two, three, three * (k - 3.0) / 4.0]
}

/// Fits one run to all of `times`; none where it misses the tolerance or a change
/// does not fit its bytes.
fn fit(
    times: &[f64],
    state: &RampState,
    tolerance: f64,
    order: usize,
    coarse: bool,
) -> Option<(FittedRun, u64)> {
    let n = times.len();
    let points = chebyshev_points(n);
    let scale = n as f64;
    let mut rest: Vec<f64> = points.iter().map(|&k| times[k - 1]).collect();
    let basis: Vec<[f64; 4]> = points.iter().map(|&k| binomials(k as f64)).collect();
    let grain = if coarse { 256.0 } else { 1.0 };
    let mut change = [0i32; 4];
    let mut chosen = [0.0; 4];
    for j in (0..4).rev() {
        // Beyond the order, the difference is brought to (nearly) zero.
        let wanted = if j > order {
            0.0
        } else {
            leading_coefficient(&basis, &rest, j, scale)
        };
        let present = if j == 0 {
            f64::from(state[0])
        } else {
            f64::from(state[j] as i32)
        };
        let steps = ((wanted * ONE - present) / grain).round();
        change[j] = wrapped(steps, coarse)?;
        let value = present + steps * grain;
        if j == 0 && !(1.0..4_294_901_760.0).contains(&value)
            || j > 0 && value.abs() >= 2_147_483_648.0
        {
            return None;
        }
        chosen[j] = value;
        for (left, binomial) in rest.iter_mut().zip(&basis) {
            *left -= value / ONE * binomial[j];
        }
    }
    let run = FittedRun {
        count: n,
        change,
        coarse,
    };
    follow(&run, state, times, tolerance).map(|length| (run, length))
}

/// A change as it is stored. Coarse ones wrap around with the 32 bits they change.
fn wrapped(steps: f64, coarse: bool) -> Option<i32> {
    const HALF: f64 = 8_388_608.0;
    if coarse {
        // |steps| is below 2^25, as both values fit 32 bits.
        let low = (steps as i64) << 40 >> 40;
        return Some(low as i32);
    }
    (-HALF..HALF).contains(&steps).then_some(steps as i32)
}

/// Plays the run; its length where it keeps to the tolerance and every interval lies
/// between 0 and 65,535 ticks.
fn follow(run: &FittedRun, before: &RampState, times: &[f64], tolerance: f64) -> Option<u64> {
    let mut state = run.enter(before);
    let mut length = 0u64;
    for &time in times {
        let interval = state[0];
        if !(1..0xffff_0000).contains(&interval) {
            return None;
        }
        length += u64::from(interval);
        if (length as f64 / ONE - time).abs() > tolerance {
            return None;
        }
        advance(&mut state);
    }
    Some(length)
}

/// Up to [`FIT_POINTS`] of 1 … n, dense at both ends.
pub(crate) fn chebyshev_points(n: usize) -> Vec<usize> {
    let count = n.min(FIT_POINTS);
    let mut points: Vec<usize> = (1..=count)
        .map(|j| {
            let angle = std::f64::consts::PI * j as f64 / count as f64;
            ((n as f64 * (1.0 - angle.cos()) / 2.0).round() as usize).clamp(1, n)
        })
        .collect();
    points.dedup();
    points
}

/// The coefficient of binomial `j` in the least-squares fit of binomials 1 … j + 1
/// (counted from 0) to `values`, by normal equations in the scaled basis
/// C(k, q+1) / nᵠ⁺¹, which keeps them well conditioned.
pub(crate) fn leading_coefficient(basis: &[[f64; 4]], values: &[f64], j: usize, scale: f64) -> f64 {
    let size = (j + 1).min(values.len());
    let mut matrix = [[0.0; 5]; 4];
    let powers: [f64; 4] = std::array::from_fn(|q| scale.powi(q as i32 + 1));
    for (row, &value) in basis.iter().zip(values) {
        let scaled: [f64; 4] = std::array::from_fn(|q| row[q] / powers[q]);
        for a in 0..size {
            for b in 0..size {
                matrix[a][b] += scaled[a] * scaled[b];
            }
            matrix[a][4] += scaled[a] * value;
        }
    }
    if size <= j {
        return 0.0;
    }
    for pivot in 0..size {
        let diagonal = matrix[pivot][pivot];
        if diagonal.abs() < 1e-14 {
            return 0.0;
        }
        for row in pivot + 1..size {
            let factor = matrix[row][pivot] / diagonal;
            let above = matrix[pivot];
            for (value, above) in matrix[row].iter_mut().zip(above).skip(pivot) {
                *value -= factor * above;
            }
        }
    }
    // Elimination leaves the highest coefficient alone in its row.
    matrix[j][4] / matrix[j][j] / powers[j]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn retreating_undoes_advancing() {
        let first = [
            700 << 16,
            0u32.wrapping_sub(3 << 14),
            77,
            0u32.wrapping_sub(5),
        ];
        let mut state = first;
        for _ in 0..1000 {
            advance(&mut state);
        }
        for _ in 0..1000 {
            retreat(&mut state);
        }
        assert_eq!(state, first);
    }

    #[test]
    fn an_even_pace_is_one_run() {
        let times: Vec<f64> = (1..=2000).map(|k| f64::from(k) * 123.456).collect();
        let (run, length) = best_run(&times, &[0; 4], 0.45, 0).expect("a run");
        assert_eq!(run.count, 2000);
        assert!((length as f64 / ONE - times[1999]).abs() <= 0.45);
    }

    #[test]
    fn a_ramp_needs_fewer_runs_than_steps() {
        let times: Vec<f64> = (1..=700)
            .map(|k| 6000.0 * (f64::from(k) - 0.5).sqrt())
            .collect();
        let (mut done, mut passed, mut state, mut runs) = (0, 0u64, [0; 4], 0);
        while done < times.len() {
            let rest: Vec<f64> = times[done..]
                .iter()
                .map(|t| t - passed as f64 / ONE)
                .collect();
            let (run, length) = best_run(&rest, &state, 0.48, done).expect("a run");
            state = run.enter(&state);
            for _ in 0..run.count {
                advance(&mut state);
            }
            done += run.count;
            passed += length;
            runs += 1;
            assert!((passed as f64 / ONE - times[done - 1]).abs() <= 0.48);
        }
        assert!(runs <= 16, "{runs} runs");
    }
}
