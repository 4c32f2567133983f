//! Round numbers along an axis, and how they are written. The page's script does the same when
//! the plots are zoomed.

use crate::units::magnitude;

/// Round numbers along an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ticks {
    first: f64,
    step: f64,
    count: usize,
    decimals: usize,
}

impl Ticks {
    /// At most `most` of them between `low` and `high`, 1, 2 or 5 times a power of ten apart.
    pub(super) fn new(low: f64, high: f64, most: usize) -> Self {
        let least = (high - low) / most as f64;
        let power = 10f64.powi(magnitude(least));
        let step = [1.0, 2.0, 5.0, 10.0]
            .map(|factor| factor * power)
            .into_iter()
            .find(|step| *step >= least * (1.0 - 1e-9));
        let step = step.unwrap_or(10.0 * power);
        let first = (low / step - 1e-9).ceil();
        let last = (high / step + 1e-9).floor();
        let decimals = (-magnitude(step * (1.0 + 1e-9))).clamp(0, 12) as usize;
        Self {
            first,
            step,
            count: (last - first + 1.0).max(0.0) as usize,
            decimals,
        }
    }

    pub(super) fn labels(self) -> impl Iterator<Item = (f64, String)> {
        (0..self.count).map(move |index| {
            let value = (self.first + index as f64) * self.step;
            let text = format!("{value:.*}", self.decimals);
            let zero = text
                .trim_start_matches('-')
                .chars()
                .all(|c| c == '0' || c == '.');
            (
                value,
                if zero {
                    "0".to_owned()
                } else {
                    text.replace('-', "−")
                },
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(low: f64, high: f64, most: usize) -> Vec<String> {
        Ticks::new(low, high, most)
            .labels()
            .map(|(_, label)| label)
            .collect()
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(labels(0.0, 12.6, 9), ["0", "2", "4", "6", "8", "10", "12"]);
        assert_eq!(labels(-0.03, 0.31, 6), ["0", "0.1", "0.2", "0.3"]);
        assert_eq!(labels(-130.0, 130.0, 6), ["−100", "−50", "0", "50", "100"]);
        assert_eq!(
            labels(0.0, 1.0, 5),
            ["0", "0.2", "0.4", "0.6", "0.8", "1.0"]
        );
    }
}
