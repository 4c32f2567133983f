//! Charts of a rig by itself: currents of the coils, and heat at standstill.

use super::chart::{Chart, LineStyle, Mark, Series};
use crate::physics::currents::{CoilTable, PhaseCurrent};
use crate::physics::heat::{Heat, LossPart, Losses};
use crate::rig::Axis;

/// Hold currents that the heat is computed for, from none to the full current.
const HOLD_STEPS: u32 = 20;

/// The currents of both phases through one electrical cycle, as they flow: a converter's
/// rounding is in them.
pub(crate) fn coils(axis: &Axis) -> Chart {
    let table = CoilTable::of(axis);
    let step = 360.0 / table.rows.len() as f64;
    let phase = |label: &str, colour, of: &dyn Fn(usize) -> PhaseCurrent| Series {
        label: label.to_owned(),
        // Each current stands until the next microstep.
        points: (0..table.rows.len())
            .flat_map(|k| {
                let current = of(k).flowing();
                [(k as f64 * step, current), ((k + 1) as f64 * step, current)]
            })
            .collect(),
        colour,
        style: LineStyle::Solid,
    };
    Chart {
        title: format!("{}: currents of the phases", axis.name),
        x_label: "electrical angle since microstep 0 (deg)".to_owned(),
        y_label: "current (A)".to_owned(),
        series: vec![
            phase("phase A", 0, &|k| table.rows[k].a),
            phase("phase B", 1, &|k| table.rows[k].b),
        ],
        ..Chart::default()
    }
}

/// Where the power goes at standstill, over the hold current.
pub(crate) fn heat(axis: &Axis) -> Chart {
    let parts: [(&str, LossPart); 6] = [
        ("drawn from the supply", |losses| losses.supply),
        ("motor windings", |losses| losses.copper),
        ("switches", |losses| losses.switches),
        ("transistors of the linear source", |losses| {
            losses.transistors
        }),
        ("sense resistors", |losses| losses.sense),
        ("ballast", |losses| losses.ballast),
    ];
    let holding: Vec<(f64, Losses)> = (0..=HOLD_STEPS)
        .map(|k| {
            let share = f64::from(k) / f64::from(HOLD_STEPS);
            let mut axis = axis.clone();
            axis.drive.hold_current = share;
            (100.0 * share, Heat::of(&axis).holding)
        })
        .collect();
    let series = parts
        .iter()
        .enumerate()
        .filter_map(|(colour, (label, of))| {
            let points: Vec<_> = holding
                .iter()
                .map(|(share, losses)| (*share, of(losses)))
                .collect();
            let any = points.iter().any(|(_, watts)| *watts > 0.0);
            any.then(|| Series {
                label: (*label).to_owned(),
                points,
                colour,
                style: LineStyle::Solid,
            })
        });
    Chart {
        title: format!("{}: power at standstill", axis.name),
        x_label: "hold current (% of the full current)".to_owned(),
        y_label: "power (W)".to_owned(),
        series: series.collect(),
        marks: vec![Mark {
            label: "hold current of the rig".to_owned(),
            at: 100.0 * axis.drive.hold_current,
            colour: 5,
        }],
        ..Chart::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Source;
    use crate::rig::{NoFiles, Rig};

    fn axis() -> Axis {
        let text = "axes:\n  disc:\n    motor: { rotor_teeth: 50, phase_resistance: 2 ohm, phase_inductance: 3 mH, rated_current: 1 A, holding_torque: 0.3 N.m, rotor_inertia: 50 g.cm^2 }\n    drive: { kind: linear-current, supply: 12 V, peak_current: 1 A, microsteps: 4, sense_resistor: 0.5 ohm, hold_current: 50 % }\ntimer: { clock: 16 MHz }\n";
        let rig = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles);
        rig.unwrap().rig.axes.remove(0)
    }

    #[test]
    fn phases_are_a_quarter_turn_apart_and_each_current_stands_for_a_microstep() {
        let chart = coils(&axis());
        let [a, b] = &chart.series[..] else {
            panic!("two phases");
        };
        assert_eq!(a.points.len(), 2 * 16);
        for k in 0..16 {
            let (from, to) = (a.points[2 * k], a.points[2 * k + 1]);
            assert_eq!(from.1, to.1);
            assert!((to.0 - from.0 - 22.5).abs() < 1e-9);
            // i_B(φ) = i_A(φ − 90°), from the definition of the phases.
            let earlier = a.points[2 * ((k + 12) % 16)].1;
            assert!((b.points[2 * k].1 - earlier).abs() < 1e-9);
        }
    }

    #[test]
    fn windings_heat_with_the_square_of_the_hold_current() {
        let chart = heat(&axis());
        let windings = chart
            .series
            .iter()
            .find(|series| series.label == "motor windings")
            .unwrap();
        let at = |share: f64| windings.points.iter().find(|(x, _)| *x == share).unwrap().1;
        assert!((at(100.0) - 4.0 * at(50.0)).abs() < 1e-9);
        assert_eq!(at(0.0), 0.0);
        assert_eq!(chart.marks[0].at, 50.0);
    }
}
