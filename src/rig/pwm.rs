//! Converters made of a PWM output and a filter for each phase.

use super::fields::{Bounds, Fields};
use crate::units::{Frequency, Time};

/// What makes a reference voltage of a duty cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PwmConverters {
    /// Periods of the PWM a second.
    pub frequency: Frequency,
    /// Time constant of each of the filter's equal sections, which do not load each other.
    pub time_constant: Time,
    /// Sections: 1 or 2.
    pub order: u32,
}

impl PwmConverters {
    /// `converter_filter` of a drive; `bits` is what its converters have, `on_bus` whether they
    /// are on a serial bus.
    pub(super) fn read(fields: &mut Fields<'_>, bits: Option<u32>, on_bus: bool) -> Option<Self> {
        let entry = fields.take("converter_filter")?;
        let place = entry.value.place.clone();
        if bits.is_none() || on_bus {
            let (what, help) = if on_bus {
                (
                    "`converter_filter` is for PWM, and `converter_frame` for a serial bus",
                    "leave one of them out",
                )
            } else {
                (
                    "`converter_filter` needs the bits of its PWM",
                    "write `converter_bits: 8`, or as many as the PWM has",
                )
            };
            fields.problem(place.error("not-a-filter", what, "here").help(help));
            return None;
        }
        let mut table = Fields::of(
            "`converter_filter`",
            entry.key_place,
            entry.value,
            fields.problems(),
        )?;
        let frequency = table.required("pwm_frequency", Bounds::positive(1.0, 1e7));
        let has = ["time_constant", "cutoff"].map(|key| table.has(key));
        let time_constant: Option<Time> =
            table.optional("time_constant", Bounds::positive(1e-7, 1.0));
        let cutoff: Option<Frequency> = table.optional("cutoff", Bounds::positive(0.1, 1e6));
        let order = table.whole("order", 1..=2);
        if has[0] == has[1] {
            table.problem(
                place
                    .error(
                        "not-a-filter",
                        "a filter has either a `time_constant` or a `cutoff`",
                        "here",
                    )
                    .help("write one of them: `time_constant: 100 us` is a `cutoff` of 1.59 kHz"),
            );
        }
        table.finish();
        let of_cutoff = |cutoff: Frequency| Time::new(1.0 / (std::f64::consts::TAU * cutoff.si()));
        Some(Self {
            frequency: frequency?,
            time_constant: time_constant.or(cutoff.map(of_cutoff))?,
            order: order.unwrap_or(1),
        })
    }
}
