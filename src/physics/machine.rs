//! The two-phase machine: motor, drive and load as one set of equations, all seen
//! at the motor's shaft.
//!
//! ```text
//! θe = N θ                                    electrical angle
//! L diA/dt = vA − R iA + K ω sin θe
//! L diB/dt = vB − R iB − K ω cos θe
//! T        = K (iB cos θe − iA sin θe) − Td sin 4θe − T_x(θe)
//! J dω/dt  = T − B ω − (Tf + Tr) sgn ω − Tc − Tu sin θ_load,    θ_load = (θ − φ₀/N) / g
//! ```
//!
//! With a gearing that loses power, everything behind it costs more to drive and gives
//! less back: with TL = JL dω/dt + Tf sgn ω + Tc + Tu sin θ_load, of which J contains
//! JL, the motor feels TL / η where TL acts against the motion and η TL where it acts
//! along it.
//!
//! | symbol | meaning | unit |
//! | --- | --- | --- |
//! | N | rotor teeth | |
//! | R, L | resistance (winding, switches, sense resistor) and inductance of one phase | Ω, H |
//! | K | torque constant of one phase, Th / (√2 · Irated) | N·m/A |
//! | T_x | what else pulls a rotor whose rests were measured, see [`harmonics`](super::harmonics) | N·m |
//! | Td | detent torque; its rests are the one-phase positions | N·m |
//! | J, B | rotor and reflected load | kg·m², N·m·s/rad |
//! | JL, η | the part of J behind the gearing, and the gearing's efficiency | kg·m² |
//! | Tf | Coulomb friction; it sticks (see [`Simulator`]) | N·m |
//! | Tr | constant loss of the rotor itself, hysteresis and bearings | N·m |
//! | Tc | torque that always acts, positive against positive travel | N·m |
//! | Tu, g | unbalance m·r·g₀ reflected to the motor; motor turns a load turn | N·m |
//!
//! These are the usual equations of a two-phase hybrid motor without saturation
//! (P. Acarnley, *Stepping Motors: a guide to theory and practice*; from memory). Eddy
//! currents in the iron are part of B, see [`loss`](super::loss). Backlash is not modelled: the load counts as rigidly geared.
//!
//! What the phases are fed with, and what a command asks of them, is a matter of the
//! [`feed`](super::feed).

mod equations;
mod hold;
mod model;
mod set_point;
mod simulator;
mod state;
#[cfg(test)]
pub(crate) mod tests;

pub(crate) use hold::swings_past;
pub(crate) use model::Machine;
pub(crate) use model::degrees;
pub(crate) use simulator::Simulator;
pub(crate) use state::State;
