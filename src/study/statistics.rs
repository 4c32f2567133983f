//! Shares with confidence intervals, percentiles and rank correlation.
//!
//! **Wilson's interval** for a share p of n independent trials, at 95 %:
//!
//! ```text
//! (p + z²/2n ± z √(p (1 − p)/n + z²/4n²)) / (1 + z²/n)        z = 1.960
//! ```
//!
//! Source: E. B. Wilson, *Journal of the American Statistical Association* 22, 209 (1927); it
//! holds its level at shares near 0 and 1, where p ± z √(p(1 − p)/n) does not.
//!
//! **Spearman's rank correlation**: the correlation of the ranks, equal values sharing the mean
//! of theirs (C. Spearman, *American Journal of Psychology* 15, 72, 1904). Of n pairs that have
//! nothing to do with each other, 997 in 1000 come below 3/√(n − 1), as its variance is 1/(n − 1)
//! (from memory, as both sources).

/// Standard deviations of a 95 % range.
const Z: f64 = 1.959_964;
/// Standard deviations beyond which a correlation is named: chosen, as a dozen values are looked
/// at and 5 in 100 by chance would be one in every other study.
const NAMED: f64 = 3.0;

/// The 95 % interval of the share of which `passed` of `trials` is a sample.
pub(super) fn wilson(passed: u64, trials: u64) -> (f64, f64) {
    if trials == 0 {
        return (0.0, 1.0);
    }
    let n = trials as f64;
    let p = passed as f64 / n;
    let middle = p + Z * Z / (2.0 * n);
    let half = Z * libm::sqrt(p * (1.0 - p) / n + Z * Z / (4.0 * n * n));
    let scale = 1.0 + Z * Z / n;
    (
        ((middle - half) / scale).max(0.0),
        ((middle + half) / scale).min(1.0),
    )
}

/// The correlation beyond which 3 of 1000 samples of `n` unrelated pairs lie.
pub(super) fn significant(n: usize) -> f64 {
    NAMED / libm::sqrt(n.saturating_sub(1).max(1) as f64)
}

/// The value below which a share of them lies, between neighbours in proportion; `sorted` rises.
pub(super) fn percentile(sorted: &[f64], share: f64) -> Option<f64> {
    let place = share * sorted.len().checked_sub(1)? as f64;
    let below = place.floor();
    let (low, high) = (
        sorted.get(below as usize)?,
        sorted.get(place.ceil() as usize)?,
    );
    Some(low + (place - below) * (high - low))
}

/// Spearman's rank correlation; none where either side does not vary.
pub(super) fn rank_correlation(one: &[f64], other: &[f64]) -> Option<f64> {
    let (x, y) = (ranks(one), ranks(other));
    let mean = (x.len() as f64 + 1.0) / 2.0;
    let sum = |terms: &mut dyn Iterator<Item = f64>| terms.sum::<f64>();
    let product = |(x, y): (&f64, &f64)| (x - mean) * (y - mean);
    let both = sum(&mut x.iter().zip(&y).map(product));
    let of_x = sum(&mut x.iter().zip(&x).map(product));
    let of_y = sum(&mut y.iter().zip(&y).map(product));
    let scale = libm::sqrt(of_x * of_y);
    (scale > 0.0).then(|| both / scale)
}

/// The ranks from 1, equal values sharing the mean of theirs.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut before = 0;
    for equal in order.chunk_by(|a, b| values[*a] == values[*b]) {
        let rank = before as f64 + (equal.len() as f64 + 1.0) / 2.0;
        for place in equal {
            ranks[*place] = rank;
        }
        before += equal.len();
    }
    ranks
}
