//! The scaling rule: what a hybrid stepping motor of a size is likely to be.
//!
//! Every motor in `profiles/motors` is worked out by this rule, and what a builder has
//! not measured is guessed by it. It is derived from a few physical statements and five
//! round constants of our own choice; it describes no product.
//!
//! | symbol | meaning | unit |
//! | --- | --- | --- |
//! | a, ℓ | side of the square frame; length of the body without the shaft | m |
//! | d, l | diameter and length of the rotor | m |
//! | ρ | density of steel, 7850 | kg/m³ |
//! | σ | mean shear stress in the air gap at rated current | Pa |
//! | q | heat that leaves the surface for a rise of 80 K | W/m² |
//! | P, U | copper loss of both phases at rated current; voltage of a phase, R·I | W, V |
//! | N | rotor teeth | |
//!
//! **Rotor.** The stator takes two fifths of the frame: d = 0.6 a. End bells and bearings
//! take half a frame's side of the length: l = ℓ − a/2. The rotor is a solid cylinder of
//! steel: J = (π/32) ρ d⁴ l. The density is that of structural steel, 7850 kg/m³ (EN
//! 1991-1-1, table A.4, 77.0 to 78.5 kN/m³; from memory).
//!
//! **Holding torque.** The shear stress acts on the rotor's surface at the radius d/2:
//! T = σ · π d l · d/2 = (π/2) σ d² l. A winding of depth ∝ a that loses a given heat
//! through its surface carries a current per width ∝ √a (current density ∝ 1/√a, times
//! depth), and the flux density is the iron's whatever the size; so σ ∝ √a. It is set to
//! 20 kPa at a = 42 mm. Published shear stresses of small enclosed machines with magnets lie
//! between some 7 and 20 kPa (T. J. E. Miller, *Brushless Permanent-Magnet and Reluctance
//! Motor Drives*, from memory); a standing hybrid motor may be worked at the upper end.
//!
//! **Heat.** The four sides and the back give off the copper loss of both phases:
//! P = q (4 a ℓ + a²), with q = 1100 W/m², which is 80 K times some 14 W/(m²·K) of still
//! air, radiation and flange (common practice: 10 to 15).
//!
//! **Winding.** Free is the voltage U at which the rated current flows; with it
//! I = P / (2 U) and R = U / I. At rated current the flux of the winding is a fixed multiple
//! of that of the magnet, since both share one iron: L I = λ ψ with ψ = K / 50 (a winding
//! does not know the teeth and uses those of 1.8 degrees), and K = T / (√2 I):
//! L = λ T / (50 √2 I²). λ = 1.6.
//!
//! **Detent torque.** The fourth harmonic of the same air gap: 4 % of the holding torque.
//!
//! **Loss.** A damping ratio of 0.02 at the rated holding torque, the size of the loss
//! that measured pull-out curves ask for: B = 2 · 0.02 · √(N T J).
//!
//! Everything is rounded to two significant digits, and what depends on a rounded value is
//! worked out from it: a profile contains no more than it says.

use std::f64::consts::{FRAC_PI_2, PI, SQRT_2};

/// Density of steel (kg/m³); see the module's documentation.
pub(crate) const STEEL: f64 = 7850.0;
/// Diameter of the rotor over the side of the frame.
pub(crate) const ROTOR_SHARE: f64 = 0.6;
/// What end bells and bearings take of the length, over the side of the frame.
pub(crate) const ENDS_SHARE: f64 = 0.5;
/// Mean shear stress (Pa) in the air gap of a motor with the [`SHEAR_FRAME`].
pub(crate) const SHEAR: f64 = 20e3;
/// Side of the frame (m) at which [`SHEAR`] is given.
pub(crate) const SHEAR_FRAME: f64 = 42e-3;
/// Heat (W/m²) that leaves the surface at rated current.
pub(crate) const SURFACE_HEAT: f64 = 1100.0;
/// The rise of temperature (K) at that heat.
pub(crate) const RATED_RISE: f64 = 80.0;
/// Flux of the winding over that of the magnet, at rated current.
pub(crate) const FLUX_RATIO: f64 = 1.6;
/// Teeth of the rotor to which [`FLUX_RATIO`] refers.
pub(crate) const FLUX_TEETH: f64 = 50.0;
/// Detent torque over holding torque.
pub(crate) const DETENT_SHARE: f64 = 0.04;
/// Damping ratio of the rotor alone at the rated holding torque.
pub(crate) const DAMPING_RATIO: f64 = 0.02;
/// Of a body that is all ends, the rotor still has this share of the frame.
const LEAST_STACK: f64 = 0.1;

/// The outside of a motor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Size {
    /// Side of the square frame (m).
    pub frame: f64,
    /// Length of the body without the shaft (m).
    pub length: f64,
}

impl Size {
    /// Diameter of the rotor (m): 0.6 a.
    pub(crate) fn rotor_diameter(&self) -> f64 {
        ROTOR_SHARE * self.frame
    }

    /// Length of the rotor (m): ℓ − a/2.
    pub(crate) fn rotor_length(&self) -> f64 {
        (self.length - ENDS_SHARE * self.frame).max(LEAST_STACK * self.frame)
    }

    /// Moment of inertia of the rotor (kg·m²).
    pub(crate) fn rotor_inertia(&self) -> f64 {
        cylinder_inertia(self.rotor_diameter(), self.rotor_length())
    }

    /// Holding torque (N·m), both phases at rated current: (π/2) σ d² l.
    pub(crate) fn holding_torque(&self) -> f64 {
        let shear = SHEAR * (self.frame / SHEAR_FRAME).sqrt();
        FRAC_PI_2 * shear * self.rotor_diameter().powi(2) * self.rotor_length()
    }

    /// Copper loss (W) of both phases at rated current: q (4 a ℓ + a²).
    pub(crate) fn rated_loss(&self) -> f64 {
        SURFACE_HEAT * self.frame * (4.0 * self.length + self.frame)
    }
}

/// Moment of inertia (kg·m²) of a steel cylinder: (π/32) ρ d⁴ l.
pub(crate) fn cylinder_inertia(diameter: f64, length: f64) -> f64 {
    PI / 32.0 * STEEL * diameter.powi(4) * length
}

/// Inductance (H) of a phase whose motor holds `holding_torque` (N·m) at `current` (A).
pub(crate) fn phase_inductance(holding_torque: f64, current: f64) -> f64 {
    FLUX_RATIO * holding_torque / (FLUX_TEETH * SQRT_2 * current * current)
}

/// Viscous damping (N·m·s/rad) of a rotor with that damping ratio: 2 ζ √(N T J).
pub(crate) fn viscous_damping(ratio: f64, teeth: f64, holding_torque: f64, inertia: f64) -> f64 {
    2.0 * ratio * (teeth * holding_torque * inertia).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Worked by hand: a = 40 mm, ℓ = 40 mm gives d = 24 mm, l = 20 mm;
    /// d⁴ = 3.31776e-7 m⁴, J = 0.0981748 · 7850 · 3.31776e-7 · 0.02 = 5.1138e-6 kg·m²;
    /// T = 1.570796 · 20e3 · √(40/42) · 5.76e-4 · 0.02 = 0.35320 N·m;
    /// P = 1100 · 0.04 · (0.16 + 0.04) = 8.8 W.
    #[test]
    fn a_size_worked_by_hand_comes_out() {
        let size = Size {
            frame: 0.04,
            length: 0.04,
        };
        assert_relative_eq!(size.rotor_inertia(), 5.1138e-6, max_relative = 1e-4);
        assert_relative_eq!(size.holding_torque(), 0.35320, max_relative = 1e-4);
        assert_relative_eq!(size.rated_loss(), 8.8, max_relative = 1e-12);
    }
}
