//! Where a rising function crosses zero.

/// The highest argument found at which the rising function `f` is still not above
/// zero, to the last bit or two: `low ≤ x ≤ high` with `f(x) ≤ 0`, found from a
/// bracket with f(low) ≤ 0 ≤ f(high).
///
/// T. R. Chandrupatla, "A new hybrid quadratic/bisection algorithm for finding the
/// zero of a nonlinear function without using derivatives", Advances in Engineering
/// Software 28 (1997) 145–149 (recalled from memory): inverse quadratic interpolation
/// where the last three points allow it, bisection where they do not.
pub(crate) fn rising_root(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    // `a` is the latest point, `b` brackets the root with it, `c` is the one before.
    let (mut a, mut b) = (high, low);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa <= 0.0 {
        return high;
    }
    if fb >= 0.0 {
        return low;
    }
    let mut share = 0.5;
    for _ in 0..200 {
        let at = a + share * (b - a);
        let f_at = f(at);
        let (c, fc);
        if (f_at > 0.0) == (fa > 0.0) {
            (c, fc) = (a, fa);
        } else {
            (c, fc) = (b, fb);
            (b, fb) = (a, fa);
        }
        (a, fa) = (at, f_at);
        if fa == 0.0 {
            return a;
        }
        let width = (b - a).abs();
        let least = f64::EPSILON * a.abs().max(b.abs());
        if width <= least || width < f64::MIN_POSITIVE {
            break;
        }
        let xi = (a - b) / (c - b);
        let phi = (fa - fb) / (fc - fb);
        share = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            fa / (fb - fa) * (fc / (fb - fc))
                + (c - a) / (b - a) * (fa / (fc - fa)) * (fb / (fc - fb))
        } else {
            0.5
        };
        let edge = (0.5 * least / width).min(0.5);
        share = share.clamp(edge, 1.0 - edge);
    }
    if fa <= 0.0 { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where to look, for a root of what, and where it is.
    type Case = (f64, f64, fn(f64) -> f64, f64);

    #[test]
    fn roots_are_found_to_the_last_bits_and_from_below() {
        let cases: [Case; 4] = [
            (0.0, 2.0, |x| x * x - 2.0, std::f64::consts::SQRT_2),
            (1.0, 1e9, |x| (x - 1.0).sqrt() - 1e-3, 1.000_001),
            (0.0, 1e12, |x| x.sqrt() - 1e-6, 1e-12),
            (-5.0, 7.0, |x| x * x * x, 0.0),
        ];
        for (low, high, f, root) in cases {
            let found = rising_root(low, high, f);
            assert!(f(found) <= 0.0, "{found} lies above the root");
            assert!(
                (found - root).abs() <= 4e-16 * (1.0 + root.abs()),
                "{found} is not {root}"
            );
        }
    }

    #[test]
    fn an_end_that_is_the_root_is_returned() {
        assert_eq!(rising_root(0.0, 1.0, |x| x), 0.0);
        assert_eq!(rising_root(0.0, 1.0, |x| x - 1.0), 1.0);
    }
}
