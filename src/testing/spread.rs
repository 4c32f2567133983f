//! Deviations from outside values, by class, for the record.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::collections::BTreeMap;

/// The least and greatest deviation of each class.
#[derive(Debug, Default)]
pub(crate) struct Spread {
    classes: BTreeMap<String, (f64, f64, usize)>,
}

impl Spread {
    /// One more deviation.
    pub(crate) fn add(&mut self, class: impl Into<String>, deviation: f64) {
        let entry =
            self.classes
                .entry(class.into())
                .or_insert((f64::INFINITY, f64::NEG_INFINITY, 0));
        entry.0 = entry.0.min(deviation);
        entry.1 = entry.1.max(deviation);
        entry.2 += 1;
    }

    /// Prints a line for each class, in per cent.
    pub(crate) fn print(&self, what: &str) {
        for (class, (least, greatest, count)) in &self.classes {
            println!(
                "{what}, {class}: {:+.2} … {:+.2} % ({count})",
                100.0 * least,
                100.0 * greatest
            );
        }
    }
}
