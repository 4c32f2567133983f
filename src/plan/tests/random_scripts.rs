//! Random rigs and random scripts, as text: whatever they ask for, no plan exceeds what
//! script and rig allow, and every move ends on the microstep nearest to its target, by
//! arithmetic in whole numbers that shares nothing with the planner's.

use crate::testing::rigs;
use std::fmt::Write as _;

use crate::diagnostic::Source;
use crate::physics::{PullOut, ShaftLoad};
use crate::plan::{Item, PlannedMove, program};
use crate::rig::{Axis, Gearing, Rig};
use crate::schedule::{EventKind, Schedule};
use crate::script::Script;
use crate::testing::rigs::{rig, rotary};
use crate::units::{Inertia, Torque};
use proptest::prelude::*;

/// How far rounding may take a value over its limit.
const ROUNDING: f64 = 1e-9;

/// Limits as the script writes them (deg/s, deg/s², deg/s³), and a shape.
#[derive(Debug, Clone)]
struct Manner {
    shape: &'static str,
    speed: u32,
    accel: u32,
    decel: u32,
    jerk: u32,
}

/// One `turn`: travel and target in whole arc minutes.
#[derive(Debug, Clone)]
enum Turn {
    By(i64),
    To(i64, &'static str),
}

#[derive(Debug, Clone)]
struct Statement {
    manner: Manner,
    turn: Turn,
    /// A speed of its own (deg/s), or a time as a multiple of the shortest.
    at: Option<u32>,
    repeat: u32,
}

#[derive(Debug, Clone)]
struct Bench {
    microsteps: u32,
    gearing: (u32, u32),
    inertia: f64,
    friction: f64,
    /// The rig's own speed limit (deg/s).
    speed: Option<u32>,
}

fn manner() -> impl Strategy<Value = Manner> {
    // Full torque costs the most: each manner has its own ramps.
    let shape = prop_oneof![
        4 => Just("trapezoid"),
        4 => Just("s-curve"),
        1 => Just("full-torque"),
    ];
    (
        shape,
        1_u32..2000,
        1_u32..50_000,
        1_u32..50_000,
        1_u32..5_000_000,
    )
        .prop_map(|(shape, speed, accel, decel, jerk)| Manner {
            shape,
            speed,
            accel,
            decel,
            jerk,
        })
}

fn statement() -> impl Strategy<Value = Statement> {
    let way = prop::sample::select(vec!["", "clockwise", "counterclockwise", "shortest"]);
    let turn = prop_oneof![
        prop_oneof![-90_i64..90, -100_000_i64..100_000].prop_map(Turn::By),
        (-50_000_i64..50_000, way).prop_map(|(to, way)| Turn::To(to, way)),
    ];
    (manner(), turn, prop::option::of(1_u32..2000), 1_u32..4).prop_map(
        |(manner, turn, at, repeat)| Statement {
            manner,
            turn,
            at,
            repeat,
        },
    )
}

fn bench() -> impl Strategy<Value = Bench> {
    let microsteps = prop::sample::select(vec![1_u32, 2, 3, 8, 16, 64, 256]);
    let gearing = (1_u32..12, 1_u32..4);
    (
        microsteps,
        gearing,
        0.0..2e-4,
        0.0..0.02,
        prop::option::of(10_u32..1000),
    )
        .prop_map(|(microsteps, gearing, inertia, friction, speed)| Bench {
            microsteps,
            gearing,
            inertia,
            friction,
            speed,
        })
}

impl Bench {
    fn rig(&self) -> Rig {
        let mut axis = rotary("a", self.microsteps);
        axis.load.gearing = Gearing {
            motor: f64::from(self.gearing.0),
            load: f64::from(self.gearing.1),
        };
        axis.load.inertia = Inertia::new(self.inertia);
        axis.load.friction = Torque::new(self.friction);
        axis.limits.speed = self.speed.map(|speed| f64::from(speed).to_radians());
        rig(vec![axis])
    }

    /// Microsteps of a load turn times this are whole.
    fn parts(&self) -> i128 {
        i128::from(self.gearing.1)
    }

    /// Microsteps of a load turn, times `parts`.
    fn turn(&self) -> i128 {
        200 * i128::from(self.microsteps) * i128::from(self.gearing.0)
    }
}

/// 360 degrees in arc minutes.
const TURN: i128 = 21_600;

/// Where the axis is asked to be, in microsteps times `parts` times a turn's arc minutes.
#[derive(Debug, Clone, Copy)]
struct Place {
    at: i128,
    steps: i128,
}

/// The nearest whole microstep, the higher one halfway.
fn nearest(at: i128, unit: i128) -> i128 {
    (2 * at + unit).div_euclid(2 * unit)
}

impl Place {
    /// After a turn, by the rules of the language: `by` adds to what was asked, a way
    /// round adds whole turns, and a target on the microstep where the axis stands is
    /// reached already.
    fn turned(self, turn: &Turn, bench: &Bench) -> Self {
        let unit = bench.parts() * TURN;
        let whole = bench.turn() * TURN;
        let place = |at| Self {
            at,
            steps: nearest(at, unit),
        };
        let (target, way) = match turn {
            Turn::By(arcmin) => return place(self.at + i128::from(*arcmin) * bench.turn()),
            Turn::To(arcmin, way) => (i128::from(*arcmin) * bench.turn(), *way),
        };
        if way.is_empty() {
            return place(target);
        }
        let ahead = (target - self.at).rem_euclid(whole);
        let candidates = [ahead - whole, ahead];
        if let Some(here) = candidates
            .iter()
            .map(|by| place(self.at + by))
            .find(|place| place.steps == self.steps)
        {
            return here;
        }
        place(
            self.at
                + match way {
                    "counterclockwise" => ahead,
                    "clockwise" => ahead - whole,
                    // Counter-clockwise where both are the same.
                    _ if 2 * ahead <= whole => ahead,
                    _ => ahead - whole,
                },
        )
    }
}

fn script(statements: &[Statement]) -> String {
    let mut text = String::from("bands allow\n");
    for one in statements {
        let Manner {
            shape,
            speed,
            accel,
            decel,
            jerk,
        } = &one.manner;
        // Writing to a String cannot fail.
        let _ = write!(
            text,
            "shape {shape}\nspeed {speed} deg/s\naccel {accel} deg/s^2\ndecel {decel} deg/s^2\njerk {jerk} deg/s^3\nrepeat {} {{ turn ",
            one.repeat
        );
        let _ = match &one.turn {
            Turn::By(arcmin) => write!(text, "by {arcmin} arcmin"),
            Turn::To(arcmin, way) => write!(text, "to {arcmin} arcmin {way}"),
        };
        if let Some(at) = one.at {
            let _ = write!(text, " at {at} deg/s");
        }
        text += " }\n";
    }
    text
}

fn planned(rig: &Rig, text: &str) -> Result<Vec<Item>, crate::diagnostic::Diagnostic> {
    let source = Source::new("random.moves", text);
    let script = Script::parse(source.clone()).unwrap_or_else(|problems| panic!("{problems}"));
    program(rig, &source, script.actions())
        .with_bands(Vec::new())
        .collect()
}

/// Speed, acceleration, deceleration and jerk of a move are those that script and rig
/// allow, and where it is full torque, the torque is.
fn keeps_limits(
    planned: &PlannedMove,
    one: &Statement,
    bench: &Bench,
    axis: &Axis,
) -> Result<(), TestCaseError> {
    let steps_per_degree = bench.turn() as f64 / bench.parts() as f64 / 360.0;
    let own = |value: u32| f64::from(value) * steps_per_degree * (1.0 + ROUNDING);
    let mut speed = one.manner.speed;
    speed = speed
        .min(one.at.unwrap_or(u32::MAX))
        .min(bench.speed.unwrap_or(u32::MAX));
    let motion = &planned.motion.axes[0];
    // The curve takes milliseconds to work out.
    let torque = (one.manner.shape == "full-torque").then(|| PullOut::of(axis));
    let load = ShaftLoad::of(axis);
    let mut before: Option<[f64; 3]> = None;
    for segment in &motion.segments {
        for part in 0..=6 {
            let t = segment.duration * f64::from(part) / 6.0;
            let (v, a) = (segment.velocity_at(t), segment.acceleration_at(t));
            prop_assert!(v <= own(speed) && v >= -ROUNDING * own(speed), "{}", v);
            prop_assert!(
                a <= own(one.manner.accel) && -a <= own(one.manner.decel),
                "{}",
                a
            );
            if let Some(pull_out) = &torque {
                let required = load.required_torque(
                    v * axis.microstep_angle(),
                    a * axis.microstep_angle(),
                    motion.direction,
                );
                let kept =
                    pull_out.at(v * axis.microstep_angle()) * (1.0 - axis.limits.torque_margin);
                prop_assert!(
                    required.abs() <= kept * (1.0 + 1e-6),
                    "{} of {}",
                    required,
                    kept
                );
            }
        }
        if one.manner.shape != "trapezoid" {
            prop_assert!(segment.jerk.abs() <= own(one.manner.jerk) * (1.0 + 1e-6));
        }
        let start = [segment.position, segment.velocity, segment.acceleration];
        if let Some(end) = before {
            let size = [
                motion.steps as f64,
                own(speed),
                own(one.manner.accel.max(one.manner.decel)),
            ];
            let joined = if one.manner.shape == "trapezoid" {
                2
            } else {
                3
            };
            for (which, size) in size.iter().enumerate().take(joined) {
                prop_assert!(
                    (start[which] - end[which]).abs() <= 1e-6 * size,
                    "{}",
                    which
                );
            }
        }
        let t = segment.duration;
        before = Some([
            segment.position_at(t),
            segment.velocity_at(t),
            segment.acceleration_at(t),
        ]);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_scripts_on_random_rigs_keep_every_limit_and_end_on_their_microstep(
        bench in bench(),
        statements in prop::collection::vec(statement(), 1..5),
    ) {
        let rig = bench.rig();
        let items = match planned(&rig, &script(&statements)) {
            Ok(items) => items,
            Err(refused) => {
                // A load too heavy for the motor is the only thing that can be refused.
                prop_assert_eq!(refused.code, "too-little-torque");
                return Ok(());
            }
        };
        let mut place = Place { at: 0, steps: 0 };
        let mut items = items.iter();
        for one in &statements {
            for _ in 0..one.repeat {
                let Some(Item::Move(planned)) = items.next() else { panic!("a move is missing") };
                let before = place;
                place = place.turned(&one.turn, &bench);
                let travel = planned.travel[0];
                prop_assert_eq!(i128::from(travel.from_steps), before.steps);
                prop_assert_eq!(i128::from(travel.to_steps), place.steps);
                keeps_limits(planned, one, &bench, &rig.axes[0])?;
            }
        }
        prop_assert!(items.next().is_none());
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// The mark behind a timed move stands on the tick nearest to its end, wherever the
    /// program has come to, and one move more or less changes nothing.
    #[test]
    fn moves_with_a_time_of_their_own_take_it_to_the_tick(
        bench in bench(),
        list in prop::collection::vec((1_i64..40_000, any::<bool>(), 1.0..3.0_f64), 1..6),
        shape in prop::sample::select(vec!["trapezoid", "s-curve", "full-torque"]),
    ) {
        let rig = bench.rig();
        let mut text = format!("bands allow\nshape {shape}\nspeed 300 deg/s\naccel 2000 deg/s^2\njerk 90000 deg/s^3\n");
        let mut times = Vec::new();
        for (arcmin, back, slower) in list {
            // The shortest time without ramps, three ramps more, and some: enough.
            let degrees = arcmin as f64 / 60.0;
            let speed = f64::from(bench.speed.unwrap_or(300).min(300));
            let milliseconds = (1e3 * slower * (degrees / speed + 4.0)).round();
            let sign = if back { "-" } else { "" };
            let _ = writeln!(text, "turn by {sign}{arcmin} arcmin in {milliseconds} ms\nmark \"done\"");
            times.push(milliseconds);
        }
        let items = match planned(&rig, &text) {
            Ok(items) => items,
            Err(refused) => {
                prop_assert_eq!(refused.code, "too-little-torque");
                return Ok(());
            }
        };
        let marks = Schedule::new(items, &rig).filter(|event| matches!(event.what, EventKind::Mark(_)));
        let marks: Vec<u64> = marks.map(|event| event.tick).collect();
        let mut milliseconds = 0.0;
        let ends: Vec<u64> = times.iter().map(|time| {
            milliseconds += time;
            (milliseconds * 1e-3 * rig.timer.tick_rate()).round() as u64
        }).collect();
        prop_assert_eq!(marks, ends);
    }
}

/// An axis of a group: microsteps, gearing, whether it is linear (5 mm a turn); its
/// travel (arc minutes or micrometres) in each of the groups; speed, acceleration and
/// jerk (deg or mm).
#[derive(Debug, Clone)]
struct Member {
    microsteps: u32,
    gearing: (u32, u32),
    linear: bool,
    travels: Vec<i64>,
    limits: [u32; 3],
}

const GROUPS: usize = 3;

fn member() -> impl Strategy<Value = Member> {
    (
        prop::sample::select(vec![1_u32, 2, 8, 16, 64, 256]),
        (1_u32..12, 1_u32..4),
        any::<bool>(),
        prop::collection::vec(
            prop_oneof![Just(0), -60_i64..60, -30_000_i64..30_000],
            GROUPS,
        ),
        [1_u32..500, 1_u32..5_000, 1_u32..500_000],
    )
        .prop_map(|(microsteps, gearing, linear, travels, limits)| Member {
            microsteps,
            gearing,
            linear,
            travels,
            limits,
        })
}

impl Member {
    fn axis(&self, name: &str) -> Axis {
        let mut axis = if self.linear {
            rigs::linear(name, self.microsteps, 5e-3)
        } else {
            rotary(name, self.microsteps)
        };
        axis.load.gearing = Gearing {
            motor: f64::from(self.gearing.0),
            load: f64::from(self.gearing.1),
        };
        axis
    }

    /// Microsteps of a turn of the load, times this, are whole …
    fn parts(&self) -> i128 {
        i128::from(self.gearing.1)
    }

    /// … namely this.
    fn turn(&self) -> i128 {
        200 * i128::from(self.microsteps) * i128::from(self.gearing.0)
    }

    /// Units of travel in a turn of the load.
    fn units(&self) -> i128 {
        if self.linear { 5_000 } else { TURN }
    }

    /// Microsteps a degree, or a millimetre.
    fn scale(&self) -> f64 {
        let unit = if self.linear { 5.0 } else { 360.0 };
        self.turn() as f64 / self.parts() as f64 / unit
    }

    /// Where it stands after so many units, in microsteps.
    fn steps(&self, travel: i64) -> i128 {
        nearest(
            i128::from(travel) * self.turn(),
            self.parts() * self.units(),
        )
    }
}

fn group_script(members: &[Member], shape: &str) -> String {
    let mut text = format!("bands allow\nshape {shape}\n");
    for (name, member) in ["a", "b", "c"].iter().zip(members) {
        let unit = if member.linear { "mm" } else { "deg" };
        let [speed, accel, jerk] = member.limits;
        let _ = writeln!(
            text,
            "speed {name} {speed} {unit}/s\naccel {name} {accel} {unit}/s^2\njerk {name} {jerk} {unit}/s^3"
        );
    }
    for group in 0..GROUPS {
        text += "together {\n";
        for (name, member) in ["a", "b", "c"].iter().zip(members) {
            let unit = if member.linear { "um" } else { "arcmin" };
            let _ = writeln!(text, "turn {name} by {} {unit}", member.travels[group]);
        }
        text += "}\n";
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_groups_keep_every_axis_limit_and_the_line(
        members in prop::collection::vec(member(), 2..4),
        shape in prop::sample::select(vec!["trapezoid", "s-curve"]),
    ) {
        let axes = ["a", "b", "c"].iter().zip(&members).map(|(name, member)| member.axis(name));
        let rig = rig(axes.collect());
        let items = planned(&rig, &group_script(&members, shape)).expect("this can be planned");
        prop_assert_eq!(items.len(), GROUPS);
        for (group, item) in items.iter().enumerate() {
            let Item::Move(planned) = item else { panic!("{item:?} is no move") };
            for (motion, travel) in planned.motion.axes.iter().zip(&planned.travel) {
                let member = &members[motion.axis];
                let so_far = |groups: usize| member.steps(member.travels[..groups].iter().sum());
                prop_assert_eq!(i128::from(travel.from_steps), so_far(group));
                prop_assert_eq!(i128::from(travel.to_steps), so_far(group + 1));
                prop_assert_eq!(
                    i128::from(motion.direction.sign()) * i128::from(motion.steps),
                    so_far(group + 1) - so_far(group)
                );
                let own = |limit: u32| f64::from(limit) * member.scale() * (1.0 + ROUNDING);
                let [speed, accel, jerk] = member.limits;
                let mut time = 0.0;
                for segment in &motion.segments {
                    for part in 0..=4 {
                        let t = segment.duration * f64::from(part) / 4.0;
                        prop_assert!(segment.velocity_at(t) <= own(speed));
                        prop_assert!(segment.acceleration_at(t).abs() <= own(accel));
                    }
                    if shape == "s-curve" {
                        prop_assert!(segment.jerk.abs() <= own(jerk) * (1.0 + 1e-6));
                    }
                    time += segment.duration;
                }
                prop_assert!((time - planned.motion.duration).abs() <= 1e-9 * time);
                // All are the same share of their way at the ends of all segments.
                let first = &planned.motion.axes[0];
                for (own, others) in motion.segments.iter().zip(&first.segments) {
                    let off = own.position - others.position * motion.steps as f64 / first.steps as f64;
                    prop_assert!(off.abs() < 1e-6, "{} microsteps off the line", off);
                }
            }
            // Axes that do not move have no part, unless none moves.
            let moving = members.iter().filter(|member| {
                let so_far = |groups: usize| member.steps(member.travels[..groups].iter().sum());
                so_far(group) != so_far(group + 1)
            }).count();
            prop_assert!(planned.motion.axes.len() == moving || moving == 0);
        }
    }
}
