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
        let magnitude = value.abs().log10().floor();
        if !(-4.0..7.0).contains(&magnitude) {
            return write!(f, "{value:.3e}");
        }
        let decimals = (3.0 - magnitude).clamp(0.0, 9.0) as usize;
        let text = format!("{value:.decimals$}");
        let text = if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.')
        } else {
            &text
        };
        f.write_str(text)
    }
}

/// To two significant digits; nothing is left of what is not above zero.
pub fn two_digits(value: f64) -> f64 {
    to_two_digits(value, f64::round)
}

/// To two significant digits, downwards.
pub fn two_digits_down(value: f64) -> f64 {
    to_two_digits(value, f64::floor)
}

/// To two significant digits, upwards.
pub fn two_digits_up(value: f64) -> f64 {
    to_two_digits(value, f64::ceil)
}

fn to_two_digits(value: f64, round: impl Fn(f64) -> f64) -> f64 {
    if value <= 0.0 {
        return 0.0;
    }
    let unit = 10f64.powi(value.log10().floor() as i32 - 1);
    // Divided by a power of ten above one, multiplied below it: both are exact then.
    let inverse = 10f64.powi(1 - value.log10().floor() as i32);
    if unit >= 1.0 {
        round(value / unit) * unit
    } else {
        round(value * inverse) / inverse
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
