//! Every motor in profiles/motors is what the scaling rule makes of its size and winding.
//!
//! `SLEWSMITH_WRITE_PROFILES=yes cargo test --lib motor_profiles` writes them anew.

use std::fs;
use std::path::Path;

use crate::diagnostic::Source;
use crate::identify::MotorValue;
use crate::identify::scaling::Size;
use crate::rig::Motor;

use crate::testing::motors::Likely;

/// A motor: what is chosen freely about it.
struct Chosen {
    file: &'static str,
    name: &'static str,
    use_for: &'static str,
    /// Side of the frame and length of the body (mm).
    size: (f64, f64),
    teeth: u32,
    /// R·I of a phase (V).
    voltage: f64,
}

const fn chosen(
    file: &'static str,
    name: &'static str,
    use_for: &'static str,
    size: (f64, f64),
    teeth: u32,
    voltage: f64,
) -> Chosen {
    Chosen {
        file,
        name,
        use_for,
        size,
        teeth,
        voltage,
    }
}

const MOTORS: [Chosen; 11] = [
    chosen(
        "frame20-short",
        "20 mm frame, short",
        "Small optics and instruments.",
        (20.0, 20.0),
        50,
        1.8,
    ),
    chosen(
        "frame28-medium",
        "28 mm frame, medium length",
        "Small stages, filter wheels.",
        (28.0, 33.0),
        50,
        3.7,
    ),
    chosen(
        "frame35-short",
        "35 mm frame, short",
        "Dials, small turntables.",
        (35.0, 28.0),
        50,
        2.8,
    ),
    chosen(
        "frame42-12v",
        "42 mm frame, short, wound for 12 V",
        "Wound for a fixed 12 V: many thin turns, slow but simple to drive.",
        (42.0, 34.0),
        50,
        12.0,
    ),
    chosen(
        "frame42-fine",
        "42 mm frame, medium length, 0.9 degrees a step",
        "Twice the teeth: finer steps, half the speed.",
        (42.0, 40.0),
        100,
        2.8,
    ),
    chosen(
        "frame42-long",
        "42 mm frame, long",
        "For heavier tables.",
        (42.0, 48.0),
        50,
        3.2,
    ),
    chosen(
        "frame42-medium",
        "42 mm frame, medium length",
        "For tables and carousels.",
        (42.0, 40.0),
        50,
        2.8,
    ),
    chosen(
        "frame42-short",
        "42 mm frame, short",
        "For light tables.",
        (42.0, 34.0),
        50,
        3.1,
    ),
    chosen(
        "frame57-long",
        "57 mm frame, long",
        "Feeds and indexing tables.",
        (57.0, 76.0),
        50,
        4.0,
    ),
    chosen(
        "frame57-medium",
        "57 mm frame, medium length",
        "Small lifts and feeds.",
        (57.0, 56.0),
        50,
        3.2,
    ),
    chosen(
        "frame86-medium",
        "86 mm frame, medium length",
        "Heavy tables. Strong enough to break fingers.",
        (86.0, 78.0),
        50,
        4.5,
    ),
];

impl Chosen {
    fn likely(&self) -> Likely {
        let (frame, length) = self.size;
        let size = Size {
            frame: frame * 1e-3,
            length: length * 1e-3,
        };
        Likely::of(size, self.teeth, self.voltage)
    }

    fn text(&self) -> String {
        let likely = self.likely();
        let (frame, length) = self.size;
        let line = |value: MotorValue, si: f64| format!("{}: {}", value.key(), value.show(si));
        format!(
            "# A two-phase hybrid stepping motor, {}.\n# {}\nname: {}\nrotor_teeth: {}\n{}\n{}\n{:<32}# per phase\n\
             {:<32}# both phases on, at rated current\n{}\n{}\n{}\nsource: >-\n  Worked out by slewsmith's scaling rule \
             (src/identify/scaling.rs) for a frame of {frame} mm, a\n  body of {length} mm and a winding that takes \
             its rated current at {} V. It is no product's\n  data. Replace it by the data of your own motor, or by \
             bench measurements\n  (`slewsmith identify`).\n",
            self.name,
            self.use_for,
            self.name,
            self.teeth,
            line(MotorValue::PhaseResistance, likely.phase_resistance),
            line(MotorValue::PhaseInductance, likely.phase_inductance),
            line(MotorValue::RatedCurrent, likely.rated_current),
            line(MotorValue::HoldingTorque, likely.holding_torque),
            line(MotorValue::DetentTorque, likely.detent_torque),
            line(MotorValue::RotorInertia, likely.rotor_inertia),
            line(MotorValue::ViscousDamping, likely.viscous_damping),
            self.voltage,
        )
    }
}

#[test]
fn every_profile_of_a_motor_is_what_the_rule_says() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles/motors");
    let write = std::env::var_os("SLEWSMITH_WRITE_PROFILES").is_some();
    for motor in &MOTORS {
        let path = folder.join(format!("{}.yaml", motor.file));
        if write {
            fs::write(&path, motor.text()).unwrap();
        }
        let found = fs::read_to_string(&path).unwrap();
        assert_eq!(found, motor.text(), "{}", path.display());
        let read = Motor::parse(&Source::new(motor.file, found)).unwrap();
        let likely = motor.likely();
        let near =
            |one: f64, other: f64| assert!((one / other - 1.0).abs() < 1e-9, "{}", motor.file);
        near(read.holding_torque.si(), likely.holding_torque);
        near(read.rotor_inertia.si(), likely.rotor_inertia);
        near(read.phase_inductance.si(), likely.phase_inductance);
        near(read.viscous_damping.unwrap().si(), likely.viscous_damping);
    }
    assert_eq!(
        fs::read_dir(&folder).unwrap().count(),
        MOTORS.len(),
        "a profile without a rule"
    );
}
