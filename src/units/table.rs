//! The one table of units.

use super::dimension::{Dimension, TORQUE, per_time};

/// A unit of measure: its symbol, its size in SI units and its dimension.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Unit {
    /// As it is written, prefix included: `mH`, `deg`.
    pub symbol: &'static str,
    /// How many SI units one of these is.
    pub factor: f64,
    /// What it measures.
    pub dimension: Dimension,
}

const fn unit(symbol: &'static str, factor: f64, dimension: Dimension) -> Unit {
    Unit {
        symbol,
        factor,
        dimension,
    }
}

pub(super) const FORCE: Dimension = Dimension::of(1, 1, -2, 0);
pub(super) const MASS: Dimension = Dimension::of(1, 0, 0, 0);
pub(super) const AMPERE: Dimension = Dimension::of(0, 0, 0, 1);
pub(super) const VOLT: Dimension = Dimension::of(1, 2, -3, -1);
pub(super) const OHM: Dimension = Dimension::of(1, 2, -3, -2);
pub(super) const HENRY: Dimension = Dimension::of(1, 2, -2, -2);
pub(super) const WATT: Dimension = Dimension::of(1, 2, -3, 0);
pub(super) const HERTZ: Dimension = per_time(Dimension::NONE, 1);
pub(super) const TURN: f64 = std::f64::consts::TAU;

/// Every unit that the script and the rig know. Values from the SI brochure (BIPM,
/// 9th edition); the pound, inch, ounce-force and kilogram-force from their
/// international definitions (from memory: 0.45359237 kg, 25.4 mm, 9.80665 m/s²).
pub(crate) const UNITS: &[Unit] = &[
    unit("deg", TURN / 360.0, Dimension::ANGLE),
    unit("°", TURN / 360.0, Dimension::ANGLE),
    unit("rad", 1.0, Dimension::ANGLE),
    unit("mrad", 1e-3, Dimension::ANGLE),
    unit("turn", TURN, Dimension::ANGLE),
    unit("turns", TURN, Dimension::ANGLE),
    unit("arcmin", TURN / 21_600.0, Dimension::ANGLE),
    unit("arcsec", TURN / 1_296_000.0, Dimension::ANGLE),
    unit("step", 1.0, Dimension::FULL_STEP),
    unit("steps", 1.0, Dimension::FULL_STEP),
    unit("microstep", 1.0, Dimension::MICROSTEP),
    unit("microsteps", 1.0, Dimension::MICROSTEP),
    unit("m", 1.0, Dimension::LENGTH),
    unit("cm", 1e-2, Dimension::LENGTH),
    unit("mm", 1e-3, Dimension::LENGTH),
    unit("um", 1e-6, Dimension::LENGTH),
    unit("µm", 1e-6, Dimension::LENGTH),
    unit("in", 0.0254, Dimension::LENGTH),
    unit("s", 1.0, Dimension::TIME),
    unit("ms", 1e-3, Dimension::TIME),
    unit("us", 1e-6, Dimension::TIME),
    unit("µs", 1e-6, Dimension::TIME),
    unit("ns", 1e-9, Dimension::TIME),
    unit("min", 60.0, Dimension::TIME),
    unit("Hz", 1.0, HERTZ),
    unit("kHz", 1e3, HERTZ),
    unit("MHz", 1e6, HERTZ),
    unit("rpm", TURN / 60.0, per_time(Dimension::ANGLE, 1)),
    unit("kg", 1.0, MASS),
    unit("g", 1e-3, MASS),
    unit("mg", 1e-6, MASS),
    unit("lb", 0.453_592_37, MASS),
    unit("N", 1.0, FORCE),
    unit("mN", 1e-3, FORCE),
    unit("uN", 1e-6, FORCE),
    unit("µN", 1e-6, FORCE),
    unit("kN", 1e3, FORCE),
    unit("ozf", 0.028_349_523_125 * 9.806_65, FORCE),
    unit("lbf", 0.453_592_37 * 9.806_65, FORCE),
    unit("kgf", 9.806_65, FORCE),
    unit("gf", 9.806_65e-3, FORCE),
    // As data sheets write them, without a sign between.
    unit("Nm", 1.0, TORQUE),
    unit("mNm", 1e-3, TORQUE),
    unit("Ncm", 1e-2, TORQUE),
    unit("A", 1.0, AMPERE),
    unit("mA", 1e-3, AMPERE),
    unit("V", 1.0, VOLT),
    unit("mV", 1e-3, VOLT),
    unit("ohm", 1.0, OHM),
    unit("mohm", 1e-3, OHM),
    unit("kohm", 1e3, OHM),
    unit("Ω", 1.0, OHM),
    unit("mΩ", 1e-3, OHM),
    unit("kΩ", 1e3, OHM),
    unit("H", 1.0, HENRY),
    unit("mH", 1e-3, HENRY),
    unit("uH", 1e-6, HENRY),
    unit("µH", 1e-6, HENRY),
    unit("W", 1.0, WATT),
    unit("mW", 1e-3, WATT),
    unit("%", 1e-2, Dimension::NONE),
    unit("ppm", 1e-6, Dimension::NONE),
];

/// The unit of that symbol, with the look-alikes of micro (U+03BC) and ohm (U+2126)
/// read as what they look like.
pub(crate) fn find_unit(symbol: &str) -> Option<&'static Unit> {
    let plain = symbol.replace('\u{3bc}', "µ").replace('\u{2126}', "Ω");
    UNITS.iter().find(|unit| unit.symbol == plain)
}
