//! Names as other languages take them.

use std::collections::HashSet;

/// Gives out names of letters, digits and `_`, each one once.
#[derive(Debug, Default)]
pub(super) struct Identifiers {
    taken: HashSet<String>,
}

impl Identifiers {
    /// `KIND_NAME`, with `_` for whatever else stands in `name`, and a number behind it
    /// where that has been given out already.
    pub(super) fn unique(&mut self, kind: &str, name: &str) -> String {
        let simple = |c: char| if c.is_ascii_alphanumeric() { c } else { '_' };
        let wanted = format!("{kind}_{}", name.chars().map(simple).collect::<String>());
        let mut unique = wanted.clone();
        let mut number = 2;
        while !self.taken.insert(unique.clone()) {
            unique = format!("{wanted}_{number}");
            number += 1;
        }
        unique
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_stand_in_a_name_is_replaced_and_no_name_comes_twice() {
        let mut identifiers = Identifiers::default();
        assert_eq!(identifiers.unique("step", "arm-1"), "step_arm_1");
        assert_eq!(identifiers.unique("step", "arm 1"), "step_arm_1_2");
    }
}
