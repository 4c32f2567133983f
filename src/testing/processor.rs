//! What work costs, told by the time that the processor spent on it: what else a machine
//! does adds nothing to that.

use std::time::Duration;

/// Clock ticks of `/proc` in a second, on every Linux (proc_pid_stat(5), times(2)).
const TICKS_A_SECOND: u64 = 100;

/// What the processor has spent on this thread; none where the system does not tell.
fn spent() -> Option<Duration> {
    let stat = std::fs::read_to_string("/proc/thread-self/stat").ok()?;
    // The second field, the name in parentheses, may hold spaces.
    let (_, fields) = stat.rsplit_once(')')?;
    let mut fields = fields.split_whitespace().skip(11);
    let mut ticks = || fields.next()?.parse::<u64>().ok();
    let (of_program, of_system) = (ticks()?, ticks()?);
    let milliseconds = (of_program + of_system) * 1000 / TICKS_A_SECOND;
    Some(Duration::from_millis(milliseconds))
}

/// What has been spent from some moment on.
pub(crate) struct Cost {
    before: Option<Duration>,
}

impl Cost {
    /// From now on.
    pub(crate) fn begin() -> Self {
        Self { before: spent() }
    }

    /// How much it is by now (s); nothing where the system does not tell.
    pub(crate) fn seconds(&self) -> f64 {
        let spent = self
            .before
            .zip(spent())
            .map(|(before, after)| after - before);
        spent.unwrap_or_default().as_secs_f64()
    }

    /// Fails where it is so many seconds of one processor: to be given as about ten times of
    /// what is usual, so that only a slip by an order of magnitude shows.
    #[track_caller]
    pub(crate) fn below(self, seconds: u64) {
        if let (Some(before), Some(after)) = (self.before, spent()) {
            let cost = after - before;
            assert!(cost < Duration::from_secs(seconds), "it cost {cost:?}");
        }
    }
}

#[test]
fn the_time_of_the_processor_is_told_where_there_is_a_proc() {
    if std::path::Path::new("/proc/thread-self/stat").exists() {
        let before = spent().unwrap();
        let mut sum = 0_u64;
        while spent().unwrap() - before < Duration::from_millis(50) {
            sum = std::hint::black_box(sum.wrapping_add(1));
        }
        assert!(sum > 0);
    }
}
