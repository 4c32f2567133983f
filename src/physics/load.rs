//! The load as the motor's shaft feels it.
//!
//! With G motor turns a load turn and, on a linear axis, r = travel a turn / 2π, so
//! that ω_load = ω/G and v = r ω/G, the torque that the load's side of the gearing
//! asks for along the motion is
//!
//! ```text
//! T_L = (J_L + m r²) α/G + T_c + F_c r + (b + c r²) ω/G ± (T_g + F_g r + m g r sin φ) + T_u
//! T   = J α + T_L / (G η)     where the motor drives the load (T_L > 0)
//! T   = J α + T_L η / G       where the load drives the motor (T_L < 0)
//! ```
//!
//! | symbol | what | unit |
//! | --- | --- | --- |
//! | J | inertia of the rotor | kg·m² |
//! | J_L, b, T_c | inertia, viscous damping and Coulomb friction at the load's shaft | |
//! | m, c, F_c | mass, drag and friction along a linear axis | kg, N·s/m, N |
//! | T_g, F_g | torque and force that always act; + against positive travel | N·m, N |
//! | φ | incline; positive travel climbs | rad |
//! | T_u | unbalance m r g, anywhere between −T_u and +T_u as the shaft turns | N·m |
//! | η | efficiency of the gearing | |
//!
//! T is torque at the motor's shaft. What the rotor loses before it gets there is a matter of
//! its [losses](super::loss), which the pull-out torque has taken off.
//!
//! Source: power balance of a gearing, P_out = η P_in in the direction in which power
//! flows; textbook practice for sizing a drive. For screws, η/G overstates what is
//! left to brake when the load drives (2 − 1/η is often taken): that is the safe side.

use crate::rig::{Axis, Direction};

/// Standard acceleration of free fall (m/s²), exact by definition (3rd CGPM, 1901).
pub(crate) const STANDARD_GRAVITY: f64 = 9.806_65;

/// What turns with the motor and acts on it, referred to the motor's shaft
/// **without** the losses of the gearing, which [`efficiency`](Self::efficiency)
/// adds where torque is computed. SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShaftLoad {
    /// Inertia of the rotor (kg·m²).
    pub rotor_inertia: f64,
    /// Inertia of everything behind the gearing, over G² (kg·m²).
    pub load_inertia: f64,
    /// Viscous damping behind the gearing, over G² (N·m·s/rad).
    pub load_viscous: f64,
    /// Coulomb friction (N·m), never negative.
    pub coulomb: f64,
    /// Torque that always acts (N·m); positive: against positive travel.
    pub constant: f64,
    /// Amplitude of the torque of an unbalance (N·m): −unbalance … +unbalance
    /// over a turn of the load.
    pub unbalance: f64,
    /// Share of the power that the gearing passes on, above 0 and up to 1.
    pub efficiency: f64,
    /// Motor turns a load turn.
    pub gearing: f64,
}

impl ShaftLoad {
    /// The load of an axis.
    pub fn of(axis: &Axis) -> Self {
        let load = &axis.load;
        let gearing = load.gearing.ratio();
        let mut inertia = load.inertia.si();
        let mut viscous = load.viscous.si();
        let mut coulomb = load.friction.si();
        let mut constant = load.constant_torque.si();
        if let Some(linear) = &load.linear {
            let radius = linear.travel_per_turn.si() / std::f64::consts::TAU;
            let mass = linear.mass.si();
            inertia += mass * radius * radius;
            viscous += linear.viscous.si() * radius * radius;
            coulomb += linear.friction.si() * radius;
            let weight = mass * STANDARD_GRAVITY * linear.incline.si().sin();
            constant += (linear.constant_force.si() + weight) * radius;
        }
        Self {
            rotor_inertia: axis.motor.rotor_inertia.si(),
            load_inertia: inertia / (gearing * gearing),
            load_viscous: viscous / (gearing * gearing),
            coulomb: coulomb / gearing,
            constant: constant / gearing,
            unbalance: load.unbalance.si() * STANDARD_GRAVITY / gearing,
            efficiency: load.efficiency,
            gearing,
        }
    }

    /// Inertia of all that turns, at the motor's shaft (kg·m²).
    pub fn inertia(&self) -> f64 {
        self.rotor_inertia + self.load_inertia
    }

    /// Reflected inertia of the load over that of the rotor. Common practice keeps it
    /// below 10.
    pub fn inertia_ratio(&self) -> f64 {
        self.load_inertia / self.rotor_inertia
    }

    /// The torque (N·m) that the motor has to make along the motion at the speed
    /// `omega` (rad/s of the motor, not negative) under the acceleration `alpha`
    /// (rad/s², signed along the motion): positive where it has to push, negative
    /// where it has to brake. An unbalance counts with its worst position, the one
    /// that asks for the larger torque, whichever its sign.
    pub fn required_torque(&self, omega: f64, alpha: f64, direction: Direction) -> f64 {
        let (low, high) = self.required_torque_range(omega, alpha, direction);
        if low.abs() > high.abs() { low } else { high }
    }

    /// The least and the greatest torque that the motor has to make over a turn of an
    /// unbalanced load; the same twice where there is no unbalance. Arguments as for
    /// [`required_torque`](Self::required_torque).
    pub fn required_torque_range(
        &self,
        omega: f64,
        alpha: f64,
        direction: Direction,
    ) -> (f64, f64) {
        let rotor = self.rotor_inertia * alpha;
        let load = self.load_inertia * alpha
            + self.load_viscous * omega
            + self.coulomb
            + self.constant * direction.sign() as f64;
        let through = |torque: f64| rotor + self.through_gearing(torque);
        (
            through(load - self.unbalance),
            through(load + self.unbalance),
        )
    }

    /// The torque (N·m) that has to stand when the axis does not move: gravity and the
    /// worst position of an unbalance, without counting on friction or losses to help.
    pub fn standing_torque(&self) -> f64 {
        self.constant.abs() + self.unbalance
    }

    /// What the motor feels of a torque on the load's side of the gearing.
    fn through_gearing(&self, torque: f64) -> f64 {
        if torque > 0.0 {
            torque / self.efficiency
        } else {
            torque * self.efficiency
        }
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::rig::{Drive, DriveKind, Gearing, Limits, LinearLoad, Load, Motor, Sequence};
    use crate::units::{
        Angle, Current, Damping, Force, Inductance, Inertia, Length, LinearDamping, Mass,
        Resistance, Torque, Unbalance, Voltage,
    };

    /// The medium motor of the tests on its rated voltage.
    fn axis() -> Axis {
        Axis {
            name: "arm".to_owned(),
            motor: Motor {
                name: None,
                rotor_teeth: 50,
                phase_resistance: Resistance::new(2.1),
                phase_inductance: Inductance::new(4.2e-3),
                rated_current: Current::new(1.5),
                holding_torque: Torque::new(0.42),
                detent_torque: Some(Torque::new(0.017)),
                rotor_inertia: Inertia::new(6.5e-6),
                viscous_damping: None,
                core_loss_resistance: None,
                friction_torque: None,
                pull_out: None,
                source: None,
                tolerances: crate::rig::MotorTolerances::default(),
                guessed: Vec::new(),
            },
            drive: Drive {
                kind: DriveKind::FixedVoltage {
                    sequence: Sequence::TwoPhase,
                },
                supply: Voltage::new(3.2),
                switch_resistance: Resistance::new(0.0),
                ballast: None,
                chopping: None,
                correction: None,
                hold_current: 1.0,
                sense_resistor: None,
                converter: None,
                lines: crate::rig::DriveLines::default(),
            },
            load: Load::NONE,
            must_home: false,
            tolerances: crate::rig::AxisTolerances::NONE,
            limits: Limits {
                torque_margin: 0.3,
                ..Limits::NONE
            },
        }
    }

    #[test]
    fn inertia_is_reflected_through_the_square_of_the_gearing() {
        let mut axis = axis();
        axis.load.inertia = Inertia::new(9.0 * 6.5e-6);
        axis.load.gearing = Gearing {
            motor: 3.0,
            load: 1.0,
        };
        let shaft = ShaftLoad::of(&axis);
        assert_relative_eq!(shaft.inertia_ratio(), 1.0, max_relative = 1e-12);
        assert_relative_eq!(shaft.inertia(), 2.0 * 6.5e-6, max_relative = 1e-12);
    }

    /// Work-energy theorem, without a formula of the module: lifting a mass by one lead
    /// costs m g h, which one turn of the shaft has to supply as 2π T; its kinetic
    /// energy at a speed is that of the equivalent inertia.
    #[test]
    fn a_lifted_mass_costs_the_work_that_mechanics_says() {
        let mut axis = axis();
        let (mass, lead) = (2.5, 8e-3);
        axis.load.linear = Some(LinearLoad {
            mass: Mass::new(mass),
            travel_per_turn: Length::new(lead),
            incline: Angle::new(std::f64::consts::FRAC_PI_2),
            friction: Force::new(0.0),
            viscous: LinearDamping::new(0.0),
            constant_force: Force::new(0.0),
            backlash: Length::new(0.0),
        });
        let shaft = ShaftLoad::of(&axis);
        let turn = std::f64::consts::TAU;
        let up = shaft.required_torque(0.0, 0.0, Direction::Positive);
        assert_relative_eq!(up * turn, mass * 9.80665 * lead, max_relative = 1e-12);
        let down = shaft.required_torque(0.0, 0.0, Direction::Negative);
        assert_relative_eq!(down, -up, max_relative = 1e-12);
        let (omega, speed) = (turn, lead);
        assert_relative_eq!(
            shaft.load_inertia * omega * omega,
            mass * speed * speed,
            max_relative = 1e-12
        );
        assert_relative_eq!(shaft.standing_torque(), up, max_relative = 1e-12);
    }

    #[test]
    fn losses_hurt_when_driving_and_help_when_braking() {
        let mut axis = axis();
        axis.load.constant_torque = Torque::new(0.1);
        axis.load.efficiency = 0.8;
        let shaft = ShaftLoad::of(&axis);
        assert_relative_eq!(
            shaft.required_torque(0.0, 0.0, Direction::Positive),
            0.1 / 0.8,
            max_relative = 1e-12
        );
        assert_relative_eq!(
            shaft.required_torque(0.0, 0.0, Direction::Negative),
            -0.1 * 0.8,
            max_relative = 1e-12
        );
    }

    #[test]
    fn friction_adds_to_a_speed_up_and_takes_from_a_slow_down() {
        let mut axis = axis();
        axis.load.friction = Torque::new(0.02);
        axis.load.viscous = Damping::new(1e-4);
        let shaft = ShaftLoad::of(&axis);
        let ramp = 6.5e-6 * 2000.0;
        for way in [Direction::Positive, Direction::Negative] {
            let up = shaft.required_torque(50.0, 2000.0, way);
            let down = shaft.required_torque(50.0, -2000.0, way);
            assert_relative_eq!(up, ramp + 0.02 + 5e-3, max_relative = 1e-12);
            assert_relative_eq!(down, -ramp + 0.02 + 5e-3, max_relative = 1e-12);
        }
    }

    #[test]
    fn an_unbalance_counts_where_it_is_worst() {
        let mut axis = axis();
        axis.load.unbalance = Unbalance::new(2e-3);
        let shaft = ShaftLoad::of(&axis);
        let u = 2e-3 * 9.80665;
        let cruise = shaft.required_torque_range(10.0, 0.0, Direction::Positive);
        assert_relative_eq!(cruise.0, -u, max_relative = 1e-12);
        assert_relative_eq!(cruise.1, u, max_relative = 1e-12);
        let braking = shaft.required_torque(10.0, -1000.0, Direction::Positive);
        assert_relative_eq!(braking, -6.5e-3 - u, max_relative = 1e-12);
    }
}
