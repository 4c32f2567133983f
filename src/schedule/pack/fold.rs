//! Folding: what a list does over and over is kept once, with a count.

use std::cmp::Reverse;

/// The longest period that is looked for: chosen, since the search costs as much as the
/// list is long times this.
const LONGEST_PERIOD: usize = 64;

/// What can be folded.
pub(crate) trait Fold: Sized {
    /// What a repeat takes besides its body (bytes).
    const REPEAT: usize;

    /// Whether the two do the same.
    fn same(&self, other: &Self) -> bool;
    /// `body`, so many times.
    fn repeat(count: u32, body: Vec<Self>) -> Self;
    /// How deep repeats are nested in it.
    fn depth(&self) -> usize;
    /// About how much it takes (bytes).
    fn size(&self) -> usize;
}

/// A stretch that does something over and over.
#[derive(Debug, Clone, Copy)]
struct Repetition {
    start: usize,
    period: usize,
    times: usize,
    /// What folding it saves (bytes).
    saved: usize,
}

impl Repetition {
    const fn end(&self) -> usize {
        self.start + self.period * self.times
    }
}

/// Folds repetitions, those that save most first, then what is left and the bodies,
/// until nothing is saved any more or repeats are nested `most_nested` deep.
pub(crate) fn fold<T: Fold>(mut list: Vec<T>, most_nested: usize) -> Vec<T> {
    loop {
        let mut stretches = apart(stretches(&list, most_nested), list.len());
        if stretches.is_empty() {
            return list;
        }
        stretches.sort_unstable_by_key(|stretch| stretch.start);
        list = with_repeats(list, &stretches, most_nested);
    }
}

/// Every stretch that is worth folding.
fn stretches<T: Fold>(list: &[T], most_nested: usize) -> Vec<Repetition> {
    let mut found = Vec::new();
    let mut sizes = vec![0];
    sizes.extend(list.iter().scan(0, |sum, item| {
        *sum += item.size();
        Some(*sum)
    }));
    let deepest = |start: usize, period: usize| {
        let body = &list[start..start + period];
        body.iter().map(T::depth).max().unwrap_or(0)
    };
    for period in 1..=LONGEST_PERIOD.min(list.len() / 2) {
        let mut start = 0;
        while start + period < list.len() {
            let pairs = list[start..].iter().zip(&list[start + period..]);
            let equal = pairs.take_while(|(one, later)| one.same(later)).count();
            let times = (equal / period + 1).min(u32::MAX as usize);
            let body = sizes[start + period] - sizes[start];
            let saved = (body * (times - 1)).saturating_sub(T::REPEAT);
            if saved > 0 && deepest(start, period) < most_nested {
                found.push(Repetition {
                    start,
                    period,
                    times,
                    saved,
                });
            }
            start += equal + 1;
        }
        // Where nearly everything is one stretch, longer periods find it again.
        let covers = |stretch: &Repetition| 4 * stretch.period * stretch.times > 3 * list.len();
        if found.last().is_some_and(covers) {
            break;
        }
    }
    found
}

/// Those of the stretches that save most and do not overlap.
fn apart(mut stretches: Vec<Repetition>, length: usize) -> Vec<Repetition> {
    stretches.sort_by_key(|stretch| (Reverse(stretch.saved), stretch.start));
    let mut taken = vec![false; length];
    stretches.retain(|stretch| {
        let places = &mut taken[stretch.start..stretch.end()];
        let free = !places.contains(&true);
        if free {
            places.fill(true);
        }
        free
    });
    stretches
}

/// The list with repeats for those stretches, which are in order.
fn with_repeats<T: Fold>(list: Vec<T>, stretches: &[Repetition], most_nested: usize) -> Vec<T> {
    let mut folded = Vec::new();
    let mut rest = list.into_iter();
    let mut at = 0;
    for stretch in stretches {
        folded.extend(rest.by_ref().take(stretch.start - at));
        let body = rest.by_ref().take(stretch.period).collect();
        folded.push(T::repeat(stretch.times as u32, fold(body, most_nested - 1)));
        at = stretch.start + stretch.period;
        rest.by_ref().take(stretch.end() - at).for_each(drop);
        at = stretch.end();
    }
    folded.extend(rest);
    folded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Clone, PartialEq)]
    enum Folded {
        One(u8),
        Many(u32, Vec<Folded>),
    }

    impl Fold for Folded {
        const REPEAT: usize = 1;

        fn same(&self, other: &Self) -> bool {
            self == other
        }

        fn repeat(count: u32, body: Vec<Self>) -> Self {
            Self::Many(count, body)
        }

        fn depth(&self) -> usize {
            match self {
                Self::One(_) => 0,
                Self::Many(_, body) => 1 + body.iter().map(Self::depth).max().unwrap_or(0),
            }
        }

        fn size(&self) -> usize {
            match self {
                Self::One(_) => 1,
                Self::Many(_, body) => Self::REPEAT + body.iter().map(Self::size).sum::<usize>(),
            }
        }
    }

    fn letters(text: &[u8]) -> Vec<Folded> {
        text.iter().map(|&letter| Folded::One(letter)).collect()
    }

    fn unfolded(items: &[Folded], out: &mut Vec<u8>) {
        for item in items {
            match item {
                Folded::One(value) => out.push(*value),
                Folded::Many(count, body) => (0..*count).for_each(|_| unfolded(body, out)),
            }
        }
    }

    #[test]
    fn nested_repeats_are_found_and_unfold_to_the_same() {
        for text in [
            [b"abbbc".repeat(7), b"xyxyxyz".to_vec()].concat(),
            // The two a in a row are no repeat that is worth more than the whole.
            b"abaaba".repeat(4),
            [b"abaabac".repeat(3), b"abaaba".to_vec()].concat(),
        ] {
            let folded = fold(letters(&text), 4);
            let size: usize = folded.iter().map(Folded::size).sum();
            assert!(size <= 14, "{folded:?}");
            let mut out = Vec::new();
            unfolded(&folded, &mut out);
            assert_eq!(out, text);
        }
    }

    #[test]
    fn nothing_is_nested_deeper_than_allowed() {
        let folded = fold(letters(&b"aaaaab".repeat(64)), 1);
        assert!(folded.iter().all(|item| item.depth() <= 1));
    }

    #[test]
    fn whatever_is_folded_unfolds_to_the_same() {
        proptest::proptest!(|(
            text in proptest::collection::vec(0u8..3, 0..200),
            most_nested in 0usize..5,
        )| {
            let folded = fold(letters(&text), most_nested);
            assert!(folded.iter().all(|item| item.depth() <= most_nested));
            let mut out = Vec::new();
            unfolded(&folded, &mut out);
            assert_eq!(out, text);
        });
    }
}
