//! Whether the values of an axis go together: a motor, its drive and its load are asked
//! about where no bench has anything like them.
//!
//! Each value alone may be possible; a resistance in kΩ where Ω was meant shows only beside
//! the inductance. So the ratios that make the character of a machine have ranges, far wider
//! than what is built:
//!
//! | ratio | range |
//! | --- | --- |
//! | time constant of a winding, L/R | 20 µs … 0.2 s |
//! | voltage that drives the rated current, R · Irated | 0.05 … 500 V |
//! | flux of the rated current over that of the magnets, N L Irated/K | 0.005 … 200 |
//! | natural frequency of the rotor alone at the rated current, √(N Th/J)/2π | 8 Hz … 12 kHz |
//! | damping of the rotor over the critical, B/(2 √(N Th J)) | … 1 |
//! | inertia of the load at the shaft over that of the rotor | … 10⁴ |
//! | friction, constant torque or unbalance at the shaft over Th | … 100 |
//! | drag of the load over the critical damping with its inertia | … 100 |
//! | peak current over the rated one | 10⁻³ … 20 |
//! | what supply or converter drive over what is asked for | 0.01 … 10⁴ |
//!
//! The motors for a bench have time constants of 0.2 to 10 ms, rated voltages of 1 to 50 V,
//! natural frequencies of 50 to 500 Hz and damping ratios of some hundredths (common
//! practice); the ends are chosen, one or two decades outside.
//!
//! What is asked names the unit that was probably meant: the same number with another unit,
//! where that brings every ratio of the value into its range, the most usual first.

use super::fields::{Written, WrittenValue};
use super::problems::{Place, Problems};
use super::{Axis, DriveKind, Motor};
use crate::diagnostic::alternatives;
use crate::units::{
    Current, Damping, Force, Frequency, Inductance, Inertia, Length, LinearDamping, Mass, Measure,
    Resistance, Rounded, Time, Torque, Unbalance, Voltage, split_number, two_digits,
};

/// Standard acceleration of free fall (m/s²), exact by definition (3rd CGPM, 1901).
const GRAVITY: f64 = 9.806_65;
/// How many units are offered at most.
const MOST_OFFERED: usize = 3;

/// A ratio of an axis with the range in which those of any bench lie.
struct Ratio {
    value: f64,
    least: f64,
    most: f64,
    /// What it is about.
    usual: f64,
    /// The fault in words, should it be one.
    says: String,
    /// The range in words.
    range: String,
    suspects: Vec<Suspect>,
}

/// A value that may be wrong where a ratio is.
#[derive(Debug, Clone, Copy)]
struct Suspect {
    key: &'static str,
    /// The ratio goes with this power of the value.
    power: f64,
    units: &'static [(&'static str, f64)],
    read: fn(&str) -> Option<f64>,
}

/// A quantity of the kind `T` under `key`, with whose `power` a ratio goes.
fn suspect<T: Measure>(key: &'static str, power: f64) -> Suspect {
    Suspect {
        key,
        power,
        units: T::UNITS,
        read: |text| text.parse::<T>().ok().map(T::to_si),
    }
}

impl Ratio {
    fn holds(&self, value: f64) -> bool {
        (self.least..=self.most).contains(&value)
    }

    /// How far a value is from what is usual: the size of its logarithm.
    fn off(&self, value: f64) -> f64 {
        (value / self.usual).ln().abs()
    }

    /// The ratio with the value of `key` so many `times` as large.
    fn with(&self, key: &str, times: f64) -> Option<f64> {
        let suspect = self.suspects.iter().find(|suspect| suspect.key == key)?;
        Some(self.value * times.powf(suspect.power))
    }
}

/// Asks about a motor by itself.
pub(super) fn ask_about_motor(motor: &Motor, written: &Written, problems: &mut Problems) {
    ask(&of_motor(motor), &[written], None, problems);
}

/// Asks about an axis whose motor, drive and load are `written` so; `place` is its name.
pub(super) fn ask_about_axis(
    axis: &Axis,
    written: [&Written; 3],
    place: &Place,
    problems: &mut Problems,
) {
    let mut ratios = of_motor(&axis.motor);
    ratios.extend(of_drive(axis));
    ratios.extend(of_load(axis));
    ask(&ratios, &written, Some(place), problems);
}

fn ask(ratios: &[Ratio], written: &[&Written], axis: Option<&Place>, problems: &mut Problems) {
    let find = |key: &str| written.iter().find_map(|part| part.of(key));
    let mut blamed: Vec<&str> = Vec::new();
    for ratio in ratios {
        let one_asked = |suspect: &Suspect| blamed.contains(&suspect.key);
        if ratio.holds(ratio.value) || ratio.suspects.iter().any(one_asked) {
            continue;
        }
        let mut meant: Vec<(f64, &WrittenValue, String)> = ratio
            .suspects
            .iter()
            .filter_map(|suspect| Some((suspect, find(suspect.key)?)))
            .flat_map(|(suspect, value)| others(suspect, value, ratios))
            .collect();
        meant.sort_by(|one, other| one.0.total_cmp(&other.0));
        let mut given: Vec<&WrittenValue> =
            ratio.suspects.iter().filter_map(|s| find(s.key)).collect();
        given.dedup_by_key(|value| value.key);
        let place = match (meant.first(), given.first()) {
            (Some((_, value, _)), _) | (None, Some(value)) => &value.place,
            (None, None) => match axis {
                Some(place) => place,
                None => continue,
            },
        };
        let mut problem = place.error("absurd-value", ratio.says.as_str(), "");
        for value in &given {
            if value.place != *place {
                problem = problem.at(&value.place.source, value.place.span, "");
            }
        }
        let offered: Vec<String> = meant
            .iter()
            .take(MOST_OFFERED)
            .map(|(_, value, text)| format!("`{}: {text}`", value.key))
            .collect();
        let asks = match offered.is_empty() {
            true => "check the values and their units".to_owned(),
            false => format!("did you mean {}?", alternatives(&offered)),
        };
        problems.add(problem.help(format!("{}: {asks}", ratio.range)));
        blamed.extend(given.iter().map(|value| value.key));
    }
}

/// The same number with other units, where all ratios then hold: how unusual they are
/// together, the value, and what to write.
fn others<'w>(
    suspect: &Suspect,
    value: &'w WrittenValue,
    ratios: &[Ratio],
) -> Vec<(f64, &'w WrittenValue, String)> {
    let (number, _) = split_number(&value.text);
    let Some(before) = (suspect.read)(&value.text).filter(|si| *si != 0.0) else {
        return Vec::new();
    };
    let with_unit = |(symbol, _): &(&str, f64)| {
        let text = format!("{number} {symbol}");
        let times = (suspect.read)(&text)? / before;
        let mut off = 0.0;
        for ratio in ratios {
            if let Some(with) = ratio.with(suspect.key, times) {
                if !ratio.holds(with) {
                    return None;
                }
                off += ratio.off(with);
            }
        }
        Some((off, value, text))
    };
    suspect.units.iter().filter_map(with_unit).collect()
}

/// So many times, in words.
fn times(ratio: f64) -> String {
    format!("{} times", Rounded(two_digits(ratio)))
}

fn of_motor(motor: &Motor) -> Vec<Ratio> {
    let (resistance, inductance) = (motor.phase_resistance, motor.phase_inductance);
    let (rated, holding) = (motor.rated_current, motor.holding_torque);
    let inertia = motor.rotor_inertia;
    let teeth = f64::from(motor.rotor_teeth);
    let k = motor.torque_constant();
    let critical = 2.0 * (teeth * holding.si() * inertia.si()).sqrt();
    let time_constant = inductance.si() / resistance.si();
    let voltage = resistance.si() * rated.si();
    let natural = (teeth * holding.si() / inertia.si()).sqrt() / std::f64::consts::TAU;
    let flux = teeth * inductance.si() * rated.si() / k;
    let mut ratios = vec![
        Ratio {
            value: time_constant,
            least: 20e-6,
            most: 0.2,
            usual: 2e-3,
            says: format!(
                "{inductance} and {resistance} make a time constant L/R of {}",
                Time::new(time_constant)
            ),
            range: "those of motors lie between 20 us and 0.2 s".to_owned(),
            suspects: vec![
                suspect::<Resistance>("phase_resistance", -1.0),
                suspect::<Inductance>("phase_inductance", 1.0),
            ],
        },
        Ratio {
            value: voltage,
            least: 0.05,
            most: 500.0,
            usual: 4.0,
            says: format!(
                "the rated current {rated} through {resistance} takes {}",
                Voltage::new(voltage)
            ),
            range: "rated voltages lie between 0.05 V and 500 V".to_owned(),
            suspects: vec![
                suspect::<Resistance>("phase_resistance", 1.0),
                suspect::<Current>("rated_current", 1.0),
            ],
        },
        Ratio {
            value: natural,
            least: 8.0,
            most: 12e3,
            usual: 250.0,
            says: format!(
                "{holding} and {inertia} make a rotor with a natural frequency of {}",
                Frequency::new(natural)
            ),
            range: "those of motors lie between 8 Hz and 12 kHz".to_owned(),
            suspects: vec![
                suspect::<Inertia>("rotor_inertia", -0.5),
                suspect::<Torque>("holding_torque", 0.5),
            ],
        },
        Ratio {
            value: flux,
            least: 0.005,
            most: 200.0,
            usual: 1.0,
            says: format!(
                "{rated} in {inductance} makes {} the flux of the magnets that {holding} asks for",
                times(flux)
            ),
            range: "those of motors lie between 0.005 and 200 times".to_owned(),
            suspects: vec![
                suspect::<Inductance>("phase_inductance", 1.0),
                suspect::<Current>("rated_current", 2.0),
                suspect::<Torque>("holding_torque", -1.0),
            ],
        },
    ];
    let damped = |damping: f64, says: String, suspect: Suspect| Ratio {
        value: damping / critical,
        least: 0.0,
        most: 1.0,
        usual: 0.03,
        says,
        range: "that of a rotor is some hundredths of it".to_owned(),
        suspects: vec![suspect],
    };
    if let Some(damping) = motor.viscous_damping {
        ratios.push(damped(
            damping.si(),
            format!(
                "`viscous_damping` {damping} is {} the critical damping of the rotor",
                times(damping.si() / critical)
            ),
            suspect::<Damping>("viscous_damping", 1.0),
        ));
    }
    if let Some(resistance) = motor.core_loss_resistance {
        let damping = k * k / resistance.si();
        ratios.push(damped(
            damping,
            format!(
                "`core_loss_resistance` {resistance} damps the rotor {} as much as critically",
                times(damping / critical)
            ),
            suspect::<Resistance>("core_loss_resistance", -1.0),
        ));
    }
    ratios
}

fn of_drive(axis: &Axis) -> Vec<Ratio> {
    let (drive, rated) = (&axis.drive, axis.motor.rated_current);
    let resistance = Resistance::new(axis.loop_resistance());
    let supply = drive.supply;
    let driven = Current::new(supply.si() / resistance.si());
    let drives = |over: (Current, &'static str), least: f64, most: f64| Ratio {
        value: driven.si() / over.0.si(),
        least,
        most,
        usual: 3.0,
        says: format!(
            "{supply} drives {driven} through {resistance}, {} `{}`",
            times(driven.si() / over.0.si()),
            over.1
        ),
        range: format!(
            "a supply drives between {} and {} times as much",
            Rounded(least),
            Rounded(most)
        ),
        suspects: vec![
            suspect::<Voltage>("supply", 1.0),
            suspect::<Resistance>("phase_resistance", -1.0),
            suspect::<Resistance>("switch_resistance", -1.0),
            suspect::<Resistance>("sense_resistor", -1.0),
            suspect::<Current>(over.1, -1.0),
        ],
    };
    let peak = match drive.kind {
        DriveKind::FixedVoltage { .. } => {
            return vec![drives((rated, "rated_current"), 0.01, 20.0)];
        }
        DriveKind::LinearCurrent { peak_current, .. } | DriveKind::Chopper { peak_current, .. } => {
            peak_current
        }
    };
    let mut ratios = vec![
        Ratio {
            value: peak.si() / rated.si(),
            least: 1e-3,
            most: 20.0,
            usual: 1.0,
            says: format!(
                "`peak_current` {peak} is {} the rated current {rated}",
                times(peak.si() / rated.si())
            ),
            range: "it lies between 0.001 and 20 times".to_owned(),
            suspects: vec![
                suspect::<Current>("peak_current", 1.0),
                suspect::<Current>("rated_current", -1.0),
            ],
        },
        drives((peak, "peak_current"), 0.01, 1e4),
    ];
    if let Some((converter, sense)) = drive.current_setter() {
        let full_scale = converter.reference.si() / (sense.si() * converter.sense_gain);
        ratios.push(Ratio {
            value: full_scale / peak.si(),
            least: 0.01,
            most: 1e4,
            usual: 1.2,
            says: format!(
                "`converter_reference` {} over `sense_resistor` {sense} sets {}, {} the peak current",
                converter.reference,
                Current::new(full_scale),
                times(full_scale / peak.si())
            ),
            range: "a converter reaches between 0.01 and 10000 times as far".to_owned(),
            suspects: vec![
                suspect::<Resistance>("sense_resistor", -1.0),
                suspect::<Voltage>("converter_reference", 1.0),
                suspect::<Current>("peak_current", -1.0),
            ],
        });
    }
    ratios
}

fn of_load(axis: &Axis) -> Vec<Ratio> {
    let (motor, load) = (&axis.motor, &axis.load);
    let gearing = load.gearing.ratio();
    let radius = load.linear.as_ref().map_or(0.0, |linear| {
        linear.travel_per_turn.si() / std::f64::consts::TAU
    });
    let along = |of: fn(&super::LinearLoad) -> f64| load.linear.as_ref().map_or(0.0, of);
    let mass = along(|linear| linear.mass.si());
    let inertia = (load.inertia.si() + mass * radius * radius) / (gearing * gearing);
    let weight = mass * GRAVITY * along(|linear| linear.incline.si().sin());
    let torque = |turning: f64, force: f64| (turning + force * radius).abs() / gearing;
    let over_holding = |value: f64, what: &str, suspects: Vec<Suspect>| Ratio {
        value: value / motor.holding_torque.si(),
        least: 0.0,
        most: 100.0,
        usual: 0.1,
        says: format!(
            "the {what} of the load is {} at the motor, {} its holding torque",
            Torque::new(value),
            times(value / motor.holding_torque.si())
        ),
        range: "no rig has 100 times".to_owned(),
        suspects,
    };
    let travel = suspect::<Length>("travel_per_turn", 1.0);
    let whole = inertia + motor.rotor_inertia.si();
    let critical = 2.0 * (f64::from(motor.rotor_teeth) * motor.holding_torque.si() * whole).sqrt();
    let drag = (load.viscous.si() + along(|linear| linear.viscous.si()) * radius * radius)
        / (gearing * gearing);
    let ratio = inertia / motor.rotor_inertia.si();
    vec![
        Ratio {
            value: ratio,
            least: 0.0,
            most: 1e4,
            usual: 1.0,
            says: format!(
                "the load has {} at the motor, {} the inertia of its rotor",
                Inertia::new(inertia),
                times(ratio)
            ),
            range: "loads of up to 10 times are common, and no rig has 10000 times".to_owned(),
            suspects: vec![
                suspect::<Inertia>("inertia", 1.0),
                suspect::<Mass>("mass", 1.0),
                suspect::<Length>("travel_per_turn", 2.0),
                suspect::<Inertia>("rotor_inertia", -1.0),
            ],
        },
        over_holding(
            torque(load.friction.si(), along(|linear| linear.friction.si())),
            "friction",
            vec![
                suspect::<Torque>("friction", 1.0),
                suspect::<Force>("friction", 1.0),
                travel,
            ],
        ),
        over_holding(
            torque(
                load.constant_torque.si(),
                weight + along(|linear| linear.constant_force.si()),
            ),
            "constant torque",
            vec![
                suspect::<Torque>("constant_torque", 1.0),
                suspect::<Force>("constant_force", 1.0),
                suspect::<Mass>("mass", 1.0),
                travel,
            ],
        ),
        over_holding(
            load.unbalance.si() * GRAVITY / gearing,
            "unbalance",
            vec![suspect::<Unbalance>("unbalance", 1.0)],
        ),
        Ratio {
            value: drag / critical,
            least: 0.0,
            most: 100.0,
            usual: 0.05,
            says: format!(
                "`viscous` of the load is {} the critical damping of rotor and load",
                times(drag / critical)
            ),
            range: "no rig has 100 times".to_owned(),
            suspects: vec![
                suspect::<Damping>("viscous", 1.0),
                suspect::<LinearDamping>("viscous", 1.0),
            ],
        },
    ]
}
