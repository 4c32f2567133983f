//! Measurements at the shaft.

use super::{MOST_LEFT, NotedBench, NotedItem};
use crate::identify::fits::{self, SpinReading};
use crate::identify::machine::{CoilFeed, Phases, RingDown, TestSupply};
use crate::identify::observation::{Misreading, Observed};
use crate::identify::parameter::{MotorValue, Unknown};
use crate::identify::rests::rest_angles;
use crate::identify::scaling::cylinder_inertia;
use crate::units::{
    AngularSpeed, Current, Force, Fraction, Frequency, Inertia, Length, Mass, Resistance, StepRate,
    Time, Torque, Voltage,
};

/// Standard acceleration of gravity (m/s²), by definition (SI brochure, 9th edition; from
/// memory).
const GRAVITY: f64 = 9.806_65;

/// A torque by itself, or by lever and force or weight, with how it was found.
fn torque(item: &mut NotedItem<'_>) -> Option<(f64, f64, &'static str)> {
    let lever = item.si::<Length>("lever", 10.0);
    match (
        item.si::<Torque>("value", 1e3),
        item.si::<Force>("force", 1e5),
        item.si::<Mass>("weight", 1e4),
        lever,
    ) {
        (Some(torque), None, None, None) => Some((torque, 0.1, "as noted")),
        (None, Some(force), None, Some(lever)) => Some((force * lever, 0.08, "by lever and scale")),
        (None, None, Some(mass), Some(lever)) => {
            Some((mass * GRAVITY * lever, 0.06, "by lever and weight"))
        }
        _ => {
            item.incomplete("`value`, or `force` or `weight` with `lever`");
            None
        }
    }
}

fn phases(item: &mut NotedItem<'_>, words: &[&'static str]) -> Phases {
    match item.word("phases", words) {
        "none" => Phases::None,
        "one" => Phases::One,
        // The words given are these three.
        _ => Phases::Two,
    }
}

pub(super) fn holding_torque(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let current = item.si::<Current>("current", 1e3);
    let phases = phases(item, &["two", "one"]);
    let Some((torque, usual, way)) = torque(item) else {
        return;
    };
    let way = format!("holding torque {way}");
    let observed = match current {
        Some(current) => Observed::Holding {
            current,
            phases: phases.torque(),
        },
        None => Observed::Profile(MotorValue::HoldingTorque),
    };
    item.observe(bench, observed, torque, usual, &way, Misreading::Lever);
}

pub(super) fn detent_torque(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    if let Some((torque, usual, way)) = torque(item) {
        // The friction of the bearings is felt as well.
        let usual = 3.0 * usual;
        let way = format!("detent torque {way}");
        let observed = Observed::Direct(Unknown::DetentTorque);
        item.observe(bench, observed, torque, usual, &way, Misreading::Lever);
    }
}

pub(super) fn microstep_angles(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let current = item.si::<Current>("current", 1e3);
    let microsteps = item.fields.whole("microsteps", 2..=256);
    let (Some(current), Some(microsteps)) = (current, microsteps) else {
        return item.incomplete("`microsteps` and `current` (the peak of the sine)");
    };
    let Some((place, log)) = item.log(bench) else {
        return item.incomplete("a `log`: microsteps, then degrees of the motor's shaft");
    };
    match rest_angles(&log, microsteps, bench.teeth) {
        Ok((ratio, fit)) => {
            bench.fits.push(fit);
            // The torque is no pure sine, and neither is the detent.
            let usual = 2.0 * ratio.sigma.hypot(0.1);
            let observed = Observed::RestSwing { current };
            let way = "rests of the microsteps, logged";
            item.observe(
                bench,
                observed,
                ratio.value,
                usual,
                way,
                Misreading::Current,
            );
        }
        Err(error) => item.unfitted(&place, &error),
    }
}

pub(super) fn ring_down(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let phases = phases(item, &["one", "two", "none"]);
    let current = item.si::<Current>("current", 1e3);
    let series = item.or_zero::<Resistance>("series", 1e6);
    let feed = match item.word("feed", &["regulated", "supply"]) {
        "supply" => CoilFeed::Supply { series },
        _ => CoilFeed::Regulated,
    };
    let inertia = item.or_zero::<Inertia>("inertia", 10.0);
    let current = match (phases, current) {
        (Phases::None, _) => 0.0,
        (Phases::One | Phases::Two, Some(current)) => current,
        (Phases::One | Phases::Two, None) => {
            return item.incomplete("the `current` of a phase that is on");
        }
    };
    let swing = RingDown {
        current,
        phases,
        feed,
        inertia,
    };
    let with = if inertia > 0.0 { " with a disc" } else { "" };
    if let Some((place, log)) = item.log(bench) {
        match fits::ring_down(&log) {
            Ok((frequency, decay, fit)) => {
                bench.fits.push(fit);
                let way = format!("ring-down{with}, logged");
                // The stiffness is that of the model within a few per cent.
                let usual = 2.0 * frequency.sigma.hypot(0.01);
                let observed = Observed::RingFrequency(swing);
                item.observe(
                    bench,
                    observed,
                    frequency.value,
                    usual,
                    &way,
                    Misreading::Swing,
                );
                let usual = 2.0 * decay.sigma.hypot(0.05);
                let observed = Observed::RingDecay(swing);
                item.observe(bench, observed, decay.value, usual, &way, Misreading::None);
            }
            Err(error) => item.unfitted(&place, &error),
        }
        return;
    }
    let Some(frequency) = item.si::<Frequency>("frequency", 1e5) else {
        return item.incomplete("`frequency`, or a `log`");
    };
    let way = format!("ring-down{with}");
    let observed = Observed::RingFrequency(swing);
    item.observe(bench, observed, frequency, 0.03, &way, Misreading::Swing);
    // What is left of the amplitude after a full swing.
    if let Some(left) = item.si::<Fraction>("each_swing", MOST_LEFT) {
        let observed = Observed::RingDecay(swing);
        let decay = -left.ln() * frequency;
        // Dry friction takes its share, and nobody reads it well.
        item.observe(bench, observed, decay, 1.0, &way, Misreading::None);
    }
}

pub(super) fn spin_down(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let inertia = item.or_zero::<Inertia>("inertia", 10.0);
    let reading = match item.word("reading", &["voltage", "speed"]) {
        "speed" => SpinReading::Speed,
        _ => SpinReading::Voltage,
    };
    if let Some((place, log)) = item.log(bench) {
        match fits::spin_down(&log, reading, bench.teeth) {
            Ok((found, fit)) => {
                bench.fits.push(fit);
                for one in found {
                    let observed = Observed::Deceleration {
                        omega: one.omega,
                        inertia,
                    };
                    let usual = 2.0 * one.deceleration.sigma;
                    let way = "spin-down, logged";
                    item.observe(
                        bench,
                        observed,
                        one.deceleration.value,
                        usual,
                        way,
                        Misreading::None,
                    );
                }
            }
            Err(error) => item.unfitted(&place, &error),
        }
        return;
    }
    match (
        item.si::<AngularSpeed>("speed", 1e5),
        item.si::<Time>("half_time", 1e5),
    ) {
        (Some(omega), Some(time)) => {
            let observed = Observed::HalfTime { omega, inertia };
            item.observe(bench, observed, time, 0.2, "spin-down", Misreading::None);
        }
        _ => item.incomplete("`speed` and `half_time`, or a `log`"),
    }
}

pub(super) fn rotor_inertia(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let observed = Observed::Direct(Unknown::RotorInertia);
    match (
        item.si::<Inertia>("value", 1.0),
        item.si::<Length>("diameter", 1.0),
        item.si::<Length>("length", 1.0),
    ) {
        (Some(value), None, None) => item.observe(
            bench,
            observed,
            value,
            0.1,
            "rotor inertia as noted",
            Misreading::None,
        ),
        (None, Some(diameter), Some(length)) => item.observe(
            bench,
            observed,
            cylinder_inertia(diameter, length),
            // Teeth, shaft and magnet are no full cylinder of steel.
            0.25,
            "rotor inertia by its size",
            Misreading::Size,
        ),
        _ => item.incomplete("`value`, or `diameter` and `length` of the rotor"),
    }
}

pub(super) fn start_stop(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let rate = item.si::<StepRate>("step_rate", 1e6);
    let current = item.si::<Current>("current", 1e3);
    let inertia = item.or_zero::<Inertia>("inertia", 10.0);
    let microsteps = item.fields.whole("microsteps", 1..=256).unwrap_or(1);
    let (Some(rate), Some(current)) = (rate, current) else {
        return item.incomplete("`step_rate` and `current` (the peak of the sine)");
    };
    let observed = Observed::StartStop {
        current,
        full_steps: microsteps == 1,
        inertia,
    };
    item.observe(
        bench,
        observed,
        rate,
        0.3,
        "start-stop rate",
        Misreading::Current,
    );
}

pub(super) fn top_speed(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let supply = TestSupply {
        voltage: match item.si::<Voltage>("supply", 1e3) {
            Some(voltage) => voltage,
            None => return item.incomplete("the `supply`"),
        },
        current: item.si::<Current>("current", 1e3),
        series: item.or_zero::<Resistance>("series", 1e4),
    };
    let rate = item.si::<StepRate>("step_rate", 1e6);
    let torque = item.si::<Torque>("torque", 1e3);
    let (Some(step_rate), Some(torque)) = (rate, torque) else {
        return item.incomplete("`step_rate` and the `torque` of the load at the shaft");
    };
    let observed = Observed::PullOut { supply, step_rate };
    item.observe(
        bench,
        observed,
        torque,
        0.3,
        "highest speed under a known load",
        Misreading::Current,
    );
}
