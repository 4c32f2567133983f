//! The load: what the motor turns.

use std::fmt;

use super::body;
use super::fields::{self, Bounds, Fields, Written};
use super::yaml::Node;
use crate::diagnostic::Diagnostic;
use crate::units::{
    Angle, Damping, Force, Fraction, Inertia, Length, LinearDamping, Mass, Measure, Quantity,
    Rounded, Torque, Unbalance,
};

/// What the motor turns, seen at the load. A linear load has its own fields in
/// [`LinearLoad`]; then the rotary ones describe the screw or pulley itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// Moment of inertia at the load's shaft.
    pub inertia: Inertia,
    /// Coulomb friction at the load's shaft.
    pub friction: Torque,
    /// Viscous damping at the load's shaft.
    pub viscous: Damping,
    /// A torque that always acts, such as gravity on an arm (positive: against
    /// positive, counter-clockwise, travel).
    pub constant_torque: Torque,
    /// Mass times radius of an unbalance on a horizontal shaft.
    pub unbalance: Unbalance,
    /// Gearing between motor and load.
    pub gearing: Gearing,
    /// Share of the power that the gearing passes on, above 0 and up to 1.
    pub efficiency: f64,
    /// Play of the gearing at the load.
    pub backlash: Angle,
    /// The way in which every move ends, so that the play is taken up, where it matters.
    pub approach: Option<Approach>,
    /// Set where the load moves in a line.
    pub linear: Option<LinearLoad>,
}

/// What a linear axis has besides.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearLoad {
    /// Mass that travels.
    pub mass: Mass,
    /// Travel for one turn of the load's shaft (the screw's lead, the pulley's
    /// circumference).
    pub travel_per_turn: Length,
    /// Slope of the travel over the horizontal; positive travel climbs.
    pub incline: Angle,
    /// Coulomb friction along the travel.
    pub friction: Force,
    /// Viscous drag along the travel.
    pub viscous: LinearDamping,
    /// A force that always acts (positive: against positive travel).
    pub constant_force: Force,
    /// Play along the travel.
    pub backlash: Length,
}

/// The way in which moves end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Approach {
    /// Rising position (counter-clockwise).
    Positive,
    /// Falling position (clockwise).
    Negative,
}

/// The ways as they are written.
const APPROACHES: [&str; 2] = ["positive", "negative"];

/// Motor turns for so many load turns, exactly as written (`10:3`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gearing {
    /// Turns of the motor …
    pub motor: f64,
    /// … for so many turns of the load.
    pub load: f64,
}

impl Gearing {
    /// Without gearing.
    pub const DIRECT: Self = Self {
        motor: 1.0,
        load: 1.0,
    };

    /// So many motor turns to one load turn.
    pub(crate) const fn reduction(ratio: f64) -> Self {
        Self {
            motor: ratio,
            load: 1.0,
        }
    }

    /// Motor turns a load turn.
    pub fn ratio(self) -> f64 {
        self.motor / self.load
    }

    /// The same gearing the other way round.
    #[must_use]
    pub const fn reversed(self) -> Self {
        Self {
            motor: self.load,
            load: self.motor,
        }
    }

    /// What to ask about a gearing that turns the load faster than the motor: few rigs
    /// have one, and the two numbers are easily confused.
    pub fn doubt(self) -> Option<String> {
        (self.ratio() < 1.0).then(|| {
            format!(
                "`gearing: {self}` turns the load {} times for one motor turn; for a reduction, write {}",
                Rounded(1.0 / self.ratio()),
                self.reversed()
            )
        })
    }
}

impl fmt::Display for Gearing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.motor, self.load)
    }
}

/// The fields that make a load linear.
const LINEAR_KEYS: [&str; 4] = ["travel_per_turn", "mass", "incline", "constant_force"];

impl Load {
    /// A bare motor.
    pub const NONE: Self = Self {
        inertia: Inertia::new(0.0),
        friction: Torque::new(0.0),
        viscous: Damping::new(0.0),
        constant_torque: Torque::new(0.0),
        unbalance: Unbalance::new(0.0),
        gearing: Gearing::DIRECT,
        efficiency: 1.0,
        backlash: Angle::new(0.0),
        approach: None,
        linear: None,
    };

    /// Play along the load's travel (rad, or m where it is linear).
    pub fn play(&self) -> f64 {
        let turned = self.backlash.si();
        match &self.linear {
            None => turned,
            Some(linear) => {
                turned / std::f64::consts::TAU * linear.travel_per_turn.si() + linear.backlash.si()
            }
        }
    }

    /// The load, and how its values are written.
    pub(super) fn read(mut fields: Fields<'_>) -> Option<(Self, Written)> {
        let linear = LINEAR_KEYS.iter().any(|key| fields.has(key));
        let none = Self::NONE;
        let inertia = fields.or("inertia", Bounds::up_to(1e4), none.inertia);
        let inertia = Inertia::new(inertia.si() + body::inertia(&mut fields).si());
        let constant_torque = fields.or(
            "constant_torque",
            Bounds::either_way(1e5),
            none.constant_torque,
        );
        let unbalance = fields.or("unbalance", Bounds::up_to(1e3), none.unbalance);
        let gearing = fields
            .take("gearing")
            .map_or(Some(Gearing::DIRECT), |entry| {
                fields.keep(read_gearing(&entry.value))
            });
        let efficiency = fields.or(
            "efficiency",
            Bounds::positive(0.01, 1.0),
            Fraction::new(none.efficiency),
        );
        let (friction, force) = either(&mut fields, linear, "friction", 1e5);
        let (viscous, drag) = either(&mut fields, linear, "viscous", 1e5);
        let approach = read_approach(&mut fields);
        let (backlash, play) = either(&mut fields, linear, "backlash", std::f64::consts::TAU);
        let linear = if linear {
            let travel = fields.required("travel_per_turn", Bounds::positive(1e-6, 100.0));
            let mass = fields.required("mass", Bounds::up_to(1e4));
            let upright = Bounds::either_way(std::f64::consts::FRAC_PI_2);
            let incline = fields.or("incline", upright, Angle::default());
            let constant_force =
                fields.or("constant_force", Bounds::either_way(1e6), Force::default());
            travel.zip(mass).map(|(travel_per_turn, mass)| {
                Some(LinearLoad {
                    mass,
                    travel_per_turn,
                    incline,
                    friction: force,
                    viscous: drag,
                    constant_force,
                    backlash: play,
                })
            })
        } else {
            fields.offer(&LINEAR_KEYS);
            Some(None)
        };
        let written = fields.finish();
        let load = Self {
            inertia,
            friction,
            viscous,
            constant_torque,
            unbalance,
            gearing: gearing?,
            efficiency: efficiency.si(),
            backlash,
            approach,
            linear: linear?,
        };
        Some((load, written))
    }
}

/// A field that a linear load may give at the shaft or along the travel; its unit says
/// which. The other one is zero.
fn either<R: Measure, L: Measure>(
    fields: &mut Fields<'_>,
    linear: bool,
    key: &'static str,
    most: f64,
) -> (R, L) {
    let (mut rotary, mut along) = (R::from_si(0.0), L::from_si(0.0));
    let Some(entry) = fields.take(key) else {
        return (rotary, along);
    };
    let bounds = Bounds::up_to(most);
    let at_the_shaft = fields::text(key, &entry.value).is_ok_and(|text| text.parse::<R>().is_ok());
    if linear && !at_the_shaft {
        along = fields
            .keep(fields::quantity(key, &entry.value, bounds))
            .unwrap_or(along);
    } else {
        rotary = fields
            .keep(fields::quantity(key, &entry.value, bounds))
            .unwrap_or(rotary);
    }
    (rotary, along)
}

/// Which way moves end; only where there is play to be taken up.
fn read_approach(fields: &mut Fields<'_>) -> Option<Approach> {
    let entry = fields.take("approach")?;
    let word = fields.keep(fields::choice("approach", &entry, &APPROACHES))?;
    if !fields.has("backlash") {
        fields.problem(
            entry
                .key_place
                .error(
                    "approach-without-backlash",
                    "`approach` requires `backlash`",
                    "the load has no `backlash`",
                )
                .help("give the play, such as `backlash: 3 arcmin`, or leave `approach` out"),
        );
    }
    Some(if word == APPROACHES[0] {
        Approach::Positive
    } else {
        Approach::Negative
    })
}

/// What a single number or a fraction was meant to be: `10` and `10/1` are `10:1`, while
/// `1/10` may be a reduction by 10 or its contrary.
fn gearing_meant(text: &str) -> Option<String> {
    let number = |part: &str| part.trim().parse::<f64>().is_ok_and(|number| number > 0.0);
    let Some((motor, load)) = text.split_once('/') else {
        return number(text).then(|| format!("did you mean `{text}:1`?"));
    };
    let (motor, load) = (motor.trim(), load.trim());
    (number(motor) && number(load)).then(|| {
        format!("write motor turns, a colon and load turns: did you mean `{motor}:{load}` or `{load}:{motor}`?")
    })
}

/// `3:1`, motor turns to load turns.
fn read_gearing(node: &Node) -> Result<Gearing, Diagnostic> {
    const HELP: &str = "write motor turns, a colon and load turns, such as `3:1` or `10:3`";
    let text = fields::text("gearing", node).map_err(|problem| problem.help(HELP))?;
    let turns = |part: &str| {
        let quantity: Quantity = part.parse().ok()?;
        (quantity.dimension == crate::units::Dimension::NONE).then_some(quantity.si)
    };
    let parts = text
        .split_once(':')
        .and_then(|(motor, load)| Some((turns(motor)?, turns(load)?)));
    let Some((motor, load)) = parts else {
        let help = gearing_meant(text).unwrap_or_else(|| HELP.to_owned());
        return Err(node
            .place
            .error(
                "not-a-ratio",
                format!("“{text}” is not a ratio"),
                "`gearing` is motor turns to load turns",
            )
            .help(help));
    };
    if motor <= 0.0 || load <= 0.0 {
        return Err(node
            .place
            .error(
                "zero-value",
                "both sides of `gearing` must be above zero",
                "",
            )
            .help("set the direction in the script, not in the gearing"));
    }
    let ratio = motor / load;
    if !(1e-4..=1e6).contains(&ratio) || !(1e-6..=1e9).contains(&motor) {
        return Err(node
            .place
            .error(
                "absurd-value",
                format!("a gearing of {} to one is out of range", Rounded(ratio)),
                "",
            )
            .help(HELP));
    }
    Ok(Gearing { motor, load })
}
