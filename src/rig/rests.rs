//! Where a motor rested on its microsteps, as measured: a csv of two columns, the microstep that
//! was commanded and the angle of the motor's shaft in degrees. Lines without two numbers are
//! skipped, and `#` begins a comment.

use std::f64::consts::TAU;

use thiserror::Error;

/// Fewer rests do not tell eight amplitudes.
const LEAST: usize = 12;

/// A measured rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rest {
    /// The microstep that was commanded.
    pub microstep: i64,
    /// Angle of the motor's shaft (rad), from wherever.
    pub angle: f64,
}

/// Why a table of rests cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub(super) enum RestsError {
    #[error("it is not csv: {0}")]
    Csv(String),
    #[error("it holds {0} lines with a microstep and an angle; {LEAST} are the least")]
    Short(usize),
    #[error("{0} is not a whole microstep")]
    Fraction(String),
}

/// Parts of an electrical cycle that each need a rest: quarters of a full step, which tell
/// harmonics up to the fourth apart.
const PARTS: i64 = 16;

/// Why the rests of a motor with so many `teeth`, on so many `microsteps` a full step, do not tell
/// what pulls it.
pub(super) fn fault(rests: &[Rest], teeth: u32, microsteps: u32) -> Option<&'static str> {
    let cycle = 4 * i64::from(microsteps);
    let part = |rest: &Rest| rest.microstep.rem_euclid(cycle) * PARTS / cycle;
    if (0..PARTS).any(|one| !rests.iter().any(|rest| part(rest) == one)) {
        return Some("its rests leave out quarters of a full step of the electrical cycle");
    }
    let microstep = TAU / (f64::from(teeth) * cycle as f64);
    let off = |rest: &Rest| rest.microstep as f64 * microstep - rest.angle;
    let (least, most) = rests
        .iter()
        .map(off)
        .fold((f64::MAX, f64::MIN), |(least, most), off| {
            (least.min(off), most.max(off))
        });
    // A full step is as far as a rotor strays that is held at all.
    (most - least > f64::from(microsteps) * microstep)
        .then_some("its rests stray from their microsteps by more than a full step")
}

/// Reads a table of rests.
pub(super) fn parse(text: &str) -> Result<Vec<Rest>, RestsError> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let mut rests = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| RestsError::Csv(error.to_string()))?;
        let number = |at: usize| record.get(at)?.trim().parse::<f64>().ok();
        let (Some(microstep), Some(degrees)) = (number(0), number(1)) else {
            continue;
        };
        if microstep.fract() != 0.0 || microstep.abs() > 1e9 || !degrees.is_finite() {
            return Err(RestsError::Fraction(record[0].trim().to_owned()));
        }
        rests.push(Rest {
            microstep: microstep as i64,
            angle: degrees.to_radians(),
        });
    }
    match rests.len() {
        0..LEAST => Err(RestsError::Short(rests.len())),
        _ => Ok(rests),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_of_rests_is_read_past_its_head() {
        let lines: String = (0..12)
            .map(|k| format!("{k}, {}\n", 0.9 * f64::from(k)))
            .collect();
        let rests = parse(&format!("# of the bench\nmicrostep,angle_deg\n{lines}")).unwrap();
        assert_eq!((rests.len(), rests[11].microstep), (12, 11));
        assert!((rests[11].angle - 9.9_f64.to_radians()).abs() < 1e-12);
    }

    #[test]
    fn rests_that_leave_gaps_or_run_backwards_are_told() {
        let rests = |step: usize, sign: f64| -> Vec<Rest> {
            let rest = |microstep: i64| Rest {
                microstep,
                angle: sign * (0.1125 * microstep as f64 + 3.0).to_radians(),
            };
            (-32..96).step_by(step).map(rest).collect()
        };
        assert_eq!(fault(&rests(1, 1.0), 50, 16), None);
        assert_eq!(fault(&rests(4, 1.0), 50, 16), None);
        assert!(fault(&rests(8, 1.0), 50, 16).unwrap().contains("leave out"));
        assert!(fault(&rests(1, -1.0), 50, 16).unwrap().contains("stray"));
        assert!(fault(&rests(1, 1.0), 50, 8).unwrap().contains("stray"));
    }

    #[test]
    fn what_is_no_table_of_rests_is_refused() {
        assert_eq!(parse("microstep,angle_deg\n"), Err(RestsError::Short(0)));
        assert_eq!(
            parse("0.5,1\n"),
            Err(RestsError::Fraction("0.5".to_owned()))
        );
        assert_eq!(
            parse("nan,1\n"),
            Err(RestsError::Fraction("nan".to_owned()))
        );
    }
}
