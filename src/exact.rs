//! Double-double arithmetic: a number as the unevaluated sum of two `f64`, about
//! 106 bits.
//!
//! The error-free sum and product are those of Knuth and Dekker (as set out in
//! Y. Hida, X. S. Li, D. H. Bailey, “Library for Double-Double and Quad-Double
//! Arithmetic”, 2007; from memory). The planner adds up targets in it, and the schedule
//! needs it for the few steps whose tick plain `f64` cannot tell for certain.

use std::ops::{Add, Mul, Neg, Sub};

/// `high + low`, with |low| at most half a unit in the last place of `high`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Exact {
    high: f64,
    low: f64,
}

/// The sum of two numbers and what rounding took from it, exactly.
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let shadow = sum - a;
    (sum, (a - (sum - shadow)) + (b - shadow))
}

/// The same where |a| ≥ |b|.
fn quick_two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    (sum, b - (sum - a))
}

impl Exact {
    fn normal(high: f64, low: f64) -> Self {
        let (high, low) = quick_two_sum(high, low);
        Self { high, low }
    }

    /// The nearest `f64`.
    pub(crate) const fn nearest(self) -> f64 {
        self.high
    }

    /// `self / divisor`, for a divisor that is not zero.
    pub(crate) fn over(self, divisor: f64) -> Self {
        let first = self.high / divisor;
        let rest = self - Self::product(first, divisor);
        let second = rest.high / divisor;
        let rest = rest - Self::product(second, divisor);
        let third = rest.high / divisor;
        let (high, low) = quick_two_sum(first, second);
        Self { high, low } + Self::from(third)
    }

    /// a · b without rounding.
    pub(crate) fn product(a: f64, b: f64) -> Self {
        let high = a * b;
        Self {
            high,
            low: a.mul_add(b, -high),
        }
    }

    /// The largest whole number that is not above it, and the rest from 0 to 1.
    pub(crate) fn floor(self) -> (i128, Self) {
        let (high, low) = (self.high.floor(), self.low.floor());
        // Below 2^107 in size for every time that a schedule can hold.
        let whole = high as i128 + low as i128;
        // Each difference is exact: a number less its own whole part.
        let (sum, error) = two_sum(self.high - high, self.low - low);
        let rest = Self::normal(sum, error);
        if rest.high >= 1.0 && self.high != high {
            return (whole + 1, rest - Self::from(1.0));
        }
        (whole, rest)
    }
}

impl From<f64> for Exact {
    fn from(value: f64) -> Self {
        Self {
            high: value,
            low: 0.0,
        }
    }
}

impl From<u64> for Exact {
    /// Every `u64` fits: its upper and lower 32 bits are each an `f64`.
    fn from(value: u64) -> Self {
        let upper = (value >> 32) as f64 * 4_294_967_296.0;
        Self::from(upper) + Self::from((value & 0xffff_ffff) as f64)
    }
}

impl Add for Exact {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        let (high, error) = two_sum(self.high, other.high);
        let (low, rest) = two_sum(self.low, other.low);
        let sum = Self::normal(high, error + low);
        Self::normal(sum.high, sum.low + rest)
    }
}

impl Neg for Exact {
    type Output = Self;

    fn neg(self) -> Self {
        Self {
            high: -self.high,
            low: -self.low,
        }
    }
}

impl Sub for Exact {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Mul for Exact {
    type Output = Self;

    fn mul(self, other: Self) -> Self {
        let product = Self::product(self.high, other.high);
        Self::normal(
            product.high,
            product.low + (self.high * other.low + self.low * other.high),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_times_three_is_one_to_a_hundred_bits() {
        let third = Exact::from(1.0).over(3.0);
        let rest = third * Exact::from(3.0) - Exact::from(1.0);
        assert!(rest.nearest().abs() < 1e-31, "{rest:?}");
    }

    #[test]
    fn what_plain_sums_lose_is_kept() {
        let sum = Exact::from(1e16) + Exact::from(1.25) - Exact::from(1e16);
        assert_eq!(sum.nearest(), 1.25);
        assert_eq!(
            (Exact::from(1e16) + Exact::from(0.25)).floor(),
            (10_000_000_000_000_000, Exact::from(0.25))
        );
        assert_eq!(
            (Exact::from(1e16) - Exact::from(0.25)).floor(),
            (9_999_999_999_999_999, Exact::from(0.75))
        );
        assert_eq!(
            Exact::from(u64::MAX).floor(),
            (i128::from(u64::MAX), Exact::from(0.0))
        );
    }
}
