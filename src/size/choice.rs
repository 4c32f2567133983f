//! Gearing, current and supply for a motor.

use super::LoadMotion;
use super::demand::load_microstep;
use crate::check::{COMMON_INERTIA_RATIO, TorqueMargin, TorqueRule};
use crate::physics::{PullOut, ShaftLoad};
use crate::rig::{Axis, Ballast, BallastPlace, DriveKind, Gearing, Motor};
use crate::units::{Current, Resistance, Voltage, two_digits_up};

/// Ratios that are tried besides the rig's own: round ones, chosen.
const RATIOS: [f64; 16] = [
    1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0,
];
/// Supplies (V) that are tried above the rig's own: common ones.
const SUPPLIES: [f64; 5] = [12.0, 24.0, 36.0, 48.0, 60.0];
/// Shares of the rated current that are tried, least first: chosen.
const CURRENTS: [f64; 4] = [0.5, 0.7, 0.85, 1.0];

/// What to drive a motor with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SizedDrive {
    /// Motor turns a load turn.
    pub gearing: f64,
    /// Supply (V).
    pub supply: f64,
    /// Amplitude of the current of a phase (A); none on a fixed voltage.
    pub peak_current: Option<f64>,
    /// Resistance (Ω) in series with each phase on a fixed voltage, so that no more than the rated
    /// current flows; none where the drive regulates.
    pub ballast: Option<f64>,
}

/// A motor with what suits it.
#[derive(Debug, Clone, PartialEq)]
pub struct SizedMotor {
    /// What it is called.
    pub name: String,
    /// Gearing, current and supply.
    pub drive: SizedDrive,
    /// The least margin of all motions; none where nothing moves.
    pub margin: Option<TorqueMargin>,
    /// Whether the rig's reserve is kept.
    pub meets: bool,
    /// Reflected inertia of the load over that of the rotor.
    pub inertia_ratio: f64,
    /// The ratio at which the reflected inertia is the rotor's.
    pub matched_gearing: f64,
    /// Copper loss of both phases with that current (W).
    pub loss: f64,
    /// The axis with all that.
    pub(crate) axis: Axis,
}

impl SizedMotor {
    /// Whether the inertia ratio is where common practice has it.
    pub fn is_matched(&self) -> bool {
        self.inertia_ratio <= COMMON_INERTIA_RATIO
    }

    /// What its profile calls it.
    pub fn motor_name(&self) -> Option<&str> {
        self.axis.motor.name.as_deref()
    }
}

/// The gearing, current and supply with which `motor` turns the load of `axis` through `motions`:
/// the rig's own supply and gearing where these do, else the lowest ones that do, gearings first
/// that bring the inertia ratio to where common practice has it; with the least current. Where
/// nothing does, what comes nearest.
pub(crate) fn choose(
    axis: &Axis,
    name: &str,
    motor: &Motor,
    motions: &[LoadMotion],
    tolerance: f64,
    keep_gearing: bool,
) -> SizedMotor {
    let own = axis.load.gearing;
    let ratios = RATIOS.iter().map(|ratio| Gearing::reduction(*ratio));
    let others = ratios.filter(|other| !keep_gearing && other.ratio() != own.ratio());
    let gearings: Vec<Gearing> = std::iter::once(own).chain(others).collect();
    let supply = axis.drive.supply.si();
    let higher = SUPPLIES.into_iter().filter(|other| *other > supply);
    let microstep = load_microstep(axis);
    let tried = |supply: f64, gearing: Gearing, share: f64| {
        let candidate = fitted(axis, motor, supply, gearing, share);
        let margin = least(&candidate, motions, microstep * gearing.ratio(), tolerance);
        (candidate, margin)
    };
    let reserve = axis.limits.torque_margin;
    let meets = |margin: &Option<TorqueMargin>| margin.is_none_or(|one| one.least >= reserve);
    let matched = |axis: &Axis| ShaftLoad::of(axis).inertia_ratio() <= COMMON_INERTIA_RATIO;
    let mut nearest: Option<(Axis, Option<TorqueMargin>)> = None;
    for supply in std::iter::once(supply).chain(higher) {
        let full: Vec<_> = gearings
            .iter()
            .map(|gearing| tried(supply, *gearing, 1.0))
            .collect();
        let mut enough = full.iter().filter(|(_, margin)| meets(margin));
        let mut suiting = enough.clone().filter(|(axis, _)| matched(axis));
        if let Some(found) = suiting.next().or_else(|| enough.next()) {
            let regulated = found.0.drive.peak_current().is_some();
            let less = CURRENTS.iter().filter(|share| regulated && **share < 1.0);
            let least = less
                .map(|share| tried(supply, found.0.load.gearing, *share))
                .find(|(_, margin)| meets(margin));
            return sized(name, least.unwrap_or_else(|| found.clone()), true);
        }
        let left = |margin: &Option<TorqueMargin>| margin.map_or(1.0, |one| one.least);
        for found in full {
            if nearest
                .as_ref()
                .is_none_or(|(_, best)| left(&found.1) > left(best))
            {
                nearest = Some(found);
            }
        }
    }
    let best = nearest.unwrap_or_else(|| tried(supply, own, 1.0));
    sized(name, best, false)
}

/// The least margin of the motions, whose microsteps turn the motor by `microstep` (rad).
fn least(
    axis: &Axis,
    motions: &[LoadMotion],
    microstep: f64,
    tolerance: f64,
) -> Option<TorqueMargin> {
    let (load, pull_out) = (ShaftLoad::of(axis), PullOut::of(axis));
    let rule = TorqueRule {
        load: &load,
        pull_out: &pull_out,
        microstep,
        clock: 1.0 + tolerance,
    };
    let margins = motions.iter().filter_map(|moved| rule.least(&moved.motion));
    margins.min_by(|one, other| one.least.total_cmp(&other.least))
}

/// The axis with another motor, supply, gearing, and a share of the motor's rated current.
fn fitted(axis: &Axis, motor: &Motor, supply: f64, gearing: Gearing, share: f64) -> Axis {
    let mut fitted = axis.clone();
    fitted.motor = motor.clone();
    fitted.drive.supply = Voltage::new(supply);
    fitted.load.gearing = gearing;
    let rated = share * motor.rated_current.si();
    let amplitude = Current::new(std::f64::consts::SQRT_2 * rated);
    match &mut fitted.drive.kind {
        DriveKind::LinearCurrent { peak_current, .. } | DriveKind::Chopper { peak_current, .. } => {
            *peak_current = amplitude;
        }
        DriveKind::FixedVoltage { .. } => {
            fitted.drive.ballast = None;
            let left = supply / rated - fitted.loop_resistance();
            fitted.drive.ballast = (left > 0.0).then(|| Ballast {
                resistance: Resistance::new(two_digits_up(left)),
                place: BallastPlace::Phase,
                count: 1,
                rating: None,
            });
        }
    }
    fitted
}

fn sized(name: &str, (axis, margin): (Axis, Option<TorqueMargin>), meets: bool) -> SizedMotor {
    let load = ShaftLoad::of(&axis);
    let motor = &axis.motor;
    let peak = axis.drive.peak_current().map(Current::si);
    let resistance = motor.phase_resistance.si();
    // Both phases of a sine carry I/√2 in the mean; full steps, the rated current at most.
    let rms = peak.map_or_else(
        || {
            motor
                .rated_current
                .si()
                .min(axis.drive.supply.si() / axis.loop_resistance())
        },
        |peak| peak / std::f64::consts::SQRT_2,
    );
    let gearing = axis.load.gearing.ratio();
    SizedMotor {
        name: name.to_owned(),
        drive: SizedDrive {
            gearing,
            supply: axis.drive.supply.si(),
            peak_current: peak,
            ballast: axis.drive.ballast.map(|ballast| ballast.resistance.si()),
        },
        margin,
        meets,
        inertia_ratio: load.inertia_ratio(),
        matched_gearing: gearing * load.inertia_ratio().sqrt(),
        loss: 2.0 * resistance * rms * rms,
        axis,
    }
}
