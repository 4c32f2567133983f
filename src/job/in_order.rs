//! Work on all cores whose first error, in order, is told.

use rayon::iter::ParallelIterator;

/// What all of `works` give, in their order, or the first error of that order: the same one every
/// time. (Collected into a result, the cores tell whichever comes first.)
pub(super) fn in_order<T: Send, E: Send>(
    works: impl ParallelIterator<Item = Result<T, E>>,
) -> Result<Vec<T>, E> {
    let all: Vec<Result<T, E>> = works.collect();
    all.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::time::Duration;

    use rayon::iter::{IntoParallelIterator, ParallelIterator};

    use super::in_order;

    /// The first fails only once another one has.
    #[test]
    fn the_first_error_is_told_whichever_core_comes_to_one_first() {
        let has_failed = AtomicBool::new(false);
        let fail = |number: u32| -> Result<u32, u32> {
            for _ in 0..200 {
                if number != 0 || has_failed.load(Ordering::SeqCst) {
                    break;
                }
                // Where no other one fails meanwhile, the first is told all the same.
                std::thread::sleep(Duration::from_millis(5));
            }
            has_failed.store(true, Ordering::SeqCst);
            Err(number)
        };
        let two = rayon::ThreadPoolBuilder::new().num_threads(2).build();
        let told = two
            .unwrap()
            .install(|| in_order((0..64u32).into_par_iter().map(fail)));
        assert_eq!(told, Err(0));
        let fine = in_order((0..64u32).into_par_iter().map(Ok::<u32, u32>));
        assert_eq!(fine, Ok((0..64).collect()));
    }
}
