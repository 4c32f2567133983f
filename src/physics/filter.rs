//! What a filter makes of a PWM: its ripple, how soon it settles, how far it lags.
//!
//! n equal sections that do not load each other, H(jω) = (1 + jωτ)⁻ⁿ, are fed a square wave of
//! period T whose duty cycle is the code:
//!
//! ```text
//! ripple     greatest less least of the steady state at half scale, where it is most
//!            n = 1: tanh(T/4τ) of full scale;  n = 2: from its harmonics
//! settling   rest of a step after x = t/τ:  n = 1: e⁻ˣ;  n = 2: (1 + x) e⁻ˣ
//! lag        n atan ωτ, and the amplitude (1 + (ωτ)²)^(−n/2), of a sine of frequency ω
//! ```
//!
//! | symbol | what | unit |
//! | --- | --- | --- |
//! | τ | time constant of a section | s |
//! | T | period of the PWM | s |
//! | ω | frequency of the phase currents: one cycle is four full steps | rad/s |
//!
//! Source: textbook theory of linear systems; the square wave's steady state through one section
//! in closed form.

use std::f64::consts::{PI, TAU};

use crate::rig::{Axis, PwmConverters};

/// Harmonics of the square wave that are added up: chosen, those beyond are below 10⁻⁴ of the
/// ripple of two sections.
const HARMONICS: usize = 21;
/// Points of a period at which the ripple is looked at.
const POINTS: usize = 400;
/// How far the currents may lag behind what is commanded (rad): chosen, 10 electrical degrees,
/// where one section leaves 98.5 % of the amplitude.
pub(crate) const MOST_LAG: f64 = 10.0 * PI / 180.0;

/// The filters of an axis's converters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConverterFilter {
    pwm: PwmConverters,
    bits: u32,
}

impl ConverterFilter {
    /// None where its converters are no filtered PWM.
    pub fn of(axis: &Axis) -> Option<Self> {
        let pwm = axis.drive.lines.pwm?;
        let bits = axis.drive.converter?.bits;
        Some(Self { pwm, bits })
    }

    /// The same with another time constant (s).
    pub(crate) fn with(self, time_constant: f64) -> Self {
        let time_constant = crate::units::Time::new(time_constant);
        let pwm = PwmConverters {
            time_constant,
            ..self.pwm
        };
        Self { pwm, ..self }
    }

    /// τ (s).
    pub(crate) fn time_constant(&self) -> f64 {
        self.pwm.time_constant.si()
    }

    /// n.
    pub(crate) const fn sections(&self) -> u32 {
        self.pwm.order
    }

    /// Codes of the full scale.
    fn codes(&self) -> f64 {
        f64::from(self.bits).exp2()
    }

    /// Ripple from peak to peak at half scale (codes).
    pub fn ripple(&self) -> f64 {
        let period = 1.0 / self.pwm.frequency.si();
        let share = match self.pwm.order {
            1 => (period / (4.0 * self.time_constant())).tanh(),
            order => {
                let omega = TAU / period;
                let at = |point: usize| {
                    let turn = TAU * point as f64 / POINTS as f64;
                    let harmonics = (0..HARMONICS).map(|k| (2 * k + 1) as f64);
                    let each = harmonics.map(|k| {
                        let angle = f64::from(order) * (k * omega * self.time_constant()).atan();
                        2.0 / (PI * k) * self.gain(k * omega) * (k * turn - angle).sin()
                    });
                    each.sum::<f64>()
                };
                let points = || (0..POINTS).map(at);
                points().fold(f64::MIN, f64::max) - points().fold(f64::MAX, f64::min)
            }
        };
        share * self.codes()
    }

    /// What of the amplitude at `omega` (rad/s) is left behind it, or where there is none.
    pub(crate) fn left(filter: Option<Self>, omega: f64) -> f64 {
        filter.map_or(1.0, |filter| filter.gain(omega))
    }

    /// From a step over the whole scale until half a code is left of it (s).
    pub fn settling(&self) -> f64 {
        let rest = 0.5 / self.codes();
        let left = |x: f64| match self.pwm.order {
            1 => (-x).exp(),
            _ => (1.0 + x) * (-x).exp(),
        };
        let (mut early, mut late) = (0.0, 100.0);
        while late - early > 1e-9 {
            let middle = f64::midpoint(early, late);
            if left(middle) > rest {
                early = middle;
            } else {
                late = middle;
            }
        }
        late * self.time_constant()
    }

    /// Amplitude that is left of a sine of that frequency (rad/s).
    pub fn gain(&self, omega: f64) -> f64 {
        let section = 1.0 / (omega * self.time_constant()).hypot(1.0);
        section.powi(self.pwm.order as i32)
    }

    /// How far a sine of that frequency lags behind (rad).
    pub fn lag(&self, omega: f64) -> f64 {
        f64::from(self.pwm.order) * (omega * self.time_constant()).atan()
    }

    /// The full-step rate (1/s) above which the currents lag too far behind.
    pub fn fastest(&self) -> f64 {
        4.0 * (MOST_LAG / f64::from(self.pwm.order)).tan() / (TAU * self.time_constant())
    }

    /// What the first section and the last give at the end of each of `targets`, which follow each
    /// other every `step` seconds and repeat themselves for ever.
    ///
    /// With x = step/τ a target a leaves of the sections' errors e⁻ˣ (s₁ − a) and
    /// e⁻ˣ (s₂ − a + x (s₁ − a)). Over one round of all targets, s ↦ M s + v with
    /// M = e⁻ˣ [1 0; X 1] and X the sum of all x, so that they repeat from s = (1 − M)⁻¹ v on.
    pub(crate) fn repeating(&self, targets: &[f64], step: f64) -> Vec<[f64; 2]> {
        let x = step / self.time_constant();
        let left = libm::exp(-x);
        let round = |from: [f64; 2]| {
            targets.iter().scan(from, move |[first, last], target| {
                let (error, last_error) = (*first - target, *last - target);
                *first = target + left * error;
                *last = match self.pwm.order {
                    1 => *first,
                    _ => target + left * (last_error + x * error),
                };
                Some([*first, *last])
            })
        };
        let all = x * targets.len() as f64;
        let (lost, rest) = (-libm::expm1(-all), libm::exp(-all));
        let [first, last] = round([0.0; 2]).last().unwrap_or_default();
        let first = first / lost;
        round([first, (last + rest * all * first) / lost]).collect()
    }

    /// The frequency (rad/s) of the currents at a full-step rate (1/s).
    pub(crate) fn omega(full_steps: f64) -> f64 {
        TAU * full_steps / 4.0
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use std::path::Path;

    use super::*;
    use crate::files::read_source;
    use crate::rig::Drive;
    use crate::units::{Frequency, Time};

    fn filter(order: u32, frequency: f64, time_constant: f64) -> ConverterFilter {
        let pwm = PwmConverters {
            frequency: Frequency::new(frequency),
            time_constant: Time::new(time_constant),
            order,
        };
        ConverterFilter { pwm, bits: 8 }
    }

    /// The steady state by stepping the sections' equations through many periods: an
    /// integration of its own.
    fn stepped(order: usize, frequency: f64, time_constant: f64) -> f64 {
        let period = 1.0 / frequency;
        let (step, steps) = (period / 2000.0, 2000);
        let mut sections = [0.5; 2];
        let (mut least, mut most) = (f64::MAX, f64::MIN);
        let periods = (30.0 * time_constant / period).ceil() as usize + 2;
        for number in 0..periods {
            for k in 0..steps {
                let mut fed = if k < steps / 2 { 1.0 } else { 0.0 };
                for section in sections.iter_mut().take(order) {
                    let before = *section;
                    *section += (fed - before) * step / time_constant;
                    fed = f64::midpoint(before, *section);
                }
                if number + 1 == periods {
                    least = sections[order - 1].min(least);
                    most = sections[order - 1].max(most);
                }
            }
        }
        256.0 * (most - least)
    }

    #[test]
    fn ripple_is_that_of_the_equations_stepped_through() {
        for (frequency, time_constant) in [(62.5e3, 30e-6), (31.25e3, 120e-6), (1e3, 2e-3)] {
            for order in [1, 2] {
                let computed = filter(order, frequency, time_constant).ripple();
                let stepped = stepped(order as usize, frequency, time_constant);
                assert_relative_eq!(computed, stepped, max_relative = 5e-3);
            }
        }
    }

    /// The rule that the profile states of its time constant.
    #[test]
    fn the_profile_of_a_filtered_pwm_has_the_shortest_filter_within_a_code() {
        let profile = Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles/drives/pwm-24v.yaml");
        let drive = Drive::parse(&read_source(&profile).unwrap()).unwrap();
        let filter = ConverterFilter {
            pwm: drive.lines.pwm.unwrap(),
            bits: drive.converter.unwrap().bits,
        };
        // What an 8-bit timer at 16 MHz makes of it.
        assert_relative_eq!(filter.pwm.frequency.si(), 16e6 / filter.codes());
        assert!(filter.ripple() <= 1.0, "{}", filter.ripple());
        let shorter = filter.with(filter.time_constant() - 10e-6);
        assert!(shorter.ripple() > 1.0, "{}", shorter.ripple());
        assert_relative_eq!(filter.fastest(), 1100.0, max_relative = 0.02);
    }

    /// A staircase of a sine keeps so much of its fundamental, and that so much later, as a sine does.
    #[test]
    fn a_repeating_staircase_keeps_the_gain_and_the_lag_of_its_fundamental() {
        for (order, time_constant) in [(1, 3e-5), (1, 2e-3), (2, 1e-4), (2, 8e-4)] {
            let filter = filter(order, 62.5e3, time_constant);
            for (steps, fine) in [(4, 500), (8, 250), (64, 32)] {
                let cycle = 2e-3;
                let parts = steps * fine;
                let targets: Vec<f64> = (0..parts)
                    .map(|k| (TAU * (k / fine) as f64 / steps as f64).cos())
                    .collect();
                let step = cycle / parts as f64;
                let reached = filter.repeating(&targets, step);
                // Fourier's integral by the middles of the parts.
                let of = |value: &dyn Fn(usize) -> f64| {
                    let each = (0..parts).map(|k| {
                        let turn = TAU * (k as f64 + 0.5) / parts as f64;
                        (value(k) * turn.cos(), value(k) * turn.sin())
                    });
                    let (re, im) = each.fold((0.0, 0.0), |sum, v| (sum.0 + v.0, sum.1 + v.1));
                    (f64::hypot(re, im), f64::atan2(im, re))
                };
                let before = |k: usize| reached[(k + parts - 1) % parts][1];
                let (size, turn) = of(&|k| targets[k]);
                let (left, later) = of(&|k| f64::midpoint(before(k), reached[k][1]));
                let omega = TAU / cycle;
                assert_relative_eq!(left / size, filter.gain(omega), max_relative = 3e-4);
                assert_relative_eq!(
                    (later - turn).rem_euclid(TAU),
                    filter.lag(omega),
                    max_relative = 1e-3
                );
            }
        }
    }

    #[test]
    fn settling_and_lag_are_those_of_textbooks() {
        // Half a code of 8 bits is 1/512: ln 512 = 6.238 time constants of one section; of two
        // equal ones (1 + x) e⁻ˣ = 1/512 at x = 8.49 (worked by hand).
        let one = filter(1, 62.5e3, 1e-4);
        assert_relative_eq!(one.settling(), 6.2383e-4, max_relative = 1e-4);
        let two = filter(2, 62.5e3, 1e-4);
        let x = two.settling() / 1e-4;
        assert_relative_eq!((1.0 + x) * (-x).exp(), 1.0 / 512.0, max_relative = 1e-6);
        // At the corner one section lags by 45 degrees and leaves 1/√2.
        assert_relative_eq!(one.lag(1e4), PI / 4.0, max_relative = 1e-12);
        assert_relative_eq!(one.gain(1e4), 0.5_f64.sqrt(), max_relative = 1e-12);
        for filter in [one, two] {
            let omega = ConverterFilter::omega(filter.fastest());
            assert_relative_eq!(filter.lag(omega), MOST_LAG, max_relative = 1e-9);
        }
    }
}
