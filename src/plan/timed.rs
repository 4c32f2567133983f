//! Moves that take exactly so long.
//!
//! The ramps stay as steep as the limits allow and the cruise is slowed: the time of a
//! move falls steadily with its cruise speed, from n/v with hardly any ramp down to the
//! fastest profile, so that every time from the shortest up is met by one speed v.
//!
//! Where that v lies in a critical band, the cruise is moved to the band's *upper* edge and
//! the ramps are stretched instead (a slower cruise could not be in time any more). With
//! t and d the time and distance of both ramps at that edge, the share s of the
//! accelerations that meets the time T over n microsteps follows from
//!
//! ```text
//! T = t/s + (n − d/s)/v        s = (t − d/v)/(T − n/v)
//! ```

use crate::plan::bands::Bands;
use crate::plan::profile::{Impossible, Profile, Ramp, Task, assemble, duration, peak_speed};
use crate::plan::root::rising_root;

/// The profile that takes exactly `time` seconds, with its cruise outside of `bands`
/// where there is a way. End speeds above the cruise speed are lowered to it. The second
/// value is the cruise speed that it had before it was moved out of a band.
///
/// # Errors
/// [`Impossible::TooSoon`] where even the fastest profile takes longer.
pub(crate) fn in_time(
    task: Task,
    time: f64,
    up: &dyn Ramp,
    down: &dyn Ramp,
    bands: &Bands,
) -> Result<(Profile, Option<f64>), Impossible> {
    let top = peak_speed(task, up, down)?;
    let shortest = duration(task, top, up, down);
    // A time that was rounded to many digits on its way here is not "too soon".
    if time < shortest * (1.0 - 1e-9) {
        return Err(Impossible::TooSoon { shortest });
    }
    // The mean speed is the lowest cruise speed that could be in time, without ramps.
    let mean = (task.distance / time).min(top);
    let peak = rising_root(mean, top, |speed| {
        time - duration(capped(task, speed), speed, up, down)
    });
    let mut profile = assemble(capped(task, peak), peak, up, down);
    let mut moved = None;
    if profile.cruise > 0.0
        && let Some((_, edge)) = bands.around(peak)
        && let Some(stretched) = stretched(task, time, edge, up, down)
    {
        profile = stretched;
        moved = Some(peak);
    }
    profile.duration = time.max(shortest);
    Ok((profile, moved))
}

/// The task with that highest speed.
fn capped(task: Task, speed: f64) -> Task {
    Task {
        start: task.start.min(speed),
        end: task.end.min(speed),
        speed,
        ..task
    }
}

/// The profile that cruises at `edge` and meets the time by slower ramps, if there is
/// one within the limits.
fn stretched(task: Task, time: f64, edge: f64, up: &dyn Ramp, down: &dyn Ramp) -> Option<Profile> {
    if edge > task.speed.min(up.top()).min(down.top()) {
        return None;
    }
    let ramps = up.duration(task.start, edge) + down.duration(task.end, edge);
    let distance = up.distance(task.start, edge) + down.distance(task.end, edge);
    let share = (ramps - distance / edge) / (time - task.distance / edge);
    if !(share > 0.0 && share <= 1.0 && distance / share <= task.distance) {
        return None;
    }
    let (up, down) = (up.slower(share), down.slower(share));
    Some(assemble(task, edge, &*up, &*down))
}
