//! Ctrl-C, the hang-up of a terminal and the request to end.
//!
//! A signal that was already ignored when the program began stays ignored: so `nohup` and
//! the jobs that a shell starts behind its back want it (POSIX, “Shell Command Language”,
//! asynchronous lists; `nohup`).

/// What shells add to the number of a signal that ended a program: common practice.
#[cfg(unix)]
const ENDED_BY: i32 = 128;

/// Calls `act` in a thread of its own at each of these signals, with the exit code of a
/// program that the signal ends. Where no handler can be set, a signal ends the program
/// as the system has it.
#[cfg(unix)]
pub(super) fn on_interrupt(mut act: impl FnMut(i32) + Send + 'static) {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;

    let wanted = match ignored() {
        Some(ignored) => {
            let is_ignored = |signal: i32| ignored >> (signal - 1) & 1 == 1;
            let all = [SIGINT, SIGTERM, SIGHUP].into_iter();
            all.filter(|signal| !is_ignored(*signal)).collect()
        }
        // A hang-up that may have to be ignored is left to the system.
        None => vec![SIGINT, SIGTERM],
    };
    if let Ok(mut signals) = Signals::new(wanted) {
        std::thread::spawn(move || {
            for signal in signals.forever() {
                act(ENDED_BY + signal);
            }
        });
    }
}

/// The signals that this program was started to ignore, signal n as bit n − 1; none where
/// the system does not tell. `/proc` is that of Linux (proc_pid_status(5), `SigIgn`).
#[cfg(unix)]
fn ignored() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let mut lines = status.lines();
    let mask = lines.find_map(|line| line.strip_prefix("SigIgn:"))?;
    u64::from_str_radix(mask.trim(), 16).ok()
}

/// The same at Ctrl-C, the one of them that every system has.
#[cfg(not(unix))]
pub fn on_interrupt(mut act: impl FnMut(i32) + Send + 'static) {
    const INTERRUPTED: i32 = 130;
    let _ = ctrlc::set_handler(move || act(INTERRUPTED));
}
