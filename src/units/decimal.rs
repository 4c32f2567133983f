//! Numbers in tables and messages.

use std::fmt;

/// Shows a number as it is formatted otherwise (`{:>8.3}`), but a zero never has a minus:
/// neither −0 itself nor what rounds to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decimal(pub f64);

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(value) = *self;
        let zero =
            value > -1.0 && value.is_sign_negative() && written_as_zero(value, f.precision());
        let shown = if zero { 0.0 } else { value };
        fmt::Display::fmt(&shown, f)
    }
}

/// Shows a number to four significant digits, without trailing zeros.
#[derive(Debug, Clone, Copy)]
pub struct Rounded(pub f64);

impl fmt::Display for Rounded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = self.0;
        if value == 0.0 || !value.is_finite() {
            return write!(f, "{}", Decimal(value));
        }
        let magnitude = magnitude(value);
        if !(-4..7).contains(&magnitude) {
            return write!(f, "{value:.3e}");
        }
        f.write_str(&short(value, (3 - magnitude).clamp(0, 9) as usize))
    }
}

/// Shows a length of travel: at least six significant digits and every digit before the
/// point, at most five behind it, without trailing zeros. `{:+}` adds a plus. From 10¹⁵
/// on, where a double no longer holds every digit, it is written with an exponent.
#[derive(Debug, Clone, Copy)]
pub struct Exactly(pub f64);

impl fmt::Display for Exactly {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = self.0;
        let text = if value.abs() < 1e15 {
            let decimals = (5 - magnitude(value.abs().max(1.0))).max(0) as usize;
            format!("{:.*}", decimals, Decimal(value))
        } else if value.is_finite() {
            format!("{value:.5e}")
        } else {
            value.to_string()
        };
        if f.sign_plus() && !text.starts_with('-') {
            f.write_str("+")?;
        }
        f.write_str(without_trailing_zeros(&text))
    }
}

fn without_trailing_zeros(text: &str) -> &str {
    if text.contains('.') && !text.contains('e') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        text
    }
}

/// The number with so many decimals at most, without trailing zeros.
pub(crate) fn short(value: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", Decimal(value));
    without_trailing_zeros(&text).to_owned()
}

/// The power of ten of a number's first digit: of zero and of infinity, one that no number has.
pub(crate) fn magnitude(value: f64) -> i32 {
    value.abs().log10().floor().clamp(-400.0, 400.0) as i32
}

/// To two significant digits; nothing is left of what is not above zero.
pub fn two_digits(value: f64) -> f64 {
    to_digits(value, 2, f64::round)
}

/// To two significant digits, downwards.
pub fn two_digits_down(value: f64) -> f64 {
    to_digits(value, 2, f64::floor)
}

/// To two significant digits, upwards.
pub fn two_digits_up(value: f64) -> f64 {
    to_digits(value, 2, f64::ceil)
}

/// To so many significant digits by `round`; nothing is left of what is not above zero. What is
/// too small for a power of ten, or is no number, stays as it is.
pub(crate) fn to_digits(value: f64, digits: i32, round: impl Fn(f64) -> f64) -> f64 {
    if value <= 0.0 {
        return 0.0;
    }
    let last = magnitude(value) + 1 - digits;
    let scale = 10f64.powi(last.abs());
    if !scale.is_finite() {
        return value;
    }
    // Divided by a power of ten above one, multiplied below it: both are exact then.
    if last >= 0 {
        round(value / scale) * scale
    } else {
        round(value * scale) / scale
    }
}

fn written_as_zero(value: f64, decimals: Option<usize>) -> bool {
    match decimals {
        None => value == 0.0,
        Some(decimals) => {
            let text = format!("{value:.decimals$}");
            !text.bytes().any(|byte| (b'1'..=b'9').contains(&byte))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_digits_are_kept_and_rounded_as_asked() {
        assert_eq!(two_digits_down(647.3), 640.0);
        assert_eq!(two_digits_down(0.0987), 0.098);
        assert_eq!(two_digits_up(1.3201), 1.4);
        assert_eq!(two_digits(1.3201), 1.3);
        assert_eq!(two_digits_down(-1.0), 0.0);
    }

    #[test]
    fn travels_of_every_magnitude_are_written() {
        assert_eq!(format!("{:+}", Exactly(51.428_571_428)), "+51.4286");
        assert_eq!(format!("{:+}", Exactly(-45.0)), "-45");
        assert_eq!(format!("{:+}", Exactly(1e-7)), "+0");
        assert_eq!(format!("{:+}", Exactly(999_999.96)), "+1000000");
        assert_eq!(format!("{:+}", Exactly(10_000_080.0)), "+10000080");
        assert_eq!(
            format!("{}", Exactly(123_456_789_012_345.6)),
            "123456789012346"
        );
        assert_eq!(format!("{}", Exactly(-2.5e15)), "-2.50000e15");
        for exponent in -320..=307 {
            let value: f64 = format!("9.99e{exponent}").parse().expect("a number");
            let text = format!("{:+}", Exactly(-value));
            let read: f64 = text.parse().expect("what was written reads as a number");
            assert!(
                (read + value).abs() <= 5e-6 * value.max(1.0),
                "{value:e}: {text}"
            );
        }
    }

    #[test]
    fn numbers_of_every_magnitude_are_rounded() {
        for exponent in -320..=307 {
            // Numbers that small have no four digits left.
            let off = if exponent < -300 { 0.1 } else { 1e-3 };
            let value: f64 = format!("7.3462e{exponent}").parse().expect("a number");
            let read: f64 = Rounded(-value).to_string().parse().expect("a number");
            assert!((read + value).abs() <= off * value, "{value:e}: {read:e}");
            let two = [two_digits_down(value), value, two_digits_up(value)];
            assert!(two.is_sorted() && two[2] <= 1.1 * two[0], "{two:?}");
            assert_eq!(magnitude(value), exponent);
        }
        assert_eq!(two_digits(5e-324), 5e-324);
        assert_eq!(two_digits(f64::INFINITY), f64::INFINITY);
        assert!(magnitude(0.0) < -324 && magnitude(f64::INFINITY) > 308);
        assert_eq!(short(-0.0004, 3), "0");
        assert_eq!(short(12.340, 3), "12.34");
        assert_eq!(short(1200.0, 0), "1200");
    }

    #[test]
    fn a_zero_has_no_minus_however_it_is_rounded() {
        assert_eq!(format!("{:>8.4}", Decimal(-1e-5)), "  0.0000");
        assert_eq!(format!("{:.0}", Decimal(-0.5)), "0");
        assert_eq!(format!("{}", Decimal(-0.0)), "0");
        assert_eq!(format!("{:+.1}", Decimal(-0.01)), "+0.0");
        assert_eq!(format!("{:.4}", Decimal(-5.1e-5)), "-0.0001");
        assert_eq!(format!("{:.1}", Decimal(-0.06)), "-0.1");
        assert_eq!(format!("{:.1}", Decimal(f64::NAN)), "NaN");
    }
}
