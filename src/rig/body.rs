//! The inertia of a load from its shape, for those who have a scale and a rule.
//!
//! Homogeneous bodies that turn about their own axis (textbook mechanics), of the mass m:
//!
//! ```text
//! disc  of the diameter d                       J = m d²/8
//! ring  between the diameters d₁ and d₂         J = m (d₁² + d₂²)/8
//! rod   of the length l, about its middle       J = m l²/12
//! ```
//!
//! What a load gives of these adds to its `inertia`.

use super::fields::{Bounds, Fields};
use crate::units::{Inertia, Length, Mass};

/// The largest body that a rig may have (m; kg): chosen, as for what travels.
const LARGEST: f64 = 100.0;
const HEAVIEST: f64 = 1e4;

/// A shape.
#[derive(Debug, Clone, Copy)]
enum Body {
    Disc,
    Ring,
    Rod,
}

impl Body {
    const ALL: [Self; 3] = [Self::Disc, Self::Ring, Self::Rod];

    /// Its key, and what it is called in a message.
    const fn names(self) -> (&'static str, &'static str) {
        match self {
            Self::Disc => ("disc", "the disc"),
            Self::Ring => ("ring", "the ring"),
            Self::Rod => ("rod", "the rod"),
        }
    }

    /// Its inertia (kg·m²), where the load gives it.
    fn read(self, load: &mut Fields<'_>) -> Option<f64> {
        let (key, what) = self.names();
        let entry = load.take(key)?;
        let mut body = Fields::of(what, entry.key_place, entry.value, load.problems())?;
        let mass: Option<Mass> = body.required("mass", Bounds::positive(1e-9, HEAVIEST));
        let mut square = |key| -> Option<f64> {
            let length: Length = body.required(key, Bounds::positive(1e-6, LARGEST))?;
            Some(length.si() * length.si())
        };
        let square_of_gyration = match self {
            Self::Disc => square("diameter").map(|square| square / 8.0),
            Self::Ring => {
                let (inner, outer) = (square("inner"), square("outer"));
                inner.zip(outer).map(|(inner, outer)| (inner + outer) / 8.0)
            }
            Self::Rod => square("length").map(|square| square / 12.0),
        };
        body.finish();
        Some(mass?.si() * square_of_gyration?)
    }
}

/// The inertia of the bodies that the load gives.
pub(super) fn inertia(load: &mut Fields<'_>) -> Inertia {
    let bodies = Body::ALL.into_iter().filter_map(|body| body.read(load));
    Inertia::new(bodies.sum())
}
