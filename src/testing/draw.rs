//! Random numbers that are the same in every run.

/// Numbers of a seed, evenly spread (a linear congruence with mixed digits: Knuth's constants).
pub(crate) struct Draw(u64);

impl Draw {
    /// Of that seed.
    pub(crate) fn of(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(1))
    }

    /// From 0 to 1.
    pub(crate) fn share(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let mixed = (self.0 ^ (self.0 >> 33)).wrapping_mul(0xff51_afd7_ed55_8ccd);
        ((mixed ^ (mixed >> 29)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// With its logarithm evenly spread.
    pub(crate) fn spread(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.share())
    }

    /// One of these.
    pub(crate) fn one<'a>(&mut self, of: &[&'a str]) -> &'a str {
        of[(self.share() * of.len() as f64) as usize]
    }
}
