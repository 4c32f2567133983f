//! What the check knows of an axis before anything moves.

use std::sync::OnceLock;

use crate::physics::band::Band;
use crate::physics::heat::Heat;
use crate::physics::load::ShaftLoad;
use crate::physics::loss::RotorLoss;
use crate::physics::machine::Machine;
use crate::physics::stability::{bands, typical_bands};
use crate::physics::start_stop::{StartStop, start_stop};
use crate::physics::torque::PullOut;
use crate::rig::Axis;

/// What a rig can do, computed once for all the moves.
#[derive(Debug)]
pub struct AxisAbility {
    /// The load at the motor's shaft.
    pub load: ShaftLoad,
    /// The pull-out curve.
    pub pull_out: PullOut,
    /// What the rotor loses.
    pub loss: RotorLoss,
    /// The critical speeds with the least damping that is likely.
    pub bands: Vec<Band>,
    /// The critical speeds with the typical damping.
    pub typical_bands: Vec<Band>,
    /// Heat and its findings.
    pub heat: Heat,
    start_stop: OnceLock<StartStop>,
}

impl AxisAbility {
    /// What `axis` can do, its critical speeds looked for with so much effort.
    pub fn of(axis: &Axis) -> Self {
        Self {
            load: ShaftLoad::of(axis),
            pull_out: PullOut::of(axis),
            loss: RotorLoss::of(&axis.motor),
            bands: bands(axis),
            typical_bands: typical_bands(axis),
            heat: Heat::of(axis),
            start_stop: OnceLock::new(),
        }
    }

    /// The start-stop rate of `axis`, sought in the simulator when it is first asked
    /// for, which takes some tenths of a second.
    pub fn start_stop(&self, axis: &Axis) -> &StartStop {
        self.start_stop
            .get_or_init(|| start_stop(&Machine::of(axis)))
    }
}
