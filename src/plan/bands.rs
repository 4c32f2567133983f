//! Critical speeds, and how a cruise keeps out of them.
//!
//! A move passes a band as steeply as its ramps allow; it only must not stay there. A
//! cruise speed inside a band goes to the band's lower edge, since the speed that was
//! asked for is a limit and no limit is ever exceeded. (A move with a time of its own
//! may go to the upper edge: see [`timed`](crate::plan::timed).) So does the peak of a
//! move that never cruises, where it would stay in the band for long.

/// The least share of its speed that a cruise is slowed to (chosen). A motor without damping can
/// be rough at all lower speeds too; then there is no gap to go to, and the cruise stays
/// and is reported.
pub(crate) const CRAWL: f64 = 0.25;

/// Ranges of critical speed along a path (microsteps/s), apart from each other and rising.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Bands {
    ranges: Vec<(f64, f64)>,
    patience: f64,
}

impl Bands {
    /// Those ranges, put together where they overlap or touch. A peak of the speed may
    /// stay in one for `patience` seconds: a period of the natural frequency.
    pub(crate) fn new(ranges: impl IntoIterator<Item = (f64, f64)>, patience: f64) -> Self {
        let mut ranges: Vec<(f64, f64)> = ranges.into_iter().collect();
        ranges.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut joined: Vec<(f64, f64)> = Vec::with_capacity(ranges.len());
        for range in ranges {
            match joined.last_mut() {
                Some(last) if range.0 <= last.1 => last.1 = last.1.max(range.1),
                _ => joined.push(range),
            }
        }
        Self {
            ranges: joined,
            patience,
        }
    }

    /// The ranges, rising.
    pub(crate) fn ranges(&self) -> &[(f64, f64)] {
        &self.ranges
    }

    /// How long a peak of the speed may stay in a range (s).
    pub(crate) const fn patience(&self) -> f64 {
        self.patience
    }

    /// Whether one of the ranges overlaps that one.
    pub(crate) fn overlap(&self, range: (f64, f64)) -> bool {
        let overlaps = |own: &(f64, f64)| own.0 < range.1 && range.0 < own.1;
        self.ranges.iter().any(overlaps)
    }

    /// The range that the speed lies inside of; its edges are outside.
    pub(crate) fn around(&self, speed: f64) -> Option<(f64, f64)> {
        self.ranges
            .iter()
            .copied()
            .find(|(from, to)| *from < speed && speed < *to)
    }

    /// The highest speed, up to `speed`, outside of every range; none where that would
    /// be a crawl, below [`CRAWL`] times the speed.
    pub(crate) fn below(&self, speed: f64) -> Option<f64> {
        let edge = self.around(speed).map_or(speed, |(from, _)| from);
        (edge > CRAWL * speed).then_some(edge)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlapping_bands_are_left_together() {
        let bands = Bands::new(
            [(50.0, 80.0), (10.0, 20.0), (70.0, 100.0), (100.0, 110.0)],
            0.0,
        );
        assert_eq!(bands.around(105.0), Some((50.0, 110.0)));
        assert_eq!(bands.below(105.0), Some(50.0));
        assert_eq!(bands.below(20.0), Some(20.0));
        assert_eq!(bands.below(110.0), Some(110.0));
        assert_eq!(Bands::new([(0.5, 5.0)], 0.0).below(3.0), None);
    }
}
