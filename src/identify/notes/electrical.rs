//! Measurements with a meter or a scope at the leads.

use std::f64::consts::{SQRT_2, TAU};

use super::{NotedBench, NotedItem};
use crate::identify::fits;
use crate::identify::machine::PROFILE_TEMPERATURE;
use crate::identify::observation::{Misreading, Observed};
use crate::identify::parameter::Unknown;
use crate::units::{AngularSpeed, Current, Frequency, Inductance, Resistance, Time, Voltage};

pub(super) fn resistance(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let celsius = temperature(item);
    let leads = item.or_zero::<Resistance>("leads", 1e4);
    let (value, usual, way) = match (
        item.si::<Resistance>("value", 1e5),
        item.si::<Voltage>("voltage", 1e3),
        item.si::<Current>("current", 1e3),
    ) {
        // A meter's test leads and its last digit: worse for small resistances.
        (Some(value), None, None) => (value - leads, 0.04, "resistance by meter"),
        (None, Some(voltage), Some(current)) => (
            voltage / current - leads,
            0.03,
            "resistance by volts and amperes",
        ),
        _ => return item.incomplete("`value`, or `voltage` and `current`"),
    };
    if value <= 0.0 {
        return item.incomplete("a resistance that is larger than that of the `leads`");
    }
    let observed = Observed::WarmResistance { celsius };
    item.observe(bench, observed, value, usual, way, Misreading::Coils);
}

/// Temperature of the winding (°C), that of a room where it is not given.
fn temperature(item: &mut NotedItem<'_>) -> f64 {
    let Some(text) = item.fields.text("temperature") else {
        return PROFILE_TEMPERATURE;
    };
    let number = text
        .trim_end_matches(['C', 'c'])
        .trim_end_matches("deg")
        .trim_end_matches('°')
        .trim();
    match number.parse::<f64>() {
        Ok(celsius) if (-40.0..=200.0).contains(&celsius) => celsius,
        Ok(_) | Err(_) => {
            item.incomplete("a temperature between -40 and 200 degrees Celsius, such as `35 degC`");
            PROFILE_TEMPERATURE
        }
    }
}

pub(super) fn inductance(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let series = item.or_zero::<Resistance>("series", 1e6);
    if let Some((place, log)) = item.log(bench) {
        match fits::current_rise(&log) {
            Ok((tau, fit)) => {
                bench.fits.push(fit);
                let usual = 2.0 * tau.sigma.hypot(0.02);
                let observed = Observed::RiseTime { series };
                let way = "current rise, logged";
                item.observe(bench, observed, tau.value, usual, way, Misreading::Coils);
            }
            Err(error) => item.unfitted(&place, &error),
        }
        return;
    }
    if let Some(value) = item.si::<Inductance>("value", 100.0) {
        let observed = Observed::Direct(Unknown::Inductance);
        let way = "inductance by meter";
        item.observe(bench, observed, value, 0.1, way, Misreading::Coils);
    } else if let Some(time) = item.si::<Time>("rise_time", 100.0) {
        let observed = Observed::RiseTime { series };
        let way = "current rise to 63 %";
        item.observe(bench, observed, time, 0.1, way, Misreading::Coils);
    } else {
        match (
            item.si::<Voltage>("voltage", 1e3),
            item.si::<Current>("current", 1e3),
            item.si::<Frequency>("frequency", 1e6),
        ) {
            (Some(voltage), Some(current), Some(frequency)) => {
                let observed = Observed::Impedance { frequency, series };
                let way = "voltage and current at a frequency";
                item.observe(
                    bench,
                    observed,
                    voltage / current,
                    0.06,
                    way,
                    Misreading::Coils,
                );
            }
            _ => item.incomplete(
                "`value`, `rise_time`, a `log`, or `voltage`, `current` and `frequency`",
            ),
        }
    }
}

pub(super) fn rated_current(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    match item.si::<Current>("value", 100.0) {
        Some(value) => {
            let observed = Observed::Direct(Unknown::RatedCurrent);
            item.observe(
                bench,
                observed,
                value,
                0.05,
                "rated current as noted",
                Misreading::Current,
            );
        }
        None => item.incomplete("its value, such as `1.2 A`"),
    }
}

pub(super) fn back_emf(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    let amplitude = match (
        item.si::<Voltage>("amplitude", 1e4),
        item.si::<Voltage>("rms", 1e4),
        item.si::<Voltage>("peak_to_peak", 1e4),
    ) {
        (Some(amplitude), None, None) => amplitude,
        (None, Some(rms), None) => SQRT_2 * rms,
        (None, None, Some(both)) => 0.5 * both,
        _ => return item.incomplete("one of `amplitude`, `rms` and `peak_to_peak`"),
    };
    let omega = match (
        item.si::<AngularSpeed>("speed", 1e5),
        item.si::<Frequency>("frequency", 1e6),
    ) {
        (Some(speed), None) => speed,
        // One period of the voltage a tooth.
        (None, Some(frequency)) => TAU * frequency / bench.teeth,
        _ => return item.incomplete("`speed`, or the `frequency` of the voltage"),
    };
    let observed = Observed::Direct(Unknown::TorqueConstant);
    let way = "back-EMF";
    item.observe(
        bench,
        observed,
        amplitude / omega,
        0.05,
        way,
        Misreading::BackEmf,
    );
}
