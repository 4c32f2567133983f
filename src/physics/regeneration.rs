//! What comes back from a load that is braked.
//!
//! Braking turns the motor into a generator. With the speed ω, the torque T that it has to
//! make along the motion (negative where it brakes) and P_loss, what windings, switches
//! and sense resistors take at full current, the supply gets
//!
//! ```text
//! P = max(0, −T ω − P_loss)        E = ∫ P dt over the motion
//! ```
//!
//! A supply that takes nothing back stores that in its capacitor C, whose voltage rises from
//! V to √(V² + 2 E/C); it stays below κ V with C ≥ 2 E / ((κ² − 1) V²). The transistors of
//! a linear source swallow it all, and nothing returns.
//!
//! **Switched off**, the windings give up ½ L (iA² + iB²) through the diodes of their switches, and
//! a load that still turns ½ J ω² on a drive that returns power. What of it the windings' own
//! resistance takes on the way is not counted: the capacitor that keeps the supply below κ V is
//! an upper bound.
//!
//! Losses at full current are an upper bound of what a regulator lets flow, so this is an
//! estimate. Axes on one supply add up. Source: balance of power, and the energy
//! ½ C V² of a capacitor.

use std::fmt;

use super::currents::CoilTable;
use super::heat::Heat;
use super::load::ShaftLoad;
use crate::rig::Axis;
use crate::units::{Power, Rounded, Voltage};

/// What the voltage may rise to over its nominal value κ: electrolytic capacitors and the
/// switches of a drive are commonly chosen with at least so much to spare (common
/// practice).
const RISE: f64 = 1.2;

/// Least capacity (F) of a supply for small motors (common practice).
pub(crate) const USUAL_CAPACITY: f64 = 1000e-6;

/// What an axis on a drive that can give power back returns to its supply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Braking {
    /// P_loss (W).
    losses: f64,
    /// V (V).
    supply: f64,
}

impl Braking {
    /// Of an axis with this heat; none where the drive returns nothing.
    pub(crate) fn of(axis: &Axis, heat: &Heat) -> Option<Self> {
        (!axis.drive.kind.burns_the_rest()).then(|| Self {
            losses: heat.running.copper
                + heat.running.switches
                + heat.running.ballast
                + heat.running.sense,
            supply: axis.drive.supply.si(),
        })
    }

    /// What returns over a motion, given as stretches of points without a jump inside: the
    /// time (s) and the power −T ω (W) that the motor takes from its shaft, which counts as
    /// straight between points.
    pub(crate) fn over<I>(&self, stretches: impl IntoIterator<Item = I>) -> Regeneration
    where
        I: IntoIterator<Item = (f64, f64)>,
    {
        let mut found = Regeneration {
            supply: self.supply,
            power: 0.0,
            energy: 0.0,
        };
        for stretch in stretches {
            let mut before: Option<(f64, f64)> = None;
            for (time, taken) in stretch {
                let spare = taken - self.losses;
                if let Some((since, last)) = before {
                    found.energy += (time - since) * mean_above_zero(last, spare);
                }
                found.power = found.power.max(spare);
                before = Some((time, spare));
            }
        }
        found
    }
}

/// Mean of the part above zero of a straight line from `a` to `b`.
fn mean_above_zero(a: f64, b: f64) -> f64 {
    let (low, high) = (a.min(b), a.max(b));
    if low >= 0.0 {
        0.5 * (low + high)
    } else if high <= 0.0 {
        0.0
    } else {
        0.5 * high * high / (high - low)
    }
}

/// What returns to the supply over a motion: an estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Regeneration {
    /// Voltage of the supply (V).
    pub supply: f64,
    /// The most power that returns (W).
    pub power: f64,
    /// Energy that returns over the whole motion (J).
    pub energy: f64,
}

impl Regeneration {
    /// The voltage (V) that a capacitor of so many farads at the supply rises to where
    /// nothing else takes the energy.
    pub fn voltage_with(&self, capacity: f64) -> f64 {
        (self.supply * self.supply + 2.0 * self.energy / capacity).sqrt()
    }

    /// The least capacity (F) that keeps the voltage from rising by more than a fifth.
    pub fn capacity(&self) -> f64 {
        2.0 * self.energy / ((RISE * RISE - 1.0) * self.supply * self.supply)
    }

    /// Whether an ordinary supply must be looked after: [`USUAL_CAPACITY`] does not
    /// do.
    pub fn matters(&self) -> bool {
        self.capacity() > USUAL_CAPACITY
    }
}

impl fmt::Display for Regeneration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "braking returns up to {} to the supply, {} J in total: without a sink, \
            {} at {} µF rises to {}, which can destroy the drive and everything else on the supply",
            Power::new(self.power),
            Rounded(self.energy),
            Voltage::new(self.supply),
            USUAL_CAPACITY * 1e6,
            Voltage::new(self.voltage_with(USUAL_CAPACITY)),
        )
    }
}

/// What a supply has to take at most when the current of an axis is switched off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwitchOff {
    /// Voltage of the supply (V).
    pub supply: f64,
    /// Energy in both windings, at the microstep where it is greatest (J).
    pub windings: f64,
    /// Energy of rotor and load at the rig's speed limit, where it has one and the drive returns
    /// power (J).
    pub moving: f64,
}

impl SwitchOff {
    /// Of an axis at its full running current.
    pub fn of(axis: &Axis) -> Self {
        let table = CoilTable::of(axis);
        let squares = table.rows.iter().map(|row| {
            let (a, b) = (row.a.flowing(), row.b.flowing());
            a * a + b * b
        });
        let speed = match (axis.drive.kind.burns_the_rest(), axis.limits.speed) {
            (false, Some(speed)) => speed / axis.travel_speed(1.0),
            (true, _) | (_, None) => 0.0,
        };
        Self {
            supply: axis.drive.supply.si(),
            windings: 0.5 * axis.motor.phase_inductance.si() * squares.fold(0.0, f64::max),
            moving: 0.5 * ShaftLoad::of(axis).inertia() * speed * speed,
        }
    }

    /// The voltage that the supply should not exceed, κ V (V).
    pub fn limit(&self) -> f64 {
        RISE * self.supply
    }

    /// The least capacity (F) that keeps it below.
    pub fn capacity(&self) -> f64 {
        2.0 * (self.windings + self.moving) / ((RISE * RISE - 1.0) * self.supply * self.supply)
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::testing::rigs::axis_of;

    const BRAKING: Braking = Braking {
        losses: 3.0,
        supply: 24.0,
    };

    /// A ramp down to rest at a constant torque, in `points` even steps.
    fn ramp(inertia: f64, omega: f64, alpha: f64, points: u32) -> Vec<(f64, f64)> {
        let end = omega / alpha;
        (0..=points)
            .map(|k| end * f64::from(k) / f64::from(points))
            .map(|time| (time, inertia * alpha * (omega - alpha * time)))
            .collect()
    }

    /// Conservation of energy: what returns and what the losses take is the kinetic
    /// energy, down to the speed where the balance turns.
    #[test]
    fn what_comes_back_is_kinetic_energy_less_losses() {
        let (inertia, omega, alpha) = (2e-3, 120.0, 400.0);
        let back = BRAKING.over([ramp(inertia, omega, alpha, 24)]);
        assert_relative_eq!(back.power, inertia * alpha * omega - 3.0);
        let even = 3.0 / (inertia * alpha);
        let kinetic = inertia * (omega * omega - even * even) / 2.0;
        let lost = 3.0 * (omega - even) / alpha;
        assert_relative_eq!(back.energy, kinetic - lost, max_relative = 1e-12);
        assert!(back.matters());
        assert_eq!(BRAKING.over([ramp(inertia, 3.0, alpha, 24)]).energy, 0.0);
    }

    /// ½ C (V'² − V²) is the energy that went in (physics of capacitors).
    #[test]
    fn a_capacitor_takes_what_comes_back() {
        let back = BRAKING.over([ramp(2e-3, 120.0, 400.0, 24)]);
        let (c, v) = (2200e-6, back.voltage_with(2200e-6));
        assert_relative_eq!(0.5 * c * (v * v - 576.0), back.energy, max_relative = 1e-12);
        assert_relative_eq!(back.voltage_with(back.capacity()), 1.2 * 24.0);
    }

    /// By hand: 1.5 A in both of 4.2 mH is 9.45 mJ; 65 g·cm² at 20 rad/s are 1.3 mJ, which a linear
    /// source swallows. ½ C ((1.2 V)² − V²) takes them up.
    #[test]
    fn what_is_switched_off_goes_into_the_capacitor() {
        let chopper =
            "kind: chopper, supply: 24 V, microsteps: 1, peak_current: 2.1213203435596424 A";
        for (kind, moving) in [("chopper", 1.3e-3), ("linear-current", 0.0)] {
            let mut axis = axis_of(&chopper.replace("chopper", kind), "");
            axis.limits.speed = Some(20.0);
            let off = SwitchOff::of(&axis);
            assert_relative_eq!(off.windings, 9.45e-3, max_relative = 1e-9);
            assert_relative_eq!(off.moving, moving, max_relative = 1e-9);
            let taken = 0.5 * off.capacity() * (off.limit().powi(2) - 576.0);
            assert_relative_eq!(taken, 9.45e-3 + moving, max_relative = 1e-9);
        }
    }

    #[test]
    fn a_jump_between_two_stretches_costs_nothing() {
        let cruise = vec![(0.0, -1.2), (5.0, -1.2)];
        let later = |(time, power)| (time + 5.0, power);
        let down = ramp(2e-3, 120.0, 400.0, 24);
        let together = BRAKING.over([cruise, down.iter().copied().map(later).collect()]);
        let alone = BRAKING.over([down]);
        assert_relative_eq!(together.energy, alone.energy, max_relative = 1e-9);
    }
}
