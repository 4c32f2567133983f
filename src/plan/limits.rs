//! The limits of a move: the script's and the rig's put together, in microsteps.
//!
//! The script's limit for the axis goes before its limit for every axis; of the
//! script's and the rig's, the stricter holds. A script that sets no limit leaves the
//! rig's.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::plan::AxisLimits;
use crate::plan::position::TravelScale;
use crate::rig::Axis;
use crate::script::action::SpeedLimits;
use crate::script::{MovePace, Settings, Shape};
use crate::units::{Dimension, Quantity};

/// Share that arithmetic may be off by: chosen, above the rounding of a few conversions.
const ROUNDING: f64 = 1e-9;

/// What limits there are. Units: microsteps/s, /s², /s³.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct KnownLimits {
    speed: Option<f64>,
    accel: Option<f64>,
    decel: Option<f64>,
    jerk: Option<f64>,
    rig_has_jerk: bool,
    start: f64,
    cuts: [Option<CutLimit>; 4],
}

/// A limit of the script that goes beyond the rig's, which holds instead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CutLimit {
    /// As the script writes the limit.
    pub word: &'static str,
    /// Where its value is written.
    pub span: Span,
    /// What is written (microsteps/s, /s² or /s³).
    pub asked: f64,
    /// What holds.
    pub allowed: f64,
    /// Travel over time to this power.
    pub power: i8,
}

impl CutLimit {
    /// The script's value cut to the rig's limit, where it is above it.
    fn of(kind: &LimitKind, script: Option<(f64, Span)>, rig: Option<f64>) -> Option<Self> {
        let ((asked, span), allowed) = script.zip(rig)?;
        let cut = Self {
            word: kind.word,
            span,
            asked,
            allowed,
            power: kind.power,
        };
        // The same value, converted twice, may differ by rounding.
        (asked > allowed * (1.0 + ROUNDING)).then_some(cut)
    }
}

impl KnownLimits {
    /// What of the script is cut for a move of that pace.
    pub(crate) fn cuts(&self, pace: MovePace) -> impl Iterator<Item = CutLimit> {
        // A speed of its own stands in for the script's.
        let own_speed = matches!(pace, MovePace::At(..));
        let cuts = self.cuts.into_iter().flatten();
        cuts.filter(move |cut| !(own_speed && cut.word == SPEED.word))
    }
}

/// An axis of the rig as the limits need it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LimitedAxis<'a> {
    /// The axis.
    pub axis: &'a Axis,
    /// How its travel becomes microsteps.
    pub scale: &'a TravelScale,
    /// The script that the settings are written in.
    pub source: &'a Arc<Source>,
}

/// A limit that a script or rig can set.
struct LimitKind {
    /// As the script writes it.
    word: &'static str,
    /// As the rig writes it.
    rig_key: &'static str,
    /// Travel over time to this power.
    power: i8,
    /// Examples of its value, rotary and linear.
    examples: [&'static str; 2],
}

const SPEED: LimitKind = LimitKind {
    word: "speed",
    rig_key: "speed",
    power: 1,
    examples: ["120 deg/s", "80 mm/s"],
};
const ACCEL: LimitKind = LimitKind {
    word: "accel",
    rig_key: "acceleration",
    power: 2,
    examples: ["600 deg/s^2", "400 mm/s^2"],
};
const DECEL: LimitKind = LimitKind {
    word: "decel",
    ..ACCEL
};
const JERK: LimitKind = LimitKind {
    word: "jerk",
    rig_key: "jerk",
    power: 3,
    examples: ["9000 deg/s^3", "6000 mm/s^3"],
};
const START: LimitKind = LimitKind {
    word: "start",
    ..SPEED
};

impl LimitedAxis<'_> {
    /// The limits that hold on this axis under those settings.
    ///
    /// # Errors
    /// A limit of the script that is not in units of the axis's travel, or not above
    /// zero.
    pub(crate) fn known(&self, settings: &Settings) -> Result<KnownLimits, Diagnostic> {
        let own = settings
            .axis
            .iter()
            .rev()
            .find(|(name, _)| **name == *self.axis.name)
            .map_or_else(SpeedLimits::default, |(_, limits)| *limits);
        let all = &settings.all;
        let rig = &self.axis.limits;
        let script = |written: Option<(Quantity, Span)>, kind: &LimitKind| {
            written
                .map(|(quantity, span)| Ok((self.rate(quantity, span, kind)?, span)))
                .transpose()
        };
        let stricter = |script: Option<(f64, Span)>, rig: Option<f64>| {
            let script = script.map(|(limit, _)| limit);
            match (script, rig) {
                (Some(script), Some(rig)) => Some(script.min(rig)),
                (one, other) => one.or(other),
            }
        };
        let of_rig = |limit: Option<f64>| limit.map(|limit| self.in_microsteps(limit));
        let most = [rig.speed, rig.acceleration, rig.jerk].map(of_rig);
        let speed = script(own.speed.or(all.speed), &SPEED)?;
        let accel = script(own.accel.or(all.accel), &ACCEL)?;
        let decel = script(own.decel.or(all.decel), &DECEL)?;
        let jerk = script(own.jerk.or(all.jerk), &JERK)?;
        Ok(KnownLimits {
            speed: stricter(speed, most[0]),
            accel: stricter(accel, most[1]),
            decel: stricter(decel.or(accel), most[1]),
            jerk: stricter(jerk, most[2]),
            rig_has_jerk: rig.jerk.is_some(),
            start: script(own.start.or(all.start), &START)?.map_or(0.0, |(start, _)| start),
            cuts: [
                CutLimit::of(&SPEED, speed, most[0]),
                CutLimit::of(&ACCEL, accel, most[1]),
                CutLimit::of(&DECEL, decel, most[1]),
                CutLimit::of(&JERK, jerk, most[2]),
            ],
        })
    }

    /// How a speed that a move is written with, in microsteps/s, is cut.
    pub(crate) fn cut_speed(&self, asked: f64, span: Span) -> Option<CutLimit> {
        let limit = self.axis.limits.speed;
        CutLimit::of(
            &SPEED,
            Some((asked, span)),
            limit.map(|limit| self.in_microsteps(limit)),
        )
    }

    /// A limit of the rig as microsteps instead of travel.
    fn in_microsteps(&self, limit: f64) -> f64 {
        limit * self.axis.microsteps_per_travel()
    }

    /// The limits of a move of that shape, cruising at `at` at most.
    ///
    /// # Errors
    /// A limit that the shape needs and that neither script nor rig gives; a limit of
    /// the rig that the shape cannot keep. The place is that of the move.
    pub(crate) fn limits(
        &self,
        known: &KnownLimits,
        shape: Shape,
        at: Option<f64>,
        place: Span,
    ) -> Result<AxisLimits, Diagnostic> {
        let speed = match (known.speed, at) {
            (Some(limit), Some(at)) => Some(limit.min(at)),
            (one, other) => one.or(other),
        };
        let optional = shape.follows_torque();
        let need = |limit: Option<f64>, kind: &LimitKind| match limit {
            Some(limit) => Ok(limit),
            None if optional => Ok(f64::INFINITY),
            None => Err(self.missing(kind, place)),
        };
        let jerk = match shape {
            Shape::Trapezoid if known.rig_has_jerk => {
                return Err(Diagnostic::error(
                    "jerk-needs-another-shape",
                    format!(
                        "axis “{}” has a jerk limit in the rig, and a trapezoid cannot keep one",
                        self.axis.name
                    ),
                )
                .at(self.source, place, "this move has the shape trapezoid")
                .help(
                    "write “shape s-curve” above the move, or take “jerk” out of the rig's limits",
                ));
            }
            Shape::Trapezoid => None,
            Shape::SCurve => Some(need(known.jerk, &JERK)?),
            Shape::FullTorque => known.jerk,
        };
        let speed = need(speed, &SPEED)?;
        Ok(AxisLimits {
            speed,
            accel: need(known.accel, &ACCEL)?,
            decel: need(known.decel, &DECEL)?,
            jerk,
            start: known.start.min(speed),
        })
    }

    /// The limits of a move at constant speed, from rest and to rest at once, of `at` at most.
    ///
    /// # Errors
    /// Neither script nor rig gives a speed. The place is that of the move.
    pub(crate) fn steady(
        &self,
        known: &KnownLimits,
        at: Option<f64>,
        place: Span,
    ) -> Result<AxisLimits, Diagnostic> {
        let speeds = known.speed.into_iter().chain(at);
        let speed = speeds.reduce(f64::min);
        let speed = speed.ok_or_else(|| self.missing(&SPEED, place))?;
        Ok(AxisLimits {
            speed,
            accel: f64::INFINITY,
            decel: f64::INFINITY,
            jerk: None,
            start: speed,
        })
    }

    /// A speed that a move is written with, in microsteps/s.
    ///
    /// # Errors
    /// It is not a speed of this axis's travel, or not above zero.
    pub(crate) fn speed(&self, quantity: Quantity, span: Span) -> Result<f64, Diagnostic> {
        self.rate(quantity, span, &SPEED)
    }

    fn rate(&self, quantity: Quantity, span: Span, kind: &LimitKind) -> Result<f64, Diagnostic> {
        let example = kind.examples[usize::from(self.scale.is_linear())];
        let Dimension { time, .. } = quantity.dimension;
        let travel = Quantity {
            dimension: Dimension {
                time: 0,
                ..quantity.dimension
            },
            ..quantity
        };
        let rate = self
            .scale
            .microsteps(travel)
            .filter(|_| time == -kind.power)
            .ok_or_else(|| {
                Diagnostic::error(
                    "wrong-unit",
                    format!(
                        "“{}” on axis “{}” cannot be {}",
                        kind.word, self.axis.name, quantity.dimension
                    ),
                )
                .at(self.source, span, quantity.dimension.to_string())
                .help(self.instead(kind, example))
            })?
            .nearest();
        let least_allowed = kind.word == START.word && rate == 0.0;
        if rate.is_finite() && (rate > 0.0 || least_allowed) {
            return Ok(rate);
        }
        Err(Diagnostic::error(
            "impossible-limit",
            format!("“{}” must be above zero", kind.word),
        )
        .at(self.source, span, "this is not")
        .help(format!("write for instance “{} {example}”", kind.word)))
    }

    fn instead(&self, kind: &LimitKind, example: &str) -> String {
        let name = &self.axis.name;
        let travels = if self.scale.is_linear() {
            "travels in a line"
        } else {
            "turns"
        };
        format!(
            "“{name}” {travels}: write for instance “{} {name} {example}”",
            kind.word
        )
    }

    fn missing(&self, kind: &LimitKind, place: Span) -> Diagnostic {
        let example = kind.examples[usize::from(self.scale.is_linear())];
        Diagnostic::error(
            "missing-limit",
            format!(
                "neither the script nor the rig limits the {} of axis “{}”",
                kind.rig_key, self.axis.name
            ),
        )
        .at(self.source, place, "this move needs it")
        .help(format!(
            "write for instance “{} {example}” above the move, or “{}: {example}” under the limits of “{}” in the rig",
            kind.word, kind.rig_key, self.axis.name
        ))
    }
}
