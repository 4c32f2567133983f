//! Which leads form a coil, told by an ohmmeter, and what can be connected how.
//!
//! A two-phase motor brings out four leads (two coils), five (four halves with one common
//! tap), six (two coils with a tap each) or eight (four halves). Leads between which nothing
//! flows belong to different coils; from an end to a tap the meter shows half of what it shows
//! from end to end.
//!
//! **Connections.** With r, l, i, t the resistance, inductance, rated current and holding
//! torque of a motor of which one half of each coil is used, all for the same heat in the copper:
//!
//! | | R | L | I | torque |
//! | --- | --- | --- | --- | --- |
//! | half coil | r | l | i | t |
//! | both halves in series | 2 r | 4 l | i/√2 | √2 t |
//! | both halves in parallel | r/2 | l | √2 i | √2 t |
//!
//! Inductance goes with the square of the turns, torque with turns times current, heat with
//! current squared times resistance (derived; the table is common practice).

mod reading;

pub(super) use reading::read;

use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};
use std::fmt;

use thiserror::Error;

use crate::units::{Resistance, Rounded};

/// Readings within this of one another count as equal, those within it of a half as halves.
const ALIKE: f64 = 0.25;

/// What to keep in mind whenever leads are moved.
pub const CAUTION_LEADS: &str = "Never connect or disconnect a lead while current flows: the coil's energy makes a \
                                 spark that kills the driver's transistors.";

/// Why readings show no motor that can be connected.
#[derive(Debug, Clone, PartialEq, Error)]
enum UnclearLeads {
    #[error("nothing conducts to {lead}: a lead or coil is broken, or a reading is missing")]
    Alone { lead: String },
    #[error("three leads that all conduct are a three-phase motor, which no two-phase drive turns")]
    ThreePhases,
    #[error(
        "all four leads conduct to one another: the coils are shorted together, or they are two halves of a motor \
         with a broken common lead"
    )]
    Shorted,
    #[error("{leads} leads that conduct like this are no two-phase motor with 4, 5, 6 or 8 leads")]
    NoMotor { leads: usize },
    #[error(
        "{}, {} and {} conduct, but no one of them reads half to both others: it has no centre tap",
        leads[0], leads[1], leads[2]
    )]
    NoTap { leads: [String; 3] },
    #[error(
        "the coil from {} reads {} ohm and that from {} {} ohm: turns of one are shorted, or a contact is bad",
        coils[0].0, Rounded(coils[0].1), coils[1].0, Rounded(coils[1].1)
    )]
    Unequal {
        /// An end of each, and what it reads (Ω).
        coils: [(String, f64); 2],
    },
    #[error(
        "no one of the five leads reads the same to the four others, and these twice that to each other"
    )]
    NoCommon,
}

/// Resistance between two leads.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Reading {
    /// The leads, by their places in the list.
    between: (usize, usize),
    /// What the meter shows (Ω).
    ohms: f64,
}

/// A coil as far as the meter can tell.
#[derive(Debug, Clone, PartialEq)]
pub struct Coil {
    /// Its ends.
    pub ends: (String, String),
    /// Its centre tap, where one is brought out.
    pub tap: Option<String>,
    /// From end to end (Ω).
    pub ohms: f64,
}

/// How the leads belong together.
#[derive(Debug, Clone, PartialEq)]
pub enum LeadLayout {
    /// Two coils.
    Four([Coil; 2]),
    /// Four halves with one common lead.
    Five {
        /// The common tap.
        common: String,
        /// The four ends.
        ends: Vec<String>,
        /// From an end to the tap (Ω).
        ohms: f64,
    },
    /// Two coils with a centre tap each.
    Six([Coil; 2]),
    /// Four halves; which two belong to a phase a meter for resistance cannot tell.
    Eight(Vec<Coil>),
}

/// What was found out about the leads.
#[derive(Debug, Clone, PartialEq)]
pub struct MotorWiring {
    /// How they belong together.
    pub layout: LeadLayout,
    /// What the other notes were measured on.
    pub measured_on: Connection,
}

/// How the halves of a coil are connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Connection {
    /// One half of each coil is used, the other is left open.
    Half,
    /// Both halves in series.
    Series,
    /// Both halves in parallel.
    Parallel,
}

impl MotorWiring {
    /// Resistance of a phase (Ω) as the readings between the leads show it, in the connection
    /// that the notes are about.
    pub(super) fn phase_ohms(&self) -> f64 {
        let mean =
            |coils: &[Coil]| coils.iter().map(|coil| coil.ohms).sum::<f64>() / coils.len() as f64;
        let [over_half, ..] = self.measured_on.factors();
        match &self.layout {
            // Without taps there is nothing to connect.
            LeadLayout::Four(coils) => mean(coils),
            LeadLayout::Five { ohms, .. } => ohms * over_half,
            LeadLayout::Six(coils) => 0.5 * mean(coils) * over_half,
            LeadLayout::Eight(halves) => mean(halves) * over_half,
        }
    }
}

impl Connection {
    /// As the notes write it.
    const WORDS: [(&'static str, Self); 3] = [
        ("half", Self::Half),
        ("series", Self::Series),
        ("parallel", Self::Parallel),
    ];

    /// Resistance, inductance, current and torque over those of a half.
    const fn factors(self) -> [f64; 4] {
        match self {
            Self::Half => [1.0, 1.0, 1.0, 1.0],
            Self::Series => [2.0, 4.0, FRAC_1_SQRT_2, SQRT_2],
            Self::Parallel => [0.5, 1.0, SQRT_2, SQRT_2],
        }
    }

    /// Resistance, inductance, current and torque in `other`, over those in this one.
    pub fn to(self, other: Self) -> [f64; 4] {
        let (from, to) = (self.factors(), other.factors());
        [0, 1, 2, 3].map(|k| to[k] / from[k])
    }
}

impl fmt::Display for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Half => "half of each coil",
            Self::Series => "halves in series",
            Self::Parallel => "halves in parallel",
        })
    }
}

impl LeadLayout {
    /// The connections that these leads allow.
    pub fn connections(&self) -> &'static [Connection] {
        match self {
            Self::Four(_) => &[],
            Self::Five { .. } => &[Connection::Half],
            Self::Six(_) => &[Connection::Half, Connection::Series],
            Self::Eight(_) => &[Connection::Half, Connection::Series, Connection::Parallel],
        }
    }

    /// What belongs together, a line each.
    pub fn coils(&self) -> Vec<String> {
        let coil = |coil: &Coil| {
            let ends = format!("{} and {}", coil.ends.0, coil.ends.1);
            let ohms = Resistance::new(coil.ohms);
            match &coil.tap {
                Some(tap) => format!("coil from {ends}, {ohms}, centre tap {tap}"),
                None => format!("coil from {ends}, {ohms}"),
            }
        };
        match self {
            Self::Four(coils) | Self::Six(coils) => coils.iter().map(coil).collect(),
            Self::Eight(coils) => coils
                .iter()
                .map(|one| format!("half {}", coil(one)))
                .collect(),
            Self::Five { common, ends, ohms } => vec![format!(
                "common tap {common}; {} each to the ends {}",
                Resistance::new(*ohms),
                ends.join(", ")
            )],
        }
    }

    /// How many ways are left to connect it that a meter for resistance cannot tell apart.
    pub fn combinations(&self) -> u32 {
        match self {
            // The direction.
            Self::Four(_) | Self::Six(_) => 2,
            // Orders of four ends in a cycle: 3!, of which one turns each way.
            Self::Five { .. } => 6,
            // Three pairings, each pair aiding or opposing, and the direction.
            Self::Eight(_) => 3 * 4 * 2,
        }
    }

    /// How to find out what is left, by hand and battery, a step each.
    pub fn to_be_tried(&self) -> Vec<String> {
        let mut steps = Vec::new();
        match self {
            Self::Four(_) => {}
            Self::Five { common, ends, .. } => {
                steps.push(format!(
                    "Connect {common} to one pole of a battery of a tenth of the rated voltage to begin with. \
                     Touch {} with the other pole and hold: the shaft locks.",
                    ends[0]
                ));
                steps.push(format!(
                    "Change over to each of {} in turn, back to {} each time. Two of them move the shaft by a \
                     full step, one forwards and one backwards: they belong to the other coil. The third, \
                     which moves it by two steps or lets it twitch either way, is the other half of the \
                     same coil.",
                    ends[1..].join(", "),
                    ends[0]
                ));
                steps.push(
                    "The order is: first end, an end of the other coil, the other half of the first, the other \
                     half of the other."
                        .to_owned(),
                );
            }
            Self::Six(_) => steps.push(
                "For a bridge use the two ends of each coil and insulate both taps (series), or an end and the \
                 tap (half)."
                    .to_owned(),
            ),
            Self::Eight(coils) => {
                let first = &coils[0].ends;
                steps.push(format!(
                    "Find the partner of the half {}–{}: spin the shaft by hand with a voltmeter for alternating \
                     voltage on it, and short the other halves in turn. All of them brake the shaft, but only the \
                     partner makes the reading on the meter collapse. Or connect an alternating voltage of 1 V or \
                     less to it: the partner shows nearly the same voltage, the halves of the other phase show \
                     a few per cent.",
                    first.0, first.1
                ));
                steps.push(
                    "Find the polarity: connect the two partners in series and spin the shaft. Twice the voltage \
                     of one: the start of one is joined to the end of the other, as it has to be. Nearly \
                     none: turn one of them round. Only connect halves in parallel whose polarity has been found \
                     so: two that oppose each other short the supply and give no torque."
                        .to_owned(),
                );
            }
        }
        steps.push(
            "Direction: it is known only from a turn. Where the shaft turns the wrong way, swap the two ends of one \
             coil, with the power off. Swapping the ends of both changes nothing."
                .to_owned(),
        );
        steps
    }
}

/// The layout that the readings show, or why they show none.
fn layout(leads: &[String], readings: &[Reading]) -> Result<LeadLayout, UnclearLeads> {
    let groups = groups(leads.len(), readings);
    if let Some(alone) = groups.iter().find(|group| group.len() == 1) {
        let lead = leads[alone[0]].clone();
        return Err(UnclearLeads::Alone { lead });
    }
    let sizes: Vec<usize> = groups.iter().map(Vec::len).collect();
    let unclear = UnclearLeads::NoMotor { leads: leads.len() };
    let coils = || {
        groups
            .iter()
            .map(|group| coil(leads, group, readings))
            .collect::<Result<Vec<_>, _>>()
    };
    let two = |coils: Vec<Coil>| <[Coil; 2]>::try_from(coils).map_err(|_| unclear.clone());
    match (leads.len(), sizes.as_slice()) {
        (4, [2, 2]) => equal(coils()?).and_then(two).map(LeadLayout::Four),
        (6, [3, 3]) => equal(coils()?).and_then(two).map(LeadLayout::Six),
        (8, [2, 2, 2, 2]) => equal(coils()?).map(LeadLayout::Eight),
        (5, [5]) => five(leads, readings),
        (3, [3]) => Err(UnclearLeads::ThreePhases),
        (4, [4]) => Err(UnclearLeads::Shorted),
        _ => Err(unclear),
    }
}

/// The leads that conduct to one another.
fn groups(leads: usize, readings: &[Reading]) -> Vec<Vec<usize>> {
    let mut group: Vec<usize> = (0..leads).collect();
    for reading in readings {
        let (from, to) = (group[reading.between.0], group[reading.between.1]);
        for one in &mut group {
            if *one == from {
                *one = to;
            }
        }
    }
    let mut found: Vec<Vec<usize>> = Vec::new();
    for lead in 0..leads {
        match found
            .iter_mut()
            .find(|others| group[others[0]] == group[lead])
        {
            Some(others) => others.push(lead),
            None => found.push(vec![lead]),
        }
    }
    found
}

fn between(readings: &[Reading], one: usize, other: usize) -> Option<f64> {
    let found = readings
        .iter()
        .find(|reading| reading.between == (one, other) || reading.between == (other, one));
    found.map(|reading| reading.ohms)
}

/// The coil that two or three leads form.
fn coil(leads: &[String], group: &[usize], readings: &[Reading]) -> Result<Coil, UnclearLeads> {
    let name = |at: usize| leads[at].clone();
    let ohms = |one: usize, other: usize| between(readings, one, other);
    if let [one, other] = group {
        return Ok(Coil {
            ends: (name(*one), name(*other)),
            tap: None,
            ohms: ohms(*one, *other).unwrap_or(0.0),
        });
    }
    // The tap is the lead from which both others read the same, half of end to end; one
    // missing reading follows from the two others.
    for (tap, one, other) in [(0, 1, 2), (1, 0, 2), (2, 0, 1)] {
        let (tap, one, other) = (group[tap], group[one], group[other]);
        let halves = (ohms(tap, one), ohms(tap, other), ohms(one, other));
        let (first, second, whole) = match halves {
            (Some(first), Some(second), Some(whole)) => (first, second, whole),
            (Some(first), Some(second), None) => (first, second, first + second),
            (Some(half), None, Some(whole)) | (None, Some(half), Some(whole)) => {
                (half, whole - half, whole)
            }
            _ => continue,
        };
        if alike(first, second) && alike(first + second, whole) {
            return Ok(Coil {
                ends: (name(one), name(other)),
                tap: Some(name(tap)),
                ohms: whole,
            });
        }
    }
    Err(UnclearLeads::NoTap {
        leads: [group[0], group[1], group[2]].map(name),
    })
}

fn alike(one: f64, other: f64) -> bool {
    (one - other).abs() <= ALIKE * one.max(other)
}

/// The coils, which must have one resistance.
fn equal(coils: Vec<Coil>) -> Result<Vec<Coil>, UnclearLeads> {
    let differing = coils.iter().find(|coil| !alike(coil.ohms, coils[0].ohms));
    match differing {
        Some(other) => Err(UnclearLeads::Unequal {
            coils: [&coils[0], other].map(|coil| (coil.ends.0.clone(), coil.ohms)),
        }),
        None => Ok(coils),
    }
}

/// Four halves with a common lead: all read the same to it and twice that to each other.
fn five(leads: &[String], readings: &[Reading]) -> Result<LeadLayout, UnclearLeads> {
    for common in 0..5 {
        let ends: Vec<usize> = (0..5).filter(|lead| *lead != common).collect();
        let to: Vec<f64> = ends
            .iter()
            .filter_map(|end| between(readings, common, *end))
            .collect();
        if to.len() < 4 || !to.iter().all(|ohms| alike(*ohms, to[0])) {
            continue;
        }
        let across = readings
            .iter()
            .filter(|reading| reading.between.0 != common && reading.between.1 != common);
        if across
            .clone()
            .all(|reading| alike(reading.ohms, 2.0 * to[0]))
        {
            return Ok(LeadLayout::Five {
                common: leads[common].clone(),
                ends: ends.iter().map(|end| leads[*end].clone()).collect(),
                ohms: to.iter().sum::<f64>() / 4.0,
            });
        }
    }
    Err(UnclearLeads::NoCommon)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(leads: &str, readings: &[(&str, f64)]) -> Result<LeadLayout, UnclearLeads> {
        let leads: Vec<String> = leads.split(' ').map(str::to_owned).collect();
        let at = |name: &str| leads.iter().position(|lead| lead == name).unwrap();
        let readings: Vec<Reading> = readings
            .iter()
            .map(|(pair, ohms)| {
                let (one, other) = pair.split_once('-').unwrap();
                Reading {
                    between: (at(one), at(other)),
                    ohms: *ohms,
                }
            })
            .collect();
        layout(&leads, &readings)
    }

    #[test]
    fn four_leads_are_two_coils() {
        let found = of("a b c d", &[("a-c", 1.6), ("b-d", 1.7)]).unwrap();
        let LeadLayout::Four([one, other]) = found else {
            panic!("{found:?}")
        };
        assert_eq!(one.ends, ("a".to_owned(), "c".to_owned()));
        assert_eq!(other.ends, ("b".to_owned(), "d".to_owned()));
    }

    #[test]
    fn a_centre_tap_is_found_from_three_readings_or_any_two() {
        let all = [("a-b", 2.0), ("b-c", 2.1), ("a-c", 4.1)];
        let other = [("d-e", 4.2), ("d-f", 2.0), ("e-f", 2.1)];
        for skip in [None, Some(0), Some(1), Some(2)] {
            let mut readings: Vec<(&str, f64)> = all.to_vec();
            if let Some(skip) = skip {
                readings.remove(skip);
            }
            readings.extend(other);
            let LeadLayout::Six(coils) = of("a b c d e f", &readings).unwrap() else {
                panic!("{skip:?}")
            };
            assert_eq!(coils[0].tap.as_deref(), Some("b"), "{skip:?}");
            assert_eq!(coils[1].tap.as_deref(), Some("f"), "{skip:?}");
        }
    }

    #[test]
    fn five_leads_have_a_common_tap_and_eight_are_halves() {
        let five = [
            ("c-p", 30.0),
            ("c-q", 30.5),
            ("c-r", 29.5),
            ("c-s", 30.0),
            ("p-q", 60.0),
        ];
        let LeadLayout::Five { common, ends, .. } = of("p q c r s", &five).unwrap() else {
            panic!()
        };
        assert_eq!((common.as_str(), ends.len()), ("c", 4));
        let eight = [("a-b", 1.0), ("c-d", 1.0), ("e-f", 1.0), ("g-h", 1.0)];
        let found = of("a b c d e f g h", &eight).unwrap();
        assert!(matches!(found, LeadLayout::Eight(_)));
        assert_eq!(found.combinations(), 24);
    }

    #[test]
    fn what_is_no_two_phase_motor_is_said() {
        let error =
            |leads: &str, readings: &[(&str, f64)]| of(leads, readings).unwrap_err().to_string();
        assert!(
            error("a b c", &[("a-b", 1.0), ("b-c", 1.0), ("a-c", 1.0)]).contains("three-phase")
        );
        assert!(error("a b c d", &[("a-b", 1.0)]).contains("broken"));
        assert!(error("a b c d", &[("a-b", 1.0), ("c-d", 2.0)]).contains("shorted"));
    }

    /// By hand: a half of 1 Ω, 1 mH, 2 A, 0.3 N·m (loss 2² · 1 = 4 W a phase) in series is
    /// 2 Ω, 4 mH, 1.414 A (loss 1.414² · 2 = 4 W), 0.4243 N·m; in parallel 0.5 Ω, 1 mH, 2.828 A.
    #[test]
    fn connections_keep_the_heat() {
        for to in [Connection::Series, Connection::Parallel] {
            let [r, l, i, t] = Connection::Half.to(to);
            assert!((i * i * r - 1.0).abs() < 1e-12, "{to}");
            assert!((t - SQRT_2).abs() < 1e-12 && l >= 1.0, "{to}");
        }
        let back = Connection::Series.to(Connection::Parallel);
        let expected = [0.25, 0.25, 2.0, 1.0];
        for (one, other) in back.iter().zip(expected) {
            assert!((one - other).abs() < 1e-12, "{back:?}");
        }
    }
}
