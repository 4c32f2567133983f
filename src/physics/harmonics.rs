//! Torque that pulls a rotor towards some angles and away from others, whatever the current:
//! detent and what else a motor's build makes of it, over its electrical angle.
//!
//! ```text
//! T_x(θ) = Σ sₕ sin hθ + cₕ cos hθ        h = 1 … 4
//! ```
//!
//! Detent torque is s₄ (4th harmonic, common practice); poles that are not alike and currents of
//! phases that are not alike show as the 1st and 2nd.
//!
//! **From measured rests.** On currents of the amplitude I that point to φ, the rotor rests where
//! K I sin(φ − θ) = T_x(θ). So each measured pair of φ and θ is a sample of T_x over K I at θ;
//! the harmonics are their least-squares fit. Where zero of the measured angles lies is unknown,
//! so the mean of φ − θ is taken off.
//!
//! **Currents that rest at φ** point to φ' = φ + asin(T_x(φ)/(K I)) instead, from the same balance.

use std::array;

use nalgebra::{DMatrix, DVector};

/// Harmonics that are kept: up to that of the detent.
const HIGHEST: usize = 4;

/// The amplitudes s and c, in N·m or over K I.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Harmonics {
    sin: [f64; HIGHEST],
    cos: [f64; HIGHEST],
}

impl Harmonics {
    /// No torque.
    pub const NONE: Self = Self {
        sin: [0.0; HIGHEST],
        cos: [0.0; HIGHEST],
    };

    /// The detent alone.
    pub const fn detent(torque: f64) -> Self {
        Self {
            sin: [0.0, 0.0, 0.0, torque],
            cos: [0.0; HIGHEST],
        }
    }

    /// The fit to `rests`, pairs of the electrical angles φ and θ (rad), over K I; none where
    /// they do not tell the harmonics apart.
    pub fn of_rests(rests: &[(f64, f64)]) -> Option<Self> {
        let lags = rests.iter().map(|(set, rest)| set - rest);
        let zero = lags.sum::<f64>() / rests.len() as f64;
        let column = |angle: f64, place: usize| {
            let order = (place / 2 + 1) as f64;
            match place % 2 {
                0 => libm::sin(order * angle),
                _ => libm::cos(order * angle),
            }
        };
        // Against the angles on the scale of the command.
        let matrix = DMatrix::from_fn(rests.len(), 2 * HIGHEST, |row, place| {
            column(rests[row].1 + zero, place)
        });
        let torques = DVector::from_fn(rests.len(), |row, _| {
            libm::sin(rests[row].0 - rests[row].1 - zero)
        });
        let decomposed = matrix.svd(true, true);
        let (most, least) = (
            decomposed.singular_values.max(),
            decomposed.singular_values.min(),
        );
        if least < TOLD_APART * most {
            return None;
        }
        let found = decomposed.solve(&torques, 0.0).ok()?;
        Some(Self {
            sin: array::from_fn(|k| found[2 * k]),
            cos: array::from_fn(|k| found[2 * k + 1]),
        })
    }

    /// All of it so many `times` as large.
    #[must_use]
    pub fn times(self, times: f64) -> Self {
        Self {
            sin: self.sin.map(|one| times * one),
            cos: self.cos.map(|one| times * one),
        }
    }

    /// The amplitude of the detent, s₄, and the rest without it.
    pub fn apart(mut self) -> (f64, Self) {
        let detent = std::mem::take(&mut self.sin[HIGHEST - 1]);
        (detent, self)
    }

    /// Whether there is none.
    pub fn is_none(&self) -> bool {
        *self == Self::NONE
    }

    /// T_x at the electrical angle `theta` (rad).
    pub fn at(&self, theta: f64) -> f64 {
        let (sin, cos) = libm::sincos(theta);
        self.at_turn(sin, cos)
    }

    /// The same, of the sine and the cosine of the angle: each harmonic is the one before,
    /// turned on by θ.
    pub(crate) fn at_turn(&self, sin: f64, cos: f64) -> f64 {
        let (mut s, mut c, mut sum) = (sin, cos, 0.0);
        for order in 0..HIGHEST {
            sum += self.sin[order] * s + self.cos[order] * c;
            (s, c) = (s * cos + c * sin, c * cos - s * sin);
        }
        sum
    }
}

/// Singular values below this share of the greatest leave a harmonic untold: chosen.
const TOLD_APART: f64 = 1e-3;

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;

    #[test]
    fn a_harmonic_is_a_sine_of_that_order() {
        let all = Harmonics {
            sin: [0.1, -0.2, 0.3, 0.4],
            cos: [0.5, 0.6, -0.7, 0.8],
        };
        for theta in [-2.0, 0.0, 0.3, 1.5, 40.0] {
            let direct: f64 = (0..HIGHEST)
                .map(|k| {
                    let angle = (k + 1) as f64 * theta;
                    all.sin[k] * angle.sin() + all.cos[k] * angle.cos()
                })
                .sum();
            assert_relative_eq!(all.at(theta), direct, epsilon = 1e-12);
        }
    }

    #[test]
    fn rests_of_one_position_tell_nothing() {
        assert_eq!(Harmonics::of_rests(&[(0.0, 0.01); 40]), None);
    }
}
