//! The motor: a two-phase hybrid stepping motor by its data sheet or bench values.

use std::sync::Arc;

use super::fields::{self, Bounds, Fields, Written};
use super::plausible;
use super::problems::Problems;
use super::profile;
use super::tolerances::{MotorTolerances, ToleratedValue, read_guessed};
use super::yaml::{Node, NodeKind};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::units::{
    Angle, Current, Damping, Inductance, Inertia, Resistance, Rounded, StepRate, Torque,
};

/// A two-phase stepping motor.
#[derive(Debug, Clone, PartialEq)]
pub struct Motor {
    /// What it is called.
    pub name: Option<String>,
    /// Teeth of the rotor; 50 teeth make 200 full steps a turn.
    pub rotor_teeth: u32,
    /// Resistance of one phase.
    pub phase_resistance: Resistance,
    /// Inductance of one phase.
    pub phase_inductance: Inductance,
    /// Current per phase at which the holding torque is quoted, both phases on.
    pub rated_current: Current,
    /// Holding torque, two phases on, at rated current.
    pub holding_torque: Torque,
    /// Detent torque, where it is given.
    pub detent_torque: Option<Torque>,
    /// Moment of inertia of the rotor.
    pub rotor_inertia: Inertia,
    /// Drag of the rotor in proportion to speed, where it is given.
    pub viscous_damping: Option<Damping>,
    /// Resistance across each phase's back-EMF that models eddy currents in the iron, where
    /// it is given.
    pub core_loss_resistance: Option<Resistance>,
    /// Constant torque that the rotor loses to hysteresis and bearings, where it is given.
    pub friction_torque: Option<Torque>,
    /// A measured pull-out curve, rising in step rate; replaces the computed one.
    pub pull_out: Option<Vec<PullOutPoint>>,
    /// Where the numbers come from.
    pub source: Option<String>,
    /// How far its values may be off, where it says so.
    pub tolerances: MotorTolerances,
    /// Keys of its values that are guesses.
    pub guessed: Vec<&'static str>,
}

/// One measured point of a pull-out curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PullOutPoint {
    /// Full steps a second.
    pub step_rate_hz: f64,
    /// Pull-out torque there.
    pub torque: Torque,
}

impl Motor {
    /// Torque constant of one phase (N·m/A): K = Th / (√2 · Irated), since holding
    /// torque is quoted with both phases at the rated current.
    pub fn torque_constant(&self) -> f64 {
        self.holding_torque.si() / (std::f64::consts::SQRT_2 * self.rated_current.si())
    }

    /// What of it nobody has measured, in words; none where all is measured.
    pub fn guesses(&self) -> Option<String> {
        let guessed = !self.guessed.is_empty();
        guessed.then(|| format!("guessed, not measured: {}", fields::list(&self.guessed)))
    }

    /// Angle of a full step (rad).
    pub fn full_step_angle(&self) -> f64 {
        std::f64::consts::TAU / (4.0 * f64::from(self.rotor_teeth))
    }
}

/// What the detent torque of a motor on a bench is about (N·m).
const USUAL_DETENT: f64 = 0.02;
/// Rotors with more teeth than this are not made.
const MOST_TEETH: u32 = 500;

impl Motor {
    /// Reads a motor's profile.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse(source: &Arc<Source>) -> Result<Self, Diagnostics> {
        let mut problems = Problems::default();
        let (place, entries) = profile::entries("the motor", source)?;
        let motor = Self::read(Fields::new("the motor", place, entries, &mut problems));
        if let Some((motor, written)) = &motor {
            plausible::ask_about_motor(motor, written, &mut problems);
        }
        problems.finish(motor.map(|(motor, _)| motor))
    }

    /// The motor, and how its values are written.
    pub(super) fn read(mut fields: Fields<'_>) -> Option<(Self, Written)> {
        let name = fields.text("name");
        let rotor_teeth = read_teeth(&mut fields);
        let phase_resistance = fields.required("phase_resistance", Bounds::positive(1e-3, 1e5));
        let phase_inductance = fields.required("phase_inductance", Bounds::positive(1e-7, 100.0));
        let rated_current = fields.required("rated_current", Bounds::positive(1e-4, 100.0));
        let holding_torque = fields.required("holding_torque", Bounds::positive(1e-7, 1e3));
        let detent_torque = read_detent(&mut fields, holding_torque);
        let rotor_inertia = fields.required("rotor_inertia", Bounds::positive(1e-11, 1.0));
        let viscous_damping = fields.optional("viscous_damping", Bounds::up_to(10.0));
        let core_loss_resistance =
            fields.optional("core_loss_resistance", Bounds::positive(1e-3, 1e7));
        let friction_torque = read_friction(&mut fields, holding_torque);
        let pull_out = fields
            .take("pull_out")
            .and_then(|entry| read_pull_out(&mut fields, entry.value));
        let source = fields.text("source");
        let given = given(
            detent_torque.is_some(),
            viscous_damping.is_some(),
            friction_torque.is_some(),
        );
        let tolerances = fields
            .take("tolerances")
            .map(|entry| MotorTolerances::read(entry, &given, fields.problems()));
        let guessed = fields
            .take("guessed")
            .map(|entry| read_guessed(entry.value, &GUESSABLE, fields.problems()));
        let written = fields.finish();
        let motor = Self {
            name,
            rotor_teeth: rotor_teeth?,
            phase_resistance: phase_resistance?,
            phase_inductance: phase_inductance?,
            rated_current: rated_current?,
            holding_torque: holding_torque?,
            detent_torque,
            rotor_inertia: rotor_inertia?,
            viscous_damping,
            core_loss_resistance,
            friction_torque,
            pull_out,
            source,
            tolerances: tolerances.unwrap_or_default(),
            guessed: guessed.unwrap_or_default(),
        };
        Some((motor, written))
    }
}

/// Keys whose values may be guesses.
const GUESSABLE: [&str; 9] = [
    "rotor_teeth",
    "phase_resistance",
    "phase_inductance",
    "rated_current",
    "holding_torque",
    "detent_torque",
    "rotor_inertia",
    "viscous_damping",
    "friction_torque",
];

/// The values that a motor gives: those that it must give, and some that it may.
fn given(detent: bool, damping: bool, friction: bool) -> Vec<ToleratedValue> {
    let is_given = |value: &ToleratedValue| match value {
        ToleratedValue::PhaseResistance
        | ToleratedValue::PhaseInductance
        | ToleratedValue::TorqueConstant
        | ToleratedValue::RotorInertia => true,
        ToleratedValue::DetentTorque => detent,
        ToleratedValue::ViscousDamping => damping,
        ToleratedValue::FrictionTorque => friction,
    };
    ToleratedValue::ALL.into_iter().filter(is_given).collect()
}

/// `rotor_teeth`, or the teeth that make `step_angle` a full step.
fn read_teeth(fields: &mut Fields<'_>) -> Option<u32> {
    let teeth = fields.take("rotor_teeth");
    let angle = fields.take("step_angle");
    match (teeth, angle) {
        (Some(teeth), None) => {
            fields.keep(fields::whole("rotor_teeth", &teeth.value, 1..=MOST_TEETH))
        }
        (None, Some(angle)) => {
            let bounds = Bounds::positive(1e-6, std::f64::consts::FRAC_PI_2);
            let step: Angle = fields.keep(fields::quantity("step_angle", &angle.value, bounds))?;
            fields.keep(teeth_of(step, &angle.value))
        }
        (Some(teeth), Some(angle)) => {
            fields.problem(
                angle
                    .key_place
                    .error(
                        "teeth-given-twice",
                        "`rotor_teeth` and `step_angle` are two forms of one value",
                        "this one",
                    )
                    .at(
                        &teeth.key_place.source,
                        teeth.key_place.span,
                        "and this one",
                    )
                    .help("keep one of them"),
            );
            None
        }
        (None, None) => {
            fields.missing("rotor_teeth", "…");
            None
        }
    }
}

/// The teeth of a two-phase rotor that turns by `step` a full step: 90°/step.
fn teeth_of(step: Angle, node: &Node) -> Result<u32, Diagnostic> {
    let exact = std::f64::consts::FRAC_PI_2 / step.si();
    let teeth = exact.round();
    // Data sheets round their angles to four digits or so.
    if (exact - teeth).abs() > 1e-3 * exact {
        let near = std::f64::consts::FRAC_PI_2 / teeth;
        return Err(node
            .place
            .error(
                "no-whole-teeth",
                format!(
                    "a two-phase motor with a step of {step} would have {} teeth",
                    Rounded(exact)
                ),
                "90 deg divided by the step angle must be a whole number",
            )
            .help(format!("{teeth} teeth make {}", Angle::new(near))));
    }
    if teeth > f64::from(MOST_TEETH) {
        return Err(node
            .place
            .error(
                "absurd-value",
                format!("a step of {step} takes {teeth} teeth"),
                "",
            )
            .help(format!(
                "give the angle of a full step; the limit is {MOST_TEETH} teeth"
            )));
    }
    Ok(teeth as u32)
}

fn read_detent(fields: &mut Fields<'_>, holding: Option<Torque>) -> Option<Torque> {
    let entry = fields.take("detent_torque")?;
    let bounds = Bounds::up_to(1e3).usually(USUAL_DETENT);
    let detent: Torque = fields.keep(fields::quantity("detent_torque", &entry.value, bounds))?;
    if let Some(holding) = holding
        && detent.si() >= holding.si()
    {
        fields.problem(
            entry
                .value
                .place
                .error(
                    "detent-above-holding",
                    "`detent_torque` is not below `holding_torque`",
                    format!("the holding torque is {holding}"),
                )
                .help("detent torque is the torque without current: a few per cent of it"),
        );
    }
    Some(detent)
}

fn read_friction(fields: &mut Fields<'_>, holding: Option<Torque>) -> Option<Torque> {
    let entry = fields.take("friction_torque")?;
    let bounds = Bounds::up_to(1e3);
    let friction: Torque =
        fields.keep(fields::quantity("friction_torque", &entry.value, bounds))?;
    if let Some(holding) = holding
        && friction.si() >= holding.si()
    {
        fields.problem(
            entry
                .value
                .place
                .error(
                    "friction-above-holding",
                    "`friction_torque` is not below `holding_torque`",
                    format!("the holding torque is {holding}"),
                )
                .help(
                    "friction torque keeps the unpowered rotor turning slowly, averaged over a \
                     turn: a few per cent of the holding torque",
                ),
        );
    }
    Some(friction)
}

fn read_pull_out(fields: &mut Fields<'_>, node: Node) -> Option<Vec<PullOutPoint>> {
    let place = node.place.clone();
    let NodeKind::List(items) = node.kind else {
        fields.problem(
            place
                .error("not-a-list", "`pull_out` is a list of points", "")
                .help("write `- { step_rate: 400 step/s, torque: 0.2 N.m }`, one a line"),
        );
        return None;
    };
    if items.len() < 2 {
        fields.problem(
            place
                .error("too-few-points", "`pull_out` needs two points or more", "")
                .help("leave it out to compute the curve"),
        );
        return None;
    }
    let mut points: Vec<PullOutPoint> = Vec::with_capacity(items.len());
    for item in items {
        let place = item.place.clone();
        let point = read_point(item, fields.problems())?;
        if let Some(last) = points.last()
            && point.step_rate_hz <= last.step_rate_hz
        {
            fields.problem(
                place
                    .error(
                        "pull-out-not-rising",
                        "the step rates of `pull_out` must rise",
                        format!(
                            "the previous point is at {} step/s",
                            Rounded(last.step_rate_hz)
                        ),
                    )
                    .help("write the points from the slowest to the fastest, each rate once"),
            );
            return None;
        }
        points.push(point);
    }
    Some(points)
}

fn read_point(node: Node, problems: &mut Problems) -> Option<PullOutPoint> {
    let place = node.place.clone();
    let mut fields = Fields::of("a point of `pull_out`", place, node, problems)?;
    let rate: Option<StepRate> = fields.required("step_rate", Bounds::up_to(1e6));
    let torque = fields.required("torque", Bounds::up_to(1e3));
    fields.finish();
    Some(PullOutPoint {
        step_rate_hz: rate?.si(),
        torque: torque?,
    })
}
