//! Motions sampled over time: what every curve over time is drawn from.
//!
//! Segments in which the curve bends get many samples, straight ones their ends.

use crate::plan::{AxisMotion, Segment, Travel};
use crate::rig::{Axis, TravelUnit};

/// What a curve shows, which says where it bends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shows {
    /// Speed: straight where there is no jerk.
    Speed,
    /// Position, or position and more: straight only where the speed is steady.
    Position,
}

/// How a motion is sampled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sampling {
    /// What is shown.
    pub(super) shows: Shows,
    /// Stretches that a segment in which the curve bends is cut into.
    pub(super) in_bend: usize,
    /// Whether an edge between segments is sampled on both of its sides; else the end of
    /// each segment shows both.
    pub(super) both_sides: bool,
    /// A motion of more segments than this is short in each of them; of those, only some
    /// are sampled, at their starts.
    pub(super) many: usize,
}

/// An instant of an axis in motion, in the unit of its load's travel.
#[derive(Debug, Clone, Copy)]
pub(super) struct MotionSample<'a> {
    /// Seconds since the motion's start.
    pub(super) time: f64,
    /// Where the load is.
    pub(super) position: f64,
    /// How fast it goes, with its sign (a second).
    pub(super) speed: f64,
    /// The segment of the motion …
    pub(super) segment: &'a Segment,
    /// … and the seconds since its start.
    pub(super) after: f64,
}

impl Sampling {
    /// The samples of a motion of `axis` over `travel`, in the order of time.
    pub(super) fn of<'a>(
        self,
        axis: &Axis,
        motion: &'a AxisMotion,
        travel: &Travel,
    ) -> impl Iterator<Item = MotionSample<'a>> {
        let per_si = TravelUnit::of(axis).per_si;
        let scale = motion.direction.sign() as f64 * per_si / axis.microsteps_per_travel();
        let from = travel.from * per_si;
        self.instants(motion)
            .into_iter()
            .map(move |(time, segment, after)| MotionSample {
                time,
                position: from + segment.position_at(after) * scale,
                speed: segment.velocity_at(after) * scale,
                segment,
                after,
            })
    }

    /// Seconds since the motion's start, the segment, seconds since the segment's start.
    fn instants(self, motion: &AxisMotion) -> Vec<(f64, &Segment, f64)> {
        let mut found = Vec::new();
        let mut start = 0.0;
        for (index, segment) in motion.segments.iter().enumerate() {
            let instants = self.within(index, motion.segments.len(), segment);
            found.extend(instants.map(|after| (start + after, segment, after)));
            start += segment.duration;
        }
        found
    }

    /// Seconds since the start of a segment, the `index`th of `count`.
    fn within(self, index: usize, count: usize, segment: &Segment) -> impl Iterator<Item = f64> {
        let (first, last) = if count > self.many {
            let every = count.div_ceil(self.many * self.in_bend);
            let end = index + 1 == count;
            let taken = end || index.is_multiple_of(every);
            // An empty range where the segment is passed over.
            (usize::from(!taken), usize::from(end))
        } else {
            let bends = match self.shows {
                Shows::Speed => segment.jerk != 0.0,
                Shows::Position => segment.jerk != 0.0 || segment.acceleration != 0.0,
            };
            (
                usize::from(!self.both_sides),
                if bends { self.in_bend } else { 1 },
            )
        };
        let duration = segment.duration;
        (first..=last).map(move |point| duration * point as f64 / last.max(1) as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{AxisLimits, Direction};

    const RAMP: Segment = Segment {
        duration: 0.5,
        position: 0.0,
        velocity: 0.0,
        acceleration: 8.0,
        jerk: 0.0,
    };

    fn motion(segments: Vec<Segment>) -> AxisMotion {
        AxisMotion {
            axis: 0,
            direction: Direction::Positive,
            steps: 1,
            segments,
            limits: AxisLimits {
                speed: 4.0,
                accel: 8.0,
                decel: 8.0,
                jerk: None,
                start: 0.0,
            },
        }
    }

    fn times(sampling: Sampling, segments: Vec<Segment>) -> Vec<f64> {
        let motion = motion(segments);
        let instants = sampling.instants(&motion);
        instants.into_iter().map(|(time, ..)| time).collect()
    }

    const POSITION: Sampling = Sampling {
        shows: Shows::Position,
        in_bend: 2,
        both_sides: true,
        many: 16,
    };

    #[test]
    fn bends_get_samples_and_straight_lines_their_ends() {
        let cruise = Segment {
            acceleration: 0.0,
            ..RAMP
        };
        assert_eq!(
            times(POSITION, vec![RAMP, cruise]),
            [0.0, 0.25, 0.5, 0.5, 1.0]
        );
        // The speed of a ramp is a straight line.
        let speed = Sampling {
            shows: Shows::Speed,
            ..POSITION
        };
        assert_eq!(times(speed, vec![RAMP, cruise]), [0.0, 0.5, 0.5, 1.0]);
        let ends = Sampling {
            both_sides: false,
            ..POSITION
        };
        assert_eq!(times(ends, vec![RAMP, cruise]), [0.25, 0.5, 1.0]);
    }

    #[test]
    fn of_many_segments_some_are_taken_and_the_end_always() {
        let few = Sampling {
            many: 2,
            ..POSITION
        };
        // Ten segments, four of them wanted: every third, and both ends of the last.
        assert_eq!(times(few, vec![RAMP; 10]), [0.0, 1.5, 3.0, 4.5, 5.0]);
        assert_eq!(times(few, vec![RAMP; 9]), [0.0, 1.5, 3.0, 4.0, 4.5]);
    }
}
